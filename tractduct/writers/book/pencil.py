"""The sheets Lengths and Pencil check: each run added up with live formulas."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.properties import PageSetupProperties

from tractduct.one_plan import Sized, Study
from tractduct.physics.air import velocity_pressure_inwc
from tractduct.physics.friction import compression_factor, friction_rate_inwc_per_100ft
from tractduct.units import UnitSystem
from tractduct.writers.book.facts import Facts
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import (
    CHOSEN,
    COMPUTED,
    GREY_INK,
    GROUP,
    HEADER,
    HEADING,
    HUNDREDTHS,
    INPUT,
    LABEL,
    ROW_POINTS,
    SHORT,
    TEN_THOUSANDTHS,
    TENTHS,
    TEXT,
    THOUSANDTHS,
    Column,
    Look,
    Value,
    plain,
    size_value,
)
from tractduct.writers.book.pressure import AvailableCell, pressure_sheet, whose_pressure

MOST_ARGUMENTS = 200  # of one MAX(); spreadsheets take 255
PAGE_POINTS = 7.0 * 72.0  # printable height of a letter page on its side, margins and footer off
SAME_RATE = 0.0005  # inWC/100 ft; friction rates that print the same


@dataclass(frozen=True, slots=True)
class Inputs:
    """Where the pencil check finds its inputs: the first row of each section on Lengths, the pressures."""

    first_row: Mapping[str, int]  # the straight length; the fittings follow
    available: AvailableCell


# -- Lengths ---------------------------------------------------------------------------------------------


def lengths_are_in(units: UnitSystem) -> str:
    """What a column of lengths is called."""
    return "Metres" if units.is_si else "Feet"


def lengths_sheet(book: Book, facts: Facts) -> Inputs:
    """Straight lengths and fittings of each section, and the pressure where the plan gives it."""
    study, plan = facts.study, facts.study.plan
    available = pressure_sheet(book, facts) if facts.from_blower else None
    long = lengths_are_in(book.units)
    columns = (
        Column("Section", LABEL, 12),
        Column("Item", width=30),
        Column("Count", replace(INPUT, number_format="0"), 9),
        Column(f"{long} each", INPUT.in_units(book.units, "ft"), 12),
        Column(long, TENTHS.in_units(book.units, "ft"), 12),
        Column("Loss coefficient each", replace(INPUT, number_format="0.0##"), 14),
        Column("Loss coefficient", HUNDREDTHS, 14),
        Column("Source", TEXT, 46),
    )
    page = book.sheet("Lengths", [c.width for c in columns])
    page.title(
        "Lengths and fittings: inputs of the pencil check",
        "Yellow cells are inputs: change one and this sheet and Pencil check follow at once. Sizes, airflow "
        "and friction inside a size were worked out by the program and do not move: after a change, run the "
        "study again.",
        8,
    )
    if available is None:
        available = _given_pressure(page, facts)
    else:
        page.paragraph(
            "Available static pressure: what the blower leaves, by variant; inputs on sheet Pressure.", 8, LABEL
        )
    page.row += 1
    rows: list[list[Value]] = []
    worked: list[tuple[float, float]] = []  # what the formulas come to: feet, loss coefficient
    first_row: dict[str, int] = {}
    top = page.row + 1
    for section in study.tree.sections:
        first_row[section.name] = top + len(rows)
        rows.append([section.name, "straight duct", 1, page.shown(section.length_ft, "ft"), None, 0, None, None])
        worked.append((section.length_ft, 0.0))
        for name, count in section.fittings:
            fitting = plan.fittings[name]
            feet, coefficient = fitting.equivalent_length_ft, fitting.loss_coefficient
            rows.append([section.name, name, count, page.shown(feet, "ft"), None, coefficient, None, fitting.source])
            worked.append((count * feet, count * coefficient))
    begins = [row - top for row in first_row.values()]
    lined = [replace(column.look, top_line=True) for column in columns]
    page.table(columns, rows, {(r, c): look for r in begins for c, look in enumerate(lined)}, freeze=2)
    for r, (feet, coefficient) in enumerate(worked):
        row, line = top + r, rows[r][1] == "straight duct" and r in begins
        page.formula(row, 5, f"=C{row}*D{row}", feet, replace(TENTHS, top_line=line), "ft")
        page.formula(row, 7, f"=C{row}*F{row}", coefficient, replace(HUNDREDTHS, top_line=line))
    return Inputs(first_row=first_row, available=available)


def _given_pressure(page: Page, facts: Facts) -> AvailableCell:
    cells: dict[str, str] = {}
    for side in dict.fromkeys(s.side for s in facts.study.tree.sections):
        words = f"Available static pressure, {side} ducts, {page.book.units.unit('inWC')}"
        page.put(page.row, 5, whose_pressure(facts.study.plan, side), Look(ink=GREY_INK))
        page.put(page.row, 1, words, Look(bold=True))
        page.put(page.row, 4, facts.study.plan.available_inwc(side), replace(INPUT, number_format="0.000"), "inWC")
        cells[side] = f"Lengths!$D${page.row}"
        page.row += 1
    return lambda v, side: cells[side]


# -- Pencil check ----------------------------------------------------------------------------------------

NUMBERS_BY_HAND, ALL_NUMBERS = 10, 17  # columns; those up to the first need no size set
PENCIL_GROUPS = (
    (1, 5, "Length of the run"),
    (6, 10, "By friction rate, in the worst variant of each section"),
    (11, 17, "Pressure lost in the installed sizes, in the run's tightest variant"),
)
HEADER_POINTS = 45.0


def pencil_columns(facts: Facts) -> Sequence[Column]:
    """The columns as the plan's units call them; what does not move has a look of its own in each cell."""
    long = lengths_are_in(facts.units)
    columns = (
        Column("Section", width=9),
        Column("Item", width=25),
        Column("Count", width=7),
        Column(f"{long} each", width=8),
        Column(long, width=9),
        Column("Worst variant of the section", width=33),
        Column("Air", width=8, unit="cfm"),
        Column("Friction rate to use" + (", Pa/m" if facts.units.is_si else ""), width=9),
        Column("Exact round", width=8, unit="in"),
        Column("Next standard", width=facts.size_width(10), unit="size"),
        Column("Install", width=facts.size_width(9), unit="size"),
        Column("Air", width=8, unit="cfm"),
        Column("Velocity", width=9, unit="fpm"),
        Column("Friction in this size, " + ("Pa/m" if facts.units.is_si else "per 100 ft"), width=11),
        Column("Compression, times", width=14),
        Column("Velocity pressure", width=10, unit="inWC"),
        Column("Lost", width=9, unit="inWC"),
    )
    return [c.in_units(facts.units) for c in columns[: ALL_NUMBERS if facts.has_set else NUMBERS_BY_HAND]]


