"""The named places a caliper is put to, in the trade's words, and which side of the page each lies on.

Medial and lateral are the foot's own sides. A foot is drawn as seen from below with the toe at the top: the
medial side of a left foot then lies on the left of the page and that of a right foot on the right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, StrEnum

from hoofsense.geometry.depth_surface import DepthPlace
from hoofsense.records import Foot


class SheetSite(StrEnum):
    """Where a length is measured; its value is the name people read. Depths carry records.Site's names."""

    FROG_APEX = "frog apex"
    TOE = "toe"
    MEDIAL_QUARTER = "medial quarter"
    LATERAL_QUARTER = "lateral quarter"
    MEDIAL_HEEL = "medial heel"
    LATERAL_HEEL = "lateral heel"
    MID_SOLE_TOE = "mid-sole toe"
    MID_SOLE_MEDIAL = "mid-sole medial"
    MID_SOLE_LATERAL = "mid-sole lateral"
    FOOT_LENGTH = "foot length"
    FOOT_WIDTH = "foot width"
    FROG_LENGTH = "frog length"
    FROG_WIDTH = "frog width"
    WALL_THICKNESS = "wall thickness"
    WALL_HEIGHT_MEDIAL = "wall height medial"
    WALL_HEIGHT_LATERAL = "wall height lateral"
    PAD_AT_FROG_APEX = "pad at frog apex"
    PAD_AT_TOE = "pad at toe"
    PAD_AT_MEDIAL_QUARTER = "pad at medial quarter"
    PAD_AT_LATERAL_QUARTER = "pad at lateral quarter"
    PAD_AT_MEDIAL_HEEL = "pad at medial heel"
    PAD_AT_LATERAL_HEEL = "pad at lateral heel"
    RECESS_BELOW_WALL = "recess below the wall"


_S = SheetSite
DEPTH_SITES = (
    _S.FROG_APEX,
    _S.TOE,
    _S.MEDIAL_QUARTER,
    _S.LATERAL_QUARTER,
    _S.MEDIAL_HEEL,
    _S.LATERAL_HEEL,
)
MID_SOLE_SITES = (_S.MID_SOLE_TOE, _S.MID_SOLE_MEDIAL, _S.MID_SOLE_LATERAL)
OUTLINE_SITES = (_S.FOOT_LENGTH, _S.FOOT_WIDTH, _S.FROG_LENGTH, _S.FROG_WIDTH, _S.WALL_THICKNESS)
WALL_SITES = (_S.WALL_HEIGHT_MEDIAL, _S.WALL_HEIGHT_LATERAL)
PAD_SITES = (
    _S.PAD_AT_FROG_APEX,
    _S.PAD_AT_TOE,
    _S.PAD_AT_MEDIAL_QUARTER,
    _S.PAD_AT_LATERAL_QUARTER,
    _S.PAD_AT_MEDIAL_HEEL,
    _S.PAD_AT_LATERAL_HEEL,
    _S.RECESS_BELOW_WALL,
)
# Orders to measure in: common practice, no source; a practice edits its own.
BEFORE_POUR = (*OUTLINE_SITES, *DEPTH_SITES, *WALL_SITES)
AFTER_TRIM = (*PAD_SITES, *WALL_SITES)

_PAD = "pad at "


@dataclass(frozen=True, slots=True)
class UsualRange:
    """Lengths that need no question, and how much a site ordinarily changes from visit to visit, m."""

    low_m: float
    high_m: float
    ordinary_change_m: float


# Common practice, no source: wide enough for a pony and a draught horse. A value outside is asked about once,
# never refused for it.
_DEPTH = UsualRange(0.001, 0.040, 0.001)
_PADS = UsualRange(0.0005, 0.030, 0.001)
_WALL = UsualRange(0.020, 0.120, 0.003)
USUAL: Mapping[SheetSite, UsualRange] = {
    **dict.fromkeys((*DEPTH_SITES, *MID_SOLE_SITES), _DEPTH),
    **dict.fromkeys(PAD_SITES, _PADS),
    **dict.fromkeys(WALL_SITES, _WALL),
    _S.RECESS_BELOW_WALL: UsualRange(0.0, 0.025, 0.001),
    _S.FOOT_LENGTH: UsualRange(0.070, 0.200, 0.003),
    _S.FOOT_WIDTH: UsualRange(0.070, 0.200, 0.003),
    _S.FROG_LENGTH: UsualRange(0.035, 0.130, 0.003),
    _S.FROG_WIDTH: UsualRange(0.015, 0.090, 0.003),
    _S.WALL_THICKNESS: UsualRange(0.004, 0.020, 0.001),
}


def named_site(name: str) -> SheetSite:
    """The site of that name; ValueError with the known names for any other."""
    try:
        return SheetSite(name)
    except ValueError:
        raise ValueError(f"there is no site {name!r}: use one of {', '.join(SheetSite)}") from None


def depth_place(site: SheetSite) -> DepthPlace:
    """Where on the sole a depth or a pad's thickness is measured; ValueError for lengths of the foot."""
    name = site.value.removeprefix(_PAD)
    try:
        return DepthPlace(name)
    except ValueError:
        raise ValueError(f"{site.value} is not at one place on the sole") from None


def pad_site(site: SheetSite) -> SheetSite:
    """Where the pad's thickness is measured over a depth site; ValueError where the trade measures none."""
    return named_site(_PAD + site.value)


def other_side(site: SheetSite) -> SheetSite:
    """The same place across the long axis; the site itself where there is only one."""
    swapped = {"medial": "lateral", "lateral": "medial"}
    return SheetSite(" ".join(swapped.get(word, word) for word in site.value.split(" ")))


class PageSide(Enum):
    LEFT = "left"
    MIDDLE = "middle"
    RIGHT = "right"


def medial_on_page(foot: Foot) -> int:
    """Which way medial points on a page showing the foot from below, toe up: -1 left, +1 right.

    Multiply a medial x by it to draw.
    """
    return -1 if foot in (Foot.LF, Foot.LH) else 1


def page_side(foot: Foot, site: SheetSite) -> PageSide:
    """Where a site lies on a page showing the foot from below, toe up."""
    words = site.value.split(" ")
    if "medial" not in words and "lateral" not in words:
        return PageSide.MIDDLE
    to_the_right = medial_on_page(foot) * (1 if "medial" in words else -1) > 0
    return PageSide.RIGHT if to_the_right else PageSide.LEFT
