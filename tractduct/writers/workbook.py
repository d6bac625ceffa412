"""The Excel workbook: what to build, what it costs, what to watch, and how to check it with a pencil.

Text from the plan is written as text and never as a formula. The same study gives the same bytes.
"""

from __future__ import annotations

import datetime
import io
import math
import re
import textwrap
import zipfile
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.cell.cell import Cell
from openpyxl.chart import Reference, ScatterChart, Series
from openpyxl.chart.legend import Legend
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.drawing.image import Image
from openpyxl.drawing.line import LineProperties
from openpyxl.formatting.rule import ColorScale, FormatObject, Rule
from openpyxl.styles import Alignment, Border, Color, Font, PatternFill, Side
from openpyxl.styles.differential import DifferentialStyle
from openpyxl.utils import get_column_letter
from openpyxl.workbook.properties import CalcProperties
from openpyxl.worksheet.filters import AutoFilter
from openpyxl.worksheet.hyperlink import Hyperlink
from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.table import Table, TableColumn, TableStyleInfo
from openpyxl.worksheet.worksheet import Worksheet
from openpyxl.writer.excel import ExcelWriter

from tractduct.inputs.plan import Section
from tractduct.inputs.schema import FLEX, KEYS
from tractduct.network.variants import Variant
from tractduct.physics.air import velocity_pressure_inwc
from tractduct.physics.friction import compression_factor, friction_rate_inwc_per_100ft
from tractduct.sizing.candidates import at_sizes
from tractduct.sizing.drivers import Reason
from tractduct.sizing.practice import CAUTIONS, FRICTION_RATE_WINDOW
from tractduct.study import Study
from tractduct.version import VERSION
from tractduct.writers import tables

# Cell values are numbers, text or nothing; numpy's own types are turned into Python's before they get here.
Value = str | float | int | bool | None

FIXED_DATE = datetime.datetime(2000, 1, 1)  # the file's dates: the same study must give the same file
FONT = "Arial"  # its metric twins are on every computer, so widths hold in print
INK, GREY_INK, PAPER = "1F2933", "52606D", "FFFFFF"
HEADER_FILL, INPUT_FILL, COMPUTED_FILL, BAND_FILL = "1F3A4D", "FFF4B8", "E6EBF0", "D9E6EC"
LARGER_FILL, SMALLER_FILL, GOOD_FILL = "F6C48F", "B5D8EE", "DCEBE0"  # orange and blue: told apart by all eyes
TIGHT_FILL, CLOSE_FILL = "E69F00", "FBE3B4"
TIGHT_SLACK_PCT, CLOSE_SLACK_PCT = 2.0, 10.0
NEAR_VELOCITY_PCT = 5.0
MOST_ARGUMENTS = 200  # of one MIN(); spreadsheets take 255
PICTURE_PIXELS = 1150
ROW_POINTS = 15.0
PAGE_POINTS = 7.0 * 72.0  # printable height of a letter page on its side, margins and footer off
SAME_RATE = 0.0005  # inWC/100 ft; friction rates that print the same


# -- cells and sheets ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Look:
    """How a cell looks. Frozen, so that each one becomes a style of the workbook only once."""

    number_format: str = "General"
    bold: bool = False
    italic: bool = False
    points: float = 10.0
    ink: str = INK
    fill: str = ""
    wrap: bool = False
    align: str = ""
    top_line: bool = False
    box: bool = False


TEXT = Look(wrap=True)
SHORT = Look()
CENTRE = Look(align="center")
WHOLE = Look("#,##0")
TENTHS = Look("#,##0.0")
HUNDREDTHS = Look("0.00")
THOUSANDTHS = Look("0.000")
TEN_THOUSANDTHS = Look("0.0000")
PER_CENT = Look("0.0")
MONEY = Look("#,##0")
SIZE = Look(align="center")
CHOSEN = Look(align="center", bold=True, fill=GOOD_FILL, box=True)
# The mark is part of the number format: the value stays a plain size, and a black-and-white print shows it.
LARGER = Look('"▲ "General;;;"▲ "@', align="center", bold=True, fill=LARGER_FILL)
SMALLER = Look('"▼ "General;;;"▼ "@', align="center", italic=True, fill=SMALLER_FILL)
TITLE = Look(bold=True, points=16.0)
HEADLINE = Look(bold=True, points=14.0)
LEAD = Look(ink=GREY_INK, wrap=True)
HEADING = Look(bold=True, points=12.0, fill=BAND_FILL)
HEADER = Look(bold=True, ink=PAPER, fill=HEADER_FILL, wrap=True, align="center")
LABEL = Look(bold=True, wrap=True)
LINK = Look(ink="0B5394")
INPUT = Look("#,##0.0##", fill=INPUT_FILL, box=True)

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@lru_cache(maxsize=4096)
def clean(text: str) -> str:
    """Text that an XML file can hold, no longer than a cell can."""
    return _NOT_XML.sub("", text)[:32_000]


def size_value(label: str) -> Value:
    """A size as people type it: a number where round, so that Excel sorts it; text such as 14x10 else."""
    try:
        number = float(label)
    except ValueError:
        return label or None
    return int(number) if number.is_integer() else number


def plain(value: Any) -> Value:
    """A Python value out of a DataFrame's, rounded well below anything measurable; None for no number."""
    if isinstance(value, str):
        return value or None
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (int, np.integer)):
        return int(value)
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), 6)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: its header with the unit, its look, and its width in characters (0: leave it)."""

    header: str
    look: Look = SHORT
    width: float = 0.0


class Book:
    """The workbook being written, the styles made so far, and the values of its formulas."""

    def __init__(self, study: Study) -> None:
        self.plan_name = study.plan.name
        self.book = Workbook()
        self.book.remove(self.book.worksheets[0])
        normal: Any = self.book
        # Excel counts column widths in digits of this font.
        normal._named_styles["Normal"].font = Font(name=FONT, size=10, color=INK)
        self._styles: dict[Look, Any] = {}
        self._tables = 0
        self.formula_values: dict[str, dict[str, float | str]] = {}

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
                vertical="center" if look in (HEADER, HEADING, TITLE) else "top",
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

    def sheet(self, name: str, widths: Sequence[float] = (), *, portrait: bool = False) -> Page:
        """A new sheet with its print set-up: US letter, one page wide, name and page number below."""
        sheet = self.book.create_sheet(name)
        self.formula_values[name] = {}
        for number, width in enumerate(widths, start=1):
            sheet.column_dimensions[get_column_letter(number)].width = width
        sheet.sheet_view.showGridLines = False
        sheet.page_setup.paperSize = 1
        sheet.page_setup.orientation = "portrait" if portrait else "landscape"
        sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
        sheet.page_setup.fitToWidth = 1
        sheet.page_setup.fitToHeight = 0
        sheet.page_margins.left = sheet.page_margins.right = 0.5
        sheet.page_margins.top, sheet.page_margins.bottom = 0.5, 0.7
        sheet.page_margins.header = sheet.page_margins.footer = 0.3
        sheet.oddFooter.left.text = clean(self.plan_name)[:60].replace("&", "&&")
        sheet.oddFooter.center.text = name
        sheet.oddFooter.right.text = "Page &P of &N"
        return Page(self, sheet)

    def next_table_name(self) -> str:
        self._tables += 1
        return f"List{self._tables}"


class Page:
    """One sheet and the row where the next thing goes."""

    def __init__(self, book: Book, sheet: Worksheet) -> None:
        self.book = book
        self.sheet = sheet
        self.row = 1

    def put(self, row: int, column: int, value: Value, look: Look = SHORT) -> Cell:
        """Write one value. Text stays text, whatever it begins with."""
        return self.styled(row, column, value, self.book.style(look))

    def styled(self, row: int, column: int, value: Value, style: Any) -> Cell:
        cell: Any = self.sheet.cell(row, column)
        if isinstance(value, str):
            cell.value = clean(value)
            cell.data_type = "s"  # openpyxl takes a leading = for a formula and #N/A for an error
        elif value is not None:
            cell.value = value
        cell._style = style
        assert isinstance(cell, Cell)
        return cell

    def formula(self, row: int, column: int, formula: str, value: float | str, look: Look = SHORT) -> None:
        """Write a formula of cell references and numbers (never of input text), and what it comes to.

        The value is stored beside it, for viewers that do not calculate.
        """
        cell = self.put(row, column, None, look)
        cell.value = formula
        self.book.formula_values[self.sheet.title][cell.coordinate] = value

    def title(self, text: str, lead: str, across: int) -> None:
        """The sheet's title and what it is for."""
        self.put(1, 1, text, TITLE)
        self.sheet.row_dimensions[1].height = 24
        self.row = 2
        self.paragraph(lead, across, LEAD)

    def heading(self, text: str, across: int) -> None:
        for column in range(1, across + 1):
            self.put(self.row, column, text if column == 1 else None, HEADING)
        self.sheet.row_dimensions[self.row].height = 18
        self.row += 1

    def paragraph(self, text: str, across: int, look: Look = TEXT, first: int = 1) -> None:
        """Wrapped text over several columns, in a row high enough for it."""
        self.put(self.row, first, text, look)
        if across > first:
            self.sheet.merge_cells(start_row=self.row, end_row=self.row, start_column=first, end_column=across)
        width = sum(self.width(c) for c in range(first, across + 1))
        self.sheet.row_dimensions[self.row].height = height_of([(text, width)])
        self.row += 1

    def fact(self, label: str, text: str, across: int, look: Look = TEXT) -> None:
        """A label and its text beside it."""
        row = self.row
        self.put(row, 1, label, LABEL)
        self.paragraph(text, across, look, first=2)
        height = self.sheet.row_dimensions[row].height or ROW_POINTS
        self.sheet.row_dimensions[row].height = max(height, height_of([(label, self.width(1) * 0.9)]))

    def width(self, column: int) -> float:
        return float(self.sheet.column_dimensions[get_column_letter(column)].width)

    def mark(self, area: str, when: str, fill: str = "", *, bold: bool = False) -> None:
        """Colour the cells of an area where a formula, written for its first cell, holds; first rule "
        "first."""
        style = DifferentialStyle(
            fill=PatternFill("solid", bgColor=fill) if fill else None, font=Font(bold=True) if bold else None
        )
        rule = Rule(type="expression", formula=[when], dxf=style, stopIfTrue=bool(fill))
        self.sheet.conditional_formatting.add(area, rule)

    def table(
        self,
        columns: Sequence[Column],
        rows: Sequence[Sequence[Value]],
        looks: Mapping[tuple[int, int], Look] | None = None,
        *,
        nothing: str = "Nothing to show.",
        freeze: int | None = None,
    ) -> range:
        """An Excel table at the current row; returns the rows of its body.

        ``looks`` sets (row, column), from 0, apart from its column's look. ``freeze`` keeps the header and
        that many columns in view and repeats the header on each printed page. Without rows: a sentence.
        """
        for number, column in enumerate(columns, start=1):
            if column.width:
                self.sheet.column_dimensions[get_column_letter(number)].width = column.width
        if not rows:
            self.paragraph(nothing, len(columns))
            return range(self.row, self.row)
        header = self.row
        names = distinct([" ".join(clean(column.header).split()) for column in columns])
        for number, name in enumerate(names, start=1):
            self.put(header, number, name, HEADER)
        self.sheet.row_dimensions[header].height = max(
            height_of((n, self.width(i) * 0.85) for i, n in enumerate(names, start=1)), 30.0
        )
        wrapped = [n for n, column in enumerate(columns, start=1) if column.look.wrap]
        widths = {n: self.width(n) for n in wrapped}
        styles = [self.book.style(column.look) for column in columns]
        for r, values in enumerate(rows):
            row = header + 1 + r
            for c, value in enumerate(values):
                apart = looks.get((r, c)) if looks else None
                self.styled(row, c + 1, value, self.book.style(apart) if apart else styles[c])
            if wrapped:
                height = height_of([(str(values[n - 1] or ""), widths[n]) for n in wrapped])
                if height > ROW_POINTS:
                    self.sheet.row_dimensions[row].height = height
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
        return range(header + 1, last + 1)


