"""What was poured on what, and in which surroundings: the inputs of the cure model, for many members at once.

Arrays hold one value for each of M members; times are seconds after the pour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from hoofsense.physics.constants import STEFAN_BOLTZMANN_W_per_m2_K4
from hoofsense.physics.cure_kinetics import Kinetics

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Fill:
    """What was poured, on what, for M members: every array of shape (M,).

    pad_capacity_J_per_m3_K, horn_capacity_J_per_m3_K  density times heat capacity
    heat_J_per_m3                                      heat of reaction times density, 0 or more
    tissue_W_per_m2_K, tissue_K                        film coefficient and temperature of the living tissue
    cover_m2_K_per_W                                   thermal resistance of film or cover, 0 or more
    material_K, sole_K                                 at the moment of the pour
    """

    pad_thickness_m: FloatArray
    pad_conductivity_W_per_m_K: FloatArray
    pad_capacity_J_per_m3_K: FloatArray
    heat_J_per_m3: FloatArray
    horn_thickness_m: FloatArray
    horn_conductivity_W_per_m_K: FloatArray
    horn_capacity_J_per_m3_K: FloatArray
    tissue_W_per_m2_K: FloatArray
    tissue_K: FloatArray
    cover_m2_K_per_W: FloatArray
    emissivity_ratio: FloatArray
    material_K: FloatArray
    sole_K: FloatArray
    kinetics: Kinetics

    def __post_init__(self) -> None:
        shape = (self.kinetics.members,)
        for field in fields(self):
            if field.name == "kinetics":
                continue
            values = getattr(self, field.name)
            if values.shape != shape or not np.all(np.isfinite(values)):
                raise ValueError(
                    f"fill {field.name} must hold one finite number for each of {shape[0]} members"
                )

    @property
    def members(self) -> int:
        return self.kinetics.members


@dataclass(frozen=True, slots=True, eq=False)
class Ambient:
    """The surroundings over the cure: linear between times, held before the first and after the last.

    time_s           shape (K,), rising, seconds after the pour
    air_K, radiant_K shape (K, M) or (K, 1)
    film_W_per_m2_K  convection at the face, shape (K, M) or (K, 1)
    """

    time_s: FloatArray
    air_K: FloatArray
    radiant_K: FloatArray
    film_W_per_m2_K: FloatArray

    def __post_init__(self) -> None:
        if self.time_s.ndim != 1 or self.time_s.size < 1 or np.any(np.diff(self.time_s) <= 0.0):
            raise ValueError("ambient times must rise: give the history in time order without repeats")
        for name in ("air_K", "radiant_K", "film_W_per_m2_K"):
            values = getattr(self, name)
            if values.ndim != 2 or values.shape[0] != self.time_s.size or not np.all(np.isfinite(values)):
                raise ValueError(f"ambient {name} must hold one finite row for each of its times")

    def at(self, time_s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Air, radiant temperature and film coefficient at one moment, each of shape (M,) or (1,)."""
        last = self.time_s.size - 1
        if last == 0 or time_s <= self.time_s[0]:
            return self.air_K[0], self.radiant_K[0], self.film_W_per_m2_K[0]
        if time_s >= self.time_s[last]:
            return self.air_K[last], self.radiant_K[last], self.film_W_per_m2_K[last]
        right = int(np.searchsorted(self.time_s, time_s, side="right"))
        left = right - 1
        share = (time_s - self.time_s[left]) / (self.time_s[right] - self.time_s[left])
        return (
            self.air_K[left] + share * (self.air_K[right] - self.air_K[left]),
            self.radiant_K[left] + share * (self.radiant_K[right] - self.radiant_K[left]),
            self.film_W_per_m2_K[left] + share * (self.film_W_per_m2_K[right] - self.film_W_per_m2_K[left]),
        )


def steady_ambient(air_K: npt.ArrayLike, radiant_K: npt.ArrayLike, film_W_per_m2_K: npt.ArrayLike) -> Ambient:
    """Surroundings that never change, from scalars or arrays of shape (M,)."""

    def row(value: npt.ArrayLike) -> FloatArray:
        return np.atleast_1d(np.asarray(value, dtype=np.float64))[None, :]

    return Ambient(np.zeros(1), row(air_K), row(radiant_K), row(film_W_per_m2_K))


def side_by_side(made: Sequence[tuple[Fill, Ambient]]) -> tuple[Fill, Ambient]:
    """Several fills, each in its own unchanging surroundings, as the members of one.

    raises  ValueError for nothing, or for surroundings that change
    """
    if not made or any(ambient.time_s.size != 1 for _, ambient in made):
        raise ValueError(
            "only fills in unchanging surroundings can be run side by side: run these one by one"
        )
    fills = [fill for fill, _ in made]
    kinetics = Kinetics(
        *(np.concatenate([getattr(f.kinetics, x.name) for f in fills]) for x in fields(Kinetics))
    )
    arrays = {
        x.name: np.concatenate([getattr(f, x.name) for f in fills])
        for x in fields(Fill)
        if x.name != "kinetics"
    }

    def rows(name: str) -> FloatArray:
        return np.concatenate([np.broadcast_to(getattr(a, name), (1, f.members)) for f, a in made], axis=1)

    return Fill(**arrays, kinetics=kinetics), Ambient(
        np.zeros(1), rows("air_K"), rows("radiant_K"), rows("film_W_per_m2_K")
    )


def radiation_W_per_m2_K(
    surface_K: FloatArray, radiant_K: FloatArray, emissivity_ratio: FloatArray
) -> FloatArray:
    """Radiative film coefficient between a surface and surroundings of one temperature."""
    squares = surface_K * surface_K + radiant_K * radiant_K
    return np.asarray(STEFAN_BOLTZMANN_W_per_m2_K4 * emissivity_ratio * squares * (surface_K + radiant_K))


def bare_sole_K(
    tissue_K: npt.ArrayLike,
    air_K: npt.ArrayLike,
    *,
    horn_thickness_m: npt.ArrayLike,
    horn_conductivity_W_per_m_K: npt.ArrayLike,
    tissue_W_per_m2_K: npt.ArrayLike,
    film_W_per_m2_K: npt.ArrayLike,
    emissivity_ratio: npt.ArrayLike,
) -> FloatArray:
    """Steady temperature of a bare sole in air, between warm tissue and its surroundings; all broadcast."""
    air = np.asarray(air_K, dtype=np.float64)
    radiative = radiation_W_per_m2_K(air, air, np.asarray(emissivity_ratio, dtype=np.float64))
    outside = 1.0 / (np.asarray(film_W_per_m2_K, dtype=np.float64) + radiative)
    inside = 1.0 / np.asarray(tissue_W_per_m2_K, dtype=np.float64) + np.asarray(
        horn_thickness_m, dtype=np.float64
    ) / np.asarray(horn_conductivity_W_per_m_K, dtype=np.float64)
    return np.asarray(air + (np.asarray(tissue_K, dtype=np.float64) - air) * outside / (outside + inside))
