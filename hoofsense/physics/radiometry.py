"""What an infrared thermometer of the 8 to 14 um band sees, and what the surface really is.

The instrument takes a grey surface of the emissivity set on it, in surroundings of an assumed temperature:
    e_set B(indicated) + (1 - e_set) B(assumed) = e B(surface) + (1 - e) B(background),
B being the blackbody exitance of the band. The band's weight is taken as even; real filters are not.

source: M. Planck's law with CODATA 2018 constants; the fraction series is in J. R. Howell et al., Thermal
        Radiation Heat Transfer, and its values in every heat-transfer text
departs: published tables use slightly different second radiation constants; allow 5e-5 of the fraction
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hoofsense.physics.constants import (
    BOLTZMANN_J_per_K,
    PLANCK_J_s,
    SPEED_OF_LIGHT_m_per_s,
    STEFAN_BOLTZMANN_W_per_m2_K4,
)

Array = NDArray[np.float64]
Value = TypeVar("Value", float, Array)

BAND_LOW_m, BAND_HIGH_m = 8e-6, 14e-6  # the usual band of hand-held thermometers
SECOND_RADIATION_m_K = PLANCK_J_s * SPEED_OF_LIGHT_m_per_s / BOLTZMANN_J_per_K
LOW_K, HIGH_K = 150.0, 1000.0  # cold sky to a glowing nozzle; the series is exact to 1e-10 there

# No published emissivity of hoof horn was found. Water and ice are about 0.96; bare pig skin 0.975 to 0.978
# (D. D. Soerensen et al., Comput. Electron. Agric. 109 (2014) 52). The prior is ours.
HORN_EMISSIVITY, HORN_EMISSIVITY_u = 0.95, 0.02
WATER_EMISSIVITY = 0.96

_TERMS = np.arange(1.0, 61.0)  # exp(-60 x) is below 1e-26 for the smallest x in range
_SERIES = 15.0 / math.pi**4
_NEWTON_STEPS = 60
_CONVERGED = 1e-12  # relative change of 1/T


def _checked(temperature_K: float | Array) -> Array:
    t = np.asarray(temperature_K, dtype=np.float64)
    if not bool(np.all((t >= LOW_K) & (t <= HIGH_K))):
        raise ValueError(
            f"temperature {temperature_K} K is outside {LOW_K:g} to {HIGH_K:g} K: check the reading"
        )
    return t


def _emissivity(value: float) -> float:
    if not 0.1 <= value <= 1.0:
        raise ValueError(f"emissivity {value} is outside 0.1 to 1: set the thermometer to about 0.95")
    return value


def _shaped(result: Array, like: Value) -> Value:
    return np.asarray(result) if isinstance(like, np.ndarray) else float(result)


def _fraction(wavelength_temperature_m_K: Array) -> Array:
    x = SECOND_RADIATION_m_K / wavelength_temperature_m_K[..., None]
    n = _TERMS
    terms = np.exp(-n * x) * (x**3 / n + 3.0 * x**2 / n**2 + 6.0 * x / n**3 + 6.0 / n**4)
    return np.asarray(_SERIES * terms.sum(axis=-1))


def blackbody_fraction(wavelength_temperature_m_K: Value) -> Value:
    """Share of a blackbody's exitance below a wavelength, from wavelength times temperature.

    wavelength_temperature_m_K  5e-4 to 2e-2 m K (500 to 20 000 um K), else ValueError
    returns                     0 to 1, same shape, exact to 1e-10
    """
    product = np.asarray(wavelength_temperature_m_K, dtype=np.float64)
    if not bool(np.all((product >= 5e-4) & (product <= 2e-2))):
        raise ValueError(
            f"wavelength times temperature {product} m K is outside 5e-4 to 2e-2: check the units"
        )
    return _shaped(_fraction(product), wavelength_temperature_m_K)


def _exitance(t: Array) -> Array:
    return np.asarray(
        STEFAN_BOLTZMANN_W_per_m2_K4 * t**4 * (_fraction(BAND_HIGH_m * t) - _fraction(BAND_LOW_m * t))
    )


def band_exitance_W_per_m2(temperature_K: Value) -> Value:
    """Blackbody exitance from 8 to 14 um, W/m2; temperature_K 150 to 1000 K, same shape."""
    return _shaped(_exitance(_checked(temperature_K)), temperature_K)


def band_temperature_K(exitance_W_per_m2: Value) -> Value:
    """Temperature of the blackbody with this exitance from 8 to 14 um; the inverse, to 1e-9 K.

    exitance_W_per_m2  that of 150 to 1000 K, else ValueError
    """
    wanted = np.asarray(exitance_W_per_m2, dtype=np.float64)
    ends = _exitance(np.array([LOW_K, HIGH_K]))
    if not bool(np.all((wanted >= ends[0]) & (wanted <= ends[1]))):
        raise ValueError(
            f"band exitance {exitance_W_per_m2} W/m2 is outside {ends[0]:.3g} to {ends[1]:.4g} W/m2: "
            "check emissivity and background"
        )
    inverse = np.full_like(wanted, 1.0 / 300.0)  # ln B is nearly straight in 1/T from any start
    for _ in range(_NEWTON_STEPS):
        here = _exitance(1.0 / inverse)
        step_size = 1e-6
        slope = (np.log(_exitance(1.0 / (inverse * (1.0 + step_size)))) - np.log(here)) / (
            inverse * step_size
        )
        change = (np.log(wanted) - np.log(here)) / slope
        inverse = np.clip(inverse + change, 0.9 / HIGH_K, 1.1 / LOW_K)
        if bool(np.all(np.abs(change) < _CONVERGED * inverse)):
            break
    return _shaped(1.0 / inverse, exitance_W_per_m2)


def indicated_K(
    surface_K: Value,
    emissivity: float,
    background_K: float | Array,
    emissivity_set: float = HORN_EMISSIVITY,
    assumed_background_K: float | Array | None = None,
    nozzle_K: float = 300.0,
    nozzle_share: float = 0.0,
) -> Value:
    """What the thermometer shows over a surface.

    surface_K             150 to 1000 K, shape (...)
    emissivity            of the surface, 0.1 to 1
    background_K          what the surface mirrors: sky, walls, the person
    emissivity_set        as set on the thermometer, 0.1 to 1
    assumed_background_K  what the thermometer takes the surroundings to be; None: it is right about them
    nozzle_K              a hot nozzle in view of the surface
    nozzle_share          share of the mirrored hemisphere it fills, 0 to 1
    """
    real, set_to = _emissivity(emissivity), _emissivity(emissivity_set)
    if not 0.0 <= nozzle_share <= 1.0:
        raise ValueError(f"nozzle share {nozzle_share} is outside 0 to 1: give the share of the hemisphere")
    surface = _exitance(_checked(surface_K))
    around = _exitance(_checked(background_K))
    mirrored = (1.0 - nozzle_share) * around + nozzle_share * _exitance(_checked(nozzle_K))
    assumed = around if assumed_background_K is None else _exitance(_checked(assumed_background_K))
    seen = real * surface + (1.0 - real) * mirrored
    shown = (seen - (1.0 - set_to) * assumed) / set_to
    return _shaped(np.asarray(band_temperature_K(shown)), surface_K)


def surface_K(
    shown_K: Value,
    emissivity: float,
    background_K: float | Array,
    emissivity_set: float = HORN_EMISSIVITY,
    assumed_background_K: float | Array | None = None,
) -> Value:
    """The surface behind a reading: the inverse of indicated_K, with the same arguments, without a nozzle."""
    real, set_to = _emissivity(emissivity), _emissivity(emissivity_set)
    around = _exitance(_checked(background_K))
    assumed = around if assumed_background_K is None else _exitance(_checked(assumed_background_K))
    seen = set_to * _exitance(_checked(shown_K)) + (1.0 - set_to) * assumed
    return _shaped(np.asarray(band_temperature_K((seen - (1.0 - real) * around) / real)), shown_K)


@dataclass(frozen=True, slots=True)
class ErrorBudget:
    """Standard uncertainties of one surface temperature, K, each from one cause, and all together."""

    instrument_K: float
    emissivity_K: float
    background_K: float
    nozzle_K: float

    @property
    def combined_K(self) -> float:
        """Root of the sum of squares: the causes are taken as independent (GUM 5.1.2)."""
        return math.hypot(self.instrument_K, self.emissivity_K, self.background_K, self.nozzle_K)


def error_budget(
    shown_K: float,
    background_K: float,
    instrument_u_K: float,
    emissivity_u: float = HORN_EMISSIVITY_u,
    background_u_K: float = 10.0,
    nozzle_K: float = 573.15,
    nozzle_share: float = 0.0,
) -> ErrorBudget:
    """Where the uncertainty of a surface temperature comes from.

    shown_K, background_K  reading and surroundings, 160 to 900 K
    instrument_u_K         of the thermometer itself, k = 1
    emissivity_u           of the horn; 0.02 is this project's prior
    background_u_K         10 K: indoors against open sky (engineering choice)
    nozzle_share           share of the hemisphere the nozzle may fill; 0 with the gun turned away
    """
    step_e, step_K = 0.005, 1.0
    per_e = (
        surface_K(shown_K, HORN_EMISSIVITY - step_e, background_K)
        - surface_K(shown_K, HORN_EMISSIVITY + step_e, background_K)
    ) / (2.0 * step_e)
    per_background = (
        surface_K(shown_K, HORN_EMISSIVITY, background_K + step_K, assumed_background_K=background_K)
        - surface_K(shown_K, HORN_EMISSIVITY, background_K - step_K, assumed_background_K=background_K)
    ) / (2.0 * step_K)
    mirrored = indicated_K(
        shown_K, HORN_EMISSIVITY, background_K, nozzle_K=nozzle_K, nozzle_share=nozzle_share
    )
    return ErrorBudget(
        instrument_u_K,
        abs(per_e) * emissivity_u,
        abs(per_background) * background_u_K,
        abs(mirrored - shown_K),
    )
