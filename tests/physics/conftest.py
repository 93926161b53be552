"""What several tests of this folder share: the default pour, and a reference solution of another kind."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from hoofsense.physics.cure_kinetics import kinetics_of
from hoofsense.physics.poured_pad import Ambient, Fill, bare_sole_K, steady_ambient

ICE_K = 273.15


@pytest.fixture(scope="session")
def bdf() -> ModuleType:
    """The independent solution by scipy's BDF (bdf_reference.py beside this file)."""
    spec = importlib.util.spec_from_file_location(
        "bdf_reference", Path(__file__).with_name("bdf_reference.py")
    )
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def pour() -> Callable[..., tuple[Fill, Ambient]]:
    """Builds a fill and its surroundings in degC; every argument is a scalar or one value for each member.

    The defaults are an 8 mm pad under a film on a bare cold sole at 21 degC with E = 50 kJ/mol, and the rate
    that makes it firm (0.80) in 15 min.
    """

    def build(
        members: int = 1,
        *,
        air=21.0,
        tissue=27.0,
        material=None,
        sole=None,
        radiant=None,
        film=8.0,
        cover=3e-4,
        thickness=8e-3,
        horn=10e-3,
        tissue_film=40.0,
        heat=110e3,
        rate=0.002507827897,
        energy=50e3,
        b=0.2,
        m=1.0,
        n=2.0,
        glass_start_K=0.0,
        glass_full_K=0.0,
        emissivity=0.92,
    ) -> tuple[Fill, Ambient]:
        def spread(value) -> np.ndarray:
            return np.broadcast_to(np.asarray(value, dtype=float), (members,)).copy()

        if sole is None:
            sole = (
                bare_sole_K(
                    np.asarray(tissue) + ICE_K,
                    np.asarray(air) + ICE_K,
                    horn_thickness_m=horn,
                    horn_conductivity_W_per_m_K=0.35,
                    tissue_W_per_m2_K=tissue_film,
                    film_W_per_m2_K=film,
                    emissivity_ratio=emissivity,
                )
                - ICE_K
            )
        kinetics = kinetics_of(
            members,
            rate_per_s=rate,
            activation_energy_J_per_mol=energy,
            reference_K=21.0 + ICE_K,
            b=b,
            m=m,
            n=n,
            glass_start_K=glass_start_K,
            glass_full_K=glass_full_K,
        )
        fill = Fill(
            pad_thickness_m=spread(thickness),
            pad_conductivity_W_per_m_K=spread(0.20),
            pad_capacity_J_per_m3_K=spread(1080.0 * 1800.0),
            heat_J_per_m3=spread(np.asarray(heat) * 1080.0),
            horn_thickness_m=spread(horn),
            horn_conductivity_W_per_m_K=spread(0.35),
            horn_capacity_J_per_m3_K=spread(1250.0 * 2000.0),
            tissue_W_per_m2_K=spread(tissue_film),
            tissue_K=spread(np.asarray(tissue) + ICE_K),
            cover_m2_K_per_W=spread(cover),
            emissivity_ratio=spread(emissivity),
            material_K=spread(np.asarray(air if material is None else material) + ICE_K),
            sole_K=spread(np.asarray(sole) + ICE_K),
            kinetics=kinetics,
        )
        surroundings = steady_ambient(
            np.asarray(air) + ICE_K,
            (np.asarray(air) if radiant is None else np.asarray(radiant)) + ICE_K,
            film,
        )
        return fill, surroundings

    return build
