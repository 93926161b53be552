"""A particle filter for one spot of the sole: which stories of film, gun and horn explain the readings?

Each particle is one story: how hot and strong the jet is at this spot, how wet the spot was and how unevenly,
how the horn conducts, what the thermometer's bias is. All are carried forward by the physics of
drying_kinetics, weighed against the readings, and resampled. A spot is two parts, a wetter and a drier one,
because a spot that is wet in part is what passes unnoticed.

Deterministic: the first particles are a low-discrepancy set, later draws a hash of a counter. The same
readings give the same belief on every machine with the same floating-point arithmetic.

source: N. J. Gordon, D. J. Salmond, A. F. M. Smith, IEE Proc. F 140 (1993) 107 (bootstrap filter); J. Liu and
        M. West in Sequential Monte Carlo Methods in Practice, 2001 (kernel for fixed traits); G. Kitagawa,
        J. Comput. Graph. Stat. 5 (1996) 1 (systematic resampling). Priors and tempering: tests/studies
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hoofsense.physics.drying_kinetics import (
    GAB_SATURATED,
    CHAIN_DEPTH_m,
    LAYER_DEPTHS_m,
    Spot,
    SpotChain,
    spot_chain,
    spot_chain_part,
    spot_step,
)
from hoofsense.physics.psychrometrics import vapour_pressure_Pa
from hoofsense.records import NS_PER_S, AirConditions

Array = NDArray[np.float64]

PARTICLES = 2048
STEP_S = 1.0
_BLOCK = 1024  # stories carried forward together
_STEP_NS = round(STEP_S * NS_PER_S)

# Priors, uniform between two numbers or normal about one; this project's studies and engineering choices.
COEFFICIENT_W_per_m2_K, COEFFICIENT_u_ratio = 40.0, 0.45  # of the jet at the spot, log-normal: 16 to 98
JET_K = (333.15, 418.15)  # 60 to 145 degC at the surface
STILL_W_per_m2_K = (5.0, 12.0)
BIAS_u_K = 1.0  # of the thermometer over this spot, emissivity included
CONDUCTIVITY_W_per_m_K, CONDUCTIVITY_u_ratio = 0.35, 0.2  # log-normal
CAPACITY_J_per_m3_K = 2.6e6
TISSUE_RISE_K = (2.0, 2.0)  # tissue over surface before heat: mean, standard deviation
SHARE = (0.15, 1.0)  # of the spot that is its wetter part
REFLECTED_K = (0.0, 3.0)  # added by the nozzle while the gun is on
AIR_u_K, AIR_UNKNOWN_K = 0.7, (-2.0, 6.0)  # known air; unknown: below the surface by mean, s.d.
HUMIDITY_u, HUMIDITY_UNKNOWN = 0.05, (0.62, 0.2)
WATER_DIFFUSIVITY_m2_per_s = (1e-12, 1.5e-10)  # log-uniform
INNER_RATIO = 0.38  # kg/kg below the outer 40 um
WET_AT_FIRST = 0.85  # share of stories that begin with a film
FILM_kg_per_m2 = (0.5e-3, 150e-3)  # log-uniform, of the wetter part
CREEP_SHARE, CREEP_kg_per_m2_s = 0.03, (1e-5, 4e-4)  # stories in which water creeps in; log-uniform rates
PASS_GAIN_u_ratio = 0.12  # log-normal change of the jet from pass to pass

# Weighing: Student's t with few degrees of freedom against wild readings; tempered, because the errors of
# neighbouring readings (sweep of the gun, model) go together.
T_DEGREES = 4.0
HEATED_u_K, COOLING_u_K = 2.5, 1.0
HEATED_TEMPER, COOLING_TEMPER = 0.25, 0.35
RESAMPLE_BELOW = 0.5  # of the effective number of particles
KERNEL_SHRINK = 0.98  # Liu and West's a
_FILM_SPREAD = 0.15  # log-normal spread given to the film when resampled

# Tempering flattens the weights and the priors are kind to dryness, so the share of stories without film is
# recalibrated: ln odds = slope * ln odds of the stories + offset, fitted to simulated soles (tests/studies).
RECALIBRATION_slope, RECALIBRATION_offset = 2.0, -2.6
_LEAST_SHARE = 1e-4  # fewer stories than this cannot be told from none with so few particles

FILM_GONE_kg_per_m2 = 1e-3  # 1 um; under it the spot counts as without film

_LN_H, _JET, _STILL, _BIAS, _LN_K, _RISE, _SHARE, _REFLECTED, _AIR, _HUMIDITY, _LN_D, _CREEP = range(12)
_TRAITS = 12
_SPREAD = (_LN_H, _JET, _STILL, _BIAS, _LN_K, _SHARE, _REFLECTED, _LN_D)
_GOLDEN64 = 0x9E3779B97F4A7C15  # odd constants of the splitmix64 hash, S. Vigna, public domain
_MIX1, _MIX2 = 0xBF58476D1CE4E5B9, 0x94D049BB133111EB
_MASK64 = 2**64 - 1


@dataclass(frozen=True, slots=True)
class FilmBelief:
    """All stories of one spot at one moment. Arrays are never written to after they are made.

    Everything follows from the readings alone, so two beliefs are compared by what they came to (checksum)
    and not array by array.

    traits   shape (12, n); spot shapes (2, n): the wetter and the drier part
    steps    whole steps of STEP_S since begun_ns
    """

    begun_ns: int
    steps: int
    gun_on: bool
    draws: int
    checksum: float
    traits: Array = field(compare=False)
    spot: Spot = field(compare=False)
    chain: SpotChain = field(compare=False)
    tissue_K: Array = field(compare=False)
    jet_h: Array = field(compare=False)
    log_weight: Array = field(compare=False)

    @property
    def at_ns(self) -> int:
        return self.begun_ns + self.steps * _STEP_NS


def _hashed(counter: int, count: int) -> Array:
    """count uniforms in 0 to 1 (neither end) that depend on the counter alone (splitmix64)."""
    start = (counter * _GOLDEN64 * 0x100000001) & _MASK64
    x = (np.arange(1, count + 1, dtype=np.uint64) * np.uint64(_GOLDEN64)) + np.uint64(start)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(_MIX1)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(_MIX2)
    x = x ^ (x >> np.uint64(31))
    return np.asarray(((x >> np.uint64(11)).astype(np.float64) + 0.5) / 2.0**53)


def _spread_evenly(count: int, dimensions: int, salt: int) -> Array:
    """A low-discrepancy set in the unit cube, shape (dimensions, count): Roberts' additive recurrence."""
    root = 2.0
    for _ in range(64):  # the positive root of x^(d+1) = x + 1
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    steps = root ** -np.arange(1.0, dimensions + 1.0)
    offset = _hashed(salt, dimensions)
    points = np.mod(offset[:, None] + np.outer(steps, np.arange(1, count + 1)), 1.0)
    return np.clip(points, 1e-9, 1.0 - 1e-9)


