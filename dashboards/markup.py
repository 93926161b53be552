"""HTML built from values, everything escaped unless it is already markup."""

from __future__ import annotations

import json

from markupsafe import Markup, escape

Content = str | Markup | None
Attribute = str | int | float | bool | dict[str, object] | None

_VOID = frozenset({"input", "br", "hr", "link", "meta", "img"})


def element(name: str, /, *children: Content, **attributes: Attribute) -> Markup:
    """One element as markup.

    children    text is escaped, Markup is kept, None is left out
    attributes  class_ becomes class, other underscores become hyphens; a dict is written as compact JSON;
                True writes the bare name; None and False leave the attribute out
    """
    parts = [f"<{name}"]
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        label = key.rstrip("_").replace("_", "-")
        if value is True:
            parts.append(f" {label}")
        elif isinstance(value, dict):
            parts.append(f' {label}="{escape(json.dumps(value, separators=(",", ":"), ensure_ascii=False))}"')
        else:
            parts.append(f' {label}="{escape(str(value))}"')
    parts.append(">")
    if name in _VOID:
        return Markup("".join(parts))
    parts.extend(str(escape(child)) for child in children if child is not None)
    parts.append(f"</{name}>")
    return Markup("".join(parts))


def joined(*children: Content) -> Markup:
    """Children side by side, text escaped."""
    return Markup("".join(str(escape(child)) for child in children if child is not None))


def data_block(identity: str, value: object) -> Markup:
    """A JSON data block a script can read; it is never executed. '<' is written as an escape."""
    body = json.dumps(value, separators=(",", ":"), ensure_ascii=False).replace("<", "\\u003c")
    return Markup(f'<script type="application/json" id="{escape(identity)}">{body}</script>')