def pencil_sheet(book: Book, facts: Facts, inputs: Inputs) -> None:
    """A block a run: its lengths and friction rate, then what it loses in the chosen sizes."""
    tree = facts.study.tree
    columns = pencil_columns(facts)
    page = book.sheet("Pencil check", [c.width for c in columns])
    page.title("Pencil check of each run", _lead(facts), len(columns))
    live = "sheets Lengths and Pressure" if facts.from_blower else "sheet Lengths"
    page.put(page.row, 1, f"Plain cells are live and follow {live}.", Look(bold=True))
    page.fill(page.row, 6, 10, COMPUTED)
    page.put(page.row, 6, "Grey and italic: worked out by the program; does not move.", COMPUTED)
    page.row += 1
    for first, last, words in PENCIL_GROUPS:
        if first <= len(columns):
            page.merged(page.row, first, last, words, GROUP)
    header = page.row + 1
    for number, column in enumerate(columns, start=1):
        page.put(header, number, column.header, HEADER)
    page.height(header, HEADER_POINTS)
    page.sheet.freeze_panes = f"C{header + 1}"
    page.sheet.print_title_rows = f"{header - 1}:{header}"

    starts = [header + 1]
    for p in range(len(tree.runs)):
        starts.append(starts[-1] + _items(facts.study, p) + 5)
    total_cell = [f"E{start + 1 + _items(facts.study, p)}" for p, start in enumerate(starts[:-1])]
    _break_pages(page, columns, header, starts)
    for p, start in enumerate(starts[:-1]):
        _Block(page, facts, inputs, p).write(start, total_cell)


