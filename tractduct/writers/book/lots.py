"""Lots: one summary of all, and a sheet for each, two pages to print: what to build, and how to balance it."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from openpyxl.drawing.image import Image
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.hyperlink import Hyperlink
from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.properties import PageSetupProperties

from tractduct.delivery.lots import LotDelivery, LotSettings
from tractduct.orientation.azimuths import azimuth_label, face_azimuth_deg
from tractduct.orientation.lots import LotResult
from tractduct.orientation.study import OrientationStudy
from tractduct.units import NOMINAL
from tractduct.writers.book.balancing import BOTTOM_IN, MARGIN_IN, Balancing, LotToBalance, set_margins
from tractduct.writers.book.facts import turned
from tractduct.writers.book.layout import PAPER_IN, Book
from tractduct.writers.book.looks import (
    BAND_FILL,
    CENTRE,
    CLOSE_FILL,
    COMPUTED_FILL,
    GOOD_FILL,
    HEADER,
    HEADING,
    LABEL,
    LINK,
    SHORT,
    TENTHS,
    TEXT,
    TIGHT_FILL,
    TITLE,
    Column,
    Look,
    Value,
    height_of,
    plain,
    size_value,
)
from tractduct.writers.book.orientation import screening
from tractduct.writers.orientation_pictures import OrientationPictures

PLAIN_WIDTHS = (13.0,) * 14  # of a lot without balancing
PICTURE_ROW = 15.0
LARGEST_PICTURE = 1.25  # times its own size on paper: a small plan need not fill the page
POINTS_A_PIXEL = 0.75
CELL = Look(points=11.0, box=True, align="center", middle=True)
SIDE = Look(points=11.0, bold=True, box=True, middle=True, fill=BAND_FILL)
NOTE = replace(TEXT, points=11.0)
VERDICTS = {True: GOOD_FILL, False: TIGHT_FILL, None: CLOSE_FILL}


def lot_sheets(
    book: Book, lots: LotDelivery, pictures: OrientationPictures | None, duct_tree: Path | None
) -> list[str]:
    """The summary, then a sheet for each lot where there is a size set; returns the names of these.

    A lot's sheet shows the plan turned to its north; the duct tree where the plan has no room outlines.
    """
    result = lots.orientation
    cells = lots_sheet(book, result)
    turned_plan = pictures.lots if pictures else {}
    names = []
    for r, cell in zip(result.lots, cells, strict=True):
        if result.study.size_set:
            name = r.lot.name
            sheet = lot_sheet(book, result, r, lots.settings.get(name), turned_plan.get(name, duct_tree))
            cell.hyperlink = Hyperlink(ref=cell.coordinate, location="'" + sheet.replace("'", "''") + "'!A1")
            names.append(sheet)
    return names


# -- summary ---------------------------------------------------------------------------------------------


def lots_sheet(book: Book, result: OrientationStudy) -> list[Any]:
    """One row a lot; returns the cells with the lots' names, to be linked to their sheets."""
    numbers = sorted({p.n_package for p in result.lot_packages})
    columns = [
        Column("Lot", LINK, 16),
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
    body = page.table(columns, rows, looks, freeze=1, nothing="The plan lists no lots.")
    return [page.sheet.cell(row, 1) for row in body]


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


# -- one lot ---------------------------------------------------------------------------------------------


def lot_sheet(
    book: Book, result: OrientationStudy, lot: LotResult, settings: LotSettings | None, picture: Path | None
) -> str:
    """Write one lot's sheet; returns its name.

    ``settings`` as it is balanced, None where its airflow is unknown: then its sizes alone. ``picture`` is the plan
    turned to its north, or the duct tree.
    """
    return _LotSheet(book, result, lot, settings, picture).write()


class _LotSheet:
    def __init__(
        self,
        book: Book,
        result: OrientationStudy,
        lot: LotResult,
        settings: LotSettings | None,
        picture: Path | None,
    ) -> None:
        self.result, self.lot, self.settings, self.picture = result, lot, settings, picture
        self.plan = result.study.plan
        self.label = azimuth_label(lot.lot.azimuth_deg)
        self.balancing: Balancing | None = None
        if settings is not None:
            house = LotToBalance(name=lot.lot.name, front=self.label, mirrored=lot.lot.mirrored, flex=settings.flex)
            self.balancing = Balancing(settings.settings, house)
        self.widths = self.balancing.widths if self.balancing else list(PLAIN_WIDTHS)
        self.across = len(self.widths)
        self.name = lot.lot.name if lot.lot.name.casefold().startswith("lot ") else f"Lot {lot.lot.name}"
        self.page = book.sheet(self.name, self.widths)
        self.units = book.units
        short, long = PAPER_IN[book.paper]
        self.wide_points = (long - 2.0 * MARGIN_IN) * 72.0
        self.high_points = (short - MARGIN_IN - BOTTOM_IN) * 72.0
        self.width_points = sum(w * 7.0 + 5.0 for w in self.widths) * POINTS_A_PIXEL
        # Fitting to pages would make Excel ignore the break between them, so the scale is worked out here; programs
        # differ a little in how wide a column is, and a column too many would take a page of its own.
        self.scale = min(0.985 * self.wide_points / self.width_points, 1.0)

    def write(self) -> str:
        page = self.page
        set_margins(page)
        self._head()
        before = page.row
        page.row += 1  # the picture's place, given once the rest of the page is known
        self._schedule()
        self._notes()
        last = page.row - 1
        used = sum(page.height_at(row) for row in range(1, last + 1) if row != before)
        self._picture(before, self.high_points / self.scale * 0.98 - used)
        heights = [self._height(1, last)]
        if self.balancing is not None:
            page.sheet.row_breaks.append(Break(id=last))
            self.balancing.write(page)
            heights.append(self._height(last + 1, page.row))
            last = page.row
        scale = min(self.scale, *(self.high_points / h for h in heights))
        page.sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=False)
        page.sheet.page_setup.fitToWidth = page.sheet.page_setup.fitToHeight = None
        page.sheet.page_setup.scale = max(10, math.floor(100.0 * scale))
        page.sheet.print_area = f"A1:{get_column_letter(self.across)}{last}"
        return page.sheet.title

    def _height(self, first: int, last: int) -> float:
        return sum(self.page.height_at(row) for row in range(first, last + 1))

    def _head(self) -> None:
        page, lot = self.page, self.lot.lot
        title = f"{self.name}: {self.plan.name}, {self._direction()}, {turned(lot.mirrored)}"
        page.put(1, 1, title, TITLE)
        page.height(1, 26)
        page.row = 2
        words = {
            True: "Build the plan's standard size set, below: it holds at this lot's direction.",
            False: "THE STANDARD SIZE SET DOES NOT HOLD at this lot's direction: ",
            None: "Whether the standard size set, below, holds at this lot's direction is NOT KNOWN.",
        }[self.lot.holds]
        if self.lot.breaches:
            words += str(max(self.lot.breaches, key=lambda b: b.amount / b.limit)) + "."
        page.paragraph(words, self.across, replace(NOTE, bold=True, fill=VERDICTS[self.lot.holds]))

    def _direction(self) -> str:
        azimuth, face = self.lot.lot.azimuth_deg, self.lot.nearest_front
        if abs(face_azimuth_deg(face) - azimuth) < 1e-9:
            return f"front faces {face} ({self.label})"
        return f"front at {self.label} clockwise from north, nearest {face}"

    def _picture(self, row: int, room_points: float) -> None:
        """The picture in a row of its own height, as large as the page allows."""
        if self.picture is None or room_points < 60.0:
            return
        # From memory, so that no file stays open until the workbook is saved.
        image = Image(io.BytesIO(self.picture.read_bytes()))
        by_page = min((self.width_points - 4.0) / image.width, (room_points - 8.0) / image.height)
        on_paper = LARGEST_PICTURE * POINTS_A_PIXEL / self.scale
        factor = min(by_page, on_paper) / POINTS_A_PIXEL
        image.width, image.height = round(image.width * factor), round(image.height * factor)
        self.page.sheet.add_image(image, f"A{row}")
        self.page.height(row, image.height * POINTS_A_PIXEL + 6.0)

    def _schedule(self) -> None:
        """Size and design airflow of every section, side by side, in as many bands as it takes."""
        page, study = self.page, self.result.study
        page.fill(page.row, 1, self.across, HEADING)
        words = "Size schedule and design airflow at this direction" if self.settings else "Size schedule"
        page.put(page.row, 1, f"{words} (lengths and fittings: sheet Sizes)", HEADING)
        page.height(page.row, 18)
        page.row += 1
        columns = range(3, self.across + 1)
        sections = list(study.tree.sections)
        for start in range(0, len(sections), len(columns)):
            part = list(zip(columns, sections[start : start + len(columns)], strict=False))
            self._band("Section", [(c, s.name) for c, s in part], HEADER)
            self._band(
                f"Size, {self.units.unit(NOMINAL)}",
                [(c, size_value(study.size_set.get(s.name, ""))) for c, s in part],
                replace(CELL, bold=True),
            )
            self._band("Duct", [(c, s.kind) for c, s in part], replace(CELL, points=10.0))
            for season in self.plan.seasons if self.settings else ():
                flow = self._section_airflow(season)
                cells: list[tuple[int, Value]] = [
                    (c, plain(flow[start + k]) if flow[start + k] > 0.0 else "shut") for k, (c, _) in enumerate(part)
                ]
                label = f"{season.capitalize()}, {self.units.unit('cfm')}"
                self._band(label, cells, replace(CELL, number_format="#,##0"), "cfm")

    def _band(self, label: str, cells: list[tuple[int, Value]], look: Look, unit: str = "") -> None:
        page = self.page
        page.merged(page.row, 1, 2, label, SIDE)
        high = 17.0
        for column, value in cells:
            shut = value == "shut"
            page.put(page.row, column, value, replace(look, italic=True, fill=COMPUTED_FILL) if shut else look, unit)
            if isinstance(value, str) and look.wrap:
                high = max(high, height_of([(value, self.widths[column - 1])], 1.2))
        page.height(page.row, high)
        page.row += 1

    def _section_airflow(self, season: str) -> list[float]:
        """Of every section, in the order of the tree."""
        assert self.settings is not None
        variants = self.settings.settings.case.variants
        mine = variants.where(front=self.label, mirrored=self.lot.lot.mirrored, season=season, flex=self.settings.flex)
        return [float(cfm) for cfm in variants.airflow_cfm[int(np.flatnonzero(mine)[0])]]

    def _notes(self) -> None:
        page, lot, result = self.page, self.lot, self.result
        screening(page, result, self.across)
        words = []
        if self.settings is not None:
            total = ", ".join(
                f"{season} {self.units.number(lot.room_airflow_cfm[k].sum(), 'cfm', ',.0f')}"
                for k, season in enumerate(self.plan.seasons)
            )
            words.append(f"Airflow of the whole house, {self.units.unit('cfm')}: {total} ({_source_words(lot)}).")
            if self.settings.flex and not lot.lot.flex:
                words.append(
                    f"No flex product is named for this lot; it is balanced for {self.settings.flex}. The sizes hold "
                    f"for {', '.join(self.plan.flex)}."
                )
            elif self.settings.flex:
                words.append(f"Flex: {self.settings.flex}.")
        else:
            words.append("The plan has no airflow for this direction, so nothing is balanced here: see sheet Lots.")
        if not lot.covered and self.settings is not None:
            words.append("The size set was not made for this direction: have it checked.")
        words += self._other_package()
        words.append(
            "Local codes, the makers' instructions and a licensed designer come first. Measure airflow and static "
            "pressure; where fuel is burned indoors, have combustion safety tested."
        )
        page.paragraph(" ".join(words), self.across, NOTE)

    def _other_package(self) -> list[str]:
        """Where the standard set does not hold: which package does."""
        if self.lot.holds is not False:
            return []
        mine = [p for p in self.result.lot_packages if p.lot == self.lot.lot.name]
        good = [(p.n_package, p.package if p.holds else p.better) for p in mine]
        able = [f"package {at + 1} of {k}" for k, at in good if at is not None]
        return [f"Sizes that hold here: {', '.join(able)} (sheet Packages)."] if able else []


def _source_words(lot: LotResult) -> str:
    return {
        "airflow table": "from the airflow table",
        "breakdown": "from the breakdown by surface",
        "table and breakdown": "from the airflow table, turned between its fronts by the breakdown",
        "straight line": "in a straight line between two fronts of the airflow table: have it checked",
    }.get(lot.source, lot.source)
