"""The frozen values that travel between floors.

Every quantity is stored in its coherent SI unit (see Quantity); only units.py converts, and only the
edges (wire below, words above) speak in degC, mm or percent. Times are integers: nanoseconds of UTC on
the steady clock described at Instant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000
USUAL_UNIT_m3 = 200e-6  # of a two-part cartridge when a profile does not say: common practice, no source


@dataclass(frozen=True, slots=True)
class Instant:
    """When a frame was received, on three clocks.

    steady_ns     UTC ns anchored once per boot and then advanced by the monotonic clock. It never steps
                  back, so everything is ordered and integrated by it.
    wall_ns       what the wall clock said at that moment, UTC ns
    monotonic_ns  what the monotonic clock of that boot said
    boot          identity of the boot the monotonic clock belongs to
    """

    steady_ns: int
    wall_ns: int
    monotonic_ns: int
    boot: str


@dataclass(frozen=True, slots=True)
class RawFrame:
    """Bytes exactly as they arrived. channel names how to decode them (see decoding.py)."""

    received_at: Instant
    source_id: str
    channel: str
    payload: bytes

    @property
    def at_ns(self) -> int:
        return self.received_at.steady_ns


class Quantity(Enum):
    """What a value is of. The enum value is its name; unit is its UCUM code."""

    TEMPERATURE = "temperature"  # of whatever the instrument looks at; the role says what that is
    SURFACE_TEMPERATURE = "surface_temperature"
    AIR_TEMPERATURE = "air_temperature"
    DEW_POINT = "dew_point"
    RELATIVE_HUMIDITY = "relative_humidity"
    PRESSURE = "pressure"
    WIND_SPEED = "wind_speed"
    LENGTH = "length"
    BATTERY = "battery"
    BUTTON = "button"

    @property
    def unit(self) -> str:
        return _UNIT_OF[self]


_UNIT_OF = {
    Quantity.TEMPERATURE: "K",
    Quantity.SURFACE_TEMPERATURE: "K",
    Quantity.AIR_TEMPERATURE: "K",
    Quantity.DEW_POINT: "K",
    Quantity.RELATIVE_HUMIDITY: "1",
    Quantity.PRESSURE: "Pa",
    Quantity.WIND_SPEED: "m/s",
    Quantity.LENGTH: "m",
    Quantity.BATTERY: "1",
    Quantity.BUTTON: "1",
}


@dataclass(frozen=True, slots=True)
class Measurement:
    """One value as the instrument itself said it, before any role is given to it.

    sensor      the instrument's own name of the sensor ("temperature", "jaw", "ir", "battery")
    value       in unit; None when the instrument says it has no reading
    unit        UCUM code as sent ("Cel", "[degF]", "mm", "[in_i]", "%", "Pa", "m/s", "1")
    resolution  least count in unit, None when unknown
    sequence    the instrument's packet or line number, None when it has none
    device_ms   the instrument's own clock in ms, None when it has none
    """

    sensor: str
    value: float | None
    unit: str
    resolution: float | None = None
    sequence: int | None = None
    device_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """One value in SI, of a known quantity, with its standard uncertainty (GUM, k = 1)."""

    measured_at_ns: int
    source: str  # "instrument" or "instrument/sensor"
    quantity: Quantity
    value: float
    standard_uncertainty: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"{self.quantity.value} {self.value} from {self.source} is not a number")
        if not self.standard_uncertainty >= 0.0:
            raise ValueError(f"standard uncertainty {self.standard_uncertainty} must be 0 or more")


class Foot(Enum):
    LF = "LF"
    RF = "RF"
    LH = "LH"
    RH = "RH"


class Site(Enum):
    """A named place on the sole, in the trade's own words."""

    TOE = "toe"
    MEDIAL_QUARTER = "medial quarter"
    LATERAL_QUARTER = "lateral quarter"
    MEDIAL_HEEL = "medial heel"
    LATERAL_HEEL = "lateral heel"
    FROG_APEX = "frog apex"
    MEDIAL_SULCUS = "medial sulcus"
    LATERAL_SULCUS = "lateral sulcus"


SCAN_SITES = (Site.TOE, Site.MEDIAL_QUARTER, Site.LATERAL_QUARTER, Site.MEDIAL_SULCUS, Site.LATERAL_SULCUS)


class Stage(Enum):
    PREPARE = "prepare"
    DRY = "dry"
    POUR = "pour"
    CURE = "cure"
    TRIM = "trim"
    FINISH = "finish"


