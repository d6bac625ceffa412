"""The sheet Damper marks: where each damper is set, the same on all lots of a table, and what helps where none do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

from tractduct.delivery.deliver import Delivery
from tractduct.delivery.lots import LotDelivery
from tractduct.delivery.marks import Setting
from tractduct.physics.damper import STEP_DEG
from tractduct.writers import delivery_tables as lists
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import HUNDREDTHS, LABEL, MONEY, TEXT, TIGHT_FILL, WHOLE, Column, Value, plain
from tractduct.writers.listing import Rows
from tractduct.writers.summary import rooms_right

RUN = ("run", "room", "size")
SET = ("mark_deg", "free_opening_pct", "takes_inwc", "target_from_cfm", "target_to_cfm")


def marks_sheet(book: Book, delivery: Delivery, lots: LotDelivery | None, picture: Path | None) -> None:
    """The tables of marks, the rooms that they leave outside, and what would help these."""
    columns = mark_columns(delivery)
    page = book.sheet(
        "Damper marks",
        columns,
        "Damper marks",
        "Set at installation, the same on every lot of a table and for each approved flex; a flow hood then confirms. "
        f"Marks are degrees from wide open, in steps of {STEP_DEG:g}. A run that is not listed has no damper. A blade "
        "is taken to lose pressure like a disc on a shaft across a round pipe (Weisbach's measurements, from memory): "
        "the makers' own figures come first. Targets are over all lots of the table; each lot's own are on its page.",
    )
    for line in rooms_right(delivery, lots):
        page.paragraph(line)
    page.row += 1
    _outside(page, delivery)
    page.image(picture, most_rows=16)
    list_marks(page, delivery.marks.chosen, lists.marks.rows(delivery), columns)


def mark_columns(delivery: Delivery, keys: Sequence[str] = SET) -> list[Column]:
    """The run's columns, and these of its marks once a season."""
    return lists.marks.columns(delivery, RUN) + [
        replace(c, header=f"{season.capitalize()}: {c.header[0].lower()}{c.header[1:]}", key=f"{season} {c.key}",
                width=11.5)
        for season in delivery.study.plan.seasons
        for c in lists.marks.columns(delivery, keys)
    ]  # fmt: skip


def list_marks(page: Page, setting: Setting, marks: Rows, columns: Sequence[Column], of: str = "") -> None:
    """Each table of marks, out of their list; ``of`` says what they are for, where that is not the standard set."""
    if not marks:
        page.paragraph(f"No damper is needed{of}: every run stays wide open.", LABEL)
    for (number, fronts), table in groupby(marks, key=itemgetter("table", "fronts")):
        fronts = fronts.replace(", mirrored", " mirrored")
        several = len(setting.tables) > 1
        page.heading(f"Table {number}{of}: fronts {fronts}" if several else f"On every lot{of}")
        page.listing(columns, _by_run(table, columns))


def _by_run(table: Iterable[dict[str, Any]], columns: Sequence[Column]) -> Rows:
    """One row a run with both its seasons; a season in which it is shut stays empty."""
    rows: dict[str, dict[str, Any]] = {}
    for row in table:
        mine = rows.setdefault(row["run"], dict.fromkeys(c.key for c in columns) | {key: row[key] for key in RUN})
        mine |= {f"{row['season']} {key}": row[key] for key in SET}
    return list(rows.values())


def _outside(page: Page, delivery: Delivery) -> None:
    """Rooms that stay outside, and the changes that were worked out for them."""
    outside, units = delivery.marks.chosen.outside, delivery.study.plan.units
    if not outside:
        return
    page.heading("Rooms outside tolerance, and what helps")
    for room in outside:
        page.paragraph(
            f"{room.room}: {units.number(room.delivered_cfm, 'cfm', '.0f')} of "
            f"{units.say(room.design_cfm, 'cfm', '.0f')} ({room.variant}), "
            f"{units.number(room.off_cfm, 'cfm', '+.0f')} beyond its tolerance.",
            replace(TEXT, fill=TIGHT_FILL),
        )
    rows: list[list[Value]] = [
        [r.run, r.what, r.rooms_outside, plain(r.worst_tolerances), plain(r.extra_cost)] for r in delivery.mark_remedies
    ]
    columns = [
        Column("Run", LABEL),
        Column("Change, worked out with the marks found anew", TEXT),
        Column("Rooms then outside", WHOLE),
        Column("Worst, in tolerances", HUNDREDTHS),
        Column("Ducts cost more by, per lot", MONEY, unit=delivery.study.cost_unit),
    ]
    page.table(columns, rows, nothing="No change of one run that was tried brings them within.")
