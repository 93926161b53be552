"""Kinetics of a two-part thermoset: how fast the degree of cure rises, and closed forms to check it by.

d(degree)/dt = k_ref exp[-E/R (1/T - 1/T_ref)] (b + degree^m) (1 - degree)^n f_d(degree, T)

b + degree^m with (1 - degree)^n is the autocatalytic form with one activation energy; f_d is 1 unless the
glass transition of the material is known, and then falls to 0 as the glass transition overtakes T.

source: M. R. Kamal and S. Sourour, Kinetics and thermal characterization of thermoset cure, Polymer
Engineering and Science 13 (1973) 59 (form, from memory); A. T. DiBenedetto, Journal of Polymer Science B 25
(1987) 1949 (glass transition, from memory); C. W. Macosko and D. R. Miller, Macromolecules 9 (1976) 199.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from hoofsense.physics.constants import GAS_CONSTANT_J_per_mol_K

FloatArray = npt.NDArray[np.float64]

# Diffusion arrest: a smooth step centred 10 K past the glass transition, 4 K wide. Engineering choice: cure
# goes on slowly for some kelvins into the glass (M. Feger and W. J. MacKnight 1985 report the stop).
ARREST_DEPTH_K = 10.0
ARREST_WIDTH_K = 4.0
# Ratio of segmental mobilities in the DiBenedetto relation; common for networks, from memory.
GLASS_CURVATURE = 0.4

_QUADRATURE_POINTS = 48
_ARREST_EXPONENT_LIMIT = 50.0  # exp(50) is already a full stop; avoids overflow


@dataclass(frozen=True, slots=True, eq=False)
class Kinetics:
    """Kinetic parameters of M members; every field is an array of shape (M,), read-only.

    rate_per_s                   k_ref, 1/s at reference_K; above 0
    activation_energy_J_per_mol  E
    reference_K                  T_ref
    b, m, n                      shape: b and n above 0, m above 0
    glass_start_K, glass_full_K  glass transition of the mixed and of the fully cured material; both 0 where
                                 unknown, and then no arrest is computed
    """

    rate_per_s: FloatArray
    activation_energy_J_per_mol: FloatArray
    reference_K: FloatArray
    b: FloatArray
    m: FloatArray
    n: FloatArray
    glass_start_K: FloatArray
    glass_full_K: FloatArray

    def __post_init__(self) -> None:
        for field in fields(self):
            values = getattr(self, field.name)
            if values.ndim != 1 or values.shape != self.rate_per_s.shape:
                raise ValueError(
                    f"kinetics {field.name} has shape {values.shape}: give one value for each member"
                )
            if not np.all(np.isfinite(values)):
                raise ValueError(
                    f"kinetics {field.name} holds a value that is not a number: correct the profile"
                )
        for name in ("rate_per_s", "b", "m", "n", "reference_K"):
            if not np.all(getattr(self, name) > 0.0):
                raise ValueError(f"kinetics {name} must be above 0: correct the profile")

    @property
    def members(self) -> int:
        return int(self.rate_per_s.shape[0])

    @property
    def may_arrest(self) -> bool:
        return bool(np.any(self.glass_full_K > 0.0))


def kinetics_of(
    members: int,
    *,
    rate_per_s: npt.ArrayLike,
    activation_energy_J_per_mol: npt.ArrayLike,
    reference_K: npt.ArrayLike,
    b: npt.ArrayLike,
    m: npt.ArrayLike = 1.0,
    n: npt.ArrayLike,
    glass_start_K: npt.ArrayLike = 0.0,
    glass_full_K: npt.ArrayLike = 0.0,
) -> Kinetics:
    """Kinetics of so many members from scalars or arrays of shape (members,)."""

    def spread(value: npt.ArrayLike) -> FloatArray:
        array = np.broadcast_to(np.asarray(value, dtype=np.float64), (members,)).copy()
        array.setflags(write=False)
        return array

    return Kinetics(
        spread(rate_per_s),
        spread(activation_energy_J_per_mol),
        spread(reference_K),
        spread(b),
        spread(m),
        spread(n),
        spread(glass_start_K),
        spread(glass_full_K),
    )


class RateLaw:
    """The rate of a fixed set of members, prepared once so that it is cheap to call at every step.

    rate_per_s(degree, temperature_K) takes and returns arrays of shape (..., M); the degree is 0 or more and
    may overshoot 1 by a step's error, where the rate is 0.
    """

    __slots__ = ("_b", "_energy_K", "_full", "_ln_rate", "_m", "_n", "_start")

    def __init__(self, kinetics: Kinetics) -> None:
        self._energy_K = kinetics.activation_energy_J_per_mol / GAS_CONSTANT_J_per_mol_K
        self._ln_rate = np.log(kinetics.rate_per_s) + self._energy_K / kinetics.reference_K
        self._b = kinetics.b
        self._m = None if np.all(kinetics.m == 1.0) else kinetics.m
        self._n = kinetics.n
        self._start = kinetics.glass_start_K if kinetics.may_arrest else None
        self._full = kinetics.glass_full_K

    def rate_per_s(
        self, degree: FloatArray, temperature_K: FloatArray, out: FloatArray | None = None
    ) -> FloatArray:
        """The rate, 1/s; in out where one is given, an array of the same shape as the answer."""
        inside = np.minimum(degree, _ALMOST_FULL)
        rate = np.subtract(1.0, inside, out)
        np.log(rate, rate)
        rate *= self._n
        rate += self._ln_rate
        rate -= self._energy_K / temperature_K
        np.exp(rate, rate)
        if self._start is not None:
            rate *= arrest_factor(inside, temperature_K, self._start, self._full)
        if self._m is not None:
            inside **= self._m
        inside += self._b
        rate *= inside
        return rate


_ALMOST_FULL = 1.0 - 1e-12  # keeps log(1 - degree) finite; the rate there is 0 to rounding


def cure_rate_per_s(degree: npt.ArrayLike, temperature_K: npt.ArrayLike, kinetics: Kinetics) -> FloatArray:
    """d(degree)/dt.

    degree, temperature_K  shape (..., M); degree 0 to 1, temperature above 0 K
    returns                shape (..., M), 1/s
    """
    values = np.asarray(degree, dtype=np.float64)
    return RateLaw(kinetics).rate_per_s(values, np.asarray(temperature_K, dtype=np.float64))


def glass_transition_K(degree: FloatArray, start_K: FloatArray, full_K: FloatArray) -> FloatArray:
    """Glass transition of a partly cured material (DiBenedetto); start_K at degree 0, full_K at degree 1."""
    share = GLASS_CURVATURE * degree / (1.0 - (1.0 - GLASS_CURVATURE) * degree)
    return np.asarray(start_K + (full_K - start_K) * share)


def arrest_factor(
    degree: FloatArray, temperature_K: FloatArray, start_K: FloatArray, full_K: FloatArray
) -> FloatArray:
    """1 above the glass transition, 0 well below it; 1 for a member whose glass transition is unknown."""
    past_K = glass_transition_K(degree, start_K, full_K) - temperature_K - ARREST_DEPTH_K
    exponent = np.minimum(past_K / ARREST_WIDTH_K, _ARREST_EXPONENT_LIMIT)
    factor = 1.0 / (1.0 + np.exp(exponent))
    return np.asarray(np.where(full_K > 0.0, factor, 1.0))


def plateau_degree(temperature_K: npt.ArrayLike, kinetics: Kinetics) -> FloatArray:
    """Degree of cure at which the cure stalls at a steady temperature: where the arrest is half complete.

    temperature_K  shape (M,) or scalar
    returns        shape (M,); 1 where the glass transition is unknown or never overtakes the temperature
    """
    temperature = np.broadcast_to(np.asarray(temperature_K, dtype=np.float64), (kinetics.members,))
    span_K = np.where(kinetics.glass_full_K > 0.0, kinetics.glass_full_K - kinetics.glass_start_K, 1.0)
    share = (temperature + ARREST_DEPTH_K - kinetics.glass_start_K) / span_K
    degree = share / (GLASS_CURVATURE + (1.0 - GLASS_CURVATURE) * share)
    return np.asarray(np.where((kinetics.glass_full_K > 0.0) & (share < 1.0), np.maximum(degree, 0.0), 1.0))


def reduced_time(
    from_degree: npt.ArrayLike, to_degree: npt.ArrayLike, b: npt.ArrayLike, m: npt.ArrayLike, n: npt.ArrayLike
) -> FloatArray:
    """Integral of d(degree) / [(b + degree^m)(1 - degree)^n]: k times the isothermal time between them.

    All arguments broadcast together; 0 <= from_degree, to_degree < 1. Negative when to_degree is the lower.
    Gauss-Legendre in the square root of the degree; relative accuracy better than 1e-8 for b from 0.005
    and m from 0.5.
    """
    first, last, b_, m_, n_ = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (from_degree, to_degree, b, m, n))
    )
    if np.any(first < 0.0) or np.any(last < 0.0) or np.any(first >= 1.0) or np.any(last >= 1.0):
        raise ValueError("a degree of cure lies outside 0 to 1: use degrees from 0 to just below 1")
    points, weights = np.polynomial.legendre.leggauss(_QUADRATURE_POINTS)
    # degree = s^2 puts points where degree^m or a small b bends; 1 - degree stays away from 0 at the ends.
    low, high = np.sqrt(first), np.sqrt(last)
    s = low[..., None] + (high - low)[..., None] * (0.5 * (points + 1.0))
    degree = s * s
    integrand = 2.0 * s / ((b_[..., None] + degree ** m_[..., None]) * (1.0 - degree) ** n_[..., None])
    return np.asarray(0.5 * (high - low) * np.sum(weights * integrand, axis=-1))


def isothermal_time_s(degree: npt.ArrayLike, temperature_K: npt.ArrayLike, kinetics: Kinetics) -> FloatArray:
    """Time to reach a degree of cure at a steady temperature, without arrest.

    degree, temperature_K  shape (M,) or scalar
    returns                shape (M,), s
    """
    rate = kinetics.rate_per_s * np.exp(
        kinetics.activation_energy_J_per_mol
        / GAS_CONSTANT_J_per_mol_K
        * (1.0 / kinetics.reference_K - 1.0 / np.asarray(temperature_K, dtype=np.float64))
    )
    return np.asarray(reduced_time(0.0, degree, kinetics.b, kinetics.m, kinetics.n) / rate)


def nth_order_degree(order: float, rate_times_time: npt.ArrayLike) -> FloatArray:
    """Closed form of d(degree)/dt = k (1 - degree)^order from degree 0: the isothermal check of any solver.

    order            0 or more; 1 is the exponential
    rate_times_time  k t, shape (...), 0 or more
    """
    kt = np.asarray(rate_times_time, dtype=np.float64)
    if order == 1.0:
        return np.asarray(1.0 - np.exp(-kt))
    left = np.maximum(1.0 - (1.0 - order) * kt, 0.0)
    return np.asarray(1.0 - left ** (1.0 / (1.0 - order)))


def gel_degree(functionality_a: float, functionality_b: float, ratio: float = 1.0) -> float:
    """Degree of cure at which a two-part network first gels: 1/sqrt[r (f - 1)(g - 1)].

    functionality_a, functionality_b  reactive groups per molecule of the parts, weight average, above 1
    ratio                             groups of the scarce part over groups of the other, 0 to 1
    raises                            ValueError where no network can form
    source                            C. W. Macosko and D. R. Miller 1976 (end-linking of two monomers)
    """
    product = ratio * (functionality_a - 1.0) * (functionality_b - 1.0)
    if functionality_a <= 1.0 or functionality_b <= 1.0 or not 0.0 < ratio <= 1.0 or product <= 1.0:
        raise ValueError(
            f"functionalities {functionality_a} and {functionality_b} at ratio {ratio} never gel: "
            "a network needs more than two groups on at least one part"
        )
    return float(1.0 / np.sqrt(product))


def adiabatic_rise_K(heat_of_reaction_J_per_kg: float, heat_capacity_J_per_kg_K: float) -> float:
    """Temperature rise of full cure without any heat loss; both arguments above 0."""
    if not (heat_of_reaction_J_per_kg >= 0.0 and heat_capacity_J_per_kg_K > 0.0):
        raise ValueError("heat of reaction and heat capacity must be positive: correct the profile")
    return heat_of_reaction_J_per_kg / heat_capacity_J_per_kg_K
