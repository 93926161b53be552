"""Before the pour: working time, when it is firm and bears weight, how hot it gets, and what would help.

The same members and the same model as the live answer (cure_readiness), asked before anything has happened.
Levers are tried on the central member, one at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hoofsense.estimators.cure_ensemble import (
    BARN_RADIANT_K,
    LOCATIONS,
    AirPoint,
    CureForecast,
    FloatArray,
    central_firm_s,
    forecast,
)
from hoofsense.estimators.cure_evidence import (
    SHARES,
    Times,
    place_times,
    remembered_forecast,
    slowest_place,
    stacked_times,
    times_of,
)
from hoofsense.estimators.cure_material import LONGEST_s
from hoofsense.estimators.cure_readiness import (
    AIR_VALID_K,
    MODEL,
    POUR_VALID_K,
    CurePhase,
    THICKNESS_VALID_m,
    WILL_NOT_CURE_s,
)
from hoofsense.estimators.cure_surroundings import (
    FILM_COVER_m2_K_per_W,
    INSULATING_COVER_m2_K_per_W,
    STILL_FILM_W_per_m2_K,
    cold_sole_K,
    film_W_per_m2_K,
)
from hoofsense.physics.constants import ICE_POINT_K
from hoofsense.records import AirConditions, Estimate, MaterialProfile, PourConditions
from hoofsense.units import si_from

# Engineering choices. Pain begins near 45 degC on human skin (J. D. Hardy 1953: 45.7 +/- 1.7 degC); no limit
# for the equine quick was found, and the bond line lies on the far side of the horn.
HEAT_CAUTION_K = ICE_POINT_K + 45.0
WARM_MATERIAL_K = ICE_POINT_K + 25.0
WARM_SOLE_K = ICE_POINT_K + 30.0
_WORTH_s = 60.0  # a lever that gains less is not named
_BAND_POINTS = 25
_TABLE_MEMBERS = 64
_TABLE_THICKNESS_m = 0.008


@dataclass(frozen=True, slots=True)
class Lever:
    """One thing to do before the pour, and what it takes off the likely firm time."""

    name: str
    action: str
    gain_s: float


@dataclass(frozen=True, slots=True)
class BandPoint:
    """A predicted temperature at one time after the pour: 90 % of the members lie from low to high."""

    after_s: float
    low_K: float
    likely_K: float
    high_K: float


@dataclass(frozen=True, slots=True)
class PlaceTime:
    """When one place is firm (s after the pour), and whether a thumb can feel it there."""

    place: str
    firm: Estimate
    touch_feels: bool


@dataclass(frozen=True, slots=True)
class PourPrediction:
    """What to expect of a pour that has not been made.

    work, firm, load  s after the pour; low = not before, value = likely, high = safe by (90 %)
    slowest           the place most likely to be firm last
    places            each place on its own
    surface, bond     predicted temperatures over time
    hottest, hottest_bond  K, highest in the pad and on the bond line
    plateau           True when it stops short of firm and only warming helps
    phase             WILL_NOT_CURE, CANNOT_TELL or WAIT
    heat_caution      a sentence, empty when the bond line stays below 45 degC
    levers            largest gain first, only those worth naming
    assumptions       what the profile took without measuring
    """

    work: Estimate
    firm: Estimate
    load: Estimate
    slowest: str
    places: tuple[PlaceTime, ...]
    surface: tuple[BandPoint, ...]
    bond: tuple[BandPoint, ...]
    hottest: Estimate
    hottest_bond: Estimate
    plateau: bool
    phase: CurePhase
    because: str
    next_step: str
    heat_caution: str
    levers: tuple[Lever, ...]
    assumptions: tuple[str, ...]

    @property
    def biggest_lever(self) -> Lever | None:
        return self.levers[0] if self.levers else None


@dataclass(frozen=True, slots=True)
class CureTableRow:
    """One line of a profile's cure table; times in s after the pour, None for a cure that stops short."""

    air_degC: float
    sole_degC: float
    material_degC: float
    work: Times
    firm: Times
    load: Times
    slowest: str
    hottest_bond_degC: float