def _between(u: Array, ends: tuple[float, float]) -> Array:
    return ends[0] + u * (ends[1] - ends[0])


def _log_between(u: Array, ends: tuple[float, float]) -> Array:
    return np.asarray(ends[0] * (ends[1] / ends[0]) ** u)


def _chain(traits: Array, tissue_K: Array, air_K: Array, humidity: Array) -> SpotChain:
    vapour = np.asarray(vapour_pressure_Pa(air_K, humidity))
    conductivity = np.exp(traits[_LN_K])
    capacity = np.full_like(conductivity, CAPACITY_J_per_m3_K)
    inner = np.full_like(conductivity, INNER_RATIO)
    return spot_chain(STEP_S, conductivity, capacity, tissue_K, air_K, vapour, np.exp(traits[_LN_D]), inner)


def _air(traits: Array, surface_K: float, air: AirConditions) -> tuple[Array, Array]:
    """Air temperature and humidity of each story, from the instruments where they are known."""
    if air.air_K is None:
        air_K = surface_K + AIR_UNKNOWN_K[0] + AIR_UNKNOWN_K[1] * traits[_AIR]
    else:
        air_K = air.air_K + math.hypot(AIR_u_K, air.air_u_K) * traits[_AIR]
    if air.relative_humidity_ratio is None:
        humidity = HUMIDITY_UNKNOWN[0] + HUMIDITY_UNKNOWN[1] * traits[_HUMIDITY]
    else:
        u = math.hypot(HUMIDITY_u, air.relative_humidity_u_ratio)
        humidity = air.relative_humidity_ratio + u * traits[_HUMIDITY]
    return np.clip(air_K, 228.15, 333.15), np.clip(humidity, 0.03, 1.0)


