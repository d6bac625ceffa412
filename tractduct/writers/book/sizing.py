"""The sheets of the sizes themselves: Sizes, Duct tree, Rooms by front."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from statistics import fmean
from typing import Any

from openpyxl.formatting.rule import ColorScale, FormatObject, Rule
from openpyxl.styles import Color

from tractduct.one_plan import Study
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN
from tractduct.units import NOMINAL
from tractduct.writers import tables
from tractduct.writers.book.layout import Book
from tractduct.writers.book.looks import TEXT, Column

STILL_PCT = 5.0
FULL_COLOUR_PCT = 50.0  # off the room's mean, on Rooms by front
SHOWN = ("section", "from", "duct", "length_ft", "fittings", "room", "option", "size", "highest_airflow_cfm",
         "highest_velocity_fpm", "velocity_limit_fpm", "why")  # fmt: skip


def sizes_sheet(book: Book, study: Study) -> None:
    """Every section: the size to install, and what a front alone would get where that is another size."""
    study = study
    known = {c.key: c for c in tables.size_schedule.columns(study)}
    columns = [known[key] for key in SHOWN if key in known]
    columns.insert(1 + columns.index(known["size"]), Column("A front alone would get", TEXT, 27, NOMINAL, key="fronts"))
    page = book.sheet(
        "Sizes",
        columns,
        f"{study.plan.name}: size of each section",
        "Build the column Install for every lot. Beside it stands the size that a front alone would get by the "
        "friction-rate method (the largest over mirrors, seasons and flex products), where that is larger (▲) or "
        "smaller (▼). That method holds each section to one friction rate; the standard set holds the pressure lost "
        "along the whole run. So a section may be smaller than a front's own size where others make up for it, and "
        "larger where that leaves fewer sizes to stock. Front by front: data/sizes.csv.",
    )
    page.row += 1
    rows = [row | {"fronts": _other_sizes(study, row)} for row in tables.size_schedule.rows(study)]
    page.listing(columns, rows, freeze=1)


def _other_sizes(study: Study, row: Mapping[str, Any]) -> str:
    """The sizes other than the standard that fronts alone would get, and which fronts."""
    diameter = study.plan.diameter_by_size
    fronts: dict[str, list[str]] = {}
    for front in study.plan.fronts:
        own = row[front]
        if own and abs(diameter[own] - diameter[row["size"]]) > DIAMETER_TOLERANCE_IN:
            fronts.setdefault(own, []).append(front)
    words = []
    for own in sorted(fronts, key=lambda label: diameter[label]):
        which = "every front" if len(fronts[own]) == len(study.plan.fronts) else ", ".join(fronts[own])
        words.append(f"{'▲' if diameter[own] > diameter[row['size']] else '▼'} {own}: {which}")
    return "; ".join(words)


def tree_sheet(book: Book, picture: Path) -> None:
    """The duct tree as a picture on one page."""
    page = book.sheet(
        "Duct tree",
        (12,) * 12,
        "Duct tree",
        "From the air handler on the left to the rooms on the right, with each section's size and airflow. The airflow "
        "is the largest over all variants, so sections need not add up to those before them.",
    )
    page.sheet.page_setup.fitToHeight = 1
    page.image(picture, most_rows=100)


def rooms_sheet(book: Book, study: Study, picture: Path | None) -> None:
    """How each room's airflow turns with the house."""
    study, fronts = study, study.plan.fronts
    columns = tables.rooms_by_front.columns(study)
    page = book.sheet(
        "Rooms by front",
        columns,
        "Airflow of each room by the way the front faces",
        "The room that the direction moves most comes first. Each cell is the larger of as drawn and mirrored; "
        "smallest counts both. Size steps: standard sizes between the smallest and the largest that the room's runs "
        f"would get alone. Blue is less and orange is more than the row's mean, full colour from {FULL_COLOUR_PCT:g} % "
        f"off; the largest is bold. A room that moves by less than {STILL_PCT:g} % in a season is left out there: "
        "data/rooms_by_front.csv has all, data/airflow_by_front.csv as drawn and mirrored apart.",
    )
    if study.plan.options:
        words = "Each room and season is of the house in which it needs most (column Options)"
        page.paragraph(f"{words}. Each house: data/airflow_by_front.csv.")
    page.row += 1
    page.image(picture, most_rows=18)
    rows = tables.rooms_by_front.rows(study)
    if len(fronts) > 1:
        rows = [row for row in rows if not row["spread_pct"] < STILL_PCT]
    body = page.listing(columns, rows, freeze=None if picture else 1, nothing="None moves by so much.")
    if len(fronts) < 2 or not body.rows:
        return
    for at, row in zip(body.rows, rows, strict=True):
        mean = fmean(row[front] for front in fronts)
        if mean > 0.0:
            cells = f"{body.letters[fronts[0]]}{at}:{body.letters[fronts[-1]]}{at}"
            page.sheet.conditional_formatting.add(cells, _off_mean(book.units.shown(mean, "cfm")))
    first, last = body.cell(fronts[0]), body.cell(fronts[-1])
    page.mark(body, fronts[0], f"{first[1:]}=MAX({first}:{last})", over=(fronts[0], fronts[-1]))


def _off_mean(mean: float) -> Rule:
    """Colours by how far a number is off a mean, on the same scale for every row of the sheet."""
    ends = [round(mean * (1.0 + part * FULL_COLOUR_PCT / 100.0), 6) for part in (-1.0, 0.0, 1.0)]
    return Rule(
        type="colorScale",
        colorScale=ColorScale(
            cfvo=[FormatObject(type="num", val=end) for end in ends],
            color=[Color(c) for c in ("5B9BC9", "FFFFFF", "E08E3C")],
        ),
    )
