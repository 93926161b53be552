"""Is the living tissue under the horn safe from the heat, looking ahead as if the gun went off now?

Each site carries its own conduction to the quick, driven by the upper bound of its readings. Where a site
was not read, it is taken to have stayed as hot as the hotter reading either side: late is never an option.
The dose in equivalent minutes at 43 degC runs for the whole visit.

No limit for the tissue of a hoof was found in the literature: every limit here is an engineering choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from hoofsense.physics.quick_heating import (
    DEFAULT_HORN_m,
    QuickModel,
    at_rest_K,
    forward_K,
    free_step_K,
    quick_model,
    read_step_K,
)
from hoofsense.physics.thermal_dose import cem43_of_ramp_min, cem43_of_trace_min
from hoofsense.records import NS_PER_S, Estimate, Site, Status
from hoofsense.units import value_in

STALE_S = 5.0
CLOSE_READINGS_S = 2.0  # readings this close are joined by a straight line, others by the hotter of the two
UNMARKED_HOLD_S = 30.0  # an unread site stays hot this long when nobody marks the gun: longer than any pass
_STEP_S = 2.0  # longest step between two temperatures of the quick for the dose
_MOST_STEPS = 20  # of one gap in the readings, so that an answer stays cheap after a long one
_BODY_K = 310.15  # 37 degC; blood brings no more than this before any heat
_MODEL = "1-D conduction to the quick, no blood flow"


@dataclass(frozen=True, slots=True)
class HeatLimits:
    """When to warn and to stop. All are engineering choices: no equine limit was found.

    warn_K, stop_K   predicted peak at the quick, 41 and 43 degC
    stop_dose_min    CEM43 at the quick in this visit, 1 min (published limits of other tissues: 2 and 9)
    surface_cap_K    hottest surface, 60 degC
    tissue_K         the quick before heat, 30 degC; a cold foot starts lower and so is safer
    air_K            air that cools the sole when the gun is off, 20 degC
    upper_bound_k    standard uncertainties added to each reading, 1.645 (95 % one-sided)
    """

    warn_K: float = 314.15
    stop_K: float = 316.15
    stop_dose_min: float = 1.0
    surface_cap_K: float = 333.15
    tissue_K: float = 303.15
    air_K: float = 293.15
    upper_bound_k: float = 1.645

    def __post_init__(self) -> None:
        if not (self.tissue_K < self.warn_K < self.stop_K and self.stop_dose_min > 0.0):
            raise ValueError(
                f"heat limits must rise tissue {self.tissue_K} < warn {self.warn_K} < stop {self.stop_K} K "
                f"with a dose above 0, got {self.stop_dose_min} min: correct the settings"
            )


@dataclass(frozen=True, slots=True)
class SiteHeat:
    """One site: when and how hot it was last read (upper bound), its temperatures in depth and its dose."""

    site: Site
    at_ns: int
    surface_K: float
    depth_K: tuple[float, ...]
    dose_min: float


@dataclass(frozen=True, slots=True)
class HeatTrace:
    """Everything kept of one foot's heat in one visit.

    gun_on        as marked; None when nobody has marked it
    gun_since_ns  when it was last marked
    """

    horn_m: float
    limits: HeatLimits
    sites: tuple[SiteHeat, ...] = ()
    gun_on: bool | None = None
    gun_since_ns: int = 0
    latest_ns: int | None = None


@dataclass(frozen=True, slots=True)
class HeatAnswer:
    """READY to be heated, NOT_YET ease off, STOP or CANNOT_TELL, with dose (min) and peak ahead (K)."""

    status: Status
    rule: str
    because: str
    next_step: str
    dose: Estimate
    quick: Estimate


_DEFAULT_LIMITS = HeatLimits()


def heat_begun(horn_m: float = DEFAULT_HORN_m, limits: HeatLimits = _DEFAULT_LIMITS) -> HeatTrace:
    """A foot that has not been heated. horn_m 0.001 to 0.03 m of horn over the quick, else ValueError."""
    quick_model(horn_m)
    return HeatTrace(horn_m, limits)


def with_heat(trace: HeatTrace, at_ns: int, on: bool) -> HeatTrace:
    """The trace after the gun was marked on or off; without marks an unread site is taken as heated on."""
    return trace if on == trace.gun_on else replace(trace, gun_on=on, gun_since_ns=at_ns)


def with_air(trace: HeatTrace, air_K: float) -> HeatTrace:
    """The trace with the air's temperature; colder air than the setting is not counted on."""
    if air_K <= trace.limits.air_K or not math.isfinite(air_K):
        return trace
    return replace(trace, limits=replace(trace.limits, air_K=air_K))


def _held(model: QuickModel, heat: SiteHeat, start_K: float, end_K: float, duration_s: float) -> SiteHeat:
    """heat after its surface ran evenly from start to end, with the dose gathered on the way."""
    return _stepped(model, heat, start_K, end_K, duration_s, None)


def _cooled(model: QuickModel, heat: SiteHeat, air_K: float, duration_s: float) -> SiteHeat:
    """heat after cooling in still air."""
    return _stepped(model, heat, heat.surface_K, heat.surface_K, duration_s, air_K)


