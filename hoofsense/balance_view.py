"""Balance, wear and when the pad is worn to the least thickness, as plain values for the page.

One pad's line holds what was read on it since it was poured: at earlier visits, and today until it is poured
over. A new pad begins a new line.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hoofsense.estimators.foot_balance import (
    Projection,
    SideDifference,
    SITE_u_m,
    ThicknessAt,
    VisitLengths,
    balance_history,
    foot_balance,
    minimum_reached,
    wear_rate,
)
from hoofsense.estimators.sheet_sites import PAD_SITES, SheetSite
from hoofsense.geometry.sole_outline import Length
from hoofsense.plan_question import DAY_NS, PlanQuestion
from hoofsense.records import NS_PER_MS, Estimate
from hoofsense.units import value_in

THICKNESS_SITES = tuple(site for site in PAD_SITES if site is not SheetSite.RECESS_BELOW_WALL)
VISITS_TOLD = 6  # of the balance, the newest (our choice)


def balance_view(question: PlanQuestion) -> dict[str, Any]:
    """Keys "balance", "balance_past", "wear" and "worn".

    balance       every pair read today (before the pour and the trim where nothing newer was read)
    balance_past  earlier visits, oldest first
    wear          one line for each site read twice or more on the same pad
    worn          the site that reaches the least thickness first; None without a line
    """
    targets = dict(question.targets)
    today = {**dict(question.before), **dict(question.lengths)}
    wear = _wear(question)
    dated = [row for row in wear if row["worn_ms"]["likely"] is not None]
    return {
        "balance": [_difference(each) for each in foot_balance(today, targets)],
        "balance_past": [
            {"at_ms": at_ns // NS_PER_MS, "pairs": [_difference(each) for each in differences]}
            for at_ns, differences in balance_history(question.past.visits, targets)[-VISITS_TOLD:]
            if differences
        ],
        "wear": wear,
        "worn": min(dated, key=lambda row: int(row["worn_ms"]["likely"])) if dated else None,
        "old_pad": question.poured,
    }


def _difference(one: SideDifference) -> dict[str, Any]:
    estimate = one.difference

    def mm(value_m: float | None) -> float | None:
        return None if value_m is None else round(value_in(value_m, "mm"), 2)

    return {
        "what": one.what,
        "mm": mm(estimate.value),
        "low_mm": mm(estimate.low),
        "high_mm": mm(estimate.high),
        "balance": one.balance.value,
        "because": one.because,
        "next_step": one.next_step,
    }


def pad_readings(question: PlanQuestion, site: SheetSite) -> list[ThicknessAt]:
    """What was read at one site of the pad that was on the foot when the visit began, oldest first."""
    poured_ns = question.past.pad_poured_ns
    earlier = [visit for visit in question.past.visits if poured_ns is None or visit.at_ns > poured_ns]
    now = dict(question.before if question.poured else question.lengths)
    today = VisitLengths(question.at_ns + DAY_NS // 2, tuple(now.items()))
    return [
        ThicknessAt(visit.at_ns, length.value_m, _u_m(length))
        for visit in (*earlier, today)
        for measured, length in visit.lengths
        if measured is site
    ]


def _u_m(length: Length) -> float:
    return float((length.standard_uncertainty_m**2 + SITE_u_m**2) ** 0.5)


def _wear(question: PlanQuestion) -> list[dict[str, Any]]:
    rows = []
    for site in THICKNESS_SITES:
        readings = pad_readings(question, site)
        if len(readings) < 2:
            continue
        rate = wear_rate(readings)
        worn = minimum_reached(readings, question.settings.least_thickness_m)
        rows.append(
            {
                "site": str(site),
                "mm_per_week": _rate(rate),
                "worn_ms": _moments(worn),
                "within_validity": worn.within_validity,
                "readings": [
                    {"at_ms": each.at_ns // NS_PER_MS, "mm": round(value_in(each.thickness_m, "mm"), 2)}
                    for each in readings
                ],
            }
        )
    return rows


def _rate(rate: Estimate) -> Mapping[str, Any]:
    return {
        "value": None if rate.value is None else round(rate.value, 3),
        "low": None if rate.low is None else round(rate.low, 3),
        "high": None if rate.high is None else round(rate.high, 3),
        "reason": rate.reason,
    }


def _moments(worn: Projection) -> Mapping[str, Any]:
    def ms(at_ns: int | None) -> int | None:
        return None if at_ns is None else at_ns // NS_PER_MS

    return {
        "likely": ms(worn.at_ns),
        "earliest": ms(worn.earliest_ns),
        "latest": ms(worn.latest_ns),
        "reason": worn.reason,
    }