def _lead(facts: Facts) -> str:
    si, long = facts.units.is_si, lengths_are_in(facts.units).lower()
    right = (
        "Right: what the run loses in the installed sizes in its tightest variant; for each section, "
        f"friction x (straight {long} x compression + fitting {long}){'' if si else ' / 100'} + loss coefficients x "
        "velocity pressure. That sum decides, not the friction rate: so a section may be a size smaller or larger "
        "than the next standard size."
        if facts.has_set
        else "No size set holds, so there is no installed size to check."
    )
    blower = (
        " Available is what the blower leaves for the run's side in that variant (sheet Pressure): the blower's "
        "static pressure at design airflow, less the devices, split as the losses of supply and return are."
        if facts.from_blower
        else ""
    )
    return (
        "Left: straight length and fittings from the air handler to the room add up to the total effective "
        f"length; friction rate = {'' if si else '100 x '}available static pressure / total effective length. A "
        "section that several runs share uses the lowest friction rate, that of the longest run open then. "
        f"{right}{blower} The next standard size also keeps the velocity limit; a rectangular one counts by its "
        "equivalent round."
    )


def _items(study: Study, p: int) -> int:
    """Rows of a run's sections and their fittings."""
    return sum(1 + len(study.tree.sections[i].fittings) for i in study.tree.walk(p))


def _break_pages(page: Page, columns: Sequence[Column], header: int, starts: Sequence[int]) -> None:
    """Keep each block on one printed page.

    Excel heeds page breaks only where a scale is set, not where it fits the sheet to a page.
    """
    inches = sum(c.width * 7.0 + 5.0 for c in columns) / 96.0
    scale = max(10, min(100, math.floor(100.0 * 9.9 / inches)))
    page.sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=False)
    page.sheet.page_setup.scale = scale
    page.sheet.page_setup.fitToWidth = page.sheet.page_setup.fitToHeight = None
    room = PAGE_POINTS * 100.0 / scale
    used = sum(page.height_at(row) for row in range(1, header + 1))
    for p, (start, end) in enumerate(itertools.pairwise(starts)):
        height = (end - start) * ROW_POINTS
        if used + height > room and p:
            page.sheet.row_breaks.append(Break(id=start - 1))
            used = HEADER_POINTS + ROW_POINTS
        used += height


def largest(cells: Sequence[str]) -> str:
    """A formula's part for the largest of some cells, however many."""
    groups = [cells[i : i + MOST_ARGUMENTS] for i in range(0, len(cells), MOST_ARGUMENTS)]
    parts = [f"MAX({','.join(group)})" for group in groups]
    return parts[0] if len(parts) == 1 else f"MAX({','.join(parts)})"


def worst_by_hand(study: Study, section: int) -> int | None:
    """The variant in which the friction-rate method asks for the largest size; None where nothing flows."""
    by_friction_rate = study.by_friction_rate
    live = np.isfinite(by_friction_rate.section_friction_rate[:, section])
    live &= study.variants.airflow_cfm[:, section] > 0.0
    if not live.any():
        return None
    own = by_friction_rate.friction_rate_size[:, section]
    own = np.where(own < 0, len(study.table.sizes), own)  # none fits: worse than any
    exact = np.nan_to_num(by_friction_rate.exact_diameter_in[:, section], nan=np.inf)
    candidates = np.flatnonzero(live)
    return int(candidates[np.lexsort((-np.round(exact[candidates], 6), -own[candidates]))[0]])


