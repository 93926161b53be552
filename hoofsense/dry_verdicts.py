"""May this sole be poured on? The order of the rules is the order of danger."""

from __future__ import annotations

from hoofsense.estimators.dew_margin import REQUIRED_MARGIN_K, dew_point_margin
from hoofsense.estimators.drying_progress import FilmClass, drying_answer
from hoofsense.estimators.heat_safety import HeatAnswer
from hoofsense.records import NS_PER_S, Estimate, Question, Reading, Status, Verdict
from hoofsense.verdict_evidence import Asked, air_evidence, fresh_air, surface_evidence
from hoofsense.visit_state import FootState, VisitState

LOOK_VALID_NS = 120 * NS_PER_S  # horn moisture comes back to the surface in a minute or two (our choice)

# What the headline asks for while the scan is under way; the status still says that nothing can be told.
_SCAN_CALLS = {
    "no reading": "READ THE SOLE",
    "no heat pass": "READ, THEN HEAT",
    "pass running": "HEAT EVENLY",
    "site not read": "READ EVERY SPOT",
    "site not scanned": "READ EVERY SPOT",
    "too few passes": "ONE MORE PASS",
    "stale": "NO READING",
}
_HEAT_CALLS = {
    Status.READY: "HEAT IS SAFE",
    Status.NOT_YET: "EASE OFF THE HEAT",
    Status.STOP: "STOP HEATING",
    Status.CANNOT_TELL: "CANNOT TELL",
}


def heat_verdict(foot: FootState, at_ns: int, answer: HeatAnswer) -> Verdict:
    said = Asked(at_ns, foot, Question.HEAT, (answer.dose, answer.quick))
    return said(answer.status, _HEAT_CALLS[answer.status], answer.rule, answer.because, answer.next_step)


def _coldest(foot: FootState) -> Reading | None:
    """The coldest last reading of any spot; a spot nobody named counts as one."""
    readings = [reading for _, reading in foot.site_surfaces]
    return min(readings, key=lambda r: r.value, default=foot.surface)


def pour_verdict(state: VisitState, foot: FootState, at_ns: int, heat: HeatAnswer) -> Verdict:
    answer = drying_answer(foot.drying, at_ns)
    damp = air_evidence(state, at_ns)
    coldest = _coldest(foot)
    margin: Estimate | None = None
    if damp is None and coldest is not None:
        margin = dew_point_margin(coldest.value, coldest.standard_uncertainty, fresh_air(state, at_ns))
    told = (answer.probability, margin)
    estimates = tuple(e for e in told if e is not None and (e is margin or e.value is not None))
    said = Asked(at_ns, foot, Question.POUR, estimates)
    bad = surface_evidence(state, foot, at_ns)
    if heat.status is Status.STOP:
        return said(Status.STOP, "STOP HEATING", heat.rule, heat.because, heat.next_step)
    if bad is not None:
        return said(Status.CANNOT_TELL, "CANNOT TELL", *bad)
    if answer.film is FilmClass.CANNOT_TELL:
        call = _SCAN_CALLS.get(answer.rule, "CANNOT TELL")
        return said(Status.CANNOT_TELL, call, answer.rule, answer.because, answer.next_step)
    if answer.film is not FilmClass.NO_FILM:
        return said(Status.NOT_YET, "KEEP DRYING", answer.rule, answer.because, answer.next_step)
    if damp is not None:
        return said(Status.CANNOT_TELL, "CANNOT TELL", *damp)
    if margin is None or margin.low is None or margin.value is None:
        why = "No surface temperature is known." if margin is None else margin.reason
        return said(Status.CANNOT_TELL, "CANNOT TELL", "no_dew_point", why, "Switch the humidity sensor on.")
    if margin.low < REQUIRED_MARGIN_K:
        return said(
            Status.NOT_YET,
            "TOO CLOSE TO THE DEW POINT",
            "dew_margin",
            f"The coldest spot is {margin.value:.1f} K above the dew point ({margin.low:.1f} K at worst); "
            f"{REQUIRED_MARGIN_K:.0f} K is the least.",
            "Warm the sole, or pour in drier air.",
        )
    looked = foot.looked_at_ns
    if looked is None or at_ns - looked > LOOK_VALID_NS:
        return said(
            Status.NOT_YET,
            "LOOK AND TOUCH",
            "look_first",
            answer.because,
            "Look along both grooves and touch the sole; then say whether it is dry.",
        )
    if not foot.looked_dry:
        return said(
            Status.NOT_YET,
            "KEEP DRYING",
            "looked_wet",
            "You saw or felt that the sole is still wet.",
            "Heat the wet spot again, then look again.",
        )
    look_until_ns = looked + LOOK_VALID_NS
    until_ns = min(look_until_ns, answer.expires_at_ns or look_until_ns)
    next_step = "Mix and pour at once: the horn's own moisture comes back to the surface."
    return said(Status.READY, "POUR NOW", answer.rule, answer.because, next_step, until_ns)