MORE_IS_DARKER = Rule(
    type="colorScale",
    colorScale=ColorScale(
        cfvo=[FormatObject(type="min"), FormatObject(type="max")], color=[Color("FFFFFF"), Color("7FB8DA")]
    ),
)


def distinct(names: Sequence[str]) -> list[str]:
    """Names that a table's header can hold: no two alike whatever their case, none empty."""
    seen: Counter[str] = Counter()
    found = []
    for name in names:
        key = name.strip().casefold()
        seen[key] += 1
        found.append(name if seen[key] == 1 and key else f"{name} ({seen[key]})")
    return found


def height_of(texts: Iterable[tuple[str, float]]) -> float:
    """Row height for wrapped texts in columns of some widths, in points."""
    most = max(wrapped_lines(text, max(int((width - 2.0) * 1.15), 1)) for text, width in texts)
    return 2.0 + 13.0 * most if most > 1 else ROW_POINTS


@lru_cache(maxsize=4096)
def wrapped_lines(text: str, letters: int) -> int:
    """Lines that a text takes in so many letters, broken between words where it can."""
    return sum(max(1, len(textwrap.wrap(line, letters))) for line in text.split("\n"))


# -- what the sheets share -------------------------------------------------------------------------------


class Facts:
    """What several sheets need of a study, worked out once."""

    def __init__(self, study: Study) -> None:
        self.study = study
        self.sections = {s.name: s for s in study.tree.sections}

    @property
    def has_set(self) -> bool:
        return self.study.recommended.size_index is not None

    @cached_property
    def paths(self) -> pd.DataFrame:
        return tables.paths(self.study)

    @cached_property
    def worst_by_run(self) -> pd.DataFrame:
        """The row of ``paths`` with the least slack of each run, tightest first."""
        frame = self.paths
        if frame.empty:
            return frame
        worst = frame.loc[frame.groupby("run", sort=False)["slack_pct"].idxmin()]
        return worst.sort_values("slack_pct", kind="stable", ignore_index=True)

    @property
    def unit(self) -> str:
        return "USD" if self.study.cost_unit == "USD" else "ft2 of duct wall"

    def money(self, amount: float) -> str:
        return f"{amount:,.0f} {self.unit}"

    def room(self, section: Section) -> str:
        only = f" ({section.season} only)" if section.season else ""
        return tables.room_text(section) + only

    def part(self, section: Section) -> str:
        return f"{section.side} {section.role}"


def turned(mirrored: bool) -> str:
    return "mirrored" if mirrored else "as drawn"


def named(words: Sequence[str], most: int = 6) -> str:
    """Words in a row, the rest counted."""
    if len(words) <= most:
        return ", ".join(words)
    return ", ".join(words[:most]) + f" and {len(words) - most} more"


def counted(number: int, word: str, plural: str = "") -> str:
    return f"{number} {word if number == 1 else plural or word + 's'}"


def frame_rows(frame: pd.DataFrame, columns: Sequence[str]) -> list[list[Value]]:
    """A DataFrame's columns as rows of plain values."""
    return [list(row) for row in zip(*([plain(v) for v in frame[c].tolist()] for c in columns), strict=True)]


# -- the sheets ------------------------------------------------------------------------------------------


def write_workbook(study: Study, path: Path, pictures: Mapping[str, Path] | None = None) -> None:
    """Write the workbook of a study.

    Parameters
    ----------
    pictures : name -> PNG file, as ``draw_pictures`` returns them; those that are missing are left out
    """
    shown = pictures or {}
    facts = Facts(study)
    book = Book(study)
    answer = book.sheet("Answer", ANSWER_WIDTHS if facts.has_set else NO_ANSWER_WIDTHS, portrait=True)
    if facts.has_set:
        _sizes(book, facts)
    if "duct_tree" in shown:
        _picture(
            book,
            "Duct tree",
            "From the air handler on the left to the rooms on the right, with each section's size and "
            "airflow. The airflow is the largest over all variants, so sections need not add up to those "
            "before them.",
            shown["duct_tree"],
        )
    lengths = _lengths(book, facts)
    _pencil_check(book, facts, lengths)
    if facts.has_set:
        _tightest(book, facts)
        _all_variants(book, facts)
    _rooms_by_front(book, facts)
    if "orientation" in shown:
        _picture(
            book,
            "Rooms picture",
            "How far each room's airflow turns with the house; the most sensitive room at the top.",
            shown["orientation"],
        )
    _flex_products(book, facts)
    if facts.has_set:
        _fronts(book, facts)
    if facts.has_set:
        _sizes_and_cost(book, facts)
        _spare_air(book, facts)
    _findings(book, facts)
    _basis(book, facts)
    # Last, because it lists the sheets there are.
    _answer(answer, facts)
    _save(book, path)


ANSWER_WIDTHS = (23, 15, 11, 11, 13, 42)
NO_ANSWER_WIDTHS = (23, 18, 12, 12, 50)
ABOUT_SHEETS = {
    "Answer": "what to build, what it costs, what to watch",
    "Sizes": "every section: the size to install, and the size that each front alone would get",
    "Duct tree": "a picture of the runs with their sizes and airflow",
    "Lengths": "straight lengths and fittings: the inputs of the pencil check",
    "Pencil check": "each run from the air handler to the room, with live formulas",
    "Tightest": "each run in the variant that leaves it the least pressure",
    "All variants": "pressure and velocity of each run in every variant",
    "Rooms by front": "how each room's airflow turns with the house",
    "Rooms picture": "the same, as a picture",
    "Flex products": "what each approved flex product would need",
    "Price of each front": "what it costs that one set covers every front",
    "Sizes and cost": "what a shorter stock list costs",
    "Spare air": "how much more air each run could carry",
    "Findings": "what to look at before building",
    "Basis": "method, limits, sources, cautions",
}


def _answer(page: Page, facts: Facts) -> None:
    study, plan = facts.study, facts.study.plan
    across = len(ANSWER_WIDTHS if facts.has_set else NO_ANSWER_WIDTHS)
    page.title(f"{plan.name}: duct sizes", covers(study), across)
    page.row += 1
    if not facts.has_set:
        _no_answer(page, facts, across)
    else:
        _what_to_build(page, facts, across)
        _what_to_watch(page, facts, across)
        _case_for_it(page, facts, across)
    _found(page, facts, across)
    page.heading("Cautions", across)
    for caution in CAUTIONS:
        page.paragraph(caution, across)
    page.row += 1
    page.heading("Sheets", across)
    for sheet in page.book.book.worksheets[1:]:
        cell = page.put(page.row, 1, sheet.title, LINK)
        cell.hyperlink = Hyperlink(ref=cell.coordinate, location=f"'{sheet.title}'!A1")
        page.put(page.row, 2, ABOUT_SHEETS[sheet.title])
        page.row += 1