class Status(Enum):
    READY = "READY"
    NOT_YET = "NOT YET"
    STOP = "STOP"
    CANNOT_TELL = "CANNOT TELL"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its interval. low and high hold 90 % unless the model says otherwise.

    name             field term, e.g. "dew_point_margin"
    unit             UCUM ("K", "s", "1", "min", "mm"); value None when nothing can be said
    model            which model computed it
    within_validity  False outside the model's stated range
    reason           one sentence: what it rests on, or why there is no value
    """

    name: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    model: str
    within_validity: bool
    reason: str

    def __post_init__(self) -> None:
        for number in (self.value, self.low, self.high):
            if number is not None and math.isnan(number):
                raise ValueError(f"{self.name}: NaN in an estimate; use None and give the reason")
        if self.value is not None and self.low is not None and self.high is not None:
            if not self.low <= self.value <= self.high:
                raise ValueError(f"{self.name}: {self.value} lies outside {self.low} to {self.high}")


class Question(Enum):
    """What a verdict answers; one for each stage, and the guard on the heat."""

    COVER = "Is this foot fit to be covered?"
    POUR = "Is the sole dry enough to pour?"
    WORK = "How long can I work it?"
    TRIM = "Can I trim?"
    LOAD = "Can the foot go down?"
    HEAT = "Is the foot safe from the heat?"


@dataclass(frozen=True, slots=True)
class Verdict:
    """An answer to one question about one foot.

    call       the headline in words, e.g. "KEEP DRYING"
    rule       stable short name of the rule that decided; a verdict has changed when (status, rule) has
    because    one sentence with the numbers
    next_step  one sentence: what to do now
    until_ns   when this answer expires by itself, None when it does not
    """

    at_ns: int
    foot: Foot
    question: Question
    status: Status
    call: str
    rule: str
    because: str
    next_step: str
    estimates: tuple[Estimate, ...] = ()
    until_ns: int | None = None


@dataclass(frozen=True, slots=True)
class AirConditions:
    """The air around the foot, as last known. None: no trustworthy value.

    relative_humidity_ratio is over liquid water at every temperature, as sensors report it.
    """

    air_K: float | None = None
    air_u_K: float = 0.5
    relative_humidity_ratio: float | None = None
    relative_humidity_u_ratio: float = 0.03
    pressure_Pa: float = 101325.0
    wind_m_per_s: float | None = None
    measured_at_ns: int | None = None
    humidity_at_ns: int | None = None


@dataclass(frozen=True, slots=True)
class MaterialProfile:
    """How one two-part pad material cures, tied to a reference pour that someone really timed.

    The firm time belongs to a pour (thickness and temperatures), not to a material, so the rate constant
    is solved from the reference pour. Thresholds are degrees of cure, 0 to 1.

    ln_rate_u                    standard uncertainty of the logarithm of the rate: what is not known about
                                 this batch; touch checks shrink it
    glass_start_K, glass_full_K  glass transition of the mixed and of the fully cured material; None when
                                 unknown, and then no cure is predicted to stop short in the cold
    unit_m3                      usable content of one whole unit (cartridge or kit) as it is bought
    shape_b_u_ln, shape_n_u      standard uncertainties of ln shape_b and of shape_n; marks of a second degree
                                 of cure shrink them
    """

    name: str
    reference_thickness_m: float
    reference_air_K: float
    reference_sole_K: float
    reference_material_K: float
    reference_firm_s: float
    reference_work_s: float
    activation_energy_J_per_mol: float
    activation_energy_u_J_per_mol: float
    heat_of_reaction_J_per_kg: float
    shape_b: float
    shape_m: float
    shape_n: float
    work_degree: float
    firm_degree: float
    load_degree: float
    full_degree: float
    density_kg_per_m3: float
    conductivity_W_per_m_K: float
    heat_capacity_J_per_kg_K: float
    logged_pours: int = 0
    logged_covered_ratio: float = 0.0
    logged_low_K: float | None = None
    logged_high_K: float | None = None
    assumptions: tuple[str, ...] = ()
    ln_rate_u: float = 0.3
    glass_start_K: float | None = None
    glass_full_K: float | None = None
    unit_m3: float = USUAL_UNIT_m3
    shape_b_u_ln: float = 0.8
    shape_n_u: float = 0.6

    def __post_init__(self) -> None:
        if not self.ln_rate_u > 0.0 or (self.glass_start_K is None) != (self.glass_full_K is None):
            raise ValueError(
                f"material {self.name!r}: ln_rate_u {self.ln_rate_u} must be above 0 and both glass "
                "temperatures given or neither: correct the profile"
            )
        order = (0.0, self.work_degree, self.firm_degree, self.load_degree, self.full_degree, 1.0)
        if not all(a < b for a, b in pairwise(order)):
            raise ValueError(
                f"material {self.name!r}: degrees of cure must rise work < firm < load < full inside 0 to 1, "
                f"got {order[1:-1]}: correct the thresholds in the profile"
            )
        for field in (
            "reference_thickness_m",
            "reference_air_K",
            "reference_sole_K",
            "reference_material_K",
            "reference_firm_s",
            "reference_work_s",
            "activation_energy_J_per_mol",
            "density_kg_per_m3",
            "conductivity_W_per_m_K",
            "heat_capacity_J_per_kg_K",
            "shape_b",
            "shape_m",
            "shape_n",
            "shape_b_u_ln",
            "shape_n_u",
            "unit_m3",
        ):
            if not getattr(self, field) > 0.0:
                raise ValueError(
                    f"material {self.name!r}: {field} {getattr(self, field)} must be above 0: "
                    "correct it in the profile"
                )


@dataclass(frozen=True, slots=True)
class PourConditions:
    """What is known about a fill at the moment it was poured."""

    poured_at_ns: int
    thickness_m: float
    material_K: float
    sole_K: float
    material_u_K: float = 2.0
    sole_u_K: float = 1.5
    thickness_u_m: float = 0.001
    cover_m2_K_per_W: float = 0.0
