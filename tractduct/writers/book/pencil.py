"""The sheet Pencil check: the inputs of each section, then each run added up from the air handler to the room."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from openpyxl.worksheet.pagebreak import Break

from tractduct.one_plan import Sized, Study
from tractduct.physics.air import velocity_pressure_inwc
from tractduct.physics.friction import compression_factor, friction_rate_inwc_per_100ft
from tractduct.writers import tables
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import (
    ASIDE,
    CHOSEN,
    COMPUTED,
    HEADER,
    INPUT,
    INPUT_THOUSANDTHS,
    LABEL,
    ROW_POINTS,
    SHORT,
    TEN_THOUSANDTHS,
    TENTHS,
    THOUSANDTHS,
    Column,
    Look,
    height_of,
    plain,
    size_value,
)
from tractduct.writers.book.pressure import whose_pressure

MOST_ARGUMENTS = 200  # of one MAX(); spreadsheets take 255
PAGE_POINTS = 9.8 * 72.0 - ROW_POINTS  # of a letter page, margins and footer off, with a line to spare
SAME_RATE = 0.0005  # inWC/100 ft; friction rates that print the same
LAST = 11  # columns
WIDTHS = (10.0, *(8.4,) * (LAST - 1))
FLOW = replace(COMPUTED, number_format="#,##0.0")
SMALL, SMALL_ROW = replace(COMPUTED, points=8.0, wrap=True), 0.85
HEADER_POINTS = 41.0
RUN_LOOK = Look(bold=True, fill="D9E6EC", wrap=True)
RUN_COLUMNS = 6  # of its name; what is tightest stands in the others
VALUE = Look(bold=True, top_line=True)


def pencil_sheet(book: Book, study: Study) -> None:
    """Pressure, sections, runs. What is yellow may be changed, and all that follows from it changes at once."""
    page = book.sheet("Pencil check", WIDTHS, "Pencil check", _lead(study), portrait=True)
    page.merged(page.row, 1, 3, "Yellow: change it here.", replace(INPUT, number_format="General"))
    page.merged(page.row, 5, LAST, "Grey: worked out by the program; it does not move.", COMPUTED)
    page.row += 2
    _Pencil(page, study).write()


def _lead(study: Study) -> str:
    si = study.plan.units.is_si
    over, times = ("", "") if si else (" / 100", "100 x ")
    loses = (
        f"A section loses friction x (straight length x compression + fittings){over} + loss coefficients x velocity "
        "pressure, in the variant that is tightest for the run. A run holds where all that it loses is no more than it "
        "may lose. That decides, not the friction rate: a section may be smaller or larger than the next standard size."
        if study.sized is not None
        else "No size set holds, so there is no installed size to check."
    )
    return (
        "Each run from the air handler to the room, as the crew meets it. "
        f"{loses} The friction-rate method stands beside it: {times}what the run may lose over its length with "
        "fittings; a section that several runs share takes the longest of them. A rectangular next standard size "
        "counts by its equivalent round. The fittings of each section: sheet Sizes and data/lengths.csv."
    )


class _Pencil:
    """The sheet being written."""

    def __init__(self, page: Page, study: Study) -> None:
        self.page, self.study, self.units = page, study, study.plan.units
        self.tightest = [tables.tightest_variant(study, p) for p in range(len(self.study.tree.runs))]
        self.worst = [worst_by_friction_rate(self.study, i) for i in range(len(self.study.tree.sections))]
        self.words = [
            "" if v is None else str(self.study.variants.variants[v]).removeprefix("front ") for v in self.worst
        ]
        self.heights = [height_of([(words, 2.0 * WIDTHS[1])], SMALL.points / 10.0) * SMALL_ROW for words in self.words]
        self.heads = [self._head(p) for p in range(len(self.study.tree.runs))]
        widths = sum(WIDTHS[:RUN_COLUMNS]), sum(WIDTHS[RUN_COLUMNS:])
        self.head_heights = [height_of(zip(words, widths, strict=True)) for words in self.heads]
        # A friction rate is for 100 ft of length, or for 1 m.
        self.times, self.over, self.per = ("", "", "Pa/m") if self.units.is_si else ("100*", "/100", "per 100 ft")
        self.available: dict[tuple[int | None, str], str] = {}  # variant (None: any), side -> cell

    def write(self) -> None:
        page, tree = self.page, self.study.tree
        page.set_scale()
        if self.study.plan.budget_given:
            self._given()
        else:
            self._blower()
        self.inputs = {i: page.row + 2 + i for i in range(len(tree.sections))}  # heading and header come first
        runs_at = page.row + 2 + len(tree.sections) + 2
        starts = self._places(runs_at)
        self._sections({p: start + 2 + len(tree.walk(p)) for p, start in starts.items()})
        page.heading("Runs, from the air handler to the room")
        self._header(self.run_columns())
        for p, start in starts.items():
            if start - 1 in self.broken:
                page.row = start - 1
                self._header(self.run_columns())
            self._run(p, start)

    # -- pressure

    def _given(self) -> None:
        page, plan = self.page, self.study.plan
        page.heading("What the ducts may lose")
        for side in dict.fromkeys(s.side for s in self.study.tree.sections):
            page.put(page.row, 1, f"{side.capitalize()} ducts, {self.units.unit('inWC')}", Look(bold=True))
            page.put(page.row, 4, plan.available_inwc(side), INPUT_THOUSANDTHS, "inWC")
            page.put(page.row, 5, whose_pressure(plan, side), ASIDE)
            self.available[None, side] = f"$D${page.row}"
            page.row += 1
        page.row += 1

    def _blower(self) -> None:
        page, study = self.page, self.study
        page.heading("What the blower leaves for the ducts, in the variants used below (all: data/pressure.csv)")
        columns = ("Blower makes", "Devices take", "Left for ducts", "Supply's part, %", "Supply ducts", "Return ducts")
        page.merged(page.row, 1, 5, "Variant", HEADER)
        for n, words in enumerate(columns, start=6):
            unit = "" if "%" in words else f", {self.units.unit('inWC')}"
            page.put(page.row, n, words + unit, HEADER)
        page.height(page.row, 3.0 * ROW_POINTS)
        page.row += 1
        every = tables.pressure.rows(study)
        for v in sorted({*self.tightest, *(v for v in self.worst if v is not None)}):
            row, left = page.row, every[v]["left_inwc"]
            part = 100.0 * every[v]["supply_inwc"] / left
            page.merged(row, 1, 5, str(study.variants.variants[v]), SHORT)
            given = INPUT_THOUSANDTHS
            page.put(row, 6, plain(every[v]["made_inwc"]), given, "inWC")
            page.put(row, 7, plain(every[v]["devices_inwc"]), given, "inWC")
            page.formula(row, 8, f"=F{row}-G{row}", left, replace(THOUSANDTHS, bold=True), "inWC")
            page.put(row, 9, plain(part), replace(COMPUTED, number_format="0.00"))
            page.formula(row, 10, f"=H{row}*I{row}/100", left * part / 100.0, THOUSANDTHS, "inWC")
            page.formula(row, 11, f"=H{row}-J{row}", left * (1.0 - part / 100.0), THOUSANDTHS, "inWC")
            self.available |= {(v, "supply"): f"$J${row}", (v, "return"): f"$K${row}"}
            page.row += 1
        page.row += 1

    def _may_lose(self, v: int, side: str) -> str:
        return self.available[None if self.study.plan.budget_given else v, side]

    # -- sections

    def section_columns(self) -> list[Column]:
        return [
            Column("Section"), Column("Air", unit="cfm"), Column("Install", unit="size"),
            Column("Straight", unit="ft"), Column("Fittings", unit="ft"), Column("Loss coeffi- cients"),
            Column(f"Friction to use, {self.per}"),
            Column("Exact round", unit="in"), Column("Next standard", unit="size"),
            Column("By friction rate, in the variant that asks for most"), Column(""),
        ]  # fmt: skip

    def _header(self, columns: Sequence[Column]) -> None:
        page = self.page
        for n, column in enumerate(columns, start=1):
            page.put(page.row, n, column.in_units(self.units).header, replace(HEADER, points=9.0))
        if not columns[-1].header:
            page.merged(page.row, LAST - 1, LAST, columns[-2].header, replace(HEADER, points=9.0))
        page.height(page.row, HEADER_POINTS)
        page.row += 1

    def _sections(self, length_row: dict[int, int]) -> None:
        """``length_row``: run -> row of its length with fittings."""
        page, study, rate = self.page, self.study, self.study.by_friction_rate
        page.heading("Sections: what goes in")
        self._header(self.section_columns())
        for i, section in enumerate(study.tree.sections):
            row, v = page.row, self.worst[i]
            feet, coefficient = fittings_of(study, i)
            page.put(row, 1, section.name, LABEL)
            if study.sized is not None:
                page.put(row, 3, size_value(study.sized.labels[section.name]), CHOSEN)
            page.put(row, 4, section.length_ft, INPUT, "ft")
            page.put(row, 5, feet, INPUT, "ft")
            page.put(row, 6, coefficient, replace(INPUT, number_format="0.0##"))
            if v is not None:
                through = np.flatnonzero(study.tree.path[:, i] & study.variants.open_run[v])
                longest = largest([f"D{length_row[p]}" for p in through.tolist()])
                may_lose, own = self._may_lose(v, section.side), int(rate.friction_rate_size[v, i])
                page.put(row, 2, plain(study.variants.airflow_cfm[v, i]), FLOW, "cfm")
                value = float(rate.section_friction_rate[v, i])
                page.formula(row, 7, f"={self.times}{may_lose}/{longest}", value, THOUSANDTHS, "inWC/100 ft")
                exact = plain(rate.exact_diameter_in[v, i])
                page.put(row, 8, exact, replace(COMPUTED, number_format="0.00"), "in")
                label = study.table.sizes[own].label if own >= 0 else "none"
                page.put(row, 9, size_value(label), replace(COMPUTED, align="center"))
                page.merged(row, LAST - 1, LAST, self.words[i], SMALL)
            page.height(row, self.heights[i])
            page.row += 1

    # -- runs

    def run_columns(self) -> list[Column]:
        return [
            Column("Section"), Column("Air", unit="cfm"), Column("Install", unit="size"),
            Column("Velocity", unit="fpm"), Column(f"Friction, {self.per}"), Column("Straight", unit="ft"),
            Column("Compres- sion, times"), Column("Fittings", unit="ft"), Column("Loss coeffi- cients"),
            Column("Velocity pressure", unit="inWC"), Column("Loses", unit="inWC"),
        ]  # fmt: skip

    def _places(self, runs_at: int) -> dict[int, int]:
        """Row of each run's title. A page ends between runs, and the next one begins with a header of its own."""
        page, tree = self.page, self.study.tree
        used = sum(page.height_at(row) for row in range(1, page.row)) + sum(self.heights)
        used = (used + 2.0 * HEADER_POINTS + 36.0 + ROW_POINTS) % PAGE_POINTS
        row, starts = runs_at + 1, {}
        self.broken: set[int] = set()
        for p in range(len(tree.runs)):
            rows = len(tree.walk(p)) + 3
            points = (rows - 1) * ROW_POINTS + self.head_heights[p]
            if used + points > PAGE_POINTS and p:
                page.sheet.row_breaks.append(Break(id=row - 1))
                self.broken.add(row)
                row, used = row + 1, HEADER_POINTS
            starts[p] = row
            row, used = row + rows, used + points
        return starts

    def _head(self, p: int) -> tuple[str, str]:
        """Which run it is, and the variant that it is shown in."""
        run, variants = self.study.tree.runs[p], self.study.variants.variants
        tightest = f"tightest: {variants[self.tightest[p]]}" if self.study.sized is not None else ""
        return f"{run.name} to {tables.few_rooms(tables.room_text(run))}, {run.side}", tightest

    def _run(self, p: int, start: int) -> None:
        page, study = self.page, self.study
        v, way, (name, tightest) = self.tightest[p], study.tree.walk(p), self.heads[p]
        page.merged(start, 1, RUN_COLUMNS, name, RUN_LOOK)
        page.merged(start, RUN_COLUMNS + 1, LAST, tightest or None, replace(RUN_LOOK, points=9.0, bold=False))
        page.height(start, self.head_heights[p])
        for row, i in enumerate(way, start=start + 1):
            source = self.inputs[i]
            feet, coefficient = fittings_of(study, i)
            page.put(row, 1, study.tree.sections[i].name, LABEL)
            page.put(row, 2, plain(study.variants.airflow_cfm[v, i]), FLOW, "cfm")
            page.formula(row, 6, f"=D{source}", study.tree.sections[i].length_ft, TENTHS, "ft")
            page.formula(row, 8, f"=E{source}", feet, TENTHS, "ft")
            page.formula(row, 9, f"=F{source}", coefficient, Look("0.0##"))
            if study.sized is not None:
                self._loses(study.sized, i, v, row)
        self._check(p, start + 1, start + 1 + len(way))

    def _loses(self, sized: Sized, i: int, v: int, row: int) -> None:
        """What a section loses in its installed size in one variant."""
        page, table = self.page, self.study.table
        section, k = self.study.tree.sections[i], int(sized.size_index[i])
        ducts, air = table.ducts, self.study.case.air[v, i]
        flow, diameter = float(self.study.variants.airflow_cfm[v, i]), float(ducts.diameter_in[v, i, k])
        speed = flow / float(ducts.area_ft2[v, i, k])
        friction = ducts.correction[v, i, k] * friction_rate_inwc_per_100ft(
            flow, diameter, ducts.roughness_ft[v, i], air, ducts.derate[v, i]
        )
        times = compression_factor(ducts.compression_pct[v, i], diameter, table.least_compression_factor[k])
        page.put(row, 3, size_value(sized.labels[section.name]), CHOSEN)
        for column, value, shown, unit in (
            (4, speed, "#,##0", "fpm"),
            (5, float(friction), "0.0000", "inWC/100 ft"),
            (7, float(times), "0.00", ""),
            (10, float(velocity_pressure_inwc(speed, air)), "0.0000", "inWC"),
        ):
            page.put(row, column, round(value, 8), replace(COMPUTED, number_format=shown), unit)
        formula = f"=E{row}*(F{row}*G{row}+H{row}){self.over}+I{row}*J{row}"
        page.formula(row, LAST, formula, float(sized.verification.loss_inwc[section.name][v]), TEN_THOUSANDTHS, "inWC")

    def _check(self, p: int, first: int, row: int) -> None:
        """What the run loses against what it may lose; its length with fittings and its friction rate."""
        page, study, v = self.page, self.study, self.tightest[p]
        run, rate = study.tree.runs[p], study.by_friction_rate
        may_lose, below = float(rate.path_available_inwc[v, p]), row + 1
        length, share = float(rate.total_effective_length_ft[p]), float(rate.friction_rate[v, p])
        in_pressure, in_length, in_rate = (self.units.unit(u) for u in ("inWC", "ft", "inWC/100 ft"))
        shown = replace(VALUE, number_format="0.0000")
        page.fill(row, 1, LAST, VALUE)
        labels = [(1, f"May lose, {in_pressure}")]
        if study.sized is not None:
            labels += [(5, f"Left over, {in_pressure}"), (9, "Loses")]
        for column, words in labels:
            page.put(row, column, words, VALUE)
        page.formula(row, 4, f"={self._may_lose(v, run.side)}", may_lose, shown, "inWC")
        if study.sized is not None:
            lost = float(study.sized.verification.path_loss_inwc[run.name][v])
            page.formula(row, 8, f"=D{row}-K{row}", may_lose - lost, shown, "inWC")
            page.formula(row, LAST, f"=SUM(K{first}:K{row - 1})", lost, shown, "inWC")
        page.put(below, 1, f"Length with fittings, {in_length}")
        page.formula(below, 4, f"=SUM(F{first}:F{row - 1})+SUM(H{first}:H{row - 1})", length, TENTHS, "ft")
        page.put(below, 5, f"Friction rate, {in_rate}")
        formula = f'=IF(D{below}>0,{self.times}D{row}/D{below},"")'
        page.formula(below, 8, formula, share if math.isfinite(share) else "", THOUSANDTHS, "inWC/100 ft")
        if math.isfinite(share):
            was, same = (self.units.shown(r, "inWC/100 ft") for r in (share, SAME_RATE))
            formula = f'=IF(ABS(H{below}-{was:.9g})>{same:.6g},"changed: run the study again","as in the study")'
            page.formula(below, 9, formula, "as in the study", Look(italic=True))