def predict_pour(
    profile: MaterialProfile,
    pour: PourConditions,
    air: AirConditions,
    *,
    open_sky: bool = False,
) -> PourPrediction:
    """What to expect if it were poured now, with the air staying as it is.

    open_sky  True under a clear sky, which is taken to be 20 K colder than the air
    raises    ValueError where the pour or the air lies outside what the model knows
    """
    point = _checked(pour, air)
    if open_sky:
        members = forecast(profile, pour, (point,), air_u_K=air.air_u_K, radiant_offset_K=_OPEN_SKY_K)
    else:
        members = remembered_forecast(profile, pour, (point,), air.air_u_K)
    weights = np.full(members.members, 1.0 / members.members)
    ln_work, ln_firm, ln_load = place_times(stacked_times(members))
    work, load = times_of(ln_work, weights), times_of(ln_load, weights)
    firm = times_of(np.max(ln_firm, axis=0), weights)
    slowest = slowest_place(ln_firm, weights)
    levers = _levers(profile, pour, point, _OPEN_SKY_K if open_sky else BARN_RADIANT_K)
    plateau = firm[1] >= _STALLED_ratio * LONGEST_s
    too_late = firm[1] > WILL_NOT_CURE_s
    bond = _kelvins("hottest_bond_temperature", members.hottest_bond_K, "highest on the bond line")
    because, next_step = _words(slowest, firm, levers, plateau, too_late, point.air_K)
    return PourPrediction(
        _seconds("working_time", work),
        _seconds("firm_time", firm),
        _seconds("load_time", load),
        slowest,
        tuple(
            PlaceTime(place, _seconds(f"firm_time_{place.replace(' ', '_')}", times_of(ln, weights)), feels)
            for place, ln, feels in zip(LOCATIONS, ln_firm, (True, False, True), strict=True)
        ),
        _band(members.time_s, members.surface_K, firm[2]),
        _band(members.time_s, members.bond_K, firm[2]),
        _kelvins("hottest_pad_temperature", members.hottest_K, "highest inside the pad"),
        bond,
        plateau,
        CurePhase.WILL_NOT_CURE if too_late else CurePhase.WAIT,
        because,
        next_step,
        _heat_words(bond),
        levers,
        profile.assumptions,
    )


_OPEN_SKY_K = -20.0  # a clear winter sky against the air; handbook value from memory
_STALLED_ratio = 0.99


def _checked(pour: PourConditions, air: AirConditions) -> AirPoint:
    if air.air_K is None:
        raise ValueError("a pour cannot be predicted without an air temperature: switch the air sensor on")
    for name, value, (low, high), unit in (
        ("air", air.air_K - ICE_POINT_K, _degrees(AIR_VALID_K), "°C"),
        ("material", pour.material_K - ICE_POINT_K, _degrees(POUR_VALID_K), "°C"),
        ("sole", pour.sole_K - ICE_POINT_K, _degrees(POUR_VALID_K), "°C"),
        ("thickness", 1e3 * pour.thickness_m, (1e3 * THICKNESS_VALID_m[0], 1e3 * THICKNESS_VALID_m[1]), "mm"),
    ):
        if not low <= value <= high:
            raise ValueError(f"{name} {value:g} {unit} is outside {low:g} to {high:g} {unit}: correct it")
    return AirPoint(0.0, air.air_K, air.wind_m_per_s)


def _degrees(limits_K: tuple[float, float]) -> tuple[float, float]:
    return limits_K[0] - ICE_POINT_K, limits_K[1] - ICE_POINT_K


def _seconds(name: str, times: Times) -> Estimate:
    return Estimate(name, times[1], times[0], times[2], "s", MODEL, True, "Predicted before the pour.")


def _kelvins(name: str, values_K: FloatArray, what: str) -> Estimate:
    low, likely, high = (float(v) for v in np.quantile(values_K, SHARES))
    return Estimate(name, likely, low, high, "K", MODEL, True, f"The {what}, predicted before the pour.")


def _band(time_s: FloatArray, values_K: np.ndarray, until_s: float) -> tuple[BandPoint, ...]:
    """Temperatures at evenly spread rows of the run, from the pour to safe-by or the end of the run."""
    last = int(np.searchsorted(time_s, min(until_s, float(time_s[-1]))))
    rows = np.unique(np.linspace(0, min(last, time_s.size - 1), _BAND_POINTS).astype(int))
    low, likely, high = np.quantile(values_K[rows].astype(np.float64), SHARES, axis=1)
    return tuple(
        BandPoint(float(t), float(a), float(b), float(c))
        for t, a, b, c in zip(time_s[rows], low, likely, high, strict=True)
    )