def covers(study: Study) -> str:
    """Which variants the one set is for, in words."""
    plan = study.plan
    parts = [
        counted(len(plan.front_faces), "front face") + f" ({', '.join(plan.front_faces)})",
        " and ".join(turned(m) for m in plan.mirrored),
        " and ".join(plan.seasons),
    ]
    flex = [f for f in plan.flex if f]
    if flex:
        parts.append(counted(len(flex), "flex product") + f" ({', '.join(flex)})")
    number = len(study.variants.variants)
    start = "One size set" if study.size_set else "Wanted: one size set"
    return f"{start} for {counted(number, 'variant')} of the house: {'; '.join(parts)}."


def status_text(facts: Facts) -> str:
    """What is proven, in plain words."""
    study = facts.study
    best, least, within = study.recommended, study.least_cost, study.plan.standardize_within_pct
    if best.size_index is None:
        if study.status == "infeasible":
            return "No size set on offer keeps every limit in every variant. This is proven, not a guess."
        return "Time ran out before any size set was found. None is known to hold; run it again with more time."
    holds = "Holds in every variant: each limit was checked again apart from the search."
    over = 100.0 * (best.cost / least.cost - 1.0) if least.cost > 0.0 else 0.0
    if study.status == "optimal" and over <= within + 1e-6:
        return (
            f"{holds} Proven: no set with fewer distinct sizes costs at most {within:g} % over the least "
            f"cost, and none with {best.distinct_sizes} or fewer costs less than this one."
        )
    if study.status == "optimal":
        return f"{holds} Proven: the least cost with at most {counted(best.distinct_sizes, 'distinct size')}."
    bound = least.bound
    gap = 100.0 * (1.0 - bound / best.cost) if best.cost > 0.0 and math.isfinite(bound) else math.inf
    if not math.isfinite(gap):
        return f"{holds} Not proven to be the cheapest: time ran out."
    return (
        f"{holds} Not proven to be the best: time ran out. No set that holds can cost less than "
        f"{facts.money(bound)}, so at most {gap:.1f} % could still be saved; fewer distinct sizes may do."
    )


def _what_to_build(page: Page, facts: Facts, across: int) -> None:
    study = facts.study
    best, least = study.recommended, study.least_cost
    page.heading("What to build and what it costs", across)
    number = len(study.variants.variants)
    page.put(
        page.row,
        1,
        f"{counted(best.distinct_sizes, 'distinct size')}, {facts.money(best.cost)}, for all {number} variants"
        if number > 1
        else f"{counted(best.distinct_sizes, 'distinct size')}, {facts.money(best.cost)}",
        HEADLINE,
    )
    page.sheet.row_dimensions[page.row].height = 22
    page.row += 1
    page.fact("Status", status_text(facts), across)
    over = 100.0 * (best.cost / least.cost - 1.0) if least.cost > 0.0 else 0.0
    against = (
        f" The least possible with any number of sizes is {facts.money(least.cost)} "
        f"with {least.distinct_sizes} sizes; the shorter stock list costs {over:.1f} % more."
        if over > 0.005
        else " No set that holds costs less."
        if least.status == "optimal"
        else ""
    )
    what = "Cost of the duct" if study.cost_unit == "USD" else "Duct wall (no prices)"
    priced = " Straight duct only: fittings and labor are not priced." if study.cost_unit == "USD" else ""
    page.fact(what, f"{facts.money(best.cost)}.{against}{priced}", across)
    page.fact(
        "Distinct sizes to stock",
        f"{best.distinct_sizes}, counted for each kind and shape of duct. The list below is the whole set: "
        "build every lot of this plan from it.",
        across,
    )
    page.row += 1
    page.table(
        [
            Column("Duct"),
            Column("Shape"),
            Column("Size, in", CHOSEN),
            Column("Length, ft", TENTHS),
            Column("Cost, USD" if study.cost_unit == "USD" else "Wall, ft2", MONEY),
            Column("Sections in this size", TEXT),
        ],
        stock_rows(study),
    )


def stock_rows(study: Study) -> list[list[Value]]:
    """Kind, shape, size, feet, cost and sections of each distinct size: what purchasing orders by."""
    index = study.recommended.size_index
    assert index is not None
    groups: dict[tuple[str, str, int], list[int]] = {}
    for i, section in enumerate(study.tree.sections):
        groups.setdefault((section.kind, section.shape, int(index[i])), []).append(i)
    order = sorted(groups, key=lambda key: (key[0], key[1], study.table.sizes[key[2]].diameter_in))
    rows: list[list[Value]] = []
    for kind, shape, k in order:
        members = groups[kind, shape, k]
        sections = [study.tree.sections[i] for i in members]
        ducts = sorted({s.duct for s in sections})
        rows.append(
            [
                FLEX if kind == FLEX else ", ".join(ducts),
                shape,
                size_value(study.table.sizes[k].label),
                round(sum(s.length_ft for s in sections), 2),
                round(float(sum(study.table.cost[i, k] for i in members)), 2),
                ", ".join(s.name for s in sections),
            ]
        )
    return rows


def _what_to_watch(page: Page, facts: Facts, across: int) -> None:
    study = facts.study
    page.heading("What drives it and what to watch", across)
    page.fact("What drives the sizes", drivers_text(study), across)
    worst = facts.worst_by_run
    if not worst.empty:
        columns = ("run", "room", "slack_inwc", "slack_pct")
        tight = [
            f"{run} ({room}): {max(spare, 0.0):.3f} inWC to spare, {part:.1f} %"
            for run, room, spare, part in zip(*(worst[c].head(3).tolist() for c in columns), strict=True)
        ]
        page.fact("Least pressure to spare", "; ".join(tight) + ". All runs: sheet Tightest.", across)
    index = study.recommended.size_index
    assert index is not None
    speed = at_sizes(study.table.velocity_fpm, index).max(axis=0)
    limit = study.table.sections.velocity_limit_fpm
    fastest = np.argsort(-(speed / limit), kind="stable")[:3]
    page.fact(
        "Fastest air",
        "; ".join(f"{study.tree.sections[i].name}: {speed[i]:.0f} of {limit[i]:.0f} fpm" for i in fastest) + ".",
        across,
    )
    page.row += 1


def drivers_text(study: Study) -> str:
    """Which fronts, seasons and products decide the sizes."""
    decided = [d for d in study.drivers if d.reason is Reason.VARIANTS]
    by_reason = Counter(d.reason for d in study.drivers)
    parts = []
    if decided:
        parts.append(
            f"{counted(len(decided), 'section')} of {len(study.drivers)} could be smaller but for some "
            "variants. The variant that breaks worst has "
            + "; ".join(
                ", ".join(f"{name} {number}" for name, number in Counter(values).most_common() if name)
                for values in (
                    [f"front {d.variants[0].front_faces}" for d in decided],
                    [d.variants[0].season for d in decided],
                    [d.variants[0].flex for d in decided],
                )
                if any(values)
            )
            + " (number of sections)."
        )
    for reason, words in (
        (Reason.CHILD, "because a section beyond is as large"),
        (Reason.STANDARD, "larger than needed, for a shorter stock list or at no extra cost"),
        (Reason.SMALLEST, "at the smallest size on offer"),
    ):
        if by_reason[reason]:
            parts.append(f"{counted(by_reason[reason], 'section')} {words}.")
    return " ".join(parts)


def _case_for_it(page: Page, facts: Facts, across: int) -> None:
    study = facts.study
    single = study.single
    page.heading("If only one orientation had been looked at", across)
    page.paragraph(case_text(facts), across)
    if single.breaches:
        page.row += 1
        frame = tables.single_orientation(study)
        rows: list[list[Value]] = [
            [
                f"{section} ({room})" if room else section,
                f"{limit}, {unit}",
                int(number),
                plain(amount),
                plain(allowed),
                f"{worst}: {over:.0f} % over",
            ]
            for section, room, limit, number, amount, allowed, over, unit, worst in zip(
                *(frame[c].tolist() for c in (
                    "section", "room", "limit", "variants", "amount", "allowed", "over_pct", "unit",
                    "worst_variant",
                )),
                strict=True,
            )
        ]  # fmt: skip
        page.table(
            [
                Column("Section or run", TEXT),
                Column("Limit broken"),
                Column("Variants out", WHOLE),
                Column("Comes to", WHOLE),
                Column("Allowed", WHOLE),
                Column("Worst case", TEXT),
            ],
            rows,
            {
                (r, c): THOUSANDTHS if unit == "inWC" else TENTHS
                for r, unit in enumerate(frame["unit"].tolist())
                for c in (3, 4)
                if unit != "fpm"
            },
        )
    else:
        page.row += 1


