"""A simulated practitioner: a script of hands, marks and waiting. He sees the foot, never a verdict.

The script runs in step with the simulated feet: it asks them only what a person can see and feel (does the
sole look dry, does the fill feel firm).
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Protocol

from hoofsense.records import SCAN_SITES, Foot, MaterialProfile, Site
from hoofsense.sources.simulated_scenarios import PRACTICE, FootPlan, Scenario

# What the caliper is put to, in this order, before the pour and after the trim.
OUTLINE_SITES = ("foot length", "foot width", "frog length", "frog width", "wall thickness")
DEPTH_SITES = ("frog apex", "toe", "medial quarter", "lateral quarter", "medial heel", "lateral heel")
WALL_SITES = ("wall height medial", "wall height lateral")
PAD_SITES = tuple(f"pad at {site}" for site in DEPTH_SITES)
RECESS_SITE = "recess below the wall"
TRIMMED_mm = 2.0  # off the wall's ground surface, evenly: invented
THINNEST_PAD_mm = 0.6  # where the level fill runs out at the wall
TOUCH_SITES = (Site.TOE, Site.MEDIAL_HEEL, Site.LATERAL_HEEL)

# How long things take a practised hand, s (common practice, no source).
AIM_s = 0.5  # from choosing a spot to pulling the trigger on it
BASELINE_READ_s = 2.5
SPREAD_s = 8.5  # gun turned away and hung up before the spots are read: they must have cooled a while
GAP_READ_s = 2.25
LOOK_s = 4.0
MIXING_s = 40.0
CALIPER_s = 5.0
GLANCE_s = 2.5
ROUND_s = 20.0  # a look at every curing fill, about this often
TOUCH_s = 3.0
TRIMMING_s = 75.0
MINUTE_s = 60.0
SWITCHING_ON_s = 6.0  # instruments on, before the visit is begun
SETTLING_s = 12.0  # from the beginning of the visit to the first foot
LIFTING_s = 20.0  # picking a foot up, brushing and wiping it
JUDGING_s = 8.0  # whether it is fit to be covered
EXPLAINING_s = 15.0  # a note, and a word with the owner
HASTY_s = 2.0  # gun turned away by a careless hand
BESIDE_LOOK_s = 8.0  # reaching for the cartridge (or the gun) after saying what was seen
COOLING_ROUNDS = 6  # readings of an overheated sole
SPREADING_s = 10.0  # levelling the fill after the pour
WORD_s = 4.0  # putting a tool down, saying that it is done
EXTRA_PASSES = 2  # when the sole looks wet after the planned ones


@dataclass(slots=True)
class Hands:
    """What the practitioner holds at a moment. at: the foot and spot the thermometer is aimed at."""

    foot: Foot | None = None
    at: tuple[Foot, Site | None] | None = None
    trigger: bool = False
    gun_on: Foot | None = None
    gun_spot: Site = SCAN_SITES[0]


@dataclass(frozen=True, slots=True)
class Act:
    """Something done at once (a mark, a caliper value), then seconds that pass."""

    seconds: float
    mark: Mapping[str, Any] | None = None
    caliper_mm: float | None = None


class SeenFeet(Protocol):
    """What a person can see, feel and do at the simulated feet."""

    @property
    def elapsed_s(self) -> float: ...
    def pick_up(self, plan: FootPlan) -> None: ...
    def looks_dry(self, foot: Foot) -> bool: ...
    def pour(self, plan: FootPlan) -> None: ...
    def feels_firm(self, foot: Foot) -> bool: ...


@dataclass(slots=True)
class _Curing:
    plan: FootPlan
    poured_s: float
    next_touch_s: float
    firm: bool = False
    trimmed: bool = False
    down: bool = False


@dataclass(slots=True)
class Practitioner:
    """Runs one scenario's script; acts() yields what he does, hands says what he holds meanwhile."""

    scenario: Scenario
    visit_id: str
    material: MaterialProfile
    feet: SeenFeet
    hands: Hands = field(default_factory=Hands)
    _curing: list[_Curing] = field(default_factory=list)

    def acts(self) -> Iterator[Act]:
        yield Act(SWITCHING_ON_s)
        yield Act(SETTLING_s, self._begin())
        for plan in self.scenario.feet:
            yield from self._prepare(plan)
            if not plan.signs:
                yield from self._dry_and_pour(plan)
        while any(not one.down for one in self._curing):
            yield from self._cure_round()
        yield Act(WORD_s)
        yield Act(WORD_s, {"mark": "end"})

    def _begin(self) -> Mapping[str, Any]:
        plans = self.scenario.feet
        return {
            "mark": "begin",
            "visit_id": self.visit_id,
            "horse": self.scenario.horse,
            "practice": PRACTICE,
            "feet": [plan.foot.value for plan in plans],
            "horn_mm": {p.foot.value: p.told_horn_mm for p in plans if p.told_horn_mm is not None},
            "roles": {"thermometer-1": "sole", "ambient-1": "air", "bridge-01": "caliper"},
            "material": asdict(self.material),
            "invented": True,
            "sheet": [*OUTLINE_SITES, *DEPTH_SITES, *WALL_SITES],
            "sheet_after_trim": [*PAD_SITES, RECESS_SITE, *WALL_SITES],
        }

    def _hand(self, foot: Foot, site: Site | None) -> Act:
        """Says which foot and spot is in hand, and aims there with the trigger let go."""
        self.hands.foot, self.hands.at, self.hands.trigger = foot, (foot, site), False
        named = None if site is None else site.value
        return Act(AIM_s, {"mark": "hand", "foot": foot.value, "site": named})

    def _read(self, foot: Foot, site: Site | None, seconds: float) -> Iterator[Act]:
        yield self._hand(foot, site)
        self.hands.trigger = True
        yield Act(seconds)
        self.hands.trigger = False

    def _prepare(self, plan: FootPlan) -> Iterator[Act]:
        self.feet.pick_up(plan)
        name = plan.foot.value
        yield self._hand(plan.foot, None)
        yield Act(LIFTING_s)
        yield Act(JUDGING_s, {"mark": "fitness", "foot": name, "signs": list(plan.signs)})
        if plan.signs:
            said = "Left open; the owner was told to call a veterinarian."
            yield Act(EXPLAINING_s, {"mark": "note", "foot": name, "text": said})
            return
        for length_mm in (*plan.outline_mm, *plan.depth_mm, *plan.wall_mm):
            yield Act(CALIPER_s, caliper_mm=length_mm)

    def _dry_and_pour(self, plan: FootPlan) -> Iterator[Act]:
        for site in SCAN_SITES:
            yield from self._read(plan.foot, site, BASELINE_READ_s)
        yield from self._passes(plan, plan.passes)
        if plan.careless:
            yield from self._stopped_by_hand(plan)
            return
        dry = yield from self._look(plan.foot)
        if not dry:
            yield from self._passes(plan, EXTRA_PASSES)
            dry = yield from self._look(plan.foot)
        if not dry:
            said = "A groove will not dry. Packed with dry gauze; pour put off to another day."
            yield Act(EXPLAINING_s, {"mark": "note", "foot": plan.foot.value, "text": said})
            return
        yield from self._pour(plan)

    def _passes(self, plan: FootPlan, passes: int) -> Iterator[Act]:
        name = plan.foot.value
        each_s = plan.pass_s / len(SCAN_SITES)
        for number in range(passes):
            if self._curing and number:
                yield from self._glances()
            self.hands.gun_on = plan.foot
            yield Act(0.0, {"mark": "heat", "foot": name, "on": True})
            for site in SCAN_SITES:
                self.hands.gun_spot = site
                yield from self._read(plan.foot, site, each_s - AIM_s)
            self.hands.gun_on = None
            yield Act(0.0, {"mark": "heat", "foot": name, "on": False})
            yield Act(HASTY_s if plan.careless else SPREAD_s)
            for site in SCAN_SITES:
                yield from self._read(plan.foot, site, GAP_READ_s)

    def _look(self, foot: Foot) -> Generator[Act, None, bool]:
        """Looks and touches while the thermometer stays on the last spot; returns whether it looked dry."""
        self.hands.trigger = True
        yield Act(LOOK_s)
        dry = self.feet.looks_dry(foot)
        yield Act(BESIDE_LOOK_s, {"mark": "look", "foot": foot.value, "dry": dry})
        self.hands.trigger = False
        return dry

    def _stopped_by_hand(self, plan: FootPlan) -> Iterator[Act]:
        said = "The sole is too hot to touch. No pour today."
        yield Act(EXPLAINING_s, {"mark": "note", "foot": plan.foot.value, "text": said})
        for _ in range(COOLING_ROUNDS):
            for site in SCAN_SITES:
                yield from self._read(plan.foot, site, GAP_READ_s)
            yield Act(EXPLAINING_s)

    def _pour(self, plan: FootPlan) -> Iterator[Act]:
        name, told_degC = plan.foot.value, plan.told_material_degC
        yield Act(MIXING_s, {"mark": "mixed", "foot": name, "material_degC": told_degC})
        self.feet.pour(plan)
        now_s = self.feet.elapsed_s
        self._curing.append(_Curing(plan, now_s, now_s + plan.touch_from_min * MINUTE_s))
        poured = {
            "mark": "poured",
            "foot": name,
            "thickness_mm": plan.told_thickness_mm,
            "material_degC": told_degC,
            "cover": plan.cover,
        }
        yield Act(SPREADING_s, poured)

    def _glances(self) -> Iterator[Act]:
        for one in self._curing:
            if not one.trimmed:
                yield from self._read(one.plan.foot, None, GLANCE_s)

    def _cure_round(self) -> Iterator[Act]:
        began_s = self.feet.elapsed_s
        yield from self._glances()
        for one in self._curing:
            if not one.down:
                yield from self._tend(one)
        spent_s = self.feet.elapsed_s - began_s
        yield Act(max(1.0, ROUND_s - spent_s))

    def _tend(self, one: _Curing) -> Iterator[Act]:
        foot = one.plan.foot
        if not one.firm and self.feet.elapsed_s >= one.next_touch_s:
            yield from self._touch(one)
        since_min = (self.feet.elapsed_s - one.poured_s) / MINUTE_s
        if one.firm and not one.trimmed and since_min >= one.plan.trim_after_min:
            yield from self._touch(one)
            yield self._hand(foot, None)
            yield Act(TRIMMING_s)
            one.trimmed = True
            yield Act(WORD_s, {"mark": "trimmed", "foot": foot.value})
            for length_mm in _after_trim_mm(one.plan):
                yield Act(CALIPER_s, caliper_mm=length_mm)
        if one.trimmed and since_min >= one.plan.down_after_min:
            one.down = True
            yield Act(WORD_s, {"mark": "down", "foot": foot.value})

    def _touch(self, one: _Curing) -> Iterator[Act]:
        """Presses the fill at three sites; a soft one means waiting and pressing again."""
        foot = one.plan.foot
        one.next_touch_s = self.feet.elapsed_s + one.plan.touch_every_min * MINUTE_s
        one.firm = True
        for site in TOUCH_SITES:
            firm = self.feet.feels_firm(foot)
            one.firm = one.firm and firm
            yield Act(TOUCH_s, {"mark": "touch", "foot": foot.value, "site": site.value, "firm": firm})


def _after_trim_mm(plan: FootPlan) -> Iterator[float]:
    """What the caliper finds after the trim: a level fill is as much thinner as the sole is shallower."""
    apex_mm = plan.depth_mm[0]
    for depth_mm in plan.depth_mm:
        yield max(THINNEST_PAD_mm, plan.thickness_mm - (apex_mm - depth_mm))
    yield apex_mm - plan.thickness_mm - TRIMMED_mm
    for wall_mm in plan.wall_mm:
        yield wall_mm - TRIMMED_mm
