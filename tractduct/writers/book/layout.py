"""The workbook being written, and one sheet of it with the row where the next thing goes."""

from __future__ import annotations

import io
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from openpyxl import Workbook
from openpyxl.cell.cell import Cell
from openpyxl.drawing.image import Image
from openpyxl.formatting.rule import Rule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.styles.differential import DifferentialStyle
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.filters import AutoFilter
from openpyxl.worksheet.hyperlink import Hyperlink
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.table import Table, TableColumn, TableStyleInfo
from openpyxl.worksheet.worksheet import Worksheet

from tractduct.units import IP, UnitSystem
from tractduct.writers.book.looks import (
    ASIDE,
    CLOSE_FILL,
    FONT,
    HEADER,
    HEADING,
    INK,
    INSTEAD,
    LABEL,
    LEAD,
    LINK,
    ROW_POINTS,
    SHORT,
    TEXT,
    TIGHT_FILL,
    TITLE,
    Column,
    Look,
    Value,
    clean,
    distinct,
    height_of,
    sheet_name,
)
from tractduct.writers.listing import Listing, Rows, cells

T = TypeVar("T")

MOST_SQUEEZE = 0.75  # what is left of the letters' size
ROW_PIXELS = 20.0  # of a row of 15 points
LETTER, A4 = 1, 9  # as a workbook numbers them
NOTHING = "Nothing to show."
PAPER_IN = {LETTER: (8.5, 11.0), A4: (210.0 / 25.4, 297.0 / 25.4)}  # short and long side


class Book:
    """The workbook being written, the styles made so far, and the values of its formulas."""

    def __init__(self, plan_name: str, units: UnitSystem = IP, stamp: str = "") -> None:
        """``stamp`` stands at the foot of its sheets where there is one, else the plan's name."""
        self.plan_name = plan_name
        self.foot = clean(stamp)[:120] if stamp else clean(plan_name)[:60]
        self.units = units  # what its numbers are shown in
        self.book = Workbook()
        self.book.remove(self.book.worksheets[0])
        normal: Any = self.book
        # Excel counts column widths in digits of this font.
        normal._named_styles["Normal"].font = Font(name=FONT, size=10, color=INK)
        self._styles: dict[Look, Any] = {}
        self._tables = 0
        self.pages: list[Page] = []
        self.formula_values: dict[str, dict[str, float | str]] = {}  # sheet -> cell -> what it comes to

    @property
    def paper(self) -> int:
        """What its sheets are printed on."""
        return A4 if self.units.is_si else LETTER

    def style(self, look: Look) -> Any:
        """The style of a look; made once, then shared by all its cells."""
        if look not in self._styles:
            # A cell off the sheet registers its style with the workbook and leaves no trace in the sheet.
            cell: Any = Cell(self.book.worksheets[0], row=1, column=1)
            cell.font = Font(name=FONT, size=look.points, bold=look.bold, italic=look.italic, color=look.ink)
            if look.fill:
                cell.fill = PatternFill("solid", fgColor=look.fill)
            cell.number_format = look.number_format
            # Text keeps off the numbers in the column before it.
            words = not look.align and look.number_format == "General"
            cell.alignment = Alignment(
                vertical="bottom" if look.upright else "center" if look.middle else "top",
                text_rotation=90 if look.upright else 0,
                wrap_text=look.wrap or None,
                horizontal="left" if words else look.align or None,
                indent=1 if words else 0,
            )
            edge = Side(style="thin", color="7B8794")
            if look.box:
                cell.border = Border(top=edge, bottom=edge, left=edge, right=edge)
            elif look.top_line:
                cell.border = Border(top=edge)
            self._styles[look] = cell._style
        return self._styles[look]

    def sheet(
        self, name: str, widths: Sequence[float | Column], title: str = "", lead: str = "", *, portrait: bool = False
    ) -> Page:
        """A new sheet with its print set-up, and its title if there is one.

        ``widths`` may be those of columns. It is printed on US letter, or A4 in SI, one page wide, name and page
        number below.
        """
        sheet = self.book.create_sheet(sheet_name(name, self.book.sheetnames))
        self.formula_values[sheet.title] = {}
        sheet.sheet_view.showGridLines = False
        sheet.page_setup.paperSize = self.paper
        sheet.page_setup.orientation = "portrait" if portrait else "landscape"
        sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
        sheet.page_setup.fitToWidth = 1
        sheet.page_setup.fitToHeight = 0
        sheet.page_margins.left = sheet.page_margins.right = 0.5
        sheet.page_margins.top, sheet.page_margins.bottom = 0.5, 0.7
        sheet.page_margins.header = sheet.page_margins.footer = 0.3
        sheet.oddFooter.left.text = self.foot.replace("&", "&&")
        sheet.oddFooter.center.text = sheet.title.replace("&", "&&")
        sheet.oddFooter.right.text = "Page &P of &N"
        page = Page(self, sheet, len(widths))
        page.set_widths([w.width if isinstance(w, Column) else w for w in widths])
        self.pages.append(page)
        if title:
            page.title(title, lead)
        return page

    def next_table_name(self) -> str:
        self._tables += 1
        return f"List{self._tables}"