def film_begun(at_ns: int, surface_K: float, air: AirConditions, salt: int) -> FilmBelief:
    """All stories of a spot first read at surface_K, before any heat; salt keeps two spots' draws apart."""
    u = _spread_evenly(PARTICLES, _TRAITS + 3, salt)
    z = ndtri(u)
    traits = np.empty((_TRAITS, PARTICLES))
    traits[_LN_H] = math.log(COEFFICIENT_W_per_m2_K) + COEFFICIENT_u_ratio * z[0]
    traits[_JET] = _between(u[1], JET_K)
    traits[_STILL] = _between(u[2], STILL_W_per_m2_K)
    traits[_BIAS] = BIAS_u_K * z[3]
    traits[_LN_K] = math.log(CONDUCTIVITY_W_per_m_K) + CONDUCTIVITY_u_ratio * z[4]
    traits[_RISE] = TISSUE_RISE_K[0] + TISSUE_RISE_K[1] * z[5]
    traits[_SHARE] = _between(u[6], SHARE)
    traits[_REFLECTED] = _between(u[7], REFLECTED_K)
    traits[_AIR], traits[_HUMIDITY] = z[8], z[9]
    traits[_LN_D] = np.log(_log_between(u[10], WATER_DIFFUSIVITY_m2_per_s))
    creeping = np.maximum(u[11] - (1.0 - CREEP_SHARE), 0.0) / CREEP_SHARE
    traits[_CREEP] = np.where(creeping > 0.0, _log_between(creeping, CREEP_kg_per_m2_s), 0.0)
    wet = u[12] < WET_AT_FIRST
    film = np.where(wet, _log_between(u[13], FILM_kg_per_m2), 0.0)
    bound = np.where(wet, GAB_SATURATED, 0.05 + 0.3 * u[13])
    true_K = surface_K - traits[_BIAS]
    depth = np.array(LAYER_DEPTHS_m) / CHAIN_DEPTH_m
    layers = true_K + depth[:, None] * traits[_RISE]
    both = np.ones((2, 1))
    spot = Spot(
        true_K * both,
        layers[:, None, :] * both,
        np.stack([film, film * u[14]]),
        bound * both,
    )
    tissue_K = true_K + traits[_RISE]
    chain = _chain(traits, tissue_K, *_air(traits, surface_K, air))
    none = np.zeros(PARTICLES)
    return FilmBelief(
        at_ns, 0, False, salt << 32, surface_K, traits, spot, chain, tissue_K, np.exp(traits[_LN_H]), none
    )


def film_with_air(belief: FilmBelief, surface_K: float, air: AirConditions) -> FilmBelief:
    """The belief in changed air; surface_K stands in where the air is unknown, as in film_begun."""
    chain = _chain(belief.traits, belief.tissue_K, *_air(belief.traits, surface_K, air))
    return replace(belief, chain=chain)


