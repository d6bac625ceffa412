"""The sheets Delivered and Robustness and margins: what each room gets, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby
from operator import itemgetter
from pathlib import Path

from tractduct.delivery.deliver import HOOD_ERROR_PCT, HOOD_ERROR_UNPOWERED_PCT, Delivery
from tractduct.delivery.predict import LEAST_CFM_A_TON, Drive
from tractduct.delivery.robust import LENGTH_SPREAD, MOST_COMPRESSION_PCT
from tractduct.errors import ended
from tractduct.model.plan import Plan
from tractduct.one_plan import Study
from tractduct.report import Report
from tractduct.sizing.margins import PRESSURE, SIZE, VELOCITY
from tractduct.sizing.program import HOLDS_TOLERANCE
from tractduct.writers import delivery_tables as lists
from tractduct.writers import tables
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import (
    CENTRE,
    HUNDREDTHS,
    LABEL,
    LARGER_FILL,
    LEAD,
    SMALLER_FILL,
    TEN_THOUSANDTHS,
    TENTHS,
    TEXT,
    TIGHT_FILL,
    WHOLE,
    Column,
    Value,
)
from tractduct.writers.book.pressure import actual_airflow
from tractduct.writers.words import counted

HOOD_WORDS = (
    f"A flow hood reads about {HOOD_ERROR_PCT:g} % off in the field where it is powered, and "
    f"{HOOD_ERROR_UNPOWERED_PCT[0]:g} to {HOOD_ERROR_UNPOWERED_PCT[1]:g} % where it is not (LBNL, abstract)."
)
FEW_BUILDS_PCT, MOST_BUILDS_PCT = 80, 95  # of the builds within tolerance
TIGHT_MARGIN_PCT, CLOSE_MARGIN_PCT = 2.0, 10.0
ROOMS_LISTED = 6
SYSTEM = {  # what is told of it, and its decimals
    "total_cfm": ".0f", "design_cfm": ".0f", "external_static_inwc": ".3f", "needed_static_inwc": ".3f",
    "available_static_inwc": ".3f", "as_run_cfm": ".0f", "as_run_static_inwc": ".3f", "cfm_a_ton": ".0f",
}  # fmt: skip
LITTLE_HEADROOM_PCT, SOME_HEADROOM_PCT = 5, 15  # more air than design that a run could carry


def tolerance_words(delivery: Delivery) -> str:
    """What counts as within."""
    t, units = delivery.study.plan.tolerance, delivery.study.plan.units
    return (
        f"Within: a room is off its design airflow by at most {t.room_pct:g} % or {units.say(t.room_cfm, 'cfm')}, "
        f"whichever is more; the system by at most {t.system_pct:g} %."
    )


def drive_words(delivery: Delivery) -> str:
    """What moves the air in the prediction."""
    if delivery.drive is Drive.BLOWER:
        return "The airflow is where the blower's table meets what ducts and devices take."
    if delivery.drive is Drive.PRESSURE:
        return "The plenums are held at the pressure that the plan makes available."
    return "The blower is taken to move the design airflow whatever the ducts take: so rooms share it differently."


def delivered_sheet(book: Book, delivery: Delivery, picture: Path | None) -> None:
    """One row a room, dampers open and marked; then the system by season."""
    number = len(delivery.study.variants.variants)
    hidden = () if any(delivery.study.plan.flex) else ("compressed_lowest_pct",)
    page = book.sheet(
        "Delivered",
        [c for c in lists.room_summary.columns(delivery) if c.key not in hidden],
        "What each room gets, against its design airflow",
        f"Lowest and highest over {counted(number, 'variant')}. Compressed flex: every flex compressed by "
        f"{delivery.compressed_pct:g} %. {tolerance_words(delivery)} {drive_words(delivery)} {HOOD_WORDS} Every room "
        "in every variant: data/rooms_all_variants.csv.",
    )
    page.row += 1
    page.image(picture, most_rows=27)
    body = page.show(lists.room_summary, delivery, but=hidden)
    page.mark(body, "before", 'LEFT({},1)="▼"', SMALLER_FILL, over=("lowest_pct", "before"))
    page.mark(body, "before", 'LEFT({},1)="▲"', LARGER_FILL, over=("lowest_pct", "before"))
    page.mark(body, "marked_worst", "{}>1", TIGHT_FILL)
    _system(page, delivery)


def _system(page: Page, delivery: Delivery) -> None:
    """The least and the most over a season's variants of what the blower moves, and against what."""
    study, every, units = delivery.study, lists.systems.rows(delivery), delivery.study.plan.units
    gear = study.plan.equipment
    page.heading("The whole system, over the variants of each season")
    impossible = int((~delivery.balanced.possible).sum())
    number = len(every)
    page.paragraph(
        f"Every one of {counted(number, 'variant')} can be balanced: every room can get its design airflow."
        if not impossible
        else f"No damper setting gives every room its design airflow in {impossible} of {number} variants.",
        LABEL,
    )
    asked = [
        f"{words} {units.say(limit, unit, '.4g')}"
        for words, limit, unit in (
            ("in cooling at least", LEAST_CFM_A_TON if gear.capacity_tons else None, "cfm a ton"),
            ("in heating at least", gear.least_heating_cfm, "cfm"),
            ("an external static of at most", delivery.rated_static_inwc, "inWC"),
        )
        if limit is not None
    ]
    page.paragraph(
        f"{actual_airflow(study.plan)} As run: balanced, with filters due for change, in standard air. "
        + ("" if gear.devices else "No devices are listed: static pressure is the ducts' alone. ")
        + (f"As run the equipment wants {'; '.join(asked)}. " if asked else "")
        + "Each variant: data/system.csv.",
        LEAD,
    )
    for finding in delivery.findings:
        if finding.subject == "system":
            page.paragraph(f"{finding.severity.word.capitalize()}: {finding.message}. {ended(finding.advice)}")
    columns, rows = [Column("All variants of", LABEL)], [[season] for season in study.plan.seasons]
    for column in lists.systems.columns(delivery, SYSTEM):
        known = [one for one in every if not math.isnan(one[column.key])]
        if known and len(columns) < page.across:
            columns.append(Column(f"{column.header}, {units.unit(column.unit)}", CENTRE))
            for row in rows:
                mine = [one[column.key] for one in known if one["season"] == row[0]]
                row.append(_range(mine, column.unit, SYSTEM[column.key], delivery))
    page.table(columns, rows)


