"""The shapes that stand for a status, drawn so that each is known by its outline alone."""

from __future__ import annotations

from markupsafe import Markup

from dashboards.words import STATUS_ORDER

# 24 x 24 drawings. Filled shapes ask for action, outlined ones ask for patience.
_DRAWINGS = {
    "STOP": '<path class="fill" d="M7.5 1.5h9l6 6v9l-6 6h-9l-6-6v-9z"/><path class="cut" d="M6.5 12h11"/>',
    "CANNOT TELL": (
        '<rect class="line dashed" x="2.75" y="2.75" width="18.5" height="18.5"/>'
        '<path class="line" d="M9 9.4a3 3 0 1 1 4.3 2.7c-.9.45-1.3 1-1.3 2.1"/>'
        '<path class="line" d="M12 17.2v.1"/>'
    ),
    "NOT YET": (
        '<path class="line" d="M12 2l10 10-10 10L2 12z"/><path class="line" d="M8 12h.1M12 12h.1M16 12h.1"/>'
    ),
    "READY": '<circle class="fill" cx="12" cy="12" r="10.5"/><path class="cut" d="M7 12.4l3.4 3.4L17.2 9"/>',
    "alert": (
        '<path class="fill" d="M12 1.8L23.2 21.6H.8z"/><path class="cut" d="M12 8.6v6.2"/>'
        '<path class="cut" d="M12 18.2v.1"/>'
    ),
}

_HOOVES = {"LF": (5, 4.5), "RF": (19, 4.5), "LH": (5, 19.5), "RH": (19, 19.5)}


def shape(name: str) -> Markup:
    """The drawing of a status, or of the safety alert triangle ("alert"). It never carries meaning alone."""
    drawing = _DRAWINGS.get(name, _DRAWINGS["CANNOT TELL"])
    return Markup(
        f'<svg class="shape" viewBox="0 0 24 24" aria-hidden="true" focusable="false">{drawing}</svg>'
    )


def rail() -> Markup:
    """Four fixed places, one for each status; the style sheet lights the one that holds."""
    places = "".join(
        f'<span class="place" data-place="{status.replace(" ", "-")}">{shape(status)}</span>'
        for status in STATUS_ORDER
    )
    return Markup(f'<span class="rail" aria-hidden="true">{places}</span>')


def hoof_map(foot: str) -> Markup:
    """The horse's four feet from above, head up, with one of them filled."""
    hooves = "".join(
        f'<ellipse class="{"on" if name == foot else "off"}" cx="{x}" cy="{y}" rx="3.6" ry="4"/>'
        for name, (x, y) in _HOOVES.items()
    )
    return Markup(
        '<svg class="hoof-map" viewBox="0 0 24 24" aria-hidden="true" focusable="false">'
        f'<path class="back" d="M12 1v22"/>{hooves}</svg>'
    )