def case_text(facts: Facts) -> str:
    """What a set drawn for one orientation would leave out of limits, in a few sentences."""
    study = facts.study
    single, first_flex = study.single, study.variants.variants[0].flex
    looked = f"front {single.front_faces}, {turned(single.mirrored)}" + (f", {first_flex}" if first_flex else "")
    start = f"A set drawn by the friction-rate method for {looked} alone (the most total airflow)"
    cost = f" costs {facts.money(single.cost)}" if math.isfinite(single.cost) else ""
    if not single.breaches:
        return f"{start}{cost} and holds in all variants."
    out: set[Variant] = set()
    for breach in single.breaches:
        out |= set(study.variants.variants) if breach.variant is None else {breach.variant}
    names = list(dict.fromkeys(b.section for b in single.breaches))
    rooms = list(
        dict.fromkeys(room for n in names if facts.sections[n].side != "return" for room in facts.sections[n].rooms)
    )
    returns = [n for n in names if facts.sections[n].side == "return" and facts.sections[n].is_run]
    others = [n for n in names if not facts.sections[n].is_run]
    what = [
        words
        for number, words in (
            (len(rooms), f"{counted(len(rooms), 'room')} ({named(rooms)})"),
            (len(returns), f"{counted(len(returns), 'return')} ({named(returns)})"),
            (len(others), f"{counted(len(others), 'shared section')} ({named(others)})"),
        )
        if number
    ]
    return (
        f"{start}{cost} and leaves out of limits {' and '.join(what)}, in {len(out)} of "
        f"{counted(len(study.variants.variants), 'variant')}."
    )


def _no_answer(page: Page, facts: Facts, across: int) -> None:
    study = facts.study
    page.heading("No size set to build", across)
    page.fact("Status", status_text(facts), across, replace(TEXT, bold=True))
    page.row += 1
    if study.status != "infeasible":
        return
    page.heading("Why", across)
    frame = tables.conflicts(study)
    for what in frame["what"].tolist():
        page.paragraph(f"• {what}", across)
    if not len(frame):
        page.paragraph("The limits can't all be kept at once.", across)
    page.row += 1
    page.heading("Ways out that were tried, each by sizing the plan again", across)
    found = tables.ways_out(study)
    rows: list[list[Value]] = [
        [
            kind,
            "a set holds" if holds else "does not help",
            plain(cost) if holds else None,
            int(number) if holds else None,
            change,
        ]
        for kind, change, holds, cost, number in zip(*(found[c].tolist() for c in found.columns), strict=True)
    ]
    page.table(
        [
            Column("Kind of change", TEXT),
            Column("Result", TEXT),
            Column("Cost, USD" if study.cost_unit == "USD" else "Wall, ft2", MONEY),
            Column("Distinct sizes", WHOLE),
            Column("Change", TEXT),
        ],
        rows,
        {(r, 1): replace(TEXT, bold=True, fill=GOOD_FILL) for r, row in enumerate(rows) if row[2] is not None},
        nothing="No change was found worth a try.",
    )


def _found(page: Page, facts: Facts, across: int) -> None:
    findings = facts.study.findings
    page.heading("Findings", across)
    if not findings:
        page.paragraph("Nothing found to point at.", across)
        page.row += 1
        return
    numbers = Counter(f.severity for f in findings)
    page.paragraph(
        ", ".join(counted(numbers[s], s.word) for s in sorted(numbers)) + ". All of them: sheet Findings.",
        across,
    )
    for finding in findings[:8]:
        page.fact(finding.severity.word.capitalize(), f"{finding.subject}: {finding.message}.", across)
    page.row += 1


def _sizes(book: Book, facts: Facts) -> None:
    study, faces = facts.study, facts.study.plan.front_faces
    page = book.sheet("Sizes")
    columns = [
        Column("Section", LABEL, 9),
        Column("From", TEXT, 11),
        Column("Part", TEXT, 14),
        Column("Duct", TEXT, 20),
        Column("Length, ft", TENTHS, 8),
        Column("Room", TEXT, 18),
        Column("Install, in", CHOSEN, 8.5),
        *(Column(f"Front {face}, in", SIZE, 7.5) for face in faces),
        Column("Most air, cfm", WHOLE, 8),
        Column("Fastest, fpm", WHOLE, 8.5),
        Column("Limit, fpm", WHOLE, 8),
        Column("Why not smaller", TEXT, 34),
    ]
    for number, column in enumerate(columns, start=1):
        page.sheet.column_dimensions[get_column_letter(number)].width = column.width
    page.title(
        f"{study.plan.name}: size of each section",
        "Build the column Install for every lot. Beside it, the size that each front alone would get by the "
        "friction-rate method (the larger of its mirrors, seasons and flex products; empty where no size "
        "does). That method holds each section to one friction rate; the standard set holds the pressure "
        "lost along the whole run, so a section may be smaller than a front's own size where others make up "
        "for it, and larger where that shortens the stock list. Sheet Pencil check adds it up.",
        len(columns),
    )
    for value, look, words in (
        (7, CHOSEN, "boxed: the standard size, install this"),
        (8, LARGER, "arrow up: this front alone would get a larger size than the standard"),
        (6, SMALLER, "arrow down: this front alone would get a smaller size than the standard"),
    ):
        page.put(page.row, 1, value, look)
        page.put(page.row, 2, words)
        page.row += 1
    page.row += 1
    diameter = {size.label: size.diameter_in for size in study.table.sizes}
    frame = tables.size_schedule(study)
    rows: list[list[Value]] = []
    looks: dict[tuple[int, int], Look] = {}
    for r, record in enumerate(frame.to_dict("records")):
        section = facts.sections[record["section"]]
        for f, face in enumerate(faces):
            own = record[face]
            if own and abs(diameter[own] - diameter[record["size"]]) > 1e-9:
                looks[r, 7 + f] = LARGER if diameter[own] > diameter[record["size"]] else SMALLER
        rows.append(
            [
                section.name,
                record["from"],
                facts.part(section),
                section.duct,
                section.length_ft,
                facts.room(section),
                size_value(record["size"]),
                *(size_value(record[face]) for face in faces),
                *(
                    plain(record[c])
                    for c in ("highest_airflow_cfm", "highest_velocity_fpm", "velocity_limit_fpm", "why")
                ),
            ]
        )
    page.table(columns, rows, looks, freeze=1)


def _picture(book: Book, name: str, caption: str, picture: Path) -> None:
    """A sheet for one picture: on a sheet with a list it would be cut by the end of a page."""
    page = book.sheet(name, (12,) * 12)
    page.title(name, caption, 12)
    page.row += 1
    page.sheet.page_setup.fitToHeight = 1
    # From memory, so that no file stays open until the workbook is saved.
    image = Image(io.BytesIO(picture.read_bytes()))
    scale = min(1.0, PICTURE_PIXELS / image.width)
    image.width, image.height = round(image.width * scale), round(image.height * scale)
    page.sheet.add_image(image, f"A{page.row}")


@dataclass(frozen=True, slots=True)
class LengthCells:
    """Where the sheet Lengths keeps a plan's inputs: rows by section, cells by side."""

    first_row: Mapping[str, int]  # the straight length; the fittings follow
    items: Mapping[str, int]
    available: Mapping[str, str]


LENGTH_COLUMNS = (
    Column("Section", LABEL),
    Column("Item"),
    Column("Count", replace(INPUT, number_format="0")),
    Column("Feet each", INPUT),
    Column("Feet", TENTHS),
    Column("Loss coefficient each", replace(INPUT, number_format="0.0##")),
    Column("Loss coefficient", HUNDREDTHS),
    Column("Source", TEXT),
)


def _lengths(book: Book, facts: Facts) -> LengthCells:
    study, plan = facts.study, facts.study.plan
    page = book.sheet("Lengths", (12, 30, 9, 12, 12, 14, 14, 46))
    page.title(
        "Lengths and fittings: inputs of the pencil check",
        "Yellow cells are inputs: change one and this sheet and Pencil check follow at once. Sizes, airflow "
        "and friction inside a size were worked out by the program and do not move: after a change, run the "
        "study again.",
        8,
    )
    available = {}
    for side in dict.fromkeys(s.side for s in study.tree.sections):
        page.put(page.row, 1, f"Available static pressure, {side} ducts, inWC", Look(bold=True))
        page.put(page.row, 4, plan.available_inwc(side), replace(INPUT, number_format="0.000"))
        available[side] = f"Lengths!$D${page.row}"
        page.row += 1
    page.row += 1
    rows: list[list[Value]] = []
    worked: list[tuple[float, float]] = []  # what the formulas come to: feet, loss coefficient
    first_row: dict[str, int] = {}
    items: dict[str, int] = {}
    top = page.row + 1
    for section in study.tree.sections:
        first_row[section.name] = top + len(rows)
        items[section.name] = 1 + len(section.fittings)
        rows.append([section.name, "straight duct", 1, section.length_ft, None, 0, None, None])
        worked.append((section.length_ft, 0.0))
        for name, count in section.fittings:
            fitting = plan.fittings[name]
            feet, coefficient = fitting.equivalent_length_ft, fitting.loss_coefficient
            rows.append([section.name, name, count, feet, None, coefficient, None, fitting.source])
            worked.append((count * feet, count * coefficient))
    looks: dict[tuple[int, int], Look] = {}
    begins = set(first_row.values())
    for r in range(len(rows)):
        line = top + r in begins
        for c, column in enumerate(LENGTH_COLUMNS):
            if line:
                looks[r, c] = replace(column.look, top_line=True)
    page.table(LENGTH_COLUMNS, rows, looks, freeze=2)
    for r in range(len(rows)):
        row, line = top + r, top + r in begins
        feet, coefficient = worked[r]
        page.formula(row, 5, f"=C{row}*D{row}", feet, replace(TENTHS, top_line=line))
        page.formula(row, 7, f"=C{row}*F{row}", coefficient, replace(HUNDREDTHS, top_line=line))
    return LengthCells(first_row=first_row, items=items, available=available)


