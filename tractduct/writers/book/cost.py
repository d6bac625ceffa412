"""The sheet Sizes and cost: what fewer sizes, fewer dampers, more size sets and each front cost, per lot."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import groupby
from pathlib import Path

from tractduct.delivery.built import Built
from tractduct.delivery.deliver import Delivery
from tractduct.errors import ended
from tractduct.model.plan import Plan
from tractduct.one_plan import Study
from tractduct.orientation.study import OrientationStudy
from tractduct.report import Report
from tractduct.writers import delivery_tables, orientation_tables, tables
from tractduct.writers.book.direction import screening
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import GOOD_FILL, LABEL, LEAD, WHOLE
from tractduct.writers.tables import money
from tractduct.writers.words import counted

WIDTHS = (12, 24, 15, 13, 16, 13, 13, 20)


def cost_sheet(book: Book, report: Report, picture: Path | None) -> None:
    """All that a choice costs, side by side."""
    study, within = report.study, report.study.plan.standardize_within_pct
    page = book.sheet(
        "Sizes and cost",
        WIDTHS,
        "What the choices cost, per lot",
        f"The plan asks for the fewest sizes within {within:g} % of the least cost. Sets with other numbers of sizes "
        "or dampers stand beside that.",
    )
    page.image(picture, most_rows=16)
    page.heading("Sizes to stock: the least cost that holds in every variant")
    rows = tables.trade_off.rows(study)
    columns = tables.trade_off.columns(study)
    looks = {
        (r, n): replace(WHOLE if n == 0 else c.look, bold=True, fill=GOOD_FILL)
        for r, row in enumerate(rows)
        if row["recommended"]
        for n, c in enumerate(columns)
    }
    page.listing(columns, rows, looks, nothing="Time ran out before the trade-off was worked out.")
    for words in _not_closed(study):
        page.paragraph(words)
    if report.delivery is not None:
        _dampers(page, report.delivery)
    if report.orientation is not None:
        _packages(page, report.orientation)
    if study.plan.options:
        _options(page, study)
    if report.built is not None:
        _built(page, report, report.built)
    covering(page, study, "orientation", "Fronts: what covering each of them costs")


def _not_closed(study: Study) -> Iterator[str]:
    """What time ran out on: costs not proven, and numbers of sizes without a set."""
    for entry in study.trade_off:
        if entry.status != "optimal":
            yield f"{counted(entry.distinct_sizes, 'size')}: no set {tables.costs_less(study, entry)}."
    for least, group in groupby(study.open_numbers, key=lambda number: number[1]):
        numbers = [number for number, _ in group]
        many = counted(numbers[0], "size") if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]} sizes"
        yield f"{many}: time ran out before a set was found; none costs less than {money(study, math.floor(least))}."


def _dampers(page: Page, delivery: Delivery) -> None:
    """What each number of dampers costs in duct, searched, and the bound."""
    front, study = delivery.by_dampers, delivery.study
    if front is None or not front.entries:
        return
    bound = study.plan.units.say(front.entries[0].bound, study.cost_unit, ",.2f")
    page.heading("Dampers: sizes and dampers searched together")
    page.paragraph(
        "For each number of dampers the best size set that was found: searched, not proven. No set that holds costs "
        f"less in duct than {bound} per lot, whatever the rooms get. {_counts(study.plan)} "
        'choose = "dampers" in [objective] takes the one with the fewest rooms outside and the least total.',
        LEAD,
    )
    page.show(delivery_tables.by_dampers, delivery)


def _counts(plan: Plan) -> str:
    """What a damper counts in the search."""
    if not plan.prices:
        return "Without prices a damper costs nothing here."
    assumed = ", an assumption of the program" if ("dampers", "price") not in plan.typed else ""
    return f"A damper counts {plan.damper_cost:g} {plan.units.unit('USD')}{assumed}."


def _packages(page: Page, result: OrientationStudy) -> None:
    """What more than one size set saves, and which front gets which."""
    found, study = result.packages, result.study
    if found is None:
        return
    lots = study.plan.lots_left if study.plan.lots else 0
    left = " left" if lots < len(study.plan.lots) else ""

    def say(amount: float) -> str:
        return study.plan.units.say(amount, study.cost_unit, ",.2f")

    page.heading("More than one size set: each for some of the fronts (packages)")
    screening(page, result)
    first, *others = found.choices
    saves = [
        f"{c.n_package} packages save {say(first.expected_cost - c.expected_cost)} per lot"
        + (f", {say(lots * (first.expected_cost - c.expected_cost))} for all {lots}{left}" if lots else "")
        for c in others
    ]
    page.paragraph("; ".join(saves) + "." if saves else "More than one package saves nothing.", LABEL)
    page.paragraph(
        "Costs are of least-cost sets, for "
        + (f"the {lots} lots{left or ' of the plan'}. " if lots else "as many houses of each front. ")
        + "The standard set costs more, because it keeps to fewer sizes. A second set of drawings, parts and checks "
        "costs you something too. Sizes of each package: data/package_sizes.csv.",
        LEAD,
    )
    keep = ("packages", "orientations", "also_holds", "mix_pct", "cost", "expected_cost", "proven", "saving_in_all")
    page.listing(orientation_tables.packages.columns(result, keep), orientation_tables.packages.rows(result))


def _options(page: Page, study: Study) -> None:
    """What the houses cost, and what covering each option does."""
    page.heading("Options: what covering each of them costs")
    page.paragraph(houses_text(study), LABEL)
    page.paragraph(
        "Against the least-cost set for all houses stand sets of their own for the houses with an option and for those "
        "without it, at the same prices and on the sections that they have: what covering it costs those without it, "
        "and what a package of its own saves those with it. Each house: data/houses.csv.",
        LEAD,
    )
    page.show(tables.options, study)


def _built(page: Page, report: Report, built: Built) -> None:
    """The tract under way: mark the dampers anew, keep the sizes or change which, and what that is worth."""
    study = report.study
    page.heading(f"The tract under way: keep what is built, or change it on the {study.plan.lots_left} lots left")
    marks = " First mark the dampers anew, which costs nothing: data/marks_of_built.csv." if built.marks else ""
    for finding in built.findings:
        page.paragraph(f"The sizes already built: {finding.message}.{marks}")
        page.paragraph(ended(finding.advice), LABEL)
    price = page.book.units.say(study.plan.change_price, study.cost_unit, ",.0f")
    page.paragraph(
        "Each row is the least-cost set with so many sections unlike those built. One changed section costs "
        f"{price} once (change_price in [objective]).",
        LEAD,
    )
    page.show(delivery_tables.changes_of_built, report, nothing="No size set holds.")


def houses_text(study: Study) -> str:
    """What the cheapest and the dearest house cost in the set; empty without options or a set."""
    if not study.house_costs:
        return ""
    low, high = tables.house_range(study, lambda cost: money(study, cost))
    return (
        f"The cost of the set counts the sections of every option once. A house costs {low} to {high} per lot, of "
        f"the {counted(len(study.house_costs), 'house')} that the set is for."
    )


def covering(page: Page, study: Study, kind: str, heading: str) -> None:
    """What covering each orientation or flex product costs."""
    rows = tables.standardizing.rows(study)
    rows = [row for row in rows if row["kind"] == kind and row["covers"] == "all others"]
    if not rows:
        return
    costly = [row for row in rows if row["saving"] > 0.005]
    page.heading(
        heading,
        "Each row sizes the plan again without one of them. Against it stands the least-cost set for all, at the same "
        "prices; the difference is what covering that one costs: nothing for "
        f"{len(rows) - len(costly)} of {len(rows)}, left out here. All, and each alone: data/price_of_covering.csv.",
    )
    page.show(tables.standardizing, study, costly, but=("kind", "covers"))