def _stepped(
    model: QuickModel, heat: SiteHeat, start_K: float, end_K: float, duration_s: float, air_K: float | None
) -> SiteHeat:
    if duration_s <= 0.0:
        return heat
    count = min(math.ceil(duration_s / _STEP_S), _MOST_STEPS)
    step_s = duration_s / count
    nodes = np.array(heat.depth_K)
    quick_K, dose = float(nodes[model.quick]), heat.dose_min
    for i in range(count):
        if air_K is None:
            share = i / count
            a = start_K + (end_K - start_K) * share
            nodes = read_step_K(model, nodes, a, a + (end_K - start_K) / count, step_s)
        else:
            nodes = free_step_K(model, nodes, air_K, step_s)
        now_K = float(nodes[model.quick])
        dose += cem43_of_ramp_min(quick_K, now_K, step_s)
        quick_K = now_K
    at_ns = heat.at_ns + round(duration_s * NS_PER_S)
    return SiteHeat(heat.site, at_ns, float(nodes[0]), tuple(nodes.tolist()), dose)


def with_surface(
    trace: HeatTrace, at_ns: int, site: Site, surface_K: float, standard_uncertainty_K: float
) -> HeatTrace:
    """The trace after one screened reading of a site, in order of time (ValueError when it steps back).

    surface_K  200 to 450 K with a standard uncertainty of 0 K or more, else ValueError
    """
    if not (200.0 <= surface_K <= 450.0 and 0.0 <= standard_uncertainty_K < math.inf):
        raise ValueError(
            f"surface {surface_K} K, uncertainty {standard_uncertainty_K} K is no reading: screen it first"
        )
    if trace.latest_ns is not None and at_ns < trace.latest_ns:
        raise ValueError(f"reading at {at_ns} ns lies before the latest, {trace.latest_ns} ns: fold in order")
    limits, model = trace.limits, quick_model(trace.horn_m)
    upper_K = surface_K + limits.upper_bound_k * standard_uncertainty_K
    place = next((i for i, known in enumerate(trace.sites) if known.site is site), None)
    if place is None:
        tissue_K = max(limits.tissue_K, min(upper_K, _BODY_K))
        nodes = at_rest_K(model, upper_K, tissue_K)
        fresh = SiteHeat(site, at_ns, upper_K, tuple(nodes.tolist()), 0.0)
        return replace(trace, sites=(*trace.sites, fresh), latest_ns=at_ns)
    heat = trace.sites[place]
    unread_s = (at_ns - heat.at_ns) / NS_PER_S
    gun_was_off = trace.gun_on is False and trace.gun_since_ns <= heat.at_ns
    if unread_s <= CLOSE_READINGS_S or gun_was_off:
        heat = _held(model, heat, heat.surface_K, upper_K, unread_s)
    else:
        hottest_K = max(heat.surface_K, upper_K)
        heat = _held(model, heat, hottest_K, hottest_K, unread_s)
    heat = SiteHeat(site, at_ns, upper_K, (upper_K, *heat.depth_K[1:]), heat.dose_min)
    return replace(trace, sites=(*trace.sites[:place], heat, *trace.sites[place + 1 :]), latest_ns=at_ns)


def _until_now(trace: HeatTrace, model: QuickModel, heat: SiteHeat, at_ns: int) -> SiteHeat:
    """The site at at_ns: held as hot as it was read while the gun may be on it, cooling after."""
    if trace.gun_on is True:
        hot_until_ns = at_ns
    elif trace.gun_on is False:
        hot_until_ns = max(trace.gun_since_ns, heat.at_ns)
    else:
        hot_until_ns = heat.at_ns + int(UNMARKED_HOLD_S * NS_PER_S)
    hot_s = max(0.0, (min(hot_until_ns, at_ns) - heat.at_ns) / NS_PER_S)
    cool_s = (at_ns - heat.at_ns) / NS_PER_S - hot_s
    return _cooled(
        model, _held(model, heat, heat.surface_K, heat.surface_K, hot_s), trace.limits.air_K, cool_s
    )


def _celsius(kelvin: float) -> str:
    return f"{value_in(kelvin, 'Cel'):.1f} degC"


def _estimates(dose_min: float, spent_min: float, peak_K: float, where: str) -> tuple[Estimate, Estimate]:
    reason = f"at the {where}, upper bound of the readings, as if the heat ended now"
    return (
        Estimate("thermal_dose", dose_min, min(spent_min, dose_min), dose_min, "min", _MODEL, True, reason),
        Estimate("quick_peak", peak_K, None, peak_K, "K", _MODEL, True, reason),
    )