PENCIL_COLUMNS = (
    Column("Section", width=9),
    Column("Item", width=25),
    Column("Count", width=7),
    Column("Feet each", width=8),
    Column("Feet", width=9),
    Column("Worst variant of the section", width=33),
    Column("Air, cfm", width=8),
    Column("Friction rate to use", width=9),
    Column("Exact round, in", width=8),
    Column("Next standard, in", width=10),
    Column("Install, in", width=9),
    Column("Air, cfm", width=8),
    Column("Velocity, fpm", width=9),
    Column("Friction in this size, per 100 ft", width=11),
    Column("Compression, times", width=14),
    Column("Velocity pressure, inWC", width=10),
    Column("Lost, inWC", width=9),
)
NUMBERS_BY_HAND = 10  # columns up to here need no size set
PENCIL_GROUPS = (
    (1, 5, "Length of the run"),
    (6, 10, "By friction rate, in the worst variant of each section"),
    (11, 17, "Pressure lost in the installed sizes, in the run's tightest variant"),
)
PENCIL_HEADER_POINTS = 60.0
GROUP = Look(bold=True, fill=BAND_FILL, align="center", box=True)
COMPUTED = Look(fill=COMPUTED_FILL, italic=True)


def _pencil_check(book: Book, facts: Facts, lengths: LengthCells) -> None:
    """A block a run: its lengths and friction rate, then what it loses in the chosen sizes."""
    tree = facts.study.tree
    columns = PENCIL_COLUMNS if facts.has_set else PENCIL_COLUMNS[:NUMBERS_BY_HAND]
    page = book.sheet("Pencil check", [c.width for c in columns])
    page.title(
        "Pencil check of each run",
        "Left: straight length and fittings from the air handler to the room add up to the total effective "
        "length; friction rate = 100 x available static pressure / total effective length; a section that "
        "several runs share uses the lowest friction rate of the runs that are open then. "
        + (
            "Right: what the run loses in the installed sizes in its tightest variant; for each section, "
            "friction x (straight feet x compression + fitting feet) / 100 + loss coefficients x velocity "
            "pressure. That sum decides, not the friction rate: so a section may be a size smaller or larger "
            "than the next standard size."
            if facts.has_set
            else "No size set holds, so there is no installed size to check."
        )
        + " The next standard size also keeps the velocity limit; a rectangular one counts by its equivalent "
        "round.",
        len(columns),
    )
    page.put(page.row, 1, "Plain cells are live and follow sheet Lengths.", Look(bold=True))
    for at in range(6, 11):
        page.put(page.row, at, None, COMPUTED)
    page.put(page.row, 6, "Grey and italic: worked out by the program; does not move.", COMPUTED)
    page.row += 1
    for first, last, words in PENCIL_GROUPS:
        if first <= len(columns):
            for at in range(first, last + 1):
                page.put(page.row, at, None, GROUP)
            page.put(page.row, first, words, GROUP)
            page.sheet.merge_cells(start_row=page.row, end_row=page.row, start_column=first, end_column=last)
    page.row += 1
    header = page.row
    for number, column in enumerate(columns, start=1):
        page.put(header, number, column.header, HEADER)
    page.sheet.row_dimensions[header].height = PENCIL_HEADER_POINTS - ROW_POINTS
    page.sheet.freeze_panes = f"C{header + 1}"
    page.sheet.print_title_rows = f"{header - 1}:{header}"
    # Excel heeds page breaks only where a scale is set, not where it fits the sheet to a page.
    inches = sum(c.width * 7.0 + 5.0 for c in columns) / 96.0
    scale = max(10, min(100, math.floor(100.0 * 9.9 / inches)))
    page.sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=False)
    page.sheet.page_setup.scale = scale
    page.sheet.page_setup.fitToWidth = page.sheet.page_setup.fitToHeight = None

    starts: list[int] = []
    at = header + 1
    for p in range(len(tree.runs)):
        starts.append(at)
        at += 1 + sum(lengths.items[tree.sections[i].name] for i in tree.walk(p)) + 4
    rate_cell = [
        f"E{start + 1 + sum(lengths.items[tree.sections[i].name] for i in tree.walk(p)) + 2}"
        for p, start in enumerate(starts)
    ]
    room_on_page = PAGE_POINTS * 100.0 / scale
    used = sum(page.sheet.row_dimensions[r].height or ROW_POINTS for r in range(1, header + 1))
    for p, start in enumerate(starts):
        end = starts[p + 1] if p + 1 < len(starts) else at
        height = (end - start) * ROW_POINTS
        if used + height > room_on_page and p:
            page.sheet.row_breaks.append(Break(id=start - 1))
            used = PENCIL_HEADER_POINTS
        used += height
        _pencil_block(page, facts, lengths, p, start, rate_cell)


def lowest(cells: Sequence[str]) -> str:
    """A formula for the least of some cells, however many."""
    groups = [cells[i : i + MOST_ARGUMENTS] for i in range(0, len(cells), MOST_ARGUMENTS)]
    parts = [f"MIN({','.join(group)})" for group in groups]
    return "=" + (parts[0] if len(parts) == 1 else f"MIN({','.join(parts)})")


def worst_by_hand(study: Study, section: int) -> int | None:
    """The variant in which the friction-rate method asks for the largest size; None where nothing flows."""
    hand = study.hand
    live = np.isfinite(hand.section_friction_rate[:, section])
    live &= study.variants.airflow_cfm[:, section] > 0.0
    if not live.any():
        return None
    own = hand.own_size[:, section]
    own = np.where(own < 0, len(study.table.sizes), own)  # none fits: worse than any
    exact = np.nan_to_num(hand.exact_diameter_in[:, section], nan=np.inf)
    candidates = np.flatnonzero(live)
    return int(candidates[np.lexsort((-np.round(exact[candidates], 6), -own[candidates]))[0]])


def _pencil_block(page: Page, facts: Facts, lengths: LengthCells, p: int, start: int, rate_cell: Sequence[str]) -> None:
    study = facts.study
    tree, hand, run = study.tree, study.hand, study.tree.runs[p]
    columns = len(PENCIL_COLUMNS) if facts.has_set else NUMBERS_BY_HAND
    tightest = _tightest_variant(study, p)
    words = f"{run.name}: {run.side} run, {facts.room(run)}"
    for column in range(1, columns + 1):
        page.put(start, column, None, HEADING)
    page.put(start, 1, words, HEADING)
    if tightest is not None:
        page.put(start, 11, f"Tightest: {study.variants.variants[tightest]}", replace(HEADING, points=10.0))
    row = start + 1
    for i in tree.walk(p):
        section = tree.sections[i]
        source = lengths.first_row[section.name]
        number = lengths.items[section.name]
        names = ["straight duct", *(name for name, _ in section.fittings)]
        counts = [1, *(count for _, count in section.fittings)]
        each = [section.length_ft, *(study.plan.fittings[n].equivalent_length_ft for n in names[1:])]
        for j in range(number):
            line = j == 0
            at = row + j
            page.put(at, 1, section.name if line else None, replace(SHORT, bold=True, top_line=line))
            page.put(at, 2, names[j], replace(SHORT, top_line=line))
            page.formula(at, 3, f"=Lengths!C{source + j}", counts[j], Look("0", top_line=line))
            page.formula(at, 4, f"=Lengths!D{source + j}", each[j], Look("#,##0.0##", top_line=line))
            page.formula(at, 5, f"=C{at}*D{at}", counts[j] * each[j], replace(TENTHS, top_line=line))
            if line:
                for column in range(6, columns + 1):
                    page.put(at, column, None, replace(SHORT, top_line=True))
        _hand_cells(page, study, i, row, rate_cell)
        if tightest is not None:
            _loss_cells(page, study, i, tightest, row, number, source)
        row += number
    total, available, rate = row, row + 1, row + 2
    length, share = float(hand.total_effective_length_ft[p]), float(hand.path_friction_rate[p])
    pressure = study.plan.available_inwc(run.side)
    bold, top = Look(bold=True), Look(bold=True, top_line=True)
    for column in range(1, columns + 1):
        page.put(total, column, None, top)
    page.put(total, 2, "Total effective length, ft", top)
    page.formula(total, 5, f"=SUM(E{start + 1}:E{row - 1})", length, replace(TENTHS, bold=True, top_line=True))
    page.put(available, 2, "Available static pressure, inWC", bold)
    page.formula(available, 5, f"={lengths.available[run.side]}", pressure, replace(THOUSANDTHS, bold=True))
    page.put(rate, 2, "Friction rate, inWC/100 ft", bold)
    page.formula(
        rate,
        5,
        f'=IF(E{total}>0,100*E{available}/E{total},"")',
        share if math.isfinite(share) else "",
        replace(THOUSANDTHS, bold=True),
    )
    page.put(total, 6, "In the study, ft", replace(COMPUTED, top_line=True))
    page.put(total, 7, plain(length), replace(COMPUTED, number_format="#,##0.0", top_line=True))
    page.put(rate, 6, "In the study, inWC/100 ft", COMPUTED)
    page.put(rate, 7, plain(share), replace(COMPUTED, number_format="0.000"))
    if math.isfinite(share):
        page.formula(
            rate,
            8,
            f'=IF(ABS(E{rate}-G{rate})>{SAME_RATE},"changed: run the study again","as in the study")',
            "as in the study",
            Look(italic=True),
        )
    if tightest is not None and study.verification is not None:
        lost = float(study.verification.path_loss_inwc[run.name][tightest])
        last = columns
        letter = get_column_letter(last)
        page.put(total, last - 3, "Lost along the run, inWC", top)
        page.formula(
            total, last, f"=SUM({letter}{start + 1}:{letter}{row - 1})", lost,
            replace(TEN_THOUSANDTHS, bold=True, top_line=True),
        )  # fmt: skip
        page.put(available, last - 3, "Available, inWC", bold)
        page.formula(available, last, f"=E{available}", pressure, replace(TEN_THOUSANDTHS, bold=True))
        page.put(rate, last - 3, "To spare, inWC", bold)
        page.formula(
            rate, last, f"={letter}{available}-{letter}{total}", pressure - lost,
            replace(TEN_THOUSANDTHS, bold=True),
        )  # fmt: skip


