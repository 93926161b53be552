"""Every word the page shows that is not a verdict's own. A translation is another file like this.

Times are UTC milliseconds shown on the clock of the laptop beside the horse; temperatures come in degC,
lengths in mm, ratios 0 to 1. Nothing here decides anything.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

LANGUAGE = "en"
MS_PER_S = 1000
S_PER_MIN = 60
MIN_PER_H = 60
MINUTES_FROM_S = 120  # durations from here on are said in minutes (our choice)
HOURS_FROM_MIN = 120  # and from here on in hours

TITLE = "Live visit"
SKIP_TO_VERDICT = "Skip to the verdict"
NAVIGATION = "Screens"
NEEDS_SCRIPT = (
    "This page must run scripts to stay current. Without them it would show old answers, so it shows none."
)
INVENTED = "SIMULATED – INVENTED DATA"
MODES = {"live": "Live visit", "replay": "Replay of a recording", "simulation": "Simulation"}
ENDED = "This visit ended at {time}. What is shown is how it stood then."
NO_NAME = "Horse without a name"
DARK = "Dark"
LIGHT = "Light"
DARK_LABEL = "Change to the dark screen"
LIGHT_LABEL = "Change to the light screen"

LINK = {
    "live": "Connected",
    "waiting": "Connecting",
    "lost": "No contact",
    "polling": "Connected, asking each second",
    "ended": "Ended",
}
NO_READING = "NO READING"
NO_READING_BECAUSE = "Nothing has come from the laptop for 3 seconds, so no answer is shown."
NO_READING_NEXT = "Check that the laptop is awake and in reach. This page tries again by itself."

FEET = {"LF": "Left front", "RF": "Right front", "LH": "Left hind", "RH": "Right hind"}
FEET_HEADING = "The four feet"
IN_HAND = "IN HAND"
TAKE_IN_HAND = "Take in hand"
NOT_IN_VISIT = "Not in this visit"
NOTHING_IN_HAND = "No foot in hand"
NOTHING_IN_HAND_NEXT = "Tap the foot you are holding."
NEVER_READ = "Not read yet"
WANTS_YOU = "wants you"

STAGES = {
    "prepare": "Prepare",
    "dry": "Dry",
    "pour": "Pour",
    "cure": "Cure",
    "trim": "Trim",
    "finish": "Finished",
}
STAGE_ORDER = tuple(STAGES)
STATUSES = {"READY": "READY", "NOT YET": "NOT YET", "STOP": "STOP", "CANNOT TELL": "CANNOT TELL"}
STATUS_ORDER = ("STOP", "CANNOT TELL", "NOT YET", "READY")
STATUS_RAIL = "Status"

VERDICT_HEADING = "Verdict"
BECAUSE = "Because"
DO_NOW = "Do now"
TIME_LABELS = ("Not before", "Likely", "Safe by")
WORK_LABELS = ("At least", "Likely", "At most")  # working time runs out, the others are waited for
NO_VALUE = "Cannot tell"
OUTSIDE_RANGE = "outside what the model knows"

HEAT_HEADING = "Heat at the quick"
HEAT_SIGNALS = {"STOP": "WARNING", "NOT YET": "CAUTION"}
HEAT_QUIET = {"READY": "Within limits", "CANNOT TELL": "Cannot tell"}

NUMBERS_HEADING = "Readings"
SOLE = "Sole"
AIR = "Air"
DEW_POINT = "Dew point"
DEW_MARGIN = "Above the dew point"
HUMIDITY = "Humidity"
SPOT = "Spot"

TRACE_HEADING = "Last 10 minutes"
TRACE_WAITING = "The picture is being drawn."
TRACE_EMPTY = "No surface temperature of {foot} in the last 10 minutes."
HEAT_LIMIT = "Heat limit"
DEW_LIMIT = "Least above the dew point"

ACTIONS_HEADING = "Mark what you do"
FITNESS_LEGEND = "Look over the {foot} foot before you cover it. What do you find?"
SIGNS = {
    "smell": "Bad smell",
    "discharge": "Discharge",
    "heat": "Heat in the foot",
    "bleeding": "Bleeding",
    "cracks": "Cracks",
    "lameness": "Lameness",
}
FITNESS_NONE = "Nothing found: start drying"
FITNESS_FOUND = "Write it down and leave it open"
FITNESS_REFER = "Do not seal this foot in. Refer it to a veterinarian."
HEAT_ON, HEAT_OFF = "Heat on", "Heat off"
SPOT_LEGEND = "Spot you are pointing at"
LOOK_LEGEND = "Looked and touched"
LOOK_DRY, LOOK_WET = "It is dry", "It is still wet"
MIXED = "Mixing has begun"
MATERIAL_TEMPERATURE = "Material temperature"
OPTIONAL = "if measured"
POURED = "Poured"
THICKNESS = "Thickness of the fill"
COVER_LEGEND = "Laid over it"
COVERS = {"none": "Nothing", "film": "Film", "insulated": "Insulation"}
TOUCH_LEGEND = "Pressed with a thumb at the {site}"
SOFT, FIRM = "Still soft", "Firm"
TRIMMED = "Trimmed over"
FOOT_DOWN = "Foot is down"
FINISHED = "This foot is finished."
REPLAY_ACTIONS = "This is a recording. What was marked is shown; nothing can be marked."
ENDED_ACTIONS = "This visit has ended. Nothing more can be marked."

SHEET_HEADING = "Caliper sheet"
SHEET_NEXT = "Measure next"
SHEET_ASKS = "Is this number right?"
SHEET_DONE = "Every site is measured."
SHEET_VALUE = "Typed value"
SHEET_UNIT = "Unit"
SHEET_ENTER = "Enter"
SHEET_REDO = "Take the last one again"
SHEET_SKIP = "Skip this site"
SHEET_SITE, SHEET_MM, SHEET_SPREAD, SHEET_TIMES = "Site", "mm", "Spread", "Times"
SHEET_EMPTY = "Nothing measured yet."
SHEET_OTHER = "Measure another site"
SHEET_LAST = "Last value: {site}"
SHEET_HELD = "Not taken yet: {site}"
SHEET_ALL_VALUES = "All values"
BEEP, VOICE = "Beep", "Say the site"
SWITCHED_ON, SWITCHED_OFF = "on", "off"
VOICE_NONE = "no voice on this device"
SAID_NEXT = "Next: {site}."

PLAN_TITLE = "Measure and plan"
PLAN_QUESTION = "How much do I pour, and how long can I work it?"
PLAN_FEET = "Feet of this visit"
PLAN_MISSING = "Measure first"
PLAN_MIX = "Mix {volume}"
PLAN_UNITS = "{n} of {size} mL"
PLAN_UNIT, PLAN_UNITS_MANY = "1 unit", "{n} units"
PLAN_WORK = "Work it, from mixing"
PLAN_POURS, PLAN_ONE, PLAN_TWO = "In how many goes", "One pour", "Two pours"
PLAN_GO_TAKES = "{time} each"
PLAN_NO_FIT = "longer than the working time allows"
PLAN_LEVEL = "Hold it level within"
PLAN_THINNEST = "Thinnest, at the {place}"
PLAN_LEAST = "least wanted {mm}"
PLAN_SHARE_NEEDED = "Filling {share} % of the depth would bring every place to {mm}."
PLAN_NO_SHARE = "No fill of this foot brings every place to {mm}."
PLAN_FIRM = "Firm enough to trim, after the pour"
PLAN_LEVER = "Helps most"
PLAN_GAIN = "gains about {time}"
PLAN_RESTS_ON = "Reckoned for {material}, air {air}, sole {sole}, material {degC}."
PLAN_NOT_MEASURED = "not measured"
PLAN_UNCERTAIN = "What makes it uncertain most: {causes}."
PLAN_POURED = "This foot is poured. This is how it was planned."
PLAN_OLD = "No contact: this plan may be old."
PLAN_ORDERS = "Pour or trim first?"
PLAN_ORDER = {"pour before trim": "Pour, then trim", "trim before pour": "Trim, then pour"}
PLAN_CHOSEN = "as planned"
PLAN_PAD = "Pad after the trim, mm"
PLAN_ROWS = {
    "mean_mm": "Mean",
    "rim_mm": "Along the rim",
    "recess_mm": "Below the wall",
    "poured_mL": "To pour, mL",
}
PLAN_NO_TRIM = "No trim is planned, so both orders come to the same."
PLAN_WISHES = "Plan it another way"
PLAN_SHARE = "Share of the depth to fill"
PLAN_TRIM = "Taken off the wall"
PLAN_ORDER_LEGEND = "Which comes first"
PLAN_SO = "Plan it so"
PLAN_CHECK = "Before you mix"
PLAN_WARM_UP = "Warm or cool first"
PLAN_GAPS = "What this rests on"
PLAN_ASSUMED = "What the material profile assumes"
PLAN_BALANCE = "Balance and wear"
PLAN_BALANCE_EMPTY = "No wall height or pad was measured on both sides yet."
PLAN_EARLIER = "Earlier visits"
PLAN_TODAY = "Today"
PLAN_WEAR = "Wear of the pad"
PLAN_OLD_PAD = "Wear of the pad that was on"
PLAN_WEAR_EMPTY = "Wear needs two readings of one pad, three days or more apart."
PLAN_WORN = "Down to {mm} at the {site} about {date}"
PLAN_BETWEEN_DATES = "between {early} and {late}"
PLAN_FROM_DATE = "not before {early}"
PLAN_NO_DATE = "no date can be told"
PLAN_ONLY_A_GUESS = "further ahead than the readings reach back, so only a guess"
PLAN_PER_WEEK = "mm a week"
PLAN_PRINT = "Print this plan"
BALANCES = {
    "on target": "On target",
    "medial side higher": "Medial side higher",
    "lateral side higher": "Lateral side higher",
    "cannot tell": "Cannot tell",
}

FIGURE_FOOT = "The foot from below"
FIGURE_PAD = "Thickness of the pad"
FIGURE_RESULT = "Plan and result"
FIGURE_WAITING = "Drawn once the sole is measured."
MEDIAL, LATERAL, TOE = "medial", "lateral", "toe"
SKETCH = "sketch"
PLANNED, MEASURED = "Planned", "Measured"
AS_PLANNED, NOT_AS_PLANNED = "as planned", "not as planned"

MARKS_HEADING = "Marked so far"
MARKS_EMPTY = "Nothing marked yet."
TAKE_BACK = "Take back"
MARKS_EARLIER = "Earlier marks"

CAUTIONS_HEADING = "Cautions"
SIGNAL_WORDS = ("DANGER", "WARNING", "CAUTION", "NOTICE")  # ANSI Z535.4; NOTICE is not about injury

INSTRUMENTS_HEADING = "Instruments"
INSTRUMENTS_EMPTY = "No instrument has been heard yet."
BATTERY = "battery {n} %"
REFUSED = {
    "damaged": "damaged on the way",
    "unit": "in a wrong unit",
    "duplicate": "sent twice",
    "late": "too late",
    "range": "out of range",
    "slope": "changed too fast to be true",
}
REFUSED_COUNT = "{n} left out: {reasons}"
TRUSTED, NOT_TRUSTED = "Trusted", "Not trusted"
NEVER_HEARD = "never heard"
NOTICES_HEADING = "Notices"
NOTICES_EMPTY = "No notices."

BUSY_STREAMS = (
    "8 pages already follow this visit, which is the limit: close one of them, "
    "or keep this one, which asks once a second instead."
)
MARK_NOT_UNDERSTOOD = "That mark was not understood ({why}): reload the page and press again."
TYPED_EMPTY = "No value was typed: type a length such as 12.34."
TYPED_TOO_LONG = "A typed value is at most 40 characters: type a length such as 12.34 mm."

# What the words of an estimate are called. Others are shown under their own name.
ESTIMATES = {
    "dew_point_margin": DEW_MARGIN,
    "no_film_probability": "Chance that no film of water is left",
    "thermal_dose": "Heat dose at the quick",
    "quick_peak": "Hottest the quick will get",
    "working_time": "Time to work it, from mixing",
    "firm_time": "Firm enough to trim, after the pour",
    "load_time": "Firm enough to stand on, after the pour",
}

# What live.js says by itself; {n}, {time} and the like are filled in there.
CLIENT = {
    "ago_s": "{n} s ago",
    "ago_min": "{n} min ago",
    "ago_h": "{n} h ago",
    "never": NEVER_READ,
    "never_heard": NEVER_HEARD,
    "last": "last {time}",
    "never_last": "nothing has come yet",
    "left_s": "{n} s",
    "left_min": "{m} min {s} s",
    "left_over": "This answer has run out.",
    "holds": "Holds for another {left}",
    "link": LINK,
    "sending": "Sending",
    "refused_link": "The laptop did not answer, so this was not marked: press again once connected.",
    "streams": BUSY_STREAMS,
    "dark": DARK,
    "light": LIGHT,
    "dark_label": DARK_LABEL,
    "light_label": LIGHT_LABEL,
    "on": SWITCHED_ON,
    "off": SWITCHED_OFF,
    "voice_none": VOICE_NONE,
}

ENTER_TITLE = "Let this phone in"
ENTER_TEXT = "This link works once. Press the button on the phone or tablet you will use beside the horse."
ENTER_PLAIN = (
    "The page travels unencrypted: on a shared Wi-Fi others could read it. "
    "Use the laptop's own hotspot if you can."
)
ENTER_BUTTON = "Use this device"
ENTER_USED = "That link was already used or is not right: ask for a new one on the laptop."
ENTER_WAIT = "Too many wrong tries from this device: wait a minute, then use a new link from the laptop."
GATE_HOST = "This address does not belong to this laptop: open the page by the address the program printed."
GATE_SESSION = "This device has not been let in: open the single-use link printed on the laptop."
GATE_CROSS = "This came from another site, so it was refused: open the page itself and try again."
GATE_METHOD = "Only reading and sending is possible here: open the page itself."
GATE_BODY = "That was too large to be a mark (limit {kB} kB): reload the page and try again."
NOT_FOUND = "There is no such page: go back to the visit at /."


def clock_words(at_ms: int) -> str:
    """Time of day, e.g. 14:02:31."""
    return datetime.fromtimestamp(at_ms / MS_PER_S).strftime("%H:%M:%S")


def duration_words(seconds: float, whole: Callable[[float], int] = round) -> str:
    """A length of time in the coarsest words that still help, e.g. '45 s', '12 min', '2 h 05 min'.

    whole  how a fraction is made whole: round, or floor or ceil where rounding the other way would be unsafe
    """
    sign = "−" if seconds < 0 else ""
    size = abs(seconds)
    if size < MINUTES_FROM_S:
        return f"{sign}{whole(size)} s"
    minutes = whole(size / S_PER_MIN)
    if minutes < HOURS_FROM_MIN:
        return f"{sign}{minutes} min"
    hours, rest = divmod(minutes, MIN_PER_H)
    return f"{sign}{hours} h {rest:02d} min"


def number_words(value: float, decimals: int = 1) -> str:
    """A number with a true minus sign."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def temperature_words(degC: float | None) -> str:
    return NO_VALUE if degC is None else f"{number_words(degC)} °C"