def _levers(
    profile: MaterialProfile, pour: PourConditions, point: AirPoint, sky_K: float
) -> tuple[Lever, ...]:
    """What would bring the likely firm time forward, largest gain first."""
    tried: list[tuple[str, str, PourConditions, AirPoint]] = []
    if pour.material_K < WARM_MATERIAL_K:
        warm = f"Keep the material at {WARM_MATERIAL_K - ICE_POINT_K:.0f} °C before mixing"
        tried.append(("warm material", warm, replace(pour, material_K=WARM_MATERIAL_K), point))
    if pour.sole_K < WARM_SOLE_K:
        warm = f"Warm the sole to {WARM_SOLE_K - ICE_POINT_K:.0f} °C while drying it"
        tried.append(("warm sole", warm, replace(pour, sole_K=WARM_SOLE_K), point))
    if len(tried) > 1:
        both = replace(pour, material_K=WARM_MATERIAL_K, sole_K=WARM_SOLE_K)
        tried.append(("warm material and sole", "Warm the material and the sole", both, point))
    if pour.cover_m2_K_per_W < INSULATING_COVER_m2_K_per_W:
        covered = replace(pour, cover_m2_K_per_W=INSULATING_COVER_m2_K_per_W)
        tried.append(("cover", "Cover it with an insulating boot as soon as it is level", covered, point))
    if film_W_per_m2_K(point.wind_m_per_s) > STILL_FILM_W_per_m2_K:
        tried.append(
            ("wind break", "Stand the horse out of the wind", pour, replace(point, wind_m_per_s=None))
        )
    if not tried:
        return ()
    cases = [(pour, point), *((changed, changed_air) for _, _, changed, changed_air in tried)]
    now_s, *changed_s = (float(time_s) for time_s in central_firm_s(profile, cases, sky_K))
    levers = [
        Lever(name, action, now_s - then_s)
        for (name, action, _, _), then_s in zip(tried, changed_s, strict=True)
    ]
    worth = [lever for lever in levers if lever.gain_s >= _WORTH_s]
    return tuple(sorted(worth, key=lambda lever: -lever.gain_s))


def _words(
    slowest: str, firm: Times, levers: tuple[Lever, ...], plateau: bool, too_late: bool, air_K: float
) -> tuple[str, str]:
    low, likely, high = (t / 60.0 for t in firm)
    air = f"{air_K - ICE_POINT_K:.0f} °C"
    if plateau:
        because = (
            f"At {air} it turns to glass before it is firm; the {slowest} stays soft however long you wait."
        )
    elif too_late:
        because = f"At {air} the {slowest} is firm only after {likely / 60.0:.0f} h."
    else:
        because = (
            f"At {air} the {slowest} is firm last: not before {low:.0f}, likely at {likely:.0f}, "
            f"safe by {high:.0f} min."
        )
    if not levers:
        return because, "Warm nothing further; nothing here brings it forward by a minute."
    best = levers[0]
    return because, f"{best.action}: that gains about {best.gain_s / 60.0:.0f} min."


def _heat_words(bond: Estimate) -> str:
    if bond.high is None or bond.value is None or bond.high < HEAT_CAUTION_K:
        return ""
    return (
        f"The bond line may reach {bond.high - ICE_POINT_K:.0f} °C (likely {bond.value - ICE_POINT_K:.0f}); "
        f"above {HEAT_CAUTION_K - ICE_POINT_K:.0f} °C pour thinner, or cool the material first."
    )


def cure_table(
    profile: MaterialProfile,
    air_degC: Sequence[float],
    sole_degC: Sequence[float | None] = (None, 30.0),
    material_degC: Sequence[float | None] = (None, 25.0),
    *,
    thickness_m: float = _TABLE_THICKNESS_m,
    members: int = _TABLE_MEMBERS,
) -> tuple[CureTableRow, ...]:
    """The profile's times over air, sole and material temperature; one row for each combination.

    air_degC       air temperatures
    sole_degC      sole temperatures; None is a bare sole that nobody warmed
    material_degC  material temperatures; None is material as cold as the air
    members        64 is within about 10 % of 256 at the ends of the intervals
    """
    rows = []
    for air in air_degC:
        air_K = si_from(air, "Cel")
        for sole in sole_degC:
            for material in material_degC:
                sole_K = cold_sole_K(air_K) if sole is None else si_from(sole, "Cel")
                material_K = air_K if material is None else si_from(material, "Cel")
                pour = PourConditions(
                    0, thickness_m, material_K, sole_K, cover_m2_K_per_W=FILM_COVER_m2_K_per_W
                )
                rows.append(_row(profile, air, pour, AirPoint(0.0, air_K), members))
    return tuple(rows)


def _row(
    profile: MaterialProfile, air_degC: float, pour: PourConditions, point: AirPoint, members: int
) -> CureTableRow:
    _checked(pour, AirConditions(air_K=point.air_K))
    run: CureForecast = forecast(profile, pour, (point,), members=members)
    weights = np.full(members, 1.0 / members)
    ln_work, ln_firm, ln_load = place_times(stacked_times(run))
    return CureTableRow(
        air_degC,
        pour.sole_K - ICE_POINT_K,
        pour.material_K - ICE_POINT_K,
        times_of(ln_work, weights),
        times_of(np.max(ln_firm, axis=0), weights),
        times_of(ln_load, weights),
        slowest_place(ln_firm, weights),
        float(np.quantile(run.hottest_bond_K, 0.5)) - ICE_POINT_K,
    )