def _tightest_variant(study: Study, p: int) -> int | None:
    if study.verification is None:
        return None
    loss = study.verification.path_loss_inwc[study.tree.runs[p].name]
    return None if np.isnan(loss).all() else int(np.nanargmax(np.round(loss, 12)))


def _hand_cells(page: Page, study: Study, i: int, row: int, rate_cell: Sequence[str]) -> None:
    """The friction-rate method of one section in its worst variant."""
    v = worst_by_hand(study, i)
    if v is None:
        page.put(row, 6, "carries no air", replace(COMPUTED, top_line=True))
        return
    hand, own = study.hand, study.hand.own_size[v, i]
    number = replace(COMPUTED, top_line=True)
    through: list[int] = np.flatnonzero(study.tree.path[:, i] & study.variants.open_run[v]).tolist()
    page.put(row, 6, str(study.variants.variants[v]), replace(number, points=9.0))
    page.put(row, 7, plain(study.variants.airflow_cfm[v, i]), replace(number, number_format="#,##0.0"))
    page.formula(
        row,
        8,
        lowest([rate_cell[p] for p in through]),
        float(hand.section_friction_rate[v, i]),
        replace(THOUSANDTHS, top_line=True),
    )
    page.put(row, 9, plain(hand.exact_diameter_in[v, i]), replace(number, number_format="0.00"))
    label = study.table.sizes[own].label if own >= 0 else "none does"
    page.put(row, 10, size_value(label), replace(number, align="center"))


def _loss_cells(page: Page, study: Study, i: int, v: int, row: int, items: int, source: int) -> None:
    """What one section loses in its installed size in one variant."""
    index = study.recommended.size_index
    assert index is not None
    assert study.verification is not None
    size, ducts = study.table.sizes[index[i]], study.table.ducts
    flow = float(study.variants.airflow_cfm[v, i])
    speed = flow / size.area_ft2
    friction = float(
        friction_rate_inwc_per_100ft(flow, size.diameter_in, ducts.roughness_ft[v, i], study.air, ducts.derate[v, i])
    )
    squeezed = float(compression_factor(ducts.compression_pct[v, i], size.diameter_in))
    pressure = float(velocity_pressure_inwc(speed, study.air))
    number = replace(COMPUTED, top_line=True)
    page.put(row, 11, size_value(size.label), replace(CHOSEN, top_line=True))
    for column, value, shown in (
        (12, flow, "#,##0.0"),
        (13, speed, "#,##0"),
        (14, friction, "0.0000"),
        (15, squeezed, "0.00"),
        (16, pressure, "0.0000"),
    ):
        page.put(row, column, round(value, 8), replace(number, number_format=shown))
    fittings = f"+SUM(E{row + 1}:E{row + items - 1})" if items > 1 else ""
    coefficients = f"SUM(Lengths!G{source}:G{source + items - 1})"
    page.formula(
        row,
        17,
        f"=N{row}*(E{row}*O{row}{fittings})/100+{coefficients}*P{row}",
        float(study.verification.loss_inwc[study.tree.sections[i].name][v]),
        replace(TEN_THOUSANDTHS, top_line=True),
    )


VARIANT_COLUMNS = (
    Column("Front faces", CENTRE, 8),
    Column("Mirrored", SHORT, 10),
    Column("Season", SHORT, 10),
    Column("Flex", SHORT, 12),
)


def variant_rows(frame: pd.DataFrame) -> list[list[Value]]:
    """The four variant columns in words."""
    words = frame[["front_faces", "season", "flex"]].copy()
    return [
        [face, turned(mirrored), season, flex or None]
        for face, mirrored, season, flex in zip(
            words["front_faces"].tolist(),
            frame["mirrored"].tolist(),
            words["season"].tolist(),
            words["flex"].tolist(),
            strict=True,
        )
    ]


PATH_COLUMNS = (
    Column("Run", LABEL, 9),
    Column("Room", SHORT, 20),
    Column("Side", SHORT, 8),
    *VARIANT_COLUMNS,
    Column("Air, cfm", TENTHS, 9),
    Column("Total effective length, ft", TENTHS, 11),
    Column("Friction rate, inWC/100 ft", THOUSANDTHS, 11),
    Column("Lost, inWC", TEN_THOUSANDTHS, 9),
    Column("Available, inWC", THOUSANDTHS, 11),
    Column("To spare, inWC", TEN_THOUSANDTHS, 9.5),
    Column("To spare, %", PER_CENT, 9.5),
    Column("Fastest section", CENTRE, 10),
    Column("Velocity, fpm", WHOLE, 10),
    Column("Limit, fpm", WHOLE, 9),
    Column("Velocity to spare, fpm", WHOLE, 10),
)


def _path_sheet(book: Book, name: str, lead: str, frame: pd.DataFrame, room: Look) -> None:
    columns = [replace(c, look=room) if c.header == "Room" else c for c in PATH_COLUMNS]
    page = book.sheet(name, [c.width for c in columns])
    page.title(name, lead, len(columns))
    first = frame_rows(frame, ["run", "room", "side"])
    rest = frame_rows(
        frame,
        [
            "airflow_cfm", "total_effective_length_ft", "friction_rate_inwc_per_100ft", "loss_inwc",
            "available_inwc", "slack_inwc", "slack_pct", "fastest_section", "velocity_fpm",
            "velocity_limit_fpm", "velocity_slack_fpm",
        ],
    )  # fmt: skip
    rows = [a + b + c for a, b, c in zip(first, variant_rows(frame), rest, strict=True)]
    body = page.table(columns, rows, freeze=1)
    if not rows:
        return
    spare, speed = f"M{body[0]}:N{body[-1]}", f"P{body[0]}:R{body[-1]}"
    page.mark(spare, f"$N{body[0]}<{TIGHT_SLACK_PCT}", TIGHT_FILL, bold=True)
    page.mark(spare, f"$N{body[0]}<{CLOSE_SLACK_PCT}", CLOSE_FILL)
    near = 1.0 - NEAR_VELOCITY_PCT / 100.0
    page.mark(speed, f"$P{body[0]}>{near}*$Q{body[0]}", TIGHT_FILL, bold=True)


SPARE_WORDS = (
    f"Bold on orange: under {TIGHT_SLACK_PCT:g} % of the pressure to spare, or within {NEAR_VELOCITY_PCT:g} "
    f"% of the velocity limit. Pale orange: under {CLOSE_SLACK_PCT:g} % to spare."
)


def _tightest(book: Book, facts: Facts) -> None:
    _path_sheet(
        book,
        "Tightest",
        "Each run in the variant that leaves it the least pressure, the tightest run first. To spare = "
        "available less what the run loses from the air handler to the room in the installed sizes; the "
        "velocity is of the same variant. " + SPARE_WORDS,
        facts.worst_by_run,
        TEXT,
    )


def _all_variants(book: Book, facts: Facts) -> None:
    _path_sheet(
        book,
        "All variants",
        "Each run in every variant in which it is open; filter by the arrows in the header. Fastest section: "
        f"the one closest to its velocity limit on the way to the room. {SPARE_WORDS}",
        facts.paths,
        SHORT,
    )


def _rooms_by_front(book: Book, facts: Facts) -> None:
    study, faces = facts.study, facts.study.plan.front_faces
    page = book.sheet("Rooms by front")
    columns = [
        Column("Room", LABEL, 22),
        Column("Season", SHORT, 10),
        *(Column(f"Front {face}, cfm", TENTHS, 9) for face in faces),
        Column("Smallest, cfm", TENTHS, 11),
        Column("Largest, cfm", replace(TENTHS, bold=True), 11),
        Column("Largest at front", CENTRE, 10),
        Column("Spread, %", PER_CENT, 10),
        Column("Size steps", Look("0", align="center"), 8),
    ]
    for number, column in enumerate(columns, start=1):
        page.sheet.column_dimensions[get_column_letter(number)].width = column.width
    page.title(
        "Airflow of each room by the way the front faces",
        "The room that turns most comes first. Each cell is the larger of as drawn and mirrored; smallest "
        "counts both. Spread: largest over smallest, less 100 %. Size steps: standard sizes between the "
        "smallest and the largest that the room's runs would get alone. Darker is more air within its row; "
        "the largest is bold.",
        len(columns),
    )
    frame = tables.rooms_by_face(study)
    rows = frame_rows(
        frame,
        ["room", "season", *faces, "smallest_cfm", "largest_cfm", "largest_at", "spread_pct", "size_steps"],
    )
    body = page.table(columns, rows, freeze=1)
    if len(faces) > 1:
        last = get_column_letter(2 + len(faces))
        for row in body:
            page.sheet.conditional_formatting.add(f"C{row}:{last}{row}", MORE_IS_DARKER)
        page.mark(f"C{body[0]}:{last}{body[-1]}", f"C{body[0]}=MAX($C{body[0]}:${last}{body[0]})", bold=True)