def length_words(mm: float) -> str:
    return f"{number_words(mm)} mm"


def foot_words(foot: str) -> str:
    return FEET.get(foot, foot)


def site_words(site: str | None) -> str:
    return "" if site is None else site


def estimate_name(name: str) -> str:
    said = ESTIMATES.get(name)
    return said if said else name.replace("_", " ").capitalize()


def quantity_words(value: float, unit: str, name: str = "") -> str:
    """A value of an estimate in its unit, in words. A K of 150 or more is a temperature, not a difference."""
    if unit == "K":
        return _kelvin_words(value, name)
    if unit == "s":
        return duration_words(value)
    if unit == "min" and name == HEAT_DOSE:
        return f"{number_words(value, 2)} min at 43 °C or its equal"
    if unit == "min":
        return duration_words(value * S_PER_MIN)
    if unit == "1":
        return f"{round(value * 100)} in 100"
    return f"{number_words(value)} {unit}".strip()


HEAT_DOSE = "thermal_dose"
TEMPERATURE_FROM_K = 150.0  # differences met here stay far below, temperatures of a foot far above
ZERO_CELSIUS_K = 273.15


def _kelvin_words(value: float, name: str) -> str:
    if value >= TEMPERATURE_FROM_K and "margin" not in name:
        return temperature_words(value - ZERO_CELSIUS_K)
    return f"{number_words(value)} °C"