def heat_answer(trace: HeatTrace, at_ns: int) -> HeatAnswer:
    """Whether the foot may be heated on at at_ns; STOP comes before any doubt about the readings."""
    limits = trace.limits
    if not trace.sites or trace.latest_ns is None:
        reason = "no surface temperature has been read"
        nothing = Estimate("thermal_dose", None, None, None, "min", _MODEL, False, reason)
        return HeatAnswer(
            Status.CANNOT_TELL,
            "no reading",
            reason,
            "read the sole before heating",
            nothing,
            Estimate("quick_peak", None, None, None, "K", _MODEL, False, reason),
        )
    model = quick_model(trace.horn_m)
    now = [_until_now(trace, model, heat, at_ns) for heat in trace.sites]
    ahead_K = [forward_K(model, np.array(heat.depth_K), limits.air_K) for heat in now]
    peaks = [float(quick_K.max()) for quick_K in ahead_K]
    doses = [
        heat.dose_min + cem43_of_trace_min(model.forward_s, quick_K)
        for heat, quick_K in zip(now, ahead_K, strict=True)
    ]
    return _judged(trace, at_ns, now, peaks, doses)


def _judged(
    trace: HeatTrace, at_ns: int, now: list[SiteHeat], peaks: list[float], doses: list[float]
) -> HeatAnswer:
    limits = trace.limits
    hottest = max(range(len(now)), key=lambda i: peaks[i])
    dosed = max(range(len(now)), key=lambda i: doses[i])
    surface = max(now, key=lambda heat: heat.surface_K)
    place = now[hottest].site.value
    dose, quick = _estimates(doses[dosed], now[dosed].dose_min, peaks[hottest], place)

    def answer(status: Status, rule: str, because: str, next_step: str) -> HeatAnswer:
        return HeatAnswer(status, rule, because, next_step, dose, quick)

    ahead = f"the quick under the {place} will reach {_celsius(peaks[hottest])}"
    if surface.surface_K >= limits.surface_cap_K:
        return answer(
            Status.STOP,
            "surface too hot",
            f"the {surface.site.value} may be at {_celsius(surface.surface_K)}, "
            f"the cap is {_celsius(limits.surface_cap_K)}",
            "turn the gun away now",
        )
    if peaks[hottest] >= limits.stop_K:
        return answer(
            Status.STOP,
            "quick too hot",
            f"{ahead} even without more heat, the limit is {_celsius(limits.stop_K)}",
            "turn the gun away now and let the foot cool",
        )
    if doses[dosed] >= limits.stop_dose_min:
        return answer(
            Status.STOP,
            "dose spent",
            f"the quick under the {now[dosed].site.value} gathers {doses[dosed]:.2f} min at 43 degC "
            f"in this visit, the limit is {limits.stop_dose_min:g} min",
            "no more heat on this foot in this visit",
        )
    age_s = (at_ns - (trace.latest_ns or at_ns)) / NS_PER_S
    if age_s > STALE_S and trace.gun_on is not False:  # with the gun off the foot only cools, as reckoned
        return answer(
            Status.CANNOT_TELL,
            "stale",
            f"the last reading is {age_s:.0f} s old, the limit is {STALE_S:.0f} s",
            "turn the gun away until the thermometer reads the sole again",
        )
    if peaks[hottest] >= limits.warn_K:
        return answer(
            Status.NOT_YET,
            "quick warm",
            f"{ahead} even without more heat, the warning is at {_celsius(limits.warn_K)}",
            f"ease off, and leave the {place} to cool",
        )
    return answer(
        Status.READY,
        "quick cool",
        f"{ahead} if the heat ended now, the warning is at {_celsius(limits.warn_K)}",
        "carry on, with the gun moving",
    )


def heat_of_pour(
    trace: HeatTrace, at_ns: int, bond_line: tuple[tuple[float, float], ...]
) -> tuple[Estimate, Estimate]:
    """Dose (min) and peak (K) at the quick when a pad's own heat follows on what the foot already had.

    bond_line  (seconds from at_ns, upper-bound K at the bond line), from 0 s upward, at least one pair
    returns    thermal_dose and quick_peak of the worst site; compare them with the limits before pouring
    raises     ValueError when bond_line is empty or not in order, or when no site was read
    """
    if not bond_line or not trace.sites or any(b[0] < a[0] for a, b in pairwise(bond_line)):
        raise ValueError("the pour's heat needs a read foot and a forecast in order of time: give both")
    model = quick_model(trace.horn_m)
    worst_dose, spent, worst_peak, where = 0.0, 0.0, 0.0, trace.sites[0].site.value
    for begun in trace.sites:
        heat = _until_now(trace, model, begun, at_ns)
        peak_K = heat.depth_K[model.quick]
        for (a_s, a_K), (b_s, b_K) in pairwise(bond_line):
            heat = _held(model, heat, a_K, b_K, b_s - a_s)
            peak_K = max(peak_K, heat.depth_K[model.quick])
        ahead_K = forward_K(model, np.array(heat.depth_K), trace.limits.air_K)
        dose = heat.dose_min + cem43_of_trace_min(model.forward_s, ahead_K)
        worst_dose, spent = max(worst_dose, dose), max(spent, begun.dose_min)
        if max(peak_K, float(ahead_K.max())) > worst_peak:
            worst_peak, where = max(peak_K, float(ahead_K.max())), heat.site.value
    return _estimates(worst_dose, spent, worst_peak, where)