def film_advanced(belief: FilmBelief, to_ns: int, most_steps: int) -> FilmBelief:
    """The belief carried forward to the last whole step before to_ns, by at most most_steps steps."""
    steps = min((to_ns - belief.at_ns) // _STEP_NS, most_steps)
    if steps <= 0:
        return belief
    parts = [
        _part_advanced(belief, slice(start, start + _BLOCK), int(steps))
        for start in range(0, belief.log_weight.size, _BLOCK)
    ]
    whole = Spot(
        np.concatenate([part.surface_K for part in parts], axis=-1),
        np.concatenate([part.layers_K for part in parts], axis=-1),
        np.concatenate([part.film_kg_per_m2 for part in parts], axis=-1),
        np.concatenate([part.bound_ratio for part in parts], axis=-1),
    )
    return replace(belief, spot=whole, steps=belief.steps + int(steps))


def _part_advanced(belief: FilmBelief, part: slice, steps: int) -> Spot:
    """Some of the stories carried forward: few enough to stay in the processor's nearest memory."""
    traits, chain = belief.traits[:, part], spot_chain_part(belief.chain, part)
    spot = Spot(
        belief.spot.surface_K[:, part],
        belief.spot.layers_K[:, :, part],
        belief.spot.film_kg_per_m2[:, part],
        belief.spot.bound_ratio[:, part],
    )
    if belief.gun_on:
        coefficient, gas_K = np.maximum(belief.jet_h[part], traits[_STILL]), traits[_JET]
    else:
        coefficient, gas_K = traits[_STILL], chain.around_K
    for _ in range(steps):
        spot, _, _ = spot_step(spot, chain, coefficient, gas_K)
        spot.film_kg_per_m2[0] += STEP_S * traits[_CREEP]
    return spot


def film_gun(belief: FilmBelief, on: bool) -> FilmBelief:
    """The belief after the gun was turned to the sole or away; each pass has a gain of its own."""
    if on == belief.gun_on:
        return belief
    if not on:
        return replace(belief, gun_on=False)
    gain = PASS_GAIN_u_ratio * ndtri(_hashed(belief.draws, belief.log_weight.size))
    return replace(belief, gun_on=True, draws=belief.draws + 1, jet_h=np.exp(belief.traits[_LN_H] + gain))


def expected_K(belief: FilmBelief) -> Array:
    """What the thermometer would show now in each story, shape (n,)."""
    share = belief.traits[_SHARE]
    surface = belief.spot.surface_K
    shown = share * surface[0] + (1.0 - share) * surface[1] + belief.traits[_BIAS]
    return np.asarray(shown + belief.traits[_REFLECTED] if belief.gun_on else shown)


def _weights(belief: FilmBelief) -> Array:
    weight = np.exp(belief.log_weight - belief.log_weight.max())
    return np.asarray(weight / weight.sum())


def film_observed(belief: FilmBelief, surface_K: float) -> FilmBelief:
    """The belief after one reading (a median of neighbours) at its time, resampled when it has thinned."""
    u_K, temper = (HEATED_u_K, HEATED_TEMPER) if belief.gun_on else (COOLING_u_K, COOLING_TEMPER)
    off = (surface_K - expected_K(belief)) / u_K
    log_weight = belief.log_weight - temper * 0.5 * (T_DEGREES + 1.0) * np.log1p(off * off / T_DEGREES)
    checksum = belief.checksum + float(log_weight.sum())
    weighed = replace(belief, checksum=checksum, log_weight=log_weight - log_weight.max())
    weight = _weights(weighed)
    if 1.0 / float(weight @ weight) >= RESAMPLE_BELOW * weight.size:
        return weighed
    return _resampled(weighed, weight)


def _resampled(belief: FilmBelief, weight: Array) -> FilmBelief:
    """Systematic resampling, the fixed traits spread by Liu and West's kernel."""
    count = weight.size
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), (np.arange(count) + 0.5) / count), count - 1)
    traits = belief.traits[:, chosen]
    rows = list(_SPREAD)
    mean = belief.traits[rows] @ weight
    variance = np.maximum((belief.traits[rows] ** 2) @ weight - mean**2, 0.0)
    draws = ndtri(_hashed(belief.draws, (len(rows) + 1) * count)).reshape(len(rows) + 1, count)
    wider = math.sqrt(1.0 - KERNEL_SHRINK**2) * np.sqrt(variance)[:, None] * draws[:-1]
    traits[rows] = mean[:, None] + KERNEL_SHRINK * (traits[rows] - mean[:, None]) + wider
    traits[_SHARE] = np.clip(traits[_SHARE], 0.05, 1.0)
    traits[_STILL] = np.clip(traits[_STILL], 3.0, 15.0)
    traits[_REFLECTED] = np.clip(traits[_REFLECTED], 0.0, 4.0)
    gain = belief.jet_h[chosen] * np.exp(traits[_LN_H] - belief.traits[_LN_H, chosen])
    spot = Spot(
        belief.spot.surface_K[:, chosen],
        belief.spot.layers_K[:, :, chosen],
        belief.spot.film_kg_per_m2[:, chosen] * np.exp(_FILM_SPREAD * draws[-1]),
        belief.spot.bound_ratio[:, chosen],
    )
    tissue_K = belief.tissue_K[chosen]
    chain = belief.chain
    kept = replace(chain, around_K=chain.around_K[chosen], air_mass_fraction=chain.air_mass_fraction[chosen])
    return replace(
        belief,
        draws=belief.draws + 1,
        traits=traits,
        spot=spot,
        chain=_relinked(kept, traits, tissue_K),
        tissue_K=tissue_K,
        jet_h=gain,
        log_weight=np.zeros(count),
    )


def _relinked(chain: SpotChain, traits: Array, tissue_K: Array) -> SpotChain:
    """The chain for changed horn, in the same air."""
    fresh = spot_chain(
        STEP_S,
        np.exp(traits[_LN_K]),
        np.full(tissue_K.size, CAPACITY_J_per_m3_K),
        tissue_K,
        chain.around_K,
        np.zeros(tissue_K.size),
        np.exp(traits[_LN_D]),
        np.full(tissue_K.size, INNER_RATIO),
    )
    return replace(fresh, air_mass_fraction=chain.air_mass_fraction)


def film_of_stories_kg_per_m2(belief: FilmBelief) -> Array:
    """Mean film of the spot in each story, shape (n,)."""
    share, film = belief.traits[_SHARE], belief.spot.film_kg_per_m2
    return np.asarray(share * film[0] + (1.0 - share) * film[1])


def stories_without_film(belief: FilmBelief) -> float:
    """Weight of the stories in which the spot's mean film is below 1 g/m2, 0 to 1."""
    return float(_weights(belief) @ (film_of_stories_kg_per_m2(belief) < FILM_GONE_kg_per_m2))


def no_film_probability(belief: FilmBelief) -> float:
    """Probability that the spot has no film: the share of its stories, recalibrated, 0 to 1."""
    share = min(max(stories_without_film(belief), _LEAST_SHARE), 1.0 - _LEAST_SHARE)
    log_odds = RECALIBRATION_slope * math.log(share / (1.0 - share)) + RECALIBRATION_offset
    return 1.0 / (1.0 + math.exp(-log_odds))