def estimate_words(estimate: Mapping[str, Any]) -> tuple[str, str]:
    """(the value, its interval or the reason there is none), both in words."""
    name, unit = str(estimate.get("name", "")), str(estimate.get("unit", ""))
    value, low, high = estimate.get("value"), estimate.get("low"), estimate.get("high")
    if value is None:
        reason = str(estimate.get("reason", ""))
        return NO_VALUE, reason[:1].upper() + reason[1:]
    said = quantity_words(value, unit, name)
    if low is not None and high is not None:
        return said, f"between {_bare(low, unit, name)} and {quantity_words(high, unit, name)}"
    if low is not None:
        return said, f"at least {quantity_words(low, unit, name)}"
    if high is not None:
        return said, f"at most {quantity_words(high, unit, name)}"
    return said, str(estimate.get("reason", ""))


def _bare(value: float, unit: str, name: str) -> str:
    """The lower end, without the unit where the upper end says it."""
    said = quantity_words(value, unit, name)
    return said.removesuffix(" °C").removesuffix(" in 100").removesuffix(" min at 43 °C or its equal")


def between_words(of: Mapping[str, Any], unit: str, decimals: int = 1) -> str:
    """'between 2.6 and 5.4 mm', or the reason there is no value; nothing without an interval."""
    low, high = of.get("low"), of.get("high")
    if of.get("value") is None:
        return str(of.get("reason") or "")
    if low is None or high is None:
        return ""
    return f"between {number_words(low, decimals)} and {number_words(high, decimals)} {unit}".strip()