def _flex_products(book: Book, facts: Facts) -> None:
    study, plan = facts.study, facts.study.plan
    flex = [f for f in plan.flex if f]
    if not flex:
        return
    width = max(7, 4 + len(flex))
    page = book.sheet("Flex products", [16, 34] + [13] * (width - 2))
    page.title(
        "Flex products compared",
        "What each approved flex product would need, and what it costs that one set covers them all.",
        width,
    )
    page.row += 1
    page.heading("The products", width)
    page.table(
        [
            Column("Product", LABEL),
            Column("Source", TEXT),
            Column("Roughness, ft", Look("0.0000")),
            Column("Derate of airflow, %", PER_CENT),
            Column("Compression, %", PER_CENT),
        ],
        [
            [
                f, plan.ducts[f].source, plan.ducts[f].roughness_ft, plan.ducts[f].airflow_derate_pct,
                plan.ducts[f].compression_pct,
            ]
            for f in flex
        ],
    )  # fmt: skip
    if len(flex) > 1 and facts.has_set:
        page.heading("What covering each product costs", width)
        _covering(page, facts, "flex", width)
    page.heading("Size that each product alone would get by the friction-rate method", width)
    page.paragraph(
        "The largest over fronts, mirrors and seasons, for flex sections; empty where no size does. "
        "▲ larger and ▼ smaller than the installed size.",
        width,
        LEAD,
    )
    labels = study.size_set
    diameter = {size.label: size.diameter_in for size in study.table.sizes}
    rows: list[list[Value]] = []
    looks: dict[tuple[int, int], Look] = {}
    for i, section in enumerate(study.tree.sections):
        if section.duct != FLEX:
            continue
        own = [tables.own_size_label(study, i, study.variants.where(flex=f)) for f in flex]
        chosen = labels.get(section.name, "")
        for f, label in enumerate(own):
            if label and chosen and abs(diameter[label] - diameter[chosen]) > 1e-9:
                looks[len(rows), 3 + f] = LARGER if diameter[label] > diameter[chosen] else SMALLER
        flow = float(study.variants.airflow_cfm[:, i].max())
        rows.append([section.name, facts.room(section), plain(flow), *map(size_value, own)])
        if facts.has_set:
            rows[-1].append(size_value(chosen))
    page.table(
        [
            Column("Section", LABEL),
            Column("Room", TEXT),
            Column("Most air, cfm", WHOLE),
            *(Column(f"With {f}, in", SIZE) for f in flex),
            *([Column("Install, in", CHOSEN)] if facts.has_set else []),
        ],
        rows,
        looks,
        nothing="No section is made of flex.",
    )


def _fronts(book: Book, facts: Facts) -> None:
    if len(facts.study.plan.front_faces) < 2:
        return
    page = book.sheet("Price of each front", (16, 34, 14, 12, 14, 14, 14))
    page.title("What covering each front costs", COVERING_WORDS, 7)
    page.row += 1
    _covering(page, facts, "orientation", 7, freeze=1)


COVERING_WORDS = (
    "Each row sizes the plan again for some of the variants only. Against it stands the least-cost set for "
    "all variants, at the same prices; the difference is what covering the rest costs."
)


def _covering(page: Page, facts: Facts, kind: str, width: int, freeze: int | None = None) -> None:
    """What covering each orientation or flex product costs."""
    study = facts.study
    frame = tables.standardizing(study)
    if freeze is None:
        page.paragraph(COVERING_WORDS, width, LEAD)
    page.table(
        [
            Column("Covers", LABEL),
            Column("Leaves out"),
            Column(f"Least cost, {study.cost_unit}", MONEY),
            Column("Distinct sizes", WHOLE),
            Column(f"Set for all, {study.cost_unit}", MONEY),
            Column(f"Covering the rest, {study.cost_unit}", Look("#,##0.0", bold=True)),
            Column("Covering the rest, %", PER_CENT),
        ],
        frame_rows(
            frame[frame["kind"] == kind],
            ["covers", "left_out", "least_cost", "distinct_sizes", "standard_cost", "saving", "saving_pct"],
        ),
        freeze=freeze,
    )


def _sizes_and_cost(book: Book, facts: Facts) -> None:
    study = facts.study
    unit, within = study.cost_unit, study.plan.standardize_within_pct
    page = book.sheet("Sizes and cost", (12, 14, 16, 14, 18, 18), portrait=True)
    page.title(
        "What a shorter stock list costs",
        f"The least cost that holds in every variant, by the number of distinct sizes. The plan asks for the "
        f"fewest sizes within {within:g} % of the least cost.",
        6,
    )
    page.row += 1
    frame = tables.trade_off(study)
    ceiling = study.least_cost.cost * (1.0 + within / 100.0)
    rows: list[list[Value]] = [
        [
            int(number),
            plain(cost),
            plain(over),
            "proven" if proven else "best found",
            plain(cost) if chosen else None,
            plain(ceiling),
        ]
        for number, cost, over, proven, chosen in zip(
            *(frame[c].tolist() for c in ("distinct_sizes", "cost", "over_least_pct", "proven", "recommended")),
            strict=True,
        )
    ]
    looks = {
        (r, c): replace(MONEY if c else WHOLE, bold=True, fill=GOOD_FILL)
        for r, row in enumerate(rows)
        for c in (0, 1, 4)
        if row[4] is not None
    }
    header = page.row
    body = page.table(
        [
            Column("Distinct sizes", WHOLE),
            Column(f"Least cost, {unit}", MONEY),
            Column("Over the least, %", PER_CENT),
            Column("Status"),
            Column(f"This set, {unit}", MONEY),
            Column(f"Within {within:g} %, {unit}", MONEY),
        ],
        rows,
        looks,
        freeze=0,
        nothing="Time ran out before the trade-off was worked out.",
    )
    if len(rows) > 1:
        fewest, most = int(frame["distinct_sizes"].min()), int(frame["distinct_sizes"].max())
        page.sheet.add_chart(
            _cost_chart(page.sheet, header, body, unit, fewest, most, study.least_cost.cost), f"A{page.row}"
        )


def _cost_chart(
    sheet: Worksheet, header: int, body: range, unit: str, fewest: int, most: int, least_cost: float
) -> ScatterChart:
    """Cost by number of sizes, the set chosen, and how much more the plan allows."""
    chart = ScatterChart()
    chart.style = 2
    chart.height, chart.width = 10, 17  # cm
    chart.x_axis.title = "Distinct sizes to stock"
    chart.y_axis.title = f"Least cost, {unit}"
    chart.x_axis.number_format, chart.y_axis.number_format = "0", "#,##0"
    chart.x_axis.majorGridlines = None
    chart.x_axis.delete = chart.y_axis.delete = False
    chart.x_axis.scaling.min, chart.x_axis.scaling.max = fewest - 1.0, most + 1.0
    # An axis of costs that starts at 0 would show a flat line.
    step = 10.0 ** math.floor(math.log10(max(least_cost, 1.0)))
    chart.y_axis.scaling.min = math.floor(0.9 * least_cost / step * 2.0) * step / 2.0
    chart.legend = Legend()
    chart.legend.position = "b"
    numbers = Reference(sheet, min_col=1, min_row=body[0], max_row=body[-1])
    for column, line, marker in ((2, "0072B2", "circle"), (6, "52606D", "none"), (5, "", "diamond")):
        values = Reference(sheet, min_col=column, min_row=header, max_row=body[-1])
        series = Series(values, numbers, title_from_data=True)
        series.smooth = False
        series.marker.symbol = marker
        if not line:
            series.marker.size = 13
            series.marker.graphicalProperties = GraphicalProperties(solidFill="D55E00")
            series.graphicalProperties = GraphicalProperties(ln=LineProperties(noFill=True))
        else:
            series.marker.size = 7
            series.marker.graphicalProperties = GraphicalProperties(solidFill=line)
            series.graphicalProperties = GraphicalProperties(
                ln=LineProperties(solidFill=line, prstDash="dash" if marker == "none" else "solid", w=22_000)
            )
        chart.series.append(series)
    return chart


def _spare_air(book: Book, facts: Facts) -> None:
    study = facts.study
    columns = [
        Column("Run", LABEL, 10),
        Column("Room", TEXT, 30),
        Column("More air, cfm", TENTHS, 11),
        Column("More air, %", PER_CENT, 10),
        Column("What then stops it", SHORT, 22),
        *VARIANT_COLUMNS,
    ]
    page = book.sheet("Spare air", [c.width for c in columns])
    page.title(
        "How much more air each run could carry",
        "In the variant where it can take the least, all other runs staying at design, before the first "
        "limit anywhere is met; the tightest run first. A section that several runs share gives its spare "
        "air once. Bold on orange: under 5 %; pale orange: under 15 %.",
        len(columns),
    )
    frame = tables.headroom(study).sort_values("extra_pct", kind="stable", ignore_index=True)
    rows = [
        a + b
        for a, b in zip(
            frame_rows(frame, ["run", "room", "extra_cfm", "extra_pct", "limit"]),
            variant_rows(frame),
            strict=True,
        )
    ]
    body = page.table(columns, rows, freeze=1)
    if rows:
        area = f"C{body[0]}:D{body[-1]}"
        for most, fill, bold in ((5, TIGHT_FILL, True), (15, CLOSE_FILL, False)):
            page.mark(area, f'AND($D{body[0]}<>"",$D{body[0]}<{most})', fill, bold=bold)