@dataclass(frozen=True, slots=True)
class Body:
    """The rows of a table on a sheet and the letter of each of its columns, by key, or by header where it has none."""

    rows: range
    letters: Mapping[str, str]

    def area(self, first: str, last: str) -> str:
        """All cells from one column to another."""
        return f"{self.letters[first]}{self.rows[0]}:{self.letters[last]}{self.rows[-1]}"

    def cell(self, key: str) -> str:
        """The first cell of a column, for a rule that is written for it and holds for all below."""
        return f"${self.letters[key]}{self.rows[0]}"


class Page:
    """One sheet and the row where the next thing goes; titles, headings and texts go ``across`` so many columns."""

    def __init__(self, book: Book, sheet: Worksheet, across: int) -> None:
        self.book = book
        self.sheet = sheet
        self.across = across
        self.row = 1
        # Cell objects by (row, column), as openpyxl keeps them; its own lookup takes longer than the rest.
        self._cells: dict[tuple[int, int], Any] = sheet._cells

    def set_widths(self, widths: Sequence[float]) -> None:
        """Set column widths from the first column on; 0 leaves one as it is."""
        for number, width in enumerate(widths, start=1):
            if width:
                self.sheet.column_dimensions[get_column_letter(number)].width = width

    def width(self, column: int) -> float:
        return float(self.sheet.column_dimensions[get_column_letter(column)].width)

    def set_scale(self) -> None:
        """Print at a scale at which its columns fit across.

        Excel heeds page breaks only where a scale is set, not where it fits the sheet to a page.
        """
        setup = self.sheet.page_setup
        scale = max(10, min(100, math.floor(100.0 * 96.0 * self.printed_in[0] / self.pixels)))
        self.sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=False)
        setup.scale, setup.fitToWidth, setup.fitToHeight = scale, None, None

    @property
    def printed_in(self) -> tuple[float, float]:
        """Width and height of a printed page, margins and footer off."""
        short, long = PAPER_IN[self.book.paper]
        wide, high = (short, long) if self.sheet.page_setup.orientation == "portrait" else (long, short)
        return wide - 1.0, high - 1.2

    @property
    def pixels(self) -> float:
        """Width of its columns on a screen."""
        return sum(self.width(c) * 7.0 + 5.0 for c in range(1, self.across + 1))

    def squeeze(self) -> None:
        """Print on one page less where that makes the letters smaller by at most a quarter."""
        if self.sheet.page_setup.fitToHeight != 0:  # it is settled already
            return
        across, high = self.printed_in
        points = sum(self.height_at(row) for row in range(1, self.row)) * min(1.0, 96.0 * across / self.pixels)
        to_spare = 72.0 * high - ROW_POINTS  # but for a line
        self.sheet.page_setup.fitToHeight = max(1, math.ceil(MOST_SQUEEZE * points / to_spare))

    def image(self, picture: Path | None, most_rows: int) -> None:
        """A picture, if there is one, across the sheet; the next thing goes below it."""
        if picture is None:
            return
        self.gap()
        # From memory, so that no file stays open until the workbook is saved.
        image = Image(io.BytesIO(picture.read_bytes()))
        scale = min(1.0, self.pixels / image.width, most_rows * ROW_PIXELS / image.height)
        image.width, image.height = round(image.width * scale), round(image.height * scale)
        self.sheet.add_image(image, f"A{self.row}")
        self.row += math.ceil(image.height / ROW_PIXELS) + 1

    def put(self, row: int, column: int, value: Value, look: Look = SHORT, unit: str = "") -> Cell:
        """Write one value; a number that has a unit of the core in the book's units. Text stays text."""
        look = look.in_units(self.book.units, unit)
        return self._put(row, column, self.shown(value, unit), self.book.style(look))

    def shown(self, value: Value, unit: str) -> Value:
        """A number that has a unit of the core as the book shows it; anything else as it is."""
        if not unit or isinstance(value, str | bool) or value is None:
            return value
        return self.book.units.shown(float(value), unit)

    def _put(self, row: int, column: int, value: Value, style: Any) -> Cell:
        cell: Any = Cell(self.sheet, row=row, column=column)
        if isinstance(value, str):
            cell.value = clean(value)
            cell.data_type = "s"  # openpyxl takes a leading = for a formula and #N/A for an error
        elif value is not None:
            cell.value = value
        cell._style = style
        self._cells[row, column] = cell
        return cell  # type: ignore[no-any-return]

    def fill(self, row: int, first: int, last: int, look: Look) -> None:
        """Give a look to the empty cells of a row."""
        for column in range(first, last + 1):
            self.put(row, column, None, look)

    def merged(self, row: int, first: int, last: int, value: Value, look: Look, unit: str = "") -> None:
        """One value over several columns."""
        self.fill(row, first, last, look)
        self.put(row, first, value, look, unit)
        if last > first:
            # Straight to the list: openpyxl would work out the borders of cells that have their style already.
            self.sheet.merged_cells.add(f"{get_column_letter(first)}{row}:{get_column_letter(last)}{row}")

    def formula(
        self, row: int, column: int, formula: str, value: float | str, look: Look = SHORT, unit: str = ""
    ) -> None:
        """Write a formula of cell references and numbers (never of input text), and what it comes to.

        The value is stored beside it, for viewers that do not calculate. Where it has a ``unit`` of the core, the
        formula must come to it in the book's units.
        """
        cell = self.put(row, column, None, look.in_units(self.book.units, unit))
        cell.value = formula
        if unit and not isinstance(value, str):
            value = self.book.units.shown(value, unit)
        self.book.formula_values[self.sheet.title][cell.coordinate] = value

    def link(self, row: int, column: int, sheet: str) -> None:
        """A sheet's name that leads to it."""
        cell = self.put(row, column, sheet, LINK)
        cell.hyperlink = Hyperlink(ref=cell.coordinate, location="'" + sheet.replace("'", "''") + "'!A1")

    def height(self, row: int, points: float) -> None:
        self.sheet.row_dimensions[row].height = points

    def height_at(self, row: int) -> float:
        return float(self.sheet.row_dimensions[row].height or ROW_POINTS)

    def title(self, text: str, lead: str) -> None:
        """The sheet's title and what it is for."""
        self.put(1, 1, text, TITLE)
        self.height(1, 24)
        self.row = 2
        if lead:
            self.paragraph(lead, LEAD)

    def gap(self) -> None:
        """Leave an empty row, if there is none."""
        if (self.row - 1, 1) in self._cells:
            self.row += 1

    def heading(self, text: str, lead: str = "") -> None:
        """A band with an empty row above it, and below it what the next thing is."""
        self.gap()
        self.fill(self.row, 1, self.across, HEADING)
        self.put(self.row, 1, text, HEADING)
        self.height(self.row, 18)
        self.row += 1
        if lead:
            self.paragraph(lead, LEAD)

    def paragraph(self, text: str, look: Look = TEXT, first: int = 1, last: int = 0) -> None:
        """Wrapped text over some columns, all if none are given, in a row high enough for it."""
        last = last or self.across
        self.merged(self.row, first, last, text, look)
        width = sum(self.width(c) for c in range(first, last + 1))
        self.height(self.row, height_of([(text, width)], look.points / 10.0 * (1.1 if look.bold else 1.0)))
        self.row += 1

    def fact(self, label: str, text: str, look: Look = TEXT) -> None:
        """A label and its text beside it."""
        row = self.row
        self.put(row, 1, label, LABEL)
        self.paragraph(text, look, first=2)
        self.height(row, max(self.height_at(row), height_of([(label, self.width(1))], 1.1)))

    def stated(self, label: str, value: float | None, look: Look, unit: str, words: str = "") -> None:
        """A label with its unit, a number of that unit of the core beside it, and what there is to say of it."""
        self.put(self.row, 1, f"{label}, {self.book.units.unit(unit)}" if unit else label)
        self.put(self.row, 2, "not given" if value is None else round(value, 6), look, unit)
        self.put(self.row, 3, words or None, ASIDE)
        self.row += 1

    def mark(
        self, body: Body, key: str, when: str, fill: str = "", *, bold: bool = True, over: tuple[str, str] | None = None
    ) -> None:
        """Colour the cells of a column, or from one column ``over`` to another, where a condition holds.

        In ``when`` a pair of braces stands for the column's cell. Of several rules the first that holds counts.
        """
        if not body.rows:
            return
        style = DifferentialStyle(
            fill=PatternFill("solid", bgColor=fill) if fill else None, font=Font(bold=True) if bold else None
        )
        formula = when.replace("{}", body.cell(key))
        rule = Rule(type="expression", formula=[formula], dxf=style, stopIfTrue=bool(fill))
        self.sheet.conditional_formatting.add(body.area(*over or (key, key)), rule)

    def mark_low(self, body: Body, key: str, tight: float, close: float, *, first: str) -> None:
        """Colour the cells from a column ``first`` to another where its number is below a limit: bold, or pale."""
        for limit, fill, bold in ((tight, TIGHT_FILL, True), (close, CLOSE_FILL, False)):
            self.mark(body, key, f'AND({{}}<>"",{{}}<{limit:g})', fill, bold=bold, over=(first, key))

    def show(
        self,
        one: Listing[T],
        subject: T,
        rows: Rows | None = None,
        *,
        but: Collection[str] = (),
        nothing: str = NOTHING,
        freeze: int | None = None,
    ) -> Body:
        """A list, or some of its rows, with all its columns ``but`` some; see ``table``."""
        columns = [c for c in one.columns(subject) if c.key not in but]
        return self.listing(columns, one.rows(subject) if rows is None else rows, nothing=nothing, freeze=freeze)

    def listing(
        self,
        columns: Sequence[Column],
        rows: Rows,
        looks: Mapping[tuple[int, int], Look] | None = None,
        *,
        nothing: str = NOTHING,
        freeze: int | None = None,
    ) -> Body:
        """Some columns of a list as an Excel table at the current row; see ``table``."""
        shown = [replace(c, width=0.0) for c in columns]  # the sheet has its widths
        body, looks = cells(rows, columns), dict(looks or {})
        for c, column in enumerate(columns):
            for r, row in enumerate(body if column.without else ()):
                if row[c] is None:
                    row[c], looks[r, c] = column.without, INSTEAD
        return self.table(shown, body, looks, nothing=nothing, freeze=freeze)

    def table(
        self,
        columns: Sequence[Column],
        rows: Sequence[Sequence[Value]],
        looks: Mapping[tuple[int, int], Look] | None = None,
        *,
        nothing: str = NOTHING,
        freeze: int | None = None,
    ) -> Body:
        """An Excel table at the current row.

        ``looks`` sets (row, column), from 0, apart from its column's look. ``freeze`` keeps the header and
        that many columns in view and repeats the header on each printed page. Without rows: a sentence.
        Numbers of columns with a unit are turned into the book's.
        """
        letters = {c.key or c.header: get_column_letter(n) for n, c in enumerate(columns, start=1)}
        turned = [n for n, c in enumerate(columns) if c.unit and self.book.units.is_si]
        units = [c.unit for c in columns]
        columns = [c.in_units(self.book.units) for c in columns]
        if turned:
            rows = [[self.shown(v, units[n]) for n, v in enumerate(row)] for row in rows]
            looks = {at: look.in_units(self.book.units, units[at[1]]) for at, look in (looks or {}).items()}
        self.set_widths([column.width for column in columns])
        if not rows:
            self.paragraph(nothing, last=len(columns))
            self.row += 1
            return Body(range(0), letters)
        header = self.row
        names = distinct([" ".join(clean(column.header).split()) for column in columns])
        for number, name in enumerate(names, start=1):
            self.put(header, number, name, HEADER)
        # The filter's arrow covers the end of the last line.
        self.height(header, max(height_of(((n, self.width(i)) for i, n in enumerate(names, start=1)), 1.25), 30.0))
        wrapped = [(n, self.width(n + 1)) for n, column in enumerate(columns) if column.look.wrap]
        styles = [self.book.style(column.look) for column in columns]
        for r, values in enumerate(rows):
            row = header + 1 + r
            for c, value in enumerate(values):
                apart = looks.get((r, c)) if looks else None
                self._put(row, c + 1, value, self.book.style(apart) if apart else styles[c])
            if wrapped:
                height = height_of((str(values[n] or ""), width) for n, width in wrapped)
                if height > ROW_POINTS:
                    self.height(row, height)
        last = header + len(rows)
        area = f"A{header}:{get_column_letter(len(columns))}{last}"
        listing = Table(
            displayName=self.book.next_table_name(),
            ref=area,
            autoFilter=AutoFilter(ref=area),
            # Given here, because openpyxl would walk over every cell of the table to find them.
            tableColumns=[TableColumn(id=n, name=name) for n, name in enumerate(names, start=1)],
        )
        listing.tableStyleInfo = TableStyleInfo(name="TableStyleLight1", showRowStripes=True)
        self.sheet.add_table(listing)
        if freeze is not None:
            self.sheet.freeze_panes = f"{get_column_letter(freeze + 1)}{header + 1}"
            self.sheet.print_title_rows = f"{header}:{header}"
        self.row = last + 2
        return Body(range(header + 1, last + 1), letters)