def fittings_of(study: Study, i: int) -> tuple[float, float]:
    """Equivalent length and loss coefficient of all fittings of a section."""
    fittings = [(study.plan.fittings[name], count) for name, count in study.tree.sections[i].fittings]
    return sum(c * f.equivalent_length_ft for f, c in fittings), sum(c * f.loss_coefficient for f, c in fittings)


def largest(cells: Sequence[str]) -> str:
    """A formula's part for the largest of some cells, however many."""
    groups = [cells[i : i + MOST_ARGUMENTS] for i in range(0, len(cells), MOST_ARGUMENTS)]
    parts = [f"MAX({','.join(group)})" for group in groups]
    return parts[0] if len(parts) == 1 else f"MAX({','.join(parts)})"


def worst_by_friction_rate(study: Study, section: int) -> int | None:
    """The variant in which the friction-rate method asks for the largest size; None where nothing flows."""
    rate = study.by_friction_rate
    live = np.isfinite(rate.section_friction_rate[:, section]) & (study.variants.airflow_cfm[:, section] > 0.0)
    if not live.any():
        return None
    own = rate.friction_rate_size[:, section]
    own = np.where(own < 0, len(study.table.sizes), own)  # none fits: worse than any
    exact = np.nan_to_num(rate.exact_diameter_in[:, section], nan=np.inf)
    candidates = np.flatnonzero(live)
    return int(candidates[np.lexsort((-np.round(exact[candidates], 6), -own[candidates]))[0]])
