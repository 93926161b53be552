"""The invented visits that can be simulated: weather, feet as they truly are, and what the practitioner does.

Every horse, practice and number here is invented. Times of day are UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from hoofsense.records import NS_PER_S, Foot

PRACTICE = "Invented Practice"


def _at_ns(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS_PER_S


@dataclass(frozen=True, slots=True)
class FootPlan:
    """One foot as it truly is, and what is done to it.

    film_g_per_m2, seep_g_per_m2_s  true water by spot, in the order of SCAN_SITES, at pick-up and after
    horn_mm, told_horn_mm           true horn, and what the practitioner says it is (None: does not say)
    jet_degC, jet_W_per_m2_K        the gun as it works at the spot it points at
    passes                          hot-air passes before looking; two more follow while the sole looks wet
    pass_s                          heat on, per pass
    careless                        holds the gun close and hardly turns it away; then gives up
    thickness_mm, material_degC     as poured, truly; told_* as said in the mark
    outline_mm, depth_mm, wall_mm   the foot's lengths, the depths and the wall's heights as they truly are
    trim_after_min, down_after_min  not before, counted from the pour
    """

    foot: Foot
    signs: tuple[str, ...] = ()
    film_g_per_m2: tuple[float, ...] = (14.0, 16.0, 15.0, 24.0, 27.0)
    seep_g_per_m2_s: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)
    outer_water_kg_per_kg: float = 0.40
    horn_mm: float = 10.0
    told_horn_mm: float | None = None
    jet_degC: float = 120.0
    jet_W_per_m2_K: float = 68.0
    passes: int = 4
    pass_s: float = 22.5
    careless: bool = False
    thickness_mm: float = 8.3
    told_thickness_mm: float = 8.0
    material_degC: float = 21.4
    told_material_degC: float = 21.0
    cover: str = "film"
    outline_mm: tuple[float, ...] = (135.0, 128.0, 88.0, 48.0, 9.0)
    depth_mm: tuple[float, ...] = (17.2, 12.6, 13.9, 14.3, 15.8, 16.1)
    wall_mm: tuple[float, ...] = (61.0, 60.2)
    touch_from_min: float = 11.0
    touch_every_min: float = 3.0
    trim_after_min: float = 18.0
    down_after_min: float = 54.0


@dataclass(frozen=True, slots=True)
class Silence:
    """An instrument that cannot be heard from start_s to end_s of the visit."""

    source_id: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """One invented visit. Temperatures in degC and humidity in % (over water), as people say them."""

    name: str
    summary: str
    horse: str
    start_ns: int
    air_degC: float
    humidity_percent: float
    feet: tuple[FootPlan, ...]
    air_drift_K_per_h: float = 0.8
    radiant_below_air_K: float = 0.0
    still_W_per_m2_K: float = 8.0
    material_profile: str = "standard"
    thermometer_exponent: int = -2
    duplicate_ratio: float = 0.35
    silences: tuple[Silence, ...] = ()


SCENARIOS = {
    scenario.name: scenario
    for scenario in (
        Scenario(
            name="mild-two-feet",
            summary="Two front feet on a mild day: one cures while the other is dried",
            horse="Invented Horse A",
            start_ns=_at_ns("2026-03-14T08:00:00"),
            air_degC=21.0,
            humidity_percent=55.0,
            feet=(
                FootPlan(foot=Foot.LF, told_horn_mm=10.0),
                FootPlan(
                    foot=Foot.RF,
                    told_horn_mm=10.0,
                    film_g_per_m2=(12.0, 18.0, 14.0, 29.0, 22.0),
                    depth_mm=(16.8, 12.1, 14.2, 13.7, 15.2, 15.9),
                    thickness_mm=7.8,
                ),
            ),
        ),
        Scenario(
            name="freezing-morning",
            summary="One foot on a freezing morning: warmed cold-weather material, a long cure",
            horse="Invented Horse B",
            start_ns=_at_ns("2026-01-20T07:30:00"),
            air_degC=-3.0,
            humidity_percent=85.0,
            air_drift_K_per_h=1.2,
            radiant_below_air_K=2.0,
            material_profile="cold-weather",
            feet=(
                FootPlan(
                    foot=Foot.LF,
                    told_horn_mm=10.0,
                    film_g_per_m2=(16.0, 20.0, 18.0, 27.0, 30.0),
                    jet_degC=125.0,
                    passes=6,
                    material_degC=25.5,
                    told_material_degC=25.0,
                    touch_from_min=13.0,
                    touch_every_min=5.0,
                    trim_after_min=24.0,
                    down_after_min=150.0,
                ),
            ),
        ),
        Scenario(
            name="sole-not-dry",
            summary="One sulcus stays wet: the pour is put off",
            horse="Invented Horse C",
            start_ns=_at_ns("2026-03-16T09:10:00"),
            air_degC=12.0,
            humidity_percent=78.0,
            feet=(
                FootPlan(
                    foot=Foot.RH,
                    told_horn_mm=10.0,
                    film_g_per_m2=(14.0, 17.0, 15.0, 90.0, 24.0),
                    seep_g_per_m2_s=(0.0, 0.0, 0.0, 0.5, 0.0),
                ),
            ),
        ),
        Scenario(
            name="sensor-drops-out",
            summary="The thermometer is lost while drying and again during the cure, then the ambient sensor",
            horse="Invented Horse D",
            start_ns=_at_ns("2026-03-18T13:20:00"),
            air_degC=18.0,
            humidity_percent=60.0,
            thermometer_exponent=-1,
            feet=(
                FootPlan(foot=Foot.LF, told_horn_mm=10.0, passes=7, trim_after_min=26.0, down_after_min=62.0),
            ),
            silences=(
                Silence("thermometer-1", 185.0, 245.0),
                Silence("thermometer-1", 960.0, 1290.0),
                Silence("ambient-1", 1620.0, 1860.0),
            ),
        ),
        Scenario(
            name="hot-dry",
            summary="A hot dry afternoon: a short working time and a quick cure",
            horse="Invented Horse E",
            start_ns=_at_ns("2026-07-08T14:00:00"),
            air_degC=33.0,
            humidity_percent=25.0,
            feet=(
                FootPlan(
                    foot=Foot.RF,
                    told_horn_mm=10.0,
                    film_g_per_m2=(20.0, 22.0, 21.0, 29.0, 30.0),
                    jet_degC=115.0,
                    thickness_mm=7.2,
                    told_thickness_mm=7.0,
                    material_degC=31.0,
                    told_material_degC=31.0,
                    touch_from_min=5.0,
                    trim_after_min=11.0,
                    down_after_min=26.0,
                ),
            ),
        ),
        Scenario(
            name="already-dry",
            summary="A sole that is dry before any heat",
            horse="Invented Horse F",
            start_ns=_at_ns("2026-05-05T10:00:00"),
            air_degC=22.0,
            humidity_percent=45.0,
            feet=(
                FootPlan(
                    foot=Foot.LH,
                    told_horn_mm=10.0,
                    film_g_per_m2=(0.0, 0.0, 0.0, 0.0, 0.0),
                    outer_water_kg_per_kg=0.12,
                    jet_degC=105.0,
                ),
            ),
        ),
        Scenario(
            name="unfit-and-overheated",
            summary="One foot smells and must not be covered; another is overheated by careless heating",
            horse="Invented Horse G",
            start_ns=_at_ns("2026-04-02T15:40:00"),
            air_degC=17.0,
            humidity_percent=62.0,
            feet=(
                FootPlan(foot=Foot.LH, signs=("smell", "discharge")),
                FootPlan(
                    foot=Foot.RH,
                    horn_mm=5.5,
                    film_g_per_m2=(6.0, 8.0, 7.0, 10.0, 12.0),
                    jet_degC=140.0,
                    jet_W_per_m2_K=80.0,
                    passes=2,
                    pass_s=45.0,
                    careless=True,
                ),
            ),
        ),
    )
}


def scenario_names() -> tuple[str, ...]:
    """Names of all visits that can be simulated."""
    return tuple(SCENARIOS)


def scenario(name: str) -> Scenario:
    """The scenario of this name; ValueError for a name there is not."""
    try:
        return SCENARIOS[name]
    except KeyError:
        raise ValueError(
            f"there is no simulated visit {name!r}: choose one of {', '.join(SCENARIOS)}"
        ) from None