class _Block:
    """One run of the pencil check."""

    def __init__(self, page: Page, facts: Facts, inputs: Inputs, p: int) -> None:
        self.page, self.facts, self.inputs, self.p = page, facts, inputs, p
        self.study = facts.study
        self.run = self.study.tree.runs[p]
        self.variant = facts.tightest(p)
        self.last = ALL_NUMBERS if facts.has_set else NUMBERS_BY_HAND
        self.units = facts.units
        # A friction rate is for 100 ft of length, or for 1 m.
        self.times, self.over = ("", "") if self.units.is_si else ("100*", "/100")

    def write(self, start: int, total_cell: Sequence[str]) -> None:
        page, study = self.page, self.study
        page.fill(start, 1, self.last, HEADING)
        page.put(start, 1, f"{self.run.name}: {self.run.side} run, {self.facts.room(self.run)}", HEADING)
        tightest = study.variants.variants[self.variant]
        if self.facts.has_set:
            page.put(start, 11, f"Tightest: {tightest}", replace(HEADING, points=10.0))
        row = start + 1
        for i in study.tree.walk(self.p):
            self._length_cells(i, row)
            self._hand_cells(i, row, total_cell)
            if study.sized is not None:
                self._loss_cells(study.sized, i, row)
            row += 1 + len(study.tree.sections[i].fittings)
        self._sums(start + 1, row)

    def _length_cells(self, i: int, row: int) -> None:
        page, section = self.page, self.study.tree.sections[i]
        source = self.inputs.first_row[section.name]
        items = [("straight duct", 1, section.length_ft)]
        items += [(n, count, self.study.plan.fittings[n].equivalent_length_ft) for n, count in section.fittings]
        page.fill(row, 6, self.last, replace(SHORT, top_line=True))
        for j, (name, count, each) in enumerate(items):
            at, line = row + j, j == 0
            page.put(at, 1, section.name if line else None, replace(SHORT, bold=True, top_line=line))
            page.put(at, 2, name, replace(SHORT, top_line=line))
            page.formula(at, 3, f"=Lengths!C{source + j}", count, Look("0", top_line=line))
            page.formula(at, 4, f"=Lengths!D{source + j}", each, Look("#,##0.0##", top_line=line), "ft")
            page.formula(at, 5, f"=C{at}*D{at}", count * each, replace(TENTHS, top_line=line), "ft")

    def _hand_cells(self, i: int, row: int, total_cell: Sequence[str]) -> None:
        """The friction-rate method of one section in its worst variant."""
        page, study, by_friction_rate = self.page, self.study, self.study.by_friction_rate
        number = replace(COMPUTED, top_line=True)
        v = worst_by_hand(study, i)
        if v is None:
            page.put(row, 6, "carries no air", number)
            return
        own = by_friction_rate.friction_rate_size[v, i]
        through = np.flatnonzero(study.tree.path[:, i] & study.variants.open_run[v])
        page.put(row, 6, str(study.variants.variants[v]), replace(number, points=9.0))
        page.put(row, 7, plain(study.variants.airflow_cfm[v, i]), replace(number, number_format="#,##0.0"), "cfm")
        longest = largest([total_cell[p] for p in through.tolist()])
        page.formula(
            row,
            8,
            f"={self.times}{self.inputs.available(v, self.run.side)}/{longest}",
            float(by_friction_rate.section_friction_rate[v, i]),
            replace(THOUSANDTHS, top_line=True),
            "inWC/100 ft",
        )
        page.put(row, 9, plain(by_friction_rate.exact_diameter_in[v, i]), replace(number, number_format="0.00"), "in")
        label = study.table.sizes[own].label if own >= 0 else "none does"
        page.put(row, 10, size_value(label), replace(number, align="center"))

    def _loss_cells(self, sized: Sized, i: int, row: int) -> None:
        """What one section loses in its installed size in the run's tightest variant."""
        page, study, v = self.page, self.study, self.variant
        section = study.tree.sections[i]
        k = int(sized.size_index[i])
        size, ducts, air = study.table.sizes[k], study.table.ducts, study.case.air[v, i]
        flow, diameter = float(study.variants.airflow_cfm[v, i]), float(ducts.diameter_in[v, i, k])
        speed, least = flow / float(ducts.area_ft2[v, i, k]), study.table.least_compression_factor[k]
        friction = ducts.correction[v, i, k] * friction_rate_inwc_per_100ft(
            flow, diameter, ducts.roughness_ft[v, i], air, ducts.derate[v, i]
        )
        page.put(row, 11, size_value(size.label), replace(CHOSEN, top_line=True))
        for column, value, shown, unit in (
            (12, flow, "#,##0.0", "cfm"),
            (13, speed, "#,##0", "fpm"),
            (14, float(friction), "0.0000", "inWC/100 ft"),
            (15, float(compression_factor(ducts.compression_pct[v, i], diameter, least)), "0.00", ""),
            (16, float(velocity_pressure_inwc(speed, air)), "0.0000", "inWC"),
        ):
            page.put(row, column, round(value, 8), replace(COMPUTED, top_line=True, number_format=shown), unit)
        items, source = len(section.fittings), self.inputs.first_row[section.name]
        fittings = f"+SUM(E{row + 1}:E{row + items})" if items else ""
        page.formula(
            row,
            17,
            f"=N{row}*(E{row}*O{row}{fittings}){self.over}+SUM(Lengths!G{source}:G{source + items})*P{row}",
            float(sized.verification.loss_inwc[section.name][v]),
            replace(TEN_THOUSANDTHS, top_line=True),
            "inWC",
        )

    def _sums(self, first: int, total: int) -> None:
        """Length, pressure and friction rate of the run; what it loses and what it has to spare."""
        page, study, p, v = self.page, self.study, self.p, self.variant
        available, rate = total + 1, total + 2
        length, share = (
            float(study.by_friction_rate.total_effective_length_ft[p]),
            float(study.by_friction_rate.friction_rate[v, p]),
        )
        pressure = float(study.by_friction_rate.path_available_inwc[v, p])
        bold, top = Look(bold=True), Look(bold=True, top_line=True)
        in_length, in_pressure, in_rate = (self.units.unit(u) for u in ("ft", "inWC", "inWC/100 ft"))
        page.fill(total, 1, self.last, top)
        page.put(total, 2, f"Total effective length, {in_length}", top)
        page.formula(total, 5, f"=SUM(E{first}:E{total - 1})", length, replace(TENTHS, bold=True, top_line=True), "ft")
        page.put(available, 2, f"Available static pressure, {in_pressure}", bold)
        given = self.inputs.available(v, self.run.side)
        page.formula(available, 5, f"={given}", pressure, replace(THOUSANDTHS, bold=True), "inWC")
        if self.facts.from_blower:
            page.put(available, 6, f"left by the blower: {study.variants.variants[v]}", Look(points=9.0))
        page.put(rate, 2, f"Friction rate, {in_rate}", bold)
        page.formula(
            rate,
            5,
            f'=IF(E{total}>0,{self.times}E{available}/E{total},"")',
            share if math.isfinite(share) else "",
            replace(THOUSANDTHS, bold=True),
            "inWC/100 ft",
        )
        page.put(total, 6, f"In the study, {in_length}", replace(COMPUTED, top_line=True))
        page.put(total, 7, plain(length), replace(COMPUTED, number_format="#,##0.0", top_line=True), "ft")
        page.put(rate, 6, f"In the study, {in_rate}", COMPUTED)
        page.put(rate, 7, plain(share), replace(COMPUTED, number_format="0.000"), "inWC/100 ft")
        if math.isfinite(share):
            same = self.units.shown(SAME_RATE, "inWC/100 ft")
            page.formula(
                rate,
                8,
                f'=IF(ABS(E{rate}-G{rate})>{same:.6g},"changed: run the study again","as in the study")',
                "as in the study",
                Look(italic=True),
            )
        if study.sized is None:
            return
        lost = float(study.sized.verification.path_loss_inwc[self.run.name][v])
        letter, number = get_column_letter(self.last), replace(TEN_THOUSANDTHS, bold=True)
        for row, words, formula, value in (
            (total, "Lost along the run", f"=SUM({letter}{first}:{letter}{total - 1})", lost),
            (available, "Available", f"=E{available}", pressure),
            (rate, "To spare", f"={letter}{available}-{letter}{total}", pressure - lost),
        ):
            line = row == total
            page.put(row, self.last - 3, f"{words}, {in_pressure}", replace(bold, top_line=line))
            page.formula(row, self.last, formula, value, replace(number, top_line=line), "inWC")
