"""What is known about a visit: one horse on one day, up to four feet side by side, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from hoofsense.estimators.caliper_sheet import CaliperSheet
from hoofsense.estimators.cure_readiness import CureTrace
from hoofsense.estimators.drying_progress import DryingTrace
from hoofsense.estimators.foot_balance import VisitLengths
from hoofsense.estimators.heat_safety import HeatTrace
from hoofsense.instrument_health import Health
from hoofsense.practice_settings import PourWishes, PracticeSettings
from hoofsense.records import (
    AirConditions,
    Foot,
    MaterialProfile,
    PourConditions,
    Quantity,
    Reading,
    Site,
    Stage,
)
from hoofsense.screening import ScreeningState

RECENT_LIMIT = 4000  # events kept for taking marks back: over 10 min of readings at 5/s (our choice)
TAKE_BACK_LIMIT = 12  # marks a foot remembers how to take back (our choice)
NOTICE_LIMIT = 12  # last notices kept for the page (our choice)


@dataclass(frozen=True, slots=True)
class TouchCheck:
    """A person pressed the fill at a site and said whether it was firm.

    asked  the degree of cure that was felt for: "work" (does it still run?), "firm" (does a thumb sink in?)
           or "load" (does a thumbnail leave a dent?); firm is whether that degree was reached
    """

    at_ns: int
    site: str
    firm: bool
    asked: str = "firm"


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to one foot, kept so that it can be applied again after a mark is taken back.

    mark     the mark's JSON text, with the air as it was then
    reading  a surface temperature at a site, or a caliper length
    air      alone: the air has changed
    """

    at_ns: int
    air: AirConditions
    mark: str | None = None
    reading: Reading | None = None
    site: Site | None = None
    trusted: bool = True


@dataclass(frozen=True, slots=True)
class MarkMade:
    """A mark a person can take back: the foot as it was before, and where the events after it begin."""

    mark_id: str
    label: str
    at_ns: int
    before: FootState
    event_number: int


@dataclass(frozen=True, slots=True)
class FootPast:
    """What earlier visits measured on a foot, oldest first, and when the pad on it was poured (if known)."""

    visits: tuple[VisitLengths, ...] = ()
    pad_poured_ns: int | None = None


@dataclass(frozen=True, slots=True)
class FootState:
    foot: Foot
    drying: DryingTrace
    heat: HeatTrace
    sheet: CaliperSheet
    stage: Stage = Stage.PREPARE
    signs: tuple[str, ...] | None = None  # None: nobody has looked yet
    heat_on: bool = False
    looked_at_ns: int | None = None
    looked_dry: bool = False
    mixed_at_ns: int | None = None
    material_K: float | None = None
    pour: PourConditions | None = None
    cure: CureTrace | None = None
    touches: tuple[TouchCheck, ...] = ()
    trimmed_at_ns: int | None = None
    down_at_ns: int | None = None
    surface: Reading | None = None
    surface_site: Site | None = None
    site_surfaces: tuple[tuple[Site, Reading], ...] = ()  # the last reading of each spot
    surface_trusted: bool = True  # was its thermometer's evidence sound when this was read?
    made: tuple[MarkMade, ...] = ()
    recent: tuple[Event, ...] = ()
    event_number: int = 0  # how many events this foot has seen in all
    wishes: PourWishes = field(default_factory=PourWishes)
    past: FootPast = field(default_factory=FootPast)


@dataclass(frozen=True, slots=True)
class InstrumentSeen:
    """One instrument as the visit has seen it.

    warned  whether its unchecked lengths were warned of already
    """

    source: str
    last_ns: int
    measures: tuple[Quantity, ...] = ()
    battery_ratio: float | None = None
    linked: bool = True
    note: str = ""
    health: Health = field(default_factory=Health)
    warned: bool = False


@dataclass(frozen=True, slots=True)
class TypedBefore:
    """The typed length that came last, to know it again when a key is pressed twice."""

    at_ns: int
    source: str
    length_m: float


@dataclass(frozen=True, slots=True)
class VisitState:
    at_ns: int = 0
    visit_id: str = ""
    horse: str = ""
    practice: str = ""
    invented: bool = False
    material: MaterialProfile | None = None
    roles: tuple[tuple[str, str], ...] = ()
    in_hand: Foot | None = None
    site: Site | None = None
    feet: tuple[FootState, ...] = ()
    air: AirConditions = field(default_factory=AirConditions)
    dew_point: Reading | None = None  # of the air, with every humidity
    screening: ScreeningState = field(default_factory=ScreeningState)
    instruments: tuple[InstrumentSeen, ...] = ()
    notices: tuple[tuple[int, str], ...] = ()
    accepted: tuple[tuple[str, Reading], ...] = ()  # of the last frame only: (trace name, reading)
    mark_ids: frozenset[str] = frozenset()
    checked: tuple[str, ...] | None = None  # instruments whose caliper passed its check; None: nobody said
    typed_before: TypedBefore | None = None
    settings: PracticeSettings = field(default_factory=PracticeSettings)
    ended: bool = False

    def foot_state(self, foot: Foot) -> FootState:
        for one in self.feet:
            if one.foot is foot:
                return one
        raise ValueError(f"foot {foot.value} is not part of this visit: choose one that was booked")


def with_foot(state: VisitState, changed: FootState) -> VisitState:
    return replace(state, feet=tuple(changed if f.foot is changed.foot else f for f in state.feet))


def with_notice(state: VisitState, at_ns: int, text: str) -> VisitState:
    if state.notices and state.notices[-1][1] == text:
        return state
    return replace(state, notices=(*state.notices, (at_ns, text))[-NOTICE_LIMIT:])