def _findings(book: Book, facts: Facts) -> None:
    columns = [
        Column("Severity", LABEL, 11),
        Column("About", TEXT, 20),
        Column("Where", TEXT, 22),
        Column("What", TEXT, 56),
        Column("What to do", TEXT, 44),
    ]
    page = book.sheet("Findings", [c.width for c in columns])
    page.title(
        "Findings",
        "Warning: likely wrong or unsafe as drawn, settle it before building. Caution: close to a limit or "
        "outside common practice, look at it. Note: good to know.",
        len(columns),
    )
    rows = frame_rows(tables.findings(facts.study), ["severity", "rule", "subject", "message", "advice"])
    body = page.table(columns, rows, freeze=0, nothing="Nothing found to point at.")
    if rows:
        area = f"A{body[0]}:A{body[-1]}"
        for word, fill in (("warning", TIGHT_FILL), ("caution", CLOSE_FILL)):
            page.mark(area, f'$A{body[0]}="{word}"', fill)


METHOD = (
    (
        "Variants",
        "A variant is one way the front faces, as drawn or mirrored, one season, one flex product. A "
        "section's airflow in a variant is the sum of the runs beyond it in that variant: never a sum of "
        "peaks of different seasons or fronts.",
    ),
    (
        "Total effective length",
        "Straight lengths as installed plus the equivalent lengths of the fittings, from the air handler to "
        "the register or grille. Loss coefficients and the compression of flex are not in it: they count in "
        "the pressure check.",
    ),
    (
        "Friction rate",
        "100 x available static pressure / total effective length; for a section that several runs share, "
        "the lowest of the runs that are open then. It gives the size that each variant alone would get.",
    ),
    (
        "Pressure check",
        "Loss of a section = friction rate in its size x (straight length x compression factor + equivalent "
        "lengths) / 100 + loss coefficients x velocity pressure. The losses of a run are added up from the "
        "air handler to the room and may not exceed what its side has available, in any variant. A run that "
        "is shut in a season has no limit then.",
    ),
    (
        "Velocity",
        "At most the limit of the section's side, role and kind, in every variant; by the real area of a "
        "rectangular duct.",
    ),
    ("Step-downs", "No section is larger (by equivalent diameter) than the one it joins."),
    (
        "Which set",
        "Of all sets that hold in every variant, the fewest distinct sizes within the plan's per cent over "
        "the least cost, and the cheapest of those. Distinct sizes are counted for each kind and shape of "
        "duct.",
    ),
    (
        "Friction",
        "Darcy-Weisbach with Colebrook's friction factor, 64/Re below Re 2300 (Cengel and Cimbala, Fluid "
        "Mechanics, ch. 8), at the site's air density. A rectangular duct counts as the round duct of 1.30 "
        "(a b)^0.625 / (a + b)^0.25 (after Huebscher).",
    ),
    (
        "Flex derate",
        "A product with a derate carries that many per cent less air at any friction rate than its roughness "
        "alone would give.",
    ),
    (
        "Flex compression",
        "Multiplies the friction of the straight length by 1 + 0.58 K exp(-0.126 D), K in per cent, D in "
        "inches (from memory, after Abushakra, Walker and Sherman, LBNL, who tested 6, 8 and 10 in). A later "
        "thesis suggests that it is too kind to flex of 12 in and more.",
    ),
    (
        "Cost",
        "Length x price, the mean over the approved flex products; without prices, the area of the duct "
        "wall. Fittings and labor are not in it.",
    ),
    (
        "Common practice",
        f"Friction rates outside {FRICTION_RATE_WINDOW[0]:g} to {FRICTION_RATE_WINDOW[1]:g} inWC/100 ft are "
        "pointed out, as are more than two wyes in a row (from memory or common practice; see Findings).",
    ),
)


def _basis(book: Book, facts: Facts) -> None:
    study, plan = facts.study, facts.study.plan
    width = 6
    page = book.sheet("Basis", (30, 16, 15, 15, 16, 46))
    page.title("Basis: inputs, method, sources, cautions", f"Worked out by tractduct {VERSION}.", width)
    page.row += 1
    page.heading("Site, pressure and choice", width)
    defaults = {(t, f.name): f.default for t, fields in KEYS.items() for f in fields}
    settings: list[tuple[str, float, str, str, str]] = [
        ("Elevation, ft", plan.elevation_ft, "site", "elevation_ft", "#,##0"),
        ("Air in the ducts, F", plan.air_temperature_f, "site", "air_temperature_f", "0"),
        ("Air density, lb/ft3", study.air.density_lb_per_ft3, "", "", "0.0000"),
        ("Density over standard air", study.air.density_ratio, "", "", "0.000"),
        ("Available, supply ducts, inWC", plan.supply_inwc, "pressure", "supply_inwc", "0.000"),
        ("Available, return ducts, inWC", plan.return_inwc, "pressure", "return_inwc", "0.000"),
        (
            "Shorter stock list may cost, %",
            plan.standardize_within_pct,
            "objective",
            "standardize_within_pct",
            "0.#",
        ),
        (
            "Most distinct sizes (0: no cap)",
            float(plan.max_distinct_sizes),
            "objective",
            "max_distinct_sizes",
            "0",
        ),
    ]
    settings += [
        (f"Limit, {key.removesuffix('_fpm').replace('_', ' ')}, fpm", value, "limits", key, "#,##0")
        for key, value in plan.velocity_limits_fpm.items()
    ]
    for label, value, table, key, shown in settings:
        page.put(page.row, 1, label)
        page.put(page.row, 2, round(value, 6), Look(shown))
        default = defaults.get((table, key))
        if isinstance(default, float):
            words = "the program's default" if abs(value - default) < 1e-12 else "set in the plan"
            source = " (ANSI/ACCA 1, from memory)" if table == "limits" and words.startswith("the") else ""
            page.put(page.row, 3, words + source, Look(ink=GREY_INK))
        page.row += 1
    for shape in ("round", "rectangular"):
        offered = [size.label for size in plan.sizes if size.shape == shape]
        if offered:
            page.fact(f"Sizes on offer, {shape}, in", ", ".join(offered), width)
    page.row += 1
    page.heading("Method", width)
    for label, text in METHOD:
        page.fact(label, text, width)
    page.row += 1
    page.heading("Ducts", width)
    page.table(
        [
            Column("Duct", LABEL),
            Column("Kind"),
            Column("Roughness, ft", Look("0.0000#")),
            Column("Derate of airflow, %", PER_CENT),
            Column("Compression, %", PER_CENT),
            Column("Source", TEXT),
        ],
        [
            [d.name, d.kind, d.roughness_ft, d.airflow_derate_pct, d.compression_pct, d.source]
            for d in plan.ducts.values()
        ],
    )
    page.heading("Fittings", width)
    used: Counter[str] = Counter()
    for section in study.tree.sections:
        for name, count in section.fittings:
            used[name] += count
    page.table(
        [
            Column("Fitting", LABEL),
            Column("Used, pieces", WHOLE),
            Column("Equivalent length, ft", TENTHS),
            Column("Loss coefficient", HUNDREDTHS),
            Column("In the plan"),
            Column("Source", TEXT),
        ],
        [
            [
                f.name, used[f.name], f.equivalent_length_ft, f.loss_coefficient,
                "used" if used[f.name] else "not used", f.source,
            ]
            for f in plan.fittings.values()
        ],
        nothing="The plan uses no fittings.",
    )  # fmt: skip
    page.heading("Cautions", width)
    for caution in CAUTIONS:
        page.paragraph(caution, width)


# -- saving ----------------------------------------------------------------------------------------------

_FORMULA_CELL = re.compile(rb'<c r="([A-Z]+[0-9]+)"([^>]*)><f>([^<]*)</f><v\s*/?>(?:</v>)?</c>')


def _save(book: Book, path: Path) -> None:
    """Write the file with fixed dates, and beside each formula what it comes to.

    openpyxl stamps the time and leaves formulas without a value; phones and Excel's protected view then show
    blanks. So it writes to memory first, unpacked.
    """
    properties = book.book.properties
    properties.creator, properties.title = "tractduct", clean(f"{book.plan_name}: duct sizes")
    properties.created = properties.modified = FIXED_DATE
    book.book.calculation = CalcProperties(fullCalcOnLoad=True)
    book.book.active = 0
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_STORED) as archive:
        ExcelWriter(book.book, archive).save()
    done = io.BytesIO()
    sheets = {
        f"xl/worksheets/sheet{n}.xml": book.formula_values[sheet.title]
        for n, sheet in enumerate(book.book.worksheets, start=1)
    }
    with zipfile.ZipFile(raw) as old, zipfile.ZipFile(done, "w") as new:
        for entry in old.infolist():
            data = old.read(entry)
            values = sheets.get(entry.filename)
            if values:
                data = _with_values(data, values)
            stamped = zipfile.ZipInfo(entry.filename, date_time=FIXED_DATE.timetuple()[:6])
            stamped.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(stamped, data)
    path.write_bytes(done.getvalue())


def _with_values(xml: bytes, values: Mapping[str, float | str]) -> bytes:
    def filled(match: re.Match[bytes]) -> bytes:
        cell, attributes, formula = match.groups()
        value = values[cell.decode()]
        kind = b' t="str"' if isinstance(value, str) else b""
        text = value.encode() if isinstance(value, str) else repr(float(value)).encode()
        return b'<c r="%b"%b%b><f>%b</f><v>%b</v></c>' % (cell, attributes, kind, formula, text)

    return _FORMULA_CELL.sub(filled, xml)
