"""Lots: one summary of all, and each room's airflow at each. Their pages are a file of their own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tractduct.orientation.lots import LotResult
from tractduct.orientation.study import OrientationStudy
from tractduct.writers.book.facts import turned
from tractduct.writers.book.layout import Book
from tractduct.writers.book.looks import (
    CENTRE,
    CLOSE_FILL,
    GOOD_FILL,
    LABEL,
    SHORT,
    TENTHS,
    TEXT,
    TIGHT_FILL,
    Column,
    Look,
    Value,
    plain,
)
from tractduct.writers.book.orientation import screening

VERDICTS = {True: GOOD_FILL, False: TIGHT_FILL, None: CLOSE_FILL}


def lots_sheet(book: Book, result: OrientationStudy) -> None:
    """One row a lot."""
    numbers = sorted({p.n_package for p in result.lot_packages})
    columns = [
        Column("Lot", LABEL, 16),
        Column("Front at, °", TENTHS, 9),
        Column("Nearest front", CENTRE, 9),
        Column("Mirrored", SHORT, 11),
        Column("Flex", SHORT, 13),
        Column("Standard set", SHORT, 15),
        Column("Airflow from", SHORT, 20),
        Column("What to look at", TEXT, 34),
        *(Column(f"Of {k} packages", CENTRE, 10) for k in numbers),
    ]
    page = book.sheet("Lots", [c.width for c in columns])
    page.title(
        "All lots",
        "Each lot at the direction of its own front, clockwise from north. Of 2 packages: which one the lot would get, "
        "by its nearest front; ! where that one does not hold at the lot's own direction (sheet Packages).",
        len(columns),
    )
    screening(page, result, len(columns))
    page.row += 1
    package = {(p.lot, p.n_package): p for p in result.lot_packages}
    rows: list[list[Value]] = []
    looks: dict[tuple[int, int], Look] = {}
    for r in result.lots:
        row: list[Value] = [
            r.lot.name, plain(r.lot.azimuth_deg), r.nearest_front, turned(r.lot.mirrored), r.lot.flex or "any",
            verdict(r, result), r.source, _look_at(r),
        ]  # fmt: skip
        for k in numbers:
            mine = package[r.lot.name, k]
            label = "none" if mine.package is None else str(mine.package + 1)
            if mine.holds is False:
                label += " !" + (f" take {mine.better + 1}" if mine.better is not None else "")
                looks[len(rows), len(row)] = replace(CENTRE, bold=True, fill=TIGHT_FILL)
            row.append(label)
        if r.holds is not True:
            looks[len(rows), 5] = Look(bold=True, fill=VERDICTS[r.holds])
        rows.append(row)
    page.table(columns, rows, looks, freeze=1, nothing="The plan lists no lots.")


def verdict(r: LotResult, result: OrientationStudy) -> str:
    """Whether the standard set holds at a lot's direction, in a word or two."""
    if not result.study.size_set:
        return "there is none"
    return {True: "holds", False: "DOES NOT HOLD", None: "not known"}[r.holds]


def _look_at(r: LotResult) -> str | None:
    words = []
    if r.breaches:
        words.append(str(max(r.breaches, key=lambda b: b.amount / b.limit)))
    if r.source == "unknown":
        words.append("The plan has no airflow for this direction.")
    elif not r.covered:
        words.append("The size set was not made for this direction.")
    if r.source == "straight line":
        words.append("Airflow in a straight line between two fronts.")
    return " ".join(words) or None


def lots_by_room_sheet(book: Book, result: OrientationStudy) -> None:
    """Design airflow of every room at each lot's own direction; for the screen, and for other programs."""
    plan = result.study.plan
    known = [r for r in result.lots if np.isfinite(r.room_airflow_cfm).all()]
    if not known:
        return
    page = book.sheet("Lots by room", [16, 10, *(11,) * len(plan.rooms)])
    page.title(
        f"Airflow by room at each lot's own direction, {book.units.unit('cfm')}",
        "Between two fronts of the airflow table the breakdown is turned and brought to the table's values at both, "
        "where there is a breakdown.",
        max(2 + len(plan.rooms), 8),
    )
    screening(page, result, max(2 + len(plan.rooms), 8))
    page.row += 1
    rows: list[list[Value]] = [
        [r.lot.name, season, *(page.shown(plain(float(cfm)), "cfm") for cfm in r.room_airflow_cfm[k])]
        for r in known
        for k, season in enumerate(plan.seasons)
    ]
    columns = [Column("Lot", LABEL, 16), Column("Season", SHORT, 10)]
    airflow = TENTHS.in_units(book.units, "cfm")  # the unit is in the title
    page.table([*columns, *(Column(room, airflow, 11) for room in plan.rooms)], rows, freeze=2)
