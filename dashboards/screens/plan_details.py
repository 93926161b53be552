"""What stands behind the plan: both orders side by side, another way to pour, the check-list, the gaps."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element, joined
from dashboards.screens.shapes import shape

View = dict[str, Any]


def orders(made: View) -> Markup:
    """The pad after the trim when it is poured before and after, place by place."""
    both = made["orders"] or [made["chosen"]]
    chosen = made["chosen"]["order"]
    head = [
        element(
            "th",
            words.PLAN_ORDER.get(each["order"], each["order"]),
            element("small", words.PLAN_CHOSEN) if len(both) > 1 and each["order"] == chosen else None,
            scope="col",
            class_="n",
        )
        for each in both
    ]
    rows = [
        _row(str(places[0]["place"]), places, 1)
        for places in zip(*(each["thickness"] for each in both), strict=True)
    ] + [
        _row(label, [each[key] for each in both], 0 if key == "poured_mL" else 1)
        for key, label in words.PLAN_ROWS.items()
    ]
    table = element(
        "table",
        element("thead", element("tr", element("th", words.PLAN_PAD, scope="col"), *head)),
        element("tbody", *rows),
        class_="values orders-table",
    )
    return joined(table, None if made["orders"] else element("p", words.PLAN_NO_TRIM, class_="hint"))


def _row(label: str, of: Any, decimals: int) -> Markup:
    cells = (
        element(
            "td",
            element("b", words.number_words(each["value"], decimals)),
            element(
                "small",
                f"{words.number_words(each['low'], decimals)}–{words.number_words(each['high'], decimals)}",
            ),
            class_="n",
        )
        for each in of
    )
    return element("tr", element("th", label, scope="row"), *cells)


def wishes(name: str, settings: View) -> Markup:
    """A form for one foot's own way; what is left empty is as the practice usually does."""
    order_chips = [
        element(
            "label",
            element(
                "input",
                type="radio",
                name="order",
                value=order,
                data_type="text",
                checked=order == settings["order"],
            ),
            element("span", said),
            class_="chip",
        )
        for order, said in words.PLAN_ORDER.items()
    ]
    return element(
        "form",
        element(
            "div",
            _field("plan-share", "share_percent", words.PLAN_SHARE, "%", settings["share_percent"]),
            _field("plan-trim", "trim_mm", words.PLAN_TRIM, "mm", settings["trim_mm"]),
            class_="fields",
        ),
        element(
            "fieldset",
            element("legend", words.PLAN_ORDER_LEGEND),
            element("div", *order_chips, class_="chips two"),
        ),
        _field(
            "plan-degC",
            "material_degC",
            words.MATERIAL_TEMPERATURE,
            "°C",
            settings["material_degC"],
            words.OPTIONAL,
        ),
        element("button", words.PLAN_SO, class_="action main", type="submit"),
        class_="plan-form",
        data_mark={"mark": "plan", "foot": name},
        data_key=f"plan-{name}",
    )


def _field(identity: str, field: str, label: str, unit: str, value: float | None, hint: str = "") -> Markup:
    return element(
        "div",
        element("label", label, element("small", f" {hint}") if hint else None, for_=identity),
        element(
            "div",
            element(
                "input",
                id=identity,
                name=field,
                data_type="number",
                type="text",
                inputmode="decimal",
                autocomplete="off",
                value="" if value is None else f"{value:g}",
            ),
            element("span", unit, aria_hidden="true"),
            class_="measured",
        ),
        class_="field",
    )


def check_list(made: View) -> Markup:
    """What to go through before mixing, each caution with its signal word."""
    lines = [*made["check_list"]]
    if made["heat_caution"]:
        lines.append({"signal": "CAUTION", "text": made["heat_caution"]})
    return joined(
        _warm_up(made["warm_up"]),
        element("ul", *(_check(line["signal"], line["text"]) for line in lines), class_="checks"),
    )


def _check(signal: str, text: str) -> Markup:
    return element(
        "li",
        element("i", class_="box", aria_hidden="true"),
        element(
            "span",
            None
            if not signal
            else element("b", shape("alert") if signal != "NOTICE" else None, signal, class_="signal-word"),
            element("span", text),
        ),
        data_signal=signal or None,
    )


def _warm_up(said: Any) -> Markup | None:
    if not said:
        return None
    return element(
        "div",
        element("h3", words.PLAN_WARM_UP),
        *(element("p", str(each)) for each in said),
        class_="warm-up",
    )


def notes(made: View) -> Markup:
    """What was taken for granted, and what makes the volume uncertain."""
    gaps = made["not_measured"]
    return joined(
        element("ul", *(element("li", str(each)) for each in gaps), class_="gaps") if gaps else None,
        element("p", words.PLAN_UNCERTAIN.format(causes=", ".join(made["causes"]))),
        element(
            "details",
            element("summary", words.PLAN_ASSUMED),
            element("ul", *(element("li", str(each)) for each in made["assumptions"]), class_="gaps"),
            data_keep="plan-assumptions",
        ),
    )
