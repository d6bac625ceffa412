"""Damper marks: where each damper is set, the same on all lots of a table, and what that takes and gives."""

from __future__ import annotations

from dataclasses import replace

from tractduct.delivery.deliver import Delivery
from tractduct.delivery.marks import MarkTable
from tractduct.model.plan import Plan
from tractduct.physics.damper import STEP_DEG
from tractduct.writers.book.facts import counted, turned
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import (
    CENTRE,
    CHOSEN,
    LABEL,
    MONEY,
    SHORT,
    TEXT,
    THOUSANDTHS,
    TIGHT_FILL,
    WHOLE,
    Column,
    Look,
    Value,
    plain,
    size_value,
)
from tractduct.writers.summary import rooms_right
from tractduct.writers.tables import room_text

ANGLE = replace(CHOSEN, number_format='0"°"')


def marks_sheet(book: Book, delivery: Delivery) -> None:
    """The tables of marks; what one mark alone, more or fewer dampers, and a house not built as drawn come to."""
    study, marks = delivery.study, delivery.marks
    across = 4 + 6 * len(study.plan.seasons)
    page = book.sheet("Damper marks", [10, 22, 8, 10, *(10,) * (across - 4)])
    page.title(
        "Damper marks",
        "Set at installation, the same on every lot of a table and for each approved flex; a flow hood then confirms. "
        f"Marks are degrees from wide open, in steps of {STEP_DEG:g}; runs that are not listed have no damper and stay "
        "wide open. A blade is taken to lose pressure like a disc on a shaft across a round pipe (Weisbach's "
        "measurements, from memory): the makers' own figures come first. Targets are over all lots of the table; each "
        "lot's own, and what a reading passes between, stand on its page.",
        across,
    )
    for line in rooms_right(delivery):
        page.paragraph(line, across)
    page.row += 1
    for n, table in enumerate(marks.chosen.tables):
        several = len(marks.chosen.tables) > 1
        page.heading(f"Table {n + 1}: {_fronts(table)}" if several else "On every lot", across)
        _table(page, delivery, table)
    _outside(page, delivery, across)
    _choices(page, delivery, across)
    _as_built(page, delivery, across)


def _fronts(table: MarkTable) -> str:
    return ", ".join(f"front {front}, {turned(mirrored)}" for front, mirrored in table.orientations)


def _table(page: Page, delivery: Delivery, table: MarkTable) -> None:
    study = delivery.study
    columns = [
        Column("Run", LABEL, 10),
        Column("Room", SHORT, 22),
        Column("Size", CENTRE, 8, unit="size"),
    ]
    for season in table.seasons:
        name = season.capitalize()
        columns += [
            Column(f"{name}: mark", ANGLE, 10),
            Column(f"{name}: free opening, %", WHOLE, 10),
            Column(f"{name}: takes at design, up to", THOUSANDTHS, 11, unit="inWC"),
            Column(f"{name}: target, from", WHOLE, 10, unit="cfm"),
            Column(f"{name}: target, to", WHOLE, 10, unit="cfm"),
        ]
    runs = {run.name: run for run in study.tree.runs}
    rows: list[list[Value]] = []
    for r, name in enumerate(table.runs):
        row: list[Value] = [name, room_text(runs[name]), size_value(study.size_set[name])]
        for k, season in enumerate(table.seasons):
            if runs[name].season not in ("", season):
                row += [None] * 5
                continue
            row += [
                plain(table.angle_deg[r, k]),
                plain(100.0 * table.free_share[r, k]),
                plain(table.takes_inwc[r, k, 1]),
                plain(table.design_cfm[r, k, 0]),
                plain(table.design_cfm[r, k, 1]),
            ]
        rows.append(row)
    page.table(columns, rows, nothing="No damper is needed: every run stays wide open.")