def _range(values: list[float], unit: str, decimals: str, delivery: Delivery) -> str:
    """The least and the most as text; one number where both read the same."""
    if not values:
        return "not known"
    ends = [delivery.study.plan.units.number(v, unit, decimals) for v in (min(values), max(values))]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


# -- robustness and margins ------------------------------------------------------------------------------

WIDTHS = (10, 26, 8, 10, 10, 10, 27, 11, 11, 18, 27)


def margins_sheet(book: Book, report: Report) -> None:
    """How sure it is: pressure margins and headroom of each run, the closest limits, building tolerances."""
    page = book.sheet(
        "Robustness and margins",
        WIDTHS,
        "How sure it is",
        "Margins of the standard set by the independent check, and what a house that is not built as drawn does to "
        f"them. Bold on orange: under {TIGHT_MARGIN_PCT:g} % of the pressure left, under {LITTLE_HEADROOM_PCT} % of "
        f"headroom, under {FEW_BUILDS_PCT} % of builds within tolerance. Pale orange: under {CLOSE_MARGIN_PCT:g}, "
        f"{SOME_HEADROOM_PCT} and {MOST_BUILDS_PCT} %.",
    )
    page.gap()
    if report.delivery is not None:
        _as_built(page, report.delivery)
    page.heading(
        "Pressure margin and headroom of each run, the tightest first",
        f"{_available_words(report.study.plan)} Headroom: how much more air the run could carry before the first limit "
        "anywhere is met, all others at design. A section that several runs share gives its headroom once. Every "
        "variant: data/runs_all_variants.csv.",
    )
    body = page.show(tables.margins_by_run, report.study)
    page.mark_low(body, "margin_pct", TIGHT_MARGIN_PCT, CLOSE_MARGIN_PCT, first="loss_inwc")
    page.mark_low(body, "extra_pct", LITTLE_HEADROOM_PCT, SOME_HEADROOM_PCT, first="extra_cfm")
    _limits(page, report.study)


def _available_words(plan: Plan) -> str:
    """What a run may lose."""
    if plan.budget_given:
        return "May lose: what the plan gives the run's side."
    return (
        "May lose: the run's side of what the blower leaves after the devices in that variant, split between supply "
        "and return as their worst runs lose (data/pressure.csv)."
    )