def date_words(at_ms: int) -> str:
    """A day, e.g. 14 Mar 2026."""
    day = datetime.fromtimestamp(at_ms / MS_PER_S)
    return f"{day.day} {day:%b %Y}"


def foot_figure_words(foot: str, values: Sequence[Mapping[str, Any]], following: str | None) -> str:
    """The foot's values in a sentence, for whoever cannot see the picture."""
    measured = ", ".join(f"{v['site']} {number_words(float(v['mm']))}" for v in values)
    said = f"{foot_words(foot)} from below, in mm: {measured}." if measured else SHEET_EMPTY
    return said if following is None else f"{said} {SAID_NEXT.format(site=following)}"


def pad_figure_words(order: Mapping[str, Any], least_mm: float) -> str:
    """The pad's thickness in a sentence."""
    places = ", ".join(f"{t['place']} {number_words(t['value'])}" for t in order["thickness"])
    rim = order["rim_mm"]
    thin = [str(t["place"]) for t in order["thickness"] if t["value"] < least_mm]
    warned = f" Thinner than {length_words(least_mm)}: {', '.join(thin)}." if thin else ""
    return (
        f"In mm after the trim: {places}; along the rim {number_words(rim['value'])} "
        f"({between_words(rim, '')}).{warned}"
    )