def _outside(page: Page, delivery: Delivery, across: int) -> None:
    """Rooms that stay outside, and the changes that were worked out for them."""
    outside, units = delivery.marks.chosen.outside, delivery.study.plan.units
    if not outside:
        return
    page.heading("Rooms outside tolerance, and what helps", across)
    for room in outside:
        page.paragraph(
            f"{room.room}: {units.number(room.delivered_cfm, 'cfm', '.0f')} of "
            f"{units.say(room.design_cfm, 'cfm', '.0f')} ({room.variant}), "
            f"{units.number(room.off_cfm, 'cfm', '+.0f')} beyond its tolerance.",
            across,
            replace(TEXT, fill=TIGHT_FILL),
        )
    rows: list[list[Value]] = [
        [r.run, r.room, r.what, r.rooms_outside, plain(r.worst_tolerances), plain(r.extra_cost)]
        for r in delivery.mark_remedies
    ]
    columns = [
        Column("Run", LABEL),
        Column("Room", SHORT),
        Column("Change, worked out with the marks found anew", SHORT),
        Column("Rooms then outside", WHOLE),
        Column("Worst, in tolerances", Look("0.00")),
        Column("Ducts cost more by, per lot", MONEY, unit=delivery.study.cost_unit),
    ]
    page.table(columns, rows, nothing="No change of one run that was tried brings them within.")


def _choices(page: Page, delivery: Delivery, across: int) -> None:
    """What each number of dampers costs in duct, searched, and the bound."""
    front, study = delivery.by_dampers, delivery.study
    if front is None or not front.entries:
        return
    page.heading("Sizes and dampers searched together", across)
    page.paragraph(
        "For each number of dampers the best size set that was found: searched, not proven. No set that holds costs "
        f"less in duct than {study.plan.units.say(front.entries[0].bound, study.cost_unit, ',.2f')} per lot, "
        f"whatever the rooms get. "
        + _counts(study.plan)
        + ' choose = "dampers" in [objective] takes the one with the fewest rooms outside and the least total.',
        across,
    )
    best = front.least()
    rows: list[list[Value]] = [
        [
            e.dampers,
            "one mark all year" if e.positions == 1 else "one mark a season",
            plain(e.duct_cost),
            plain(e.cost),
            e.distinct_sizes,
            e.rooms_outside,
            plain(e.worst_tolerances),
            "takes this" if e is best else None,
        ]
        for e in front.entries
    ]
    columns = [
        Column("Dampers", LABEL),
        Column("Marks", SHORT),
        Column("Ducts, per lot", MONEY, unit=study.cost_unit),
        Column("With dampers, per lot", MONEY, unit=study.cost_unit),
        Column("Distinct sizes", WHOLE),
        Column("Rooms outside", WHOLE),
        Column("Worst, in tolerances", Look("0.00")),
        Column('choose = "dampers"', SHORT),
    ]
    page.table(columns, rows)


def _counts(plan: Plan) -> str:
    """What a damper counts in the search."""
    if not plan.prices:
        return "Without prices a damper costs nothing here."
    assumed = ", an assumption of the program" if ("dampers", "price") not in plan.typed else ""
    return f"A damper counts {plan.damper_cost:g} {plan.units.unit('USD')}{assumed}."


def _as_built(page: Page, delivery: Delivery, across: int) -> None:
    """Houses not built as drawn, and the fronts between those of the plan."""
    built, degrees, units = delivery.as_built, delivery.mark_degrees, delivery.study.plan.units
    page.heading("How sure it is", across)
    page.paragraph(
        f"Not built quite as drawn (lengths 15 % either way, flex compressed 0 to 10 %, filter from clean to due for "
        f"change, {built.builds} houses drawn at random for each lot): {built.mean_rooms_outside:.2f} rooms outside in "
        f"the mean, {built.lots_right_pct:.0f} % of lots with none.",
        across,
    )
    if degrees is not None and len(degrees.azimuth_deg):
        words = (
            "every room is within tolerance at each"
            if degrees.holds
            else "outside at some: " + ", ".join(f"{r.room} ({r.variant})" for r in degrees.outside[:6])
        )
        page.paragraph(
            f"Between the fronts, {counted(len(degrees.azimuth_deg), 'direction')} with the marks of the nearest "
            f"front: {words}. Checked at each, not proven between them.",
            across,
        )
    page.paragraph(
        f"As predicted, worst room {delivery.marks.chosen.worst_tolerances:.2f} tolerances from its target "
        f"({delivery.study.plan.tolerance.room_pct:g} % or {units.say(delivery.study.plan.tolerance.room_cfm, 'cfm')}, "
        "whichever is more). Trust the measurement.",
        across,
    )
