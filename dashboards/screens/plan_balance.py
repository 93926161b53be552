"""Balance against the target, the pad's wear, and when it is worn to the least thickness."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from dashboards import words
from dashboards.markup import element, joined

View = dict[str, Any]


def balance(plan: View) -> Markup:
    """Today's balance with earlier visits below it, then the wear."""
    pairs = plan.get("balance") or ()
    past = plan.get("balance_past") or ()
    return joined(
        *(_pair(one) for one in pairs),
        element("p", words.PLAN_BALANCE_EMPTY, class_="plain") if not pairs else None,
        _history(past) if past else None,
        _wear(plan),
    )


def _pair(one: View) -> Markup:
    said = words.BALANCES.get(one["balance"], one["balance"])
    because = str(one["because"]).removeprefix(f"{one['what']}: ")
    return element(
        "div",
        element("p", element("span", str(one["what"]).capitalize()), element("b", said), class_="pair-head"),
        element("p", f"{because[:1].upper()}{because[1:]}. {one['next_step']}", class_="pair-why"),
        class_="balance-pair",
        data_balance=str(one["balance"]).replace(" ", "-"),
    )


def _history(past: Any) -> Markup:
    rows = [
        element(
            "tr",
            element("th", words.date_words(int(visit["at_ms"])), scope="row"),
            element("td", str(one["what"])),
            element("td", _difference(one), class_="n"),
            element("td", words.BALANCES.get(one["balance"], one["balance"])),
        )
        for visit in reversed(list(past))
        for one in visit["pairs"]
    ]
    return element(
        "details",
        element("summary", words.PLAN_EARLIER),
        element("table", element("tbody", *rows), class_="values"),
        data_keep="balance-past",
    )


def _difference(one: View) -> str:
    value = one.get("mm")
    return words.NO_VALUE if value is None else f"{'+' if value > 0 else ''}{words.number_words(value)} mm"


def _wear(plan: View) -> Markup:
    rows = plan.get("wear") or ()
    heading = element("h3", words.PLAN_OLD_PAD if plan.get("old_pad") else words.PLAN_WEAR)
    if not rows:
        return joined(heading, element("p", words.PLAN_WEAR_EMPTY, class_="plain"))
    table = element(
        "table",
        element(
            "thead",
            element(
                "tr",
                element("th", words.SHEET_SITE, scope="col"),
                element("th", words.PLAN_PER_WEEK, scope="col", class_="n"),
            ),
        ),
        element("tbody", *(_wear_row(row) for row in rows)),
        class_="values",
    )
    return joined(heading, _worn(plan), table)


def _wear_row(row: View) -> Markup:
    rate = row["mm_per_week"]
    value = words.NO_VALUE if rate["value"] is None else words.number_words(rate["value"], 2)
    interval = (
        str(rate["reason"])
        if rate["low"] is None
        else f"{words.number_words(rate['low'], 2)}–{words.number_words(rate['high'], 2)}"
    )
    return element(
        "tr",
        element("th", str(row["site"]), scope="row"),
        element("td", element("b", value), element("small", interval), class_="n"),
    )


def _worn(plan: View) -> Markup:
    worn = plan.get("worn")
    if worn is None:
        reasons = dict.fromkeys(str(row["worn_ms"]["reason"]) for row in plan.get("wear") or ())
        return element("p", " ".join(reasons) or words.PLAN_NO_DATE, class_="plain")
    when = worn["worn_ms"]
    head = words.PLAN_WORN.format(
        mm=words.length_words(plan["settings"]["least_mm"]),
        site=str(worn["site"]).removeprefix("pad at "),
        date=words.date_words(int(when["likely"])),
    )
    early, late = when["earliest"], when["latest"]
    if early is not None and late is not None:
        span = words.PLAN_BETWEEN_DATES.format(
            early=words.date_words(int(early)), late=words.date_words(int(late))
        )
    elif early is not None:
        span = words.PLAN_FROM_DATE.format(early=words.date_words(int(early)))
    else:
        span = ""
    guess = "" if worn["within_validity"] else words.PLAN_ONLY_A_GUESS
    return element(
        "p",
        element("b", head),
        element("span", ", ".join(part for part in (span, guess) if part)),
        class_="worn",
    )