def result_figure_words(rows: Sequence[Mapping[str, Any]]) -> str:
    """What was planned and what was measured, place by place."""
    said = (
        f"{row['site']}: planned {between_words(row['planned_mm'], '')}, measured "
        f"{number_words(row['mm'])}, {AS_PLANNED if row['as_planned'] else NOT_AS_PLANNED}"
        for row in rows
    )
    return f"In mm, {'; '.join(said)}."


def signal_of(caution: str | Mapping[str, Any]) -> tuple[str, str]:
    """(signal word, text) of a caution given as text 'CAUTION: ...' or as {"signal", "text"}."""
    if isinstance(caution, Mapping):
        word = str(caution.get("signal", "NOTICE"))
        return (word if word in SIGNAL_WORDS else "NOTICE"), str(caution.get("text", ""))
    for word in SIGNAL_WORDS:
        if caution.startswith(f"{word}:"):
            return word, caution[len(word) + 1 :].strip()
    return "NOTICE", caution


def refused_words(refused: Mapping[str, int]) -> str:
    """'3 refused: 2 out of range, 1 damaged on the way', or nothing."""
    counted = [(reason, n) for reason, n in refused.items() if n]
    if not counted:
        return ""
    reasons = ", ".join(f"{n} {REFUSED.get(reason, reason.replace('_', ' '))}" for reason, n in counted)
    return REFUSED_COUNT.format(n=sum(n for _, n in counted), reasons=reasons)


def trace_words(
    foot: str,
    surface: Sequence[tuple[int, float, float, float]],
    dew: Sequence[tuple[int, float, float, float]],
    limits: Sequence[tuple[str, float]],
) -> str:
    """The 10-minute trace in sentences, for whoever cannot see the picture."""
    if not surface:
        return TRACE_EMPTY.format(foot=foot_words(foot))
    first, last = surface[0], surface[-1]
    peak = max(surface, key=lambda point: point[3])
    lowest = min(surface, key=lambda point: point[1])
    change = last[2] - first[2]
    moved = "stayed near" if abs(change) < 1.0 else ("rose to" if change > 0 else "fell to")
    text = (
        f"{foot_words(foot)}: the sole began at {temperature_words(first[2])} and {moved} "
        f"{temperature_words(last[2])}. Lowest {temperature_words(lowest[1])}; "
        f"highest {temperature_words(peak[3])} at {clock_words(peak[0] // 1_000_000)}."
    )
    if dew:
        text += f" The dew point is {temperature_words(dew[-1][2])}."
    for name, degC in limits:
        side = "reached" if peak[3] >= degC else "not reached"
        text += f" {name}, {temperature_words(degC)}: {side}."
    return text
