"""What the visits on record teach about a material: past pours read again, told, and saved as a profile."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from hoofsense.estimators.cure_calibration import Calibration, CheckedPour, calibrated, calibrated_profile
from hoofsense.estimators.cure_evidence import EARNED_POURS, EARNED_COVER_ratio, Times
from hoofsense.estimators.cure_log import SECOND_DEGREES, LoggedPour, SecondMark, logged_pour, touch_interval
from hoofsense.estimators.cure_smoother import Touch
from hoofsense.foot_events import tells_firm
from hoofsense.materials import load_profile
from hoofsense.materials.writing import profile_text
from hoofsense.records import NS_PER_S, MaterialProfile, PourConditions, Question, RawFrame, Verdict
from hoofsense.store import StoreError, default_store_path, open_reader
from hoofsense.units import value_in
from hoofsense.visit import fold
from hoofsense.visit_state import FootState, VisitState

SPAN_u = 1.96  # standard uncertainties either side that hold 95 % of a normal


@dataclass(frozen=True, slots=True)
class ReadLog:
    """Pours of one material from the record, and one sentence for each that was left out."""

    pours: tuple[LoggedPour, ...]
    visits: int
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Lesson:
    """A calibration with the profile it began from and the one it gives."""

    base: str
    before: MaterialProfile
    after: MaterialProfile
    log: ReadLog
    calibration: Calibration

    def as_json(self) -> str:
        return json.dumps(
            {
                "profile": self.before.name,
                "visits": self.log.visits,
                "left_out": list(self.log.left_out),
                "covered_ratio": self.calibration.covered_ratio,
                **asdict(self.calibration),
                "earned": self.earned,
                "calibrated": asdict(self.after),
            },
            ensure_ascii=False,
            indent=1,
        )

    @property
    def earned(self) -> bool:
        """Whether live readings may advance an answer with the calibrated profile, inside its range."""
        after = self.after
        return after.logged_pours >= EARNED_POURS and after.logged_covered_ratio >= EARNED_COVER_ratio

    def as_text(self) -> str:
        found, before, after = self.calibration, self.before, self.after
        ratio, wider = math.exp(found.ln_rate), math.exp(SPAN_u * found.ln_rate_u)
        low, high = (value_in(kelvin, "Cel") for kelvin in (found.low_K, found.high_K))
        decided = found.covered + found.missed
        firm, was = (value_in(p.reference_firm_s, "min") for p in (after, before))
        lines = [
            f"{before.name}: {found.pours} pours with touches in {self.log.visits} visits, "
            f"air {low:.0f} to {high:.0f} °C",
            *(f"  left out: {sentence}" for sentence in self.log.left_out),
            "",
            f"Rate       {ratio:.2f} times the profile's, 95 % from {ratio / wider:.2f} to "
            f"{ratio * wider:.2f} (ln k {found.ln_rate:+.3f} ± {found.ln_rate_u:.3f})",
            f"Energy     {found.energy.value / 1e3:.1f} ± {found.energy.u / 1e3:.1f} kJ/mol: "
            f"{found.energy.reason}",
            f"Curve n    {found.shape_n.value:.2f} ± {found.shape_n.u:.2f}: {found.shape_n.reason}",
            f"Curve ln b {found.ln_shape_b.value:.2f} ± {found.ln_shape_b.u:.2f}: {found.ln_shape_b.reason}",
            f"Scatter    {100.0 * found.scatter_ln:.0f} % between pours, beyond what is known of them",
            f"Reference  firm in {firm:.1f} min (was {was:.1f})",
            f"Intervals  {found.covered} of {decided} that could be told held the firm time (90 % are meant "
            f"to); {found.undecided} could not be told",
            f"Authority  {self._authority()}",
            "",
            *checked_lines(found.checked),
        ]
        return "\n".join(lines)

    def _authority(self) -> str:
        if self.earned:
            return "live readings may advance an answer within the logged range of air"
        return (
            f"not earned: it takes {EARNED_POURS} intervals that could be told, of which "
            f"{100.0 * EARNED_COVER_ratio:.0f} % held"
        )


def checked_lines(checked: Sequence[CheckedPour]) -> list[str]:
    """Predicted against checked, as a table in plain text; minutes after the pour."""
    said = "said before (not before / likely / safe by)"
    head = f"{'pour':<16} {'air °C':>6} {said:>44} {'soft until':>11} {'firm from':>10} {'fitted':>7}  held"
    return [head, *(_checked_line(one) for one in checked)]


def _checked_line(one: CheckedPour) -> str:
    said = "nothing" if one.predicted is None else " / ".join(f"{t / 60.0:.0f}" for t in one.predicted)
    soft, firm = ("-" if t is None else f"{t / 60.0:.1f}" for t in (one.soft_until_s, one.firm_from_s))
    held = {True: "yes", False: "NO", None: "cannot be told"}[one.covered]
    air = value_in(one.air_K, "Cel")
    return f"{one.name:<16} {air:6.0f} {said:>44} {soft:>11} {firm:>10} {one.fitted_s / 60.0:7.1f}  {held}"


def calibrate(
    name: str,
    store_path: Path | None,
    *,
    invented: bool = False,
    on_visit: Callable[[int, int], None] | None = None,
) -> Lesson:
    """Read every past pour of a material from the store and say what they teach.

    name      profile's name or file; visits that named their material so count
    invented  whether invented (simulated, rehearsed) visits count too
    on_visit  told of each visit read: its number, and how many there are
    raises    ValueError in one sentence: too few pours, a profile that was calibrated before, an odd log;
              StoreError as open_reader
    """
    profile = load_profile(name)
    if profile.logged_pours:
        raise ValueError(
            f"{name} was calibrated from {profile.logged_pours} pours already: calibrate the profile it came "
            "from, which counts those pours once"
        )
    log = logged_pours(profile.name, store_path, invented=invented, on_visit=on_visit)
    try:
        found = calibrated(profile, log.pours)
    except ValueError as why:
        left = f" ({log.left_out[0]})" if len(log.left_out) == 1 else ""
        also = left or (f" ({len(log.left_out)} were left out)" if log.left_out else "")
        raise ValueError(f"{profile.name}: {why}{also}") from why
    return Lesson(name, profile, calibrated_profile(profile, found), log, found)


def logged_pours(
    material: str,
    store_path: Path | None,
    *,
    invented: bool = False,
    on_visit: Callable[[int, int], None] | None = None,
) -> ReadLog:
    """Every pour of this material on record that was touched, oldest first."""
    pours: list[LoggedPour] = []
    left_out: list[str] = []
    visits = unreal = 0
    with open_reader(default_store_path() if store_path is None else store_path) as store:
        summaries = [v for v in reversed(store.visits()) if v.ended_ns is not None]
        for number, summary in enumerate(summaries, start=1):
            if on_visit is not None:
                on_visit(number, len(summaries))
            if _material_name(summary.begin_json) != material:
                continue
            if summary.invented and not invented:
                unreal += 1
                continue
            day = datetime.fromtimestamp(summary.started_ns / NS_PER_S).astimezone()
            try:
                frames, verdicts = store.frames(summary.visit_id), store.verdicts(summary.visit_id)
                found, odd = pours_of(frames, verdicts, f"{day:%Y-%m-%d}")
            except StoreError as why:
                left_out.append(str(why))
                continue
            pours += found
            left_out += odd
            visits += bool(found)
    if unreal:
        some = f"{unreal} invented visit{'s' if unreal > 1 else ''}"
        left_out.append(f"{some}: add --invented to learn from them in a rehearsal")
    return ReadLog(_told_apart(pours), visits, tuple(left_out))


def _told_apart(pours: Sequence[LoggedPour]) -> tuple[LoggedPour, ...]:
    """The pours with a number behind each name that came before."""
    seen: dict[str, int] = {}
    named = []
    for logged in pours:
        count = seen[logged.name] = seen.get(logged.name, 0) + 1
        named.append(logged if count == 1 else replace(logged, name=f"{logged.name} {count}"))
    return tuple(named)


def _material_name(begin_json: str) -> str:
    material = json.loads(begin_json).get("material")
    return str(material.get("name", "")) if isinstance(material, dict) else ""


def pours_of(
    frames: Iterable[RawFrame], verdicts: Sequence[Verdict], day: str
) -> tuple[list[LoggedPour], list[str]]:
    """Pours of one visit from its raw frames, and why others were left out; day names them in a list."""
    state = VisitState()
    for frame in frames:
        state = fold(state, frame)
    pours, left_out = [], []
    for foot in state.feet:
        name = f"{day} {foot.foot.value}"
        if foot.pour is None:
            continue
        said = [v for v in verdicts if v.foot is foot.foot and v.at_ns >= foot.pour.poured_at_ns]
        try:
            pours.append(pour_of(foot, foot.pour, said, name))
        except ValueError as why:
            left_out.append(f"{name}: {why}")
    return pours, left_out


def pour_of(foot: FootState, pour: PourConditions, verdicts: Sequence[Verdict], name: str) -> LoggedPour:
    """One foot's pour as logged; ValueError where it was not touched, or touched as no pad can be.

    A foot that was trimmed was firm then, whether or not anyone marked a touch.
    """

    def after_s(at_ns: int) -> float:
        return (at_ns - pour.poured_at_ns) / NS_PER_S

    firm = [Touch(after_s(check.at_ns), check.firm) for check in foot.touches if tells_firm(check)]
    if foot.trimmed_at_ns is not None:
        firm.append(Touch(after_s(foot.trimmed_at_ns), True))
    seconds = []
    for degree in SECOND_DEGREES:
        felt = [Touch(after_s(c.at_ns), c.firm) for c in foot.touches if c.asked == degree]
        if felt:
            seconds.append(SecondMark(degree, *touch_interval(felt)))
    air = () if foot.cure is None else foot.cure.air.points
    return logged_pour(
        replace(pour, poured_at_ns=0), air, firm,
        predicted=first_said(verdicts), seconds=seconds, name=name,
    )  # fmt: skip


def first_said(verdicts: Sequence[Verdict]) -> Times | None:
    """What was said first of when it would be firm, before anything had been read or felt; None: nothing."""
    for verdict in verdicts:
        if verdict.question is not Question.TRIM:
            continue
        for told in verdict.estimates:
            if told.name == "firm_time" and None not in (told.low, told.value, told.high):
                return float(told.low or 0.0), float(told.value or 0.0), float(told.high or 0.0)
    return None


def save(lesson: Lesson, path: Path) -> None:
    """Write the calibrated profile as a file of its own, and read it back.

    raises  OSError when a file is there already or cannot be made; ValueError when it would be no profile
    """
    text = profile_text(lesson.base, lesson.after, learned_sources(lesson), _summary(lesson.after))
    with path.open("x", encoding="utf-8") as file:
        file.write(text)
    try:
        load_profile(path)
    except ValueError:
        path.unlink()
        raise


def _summary(profile: MaterialProfile) -> str:
    return (
        f"firm in about {value_in(profile.reference_firm_s, 'min'):.0f} minutes at "
        f"{value_in(profile.reference_air_K, 'Cel'):.0f} degC, from {profile.logged_pours} checked pours"
    )


def learned_sources(lesson: Lesson) -> dict[str, str]:
    """Where each number that the pours changed comes from, by field of the profile."""
    found, names = lesson.calibration, [one.name for one in lesson.calibration.checked]
    days = sorted(name.split(" ")[0] for name in names)
    learned = f"touches of {found.pours} pours, {days[0]} to {days[-1]}"
    told: dict[str, Any] = {
        "reference_firm_s": f"{learned}; the reference pour at the rate they tell",
        "reference_work_s": f"{learned}; the reference pour at the rate they tell",
        "ln_rate_u": f"{learned}, and 0.10 for what the next batch may differ",
    }
    if found.energy.claimed:
        told["activation_energy_J_per_mol"] = f"{learned}; {found.energy.reason}"
        told["activation_energy_u_J_per_mol"] = f"{learned}; {found.energy.reason}"
    if found.ln_shape_b.claimed:
        told["shape_b"] = told["shape_b_u_ln"] = f"{learned}; {found.ln_shape_b.reason}"
    if found.shape_n.claimed:
        told["shape_n"] = told["shape_n_u"] = f"{learned}; {found.shape_n.reason}"
    return told
