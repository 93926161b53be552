"""Maturity: how much curing a temperature history is worth, in one number.

Two classical forms are here. The Nurse-Saul index adds up degrees above a datum; the Arrhenius equivalent age
adds up time weighted by the rate at each temperature, as minutes at a reference temperature. With one
activation energy the second is exact for any point that follows that temperature, whatever the curve's shape.

source: ASTM C1074 (maturity functions, as practice guides describe them); P. Freiesleben Hansen and E. J.
Pedersen, Maturity computer for controlled curing and hardening of concrete, 1977 (energy; from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hoofsense.physics.constants import ICE_POINT_K, GAS_CONSTANT_J_per_mol_K

FloatArray = npt.NDArray[np.float64]

# P. Freiesleben Hansen and E. J. Pedersen 1977, from memory: E = 33.5 kJ/mol from 20 degC up,
# and 1.47 kJ/mol more for every kelvin below.
_FREIESLEBEN_WARM_J_per_mol = 33.5e3
_FREIESLEBEN_SLOPE_J_per_mol_K = 1.47e3
_FREIESLEBEN_BREAK_K = ICE_POINT_K + 20.0


def _checked_temperature(temperature_K: npt.ArrayLike) -> FloatArray:
    temperature = np.asarray(temperature_K, dtype=np.float64)
    if not np.all(temperature > 0.0):
        raise ValueError(
            f"temperature {float(np.min(temperature))} K is not above absolute zero: give kelvin, not degrees"
        )
    return temperature


def _checked_step(step_s: npt.ArrayLike) -> FloatArray:
    step = np.asarray(step_s, dtype=np.float64)
    if not np.all(step >= 0.0):
        raise ValueError(f"time step {float(np.min(step))} s runs backwards: give the history in time order")
    return step


def age_factor(
    temperature_K: npt.ArrayLike, activation_energy_J_per_mol: npt.ArrayLike, reference_K: float
) -> FloatArray:
    """How many times faster the cure runs at a temperature than at the reference; 1 at the reference.

    temperature_K                shape (...), above 0 K
    activation_energy_J_per_mol  shape that broadcasts with temperature_K
    returns                      shape (...), dimensionless
    raises                       ValueError at or below absolute zero
    source                       ASTM C1074 equivalent-age function, exp[(E/R)(1/T_ref - 1/T)]
    """
    temperature = _checked_temperature(temperature_K)
    quotient_K = np.asarray(activation_energy_J_per_mol, dtype=np.float64) / GAS_CONSTANT_J_per_mol_K
    return np.asarray(np.exp(quotient_K * (1.0 / float(reference_K) - 1.0 / temperature)))


def equivalent_age_s(
    temperature_K: npt.ArrayLike,
    step_s: npt.ArrayLike,
    activation_energy_J_per_mol: float,
    reference_K: float,
) -> float:
    """Time at the reference temperature that is worth the given history.

    temperature_K  shape (n,), mean temperature of each step, above 0 K
    step_s         shape (n,) or scalar, length of each step, 0 or more
    returns        s at reference_K
    raises         ValueError for a step below 0 or a temperature at or below absolute zero
    source         ASTM C1074 equivalent-age function
    """
    factor = age_factor(temperature_K, activation_energy_J_per_mol, reference_K)
    return float(np.sum(factor * _checked_step(step_s)))


def nurse_saul_index_K_s(temperature_K: npt.ArrayLike, step_s: npt.ArrayLike, datum_K: float) -> float:
    """Sum of (temperature above the datum) times time; nothing is counted at or below the datum.

    temperature_K  shape (n,), mean temperature of each step, above 0 K
    step_s         shape (n,) or scalar, 0 or more
    returns        K s
    raises         ValueError for a step below 0 or a temperature at or below absolute zero
    source         Nurse-Saul maturity, ASTM C1074
    """
    above_K = np.maximum(_checked_temperature(temperature_K) - float(datum_K), 0.0)
    return float(np.sum(above_K * _checked_step(step_s)))


def freiesleben_hansen_energy_J_per_mol(temperature_K: npt.ArrayLike) -> FloatArray:
    """Temperature-dependent activation energy of P. Freiesleben Hansen and E. J. Pedersen (for cement).

    temperature_K  shape (...), above 0 K
    returns        shape (...), J/mol; 33.5e3 from 20 degC up and 1.47e3 more per kelvin below (from memory)
    """
    below_K = np.maximum(_FREIESLEBEN_BREAK_K - _checked_temperature(temperature_K), 0.0)
    return np.asarray(_FREIESLEBEN_WARM_J_per_mol + _FREIESLEBEN_SLOPE_J_per_mol_K * below_K)


def doubling_energy_J_per_mol(low_K: float, high_K: float) -> float:
    """Activation energy for which the rate exactly doubles from low_K to high_K.

    Shows what the rule of thumb "doubles per 10 degrees" silently assumes, and that it is a different
    energy at every temperature. ValueError unless 0 < low_K < high_K.
    """
    if not 0.0 < low_K < high_K:
        raise ValueError(f"a rate doubles from a lower to a higher temperature, got {low_K} K to {high_K} K")
    return float(np.log(2.0) * GAS_CONSTANT_J_per_mol_K / (1.0 / low_K - 1.0 / high_K))