def _as_built(page: Page, delivery: Delivery) -> None:
    """Houses not built as drawn, fronts between those of the plan, and the rooms that building moves most."""
    for words in _as_built_words(delivery):
        page.paragraph(words)
    spread = delivery.spread
    page.heading(
        "Rooms that building tolerances move most",
        f"Balanced for the house as drawn; then {spread.builds} builds of every variant, the length of each section "
        f"within {100 * LENGTH_SPREAD:g} %, each flex compressed by 0 to {MOST_COMPRESSION_PCT:g} %, filters from "
        "clean to due for change. The spreads are chosen for the program, from no source. Each room in the season in "
        "which fewer builds are within tolerance; both: data/robustness.csv.",
    )
    by_room = groupby(lists.robustness.rows(delivery), key=itemgetter("room"))
    worst = [min(of_room, key=itemgetter("within_pct")) for _, of_room in by_room]
    worst = sorted(worst, key=itemgetter("within_pct", "low_pct"))[:ROOMS_LISTED]
    order = ("season", "room", "low_pct", "middle_pct", "high_pct", "within_pct")
    body = page.listing(lists.robustness.columns(delivery, order), worst)
    page.mark_low(body, "within_pct", FEW_BUILDS_PCT, MOST_BUILDS_PCT, first="within_pct")


def _as_built_words(delivery: Delivery) -> Iterator[str]:
    built, degrees, plan = delivery.as_built, delivery.mark_degrees, delivery.study.plan
    worst = delivery.marks.chosen.worst_tolerances
    yield (
        f"With the damper marks, as predicted, the worst room is {worst:.2f} tolerances from its target "
        f"({plan.tolerance.room_pct:g} % or {plan.units.say(plan.tolerance.room_cfm, 'cfm')}, whichever is more). "
        "Trust the measurement."
    )
    yield (
        f"Not built quite as drawn (lengths 15 % either way, flex compressed 0 to 10 %, filter from clean to due for "
        f"change; {built.builds} houses drawn at random for each lot): {built.mean_rooms_outside:.2f} rooms outside in "
        f"the mean, {built.lots_right_pct:.0f} % of lots with none."
    )
    if degrees is not None and len(degrees.azimuth_deg):
        outside = ", ".join(f"{r.room} ({r.variant})" for r in degrees.outside[:6])
        words = "every room is within tolerance at each" if degrees.holds else f"outside at some: {outside}"
        yield (
            f"Between the fronts, {counted(len(degrees.azimuth_deg), 'direction')} with the table that suits "
            f"each best: {words}. Checked at each, not proven between them."
        )


def _limits(page: Page, study: Study) -> None:
    """How close the limits are: the tightest of each sort."""
    if study.sized is None:
        return
    found, units = study.sized.margins, study.plan.units
    page.heading(
        "How close the limits are",
        "The limit of each sort that has the smallest part of itself left. A pressure or a velocity counts as met "
        f"exactly where it differs from its limit by less than one part in {1.0 / HOLDS_TOLERANCE:,.0f}, which is "
        f"rounding; {found.exact or 'none'} of {sum(m.limits for m in found.tightest if m.limit != SIZE):,} do, each "
        "variant counted. A section may be as large as the one it joins.",
    )
    labels = {PRESSURE: "{} pressure", VELOCITY: "{} velocity", SIZE: "size of the one it joins"}
    shown = {"inWC": TEN_THOUSANDTHS, "fpm": WHOLE, "in": TENTHS}
    rows: list[list[Value]] = [
        [
            m.place, f"{labels[m.limit].format(m.of)}, {units.unit(m.unit)}", units.shown(m.amount, m.unit),
            units.shown(m.allowed, m.unit), round(max(m.left_pct, 0.0), 9), m.limits,
            str(m.variant) if m.variant else "all",
        ]
        for m in found.tightest
    ]  # fmt: skip
    columns = [
        Column("Tightest at", LABEL), Column("Limit", TEXT), Column("It has"), Column("Allowed"),
        Column("Left of it, %", HUNDREDTHS), Column("Limits of this sort", WHOLE), Column("In the variant", TEXT),
    ]  # fmt: skip
    looks = {(r, c): shown[m.unit].in_units(units, m.unit) for r, m in enumerate(found.tightest) for c in (2, 3)}
    page.table(columns, rows, looks)
