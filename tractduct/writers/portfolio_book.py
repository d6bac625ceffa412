"""One workbook of many plans: what each costs and needs, what to watch, what failed and why, what to stock.

Text from the plans is written as text and never as a formula. The same outcomes give the same bytes.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from tractduct.findings import Severity
from tractduct.portfolio.outcome import Outcome, State
from tractduct.portfolio.stock import StockList, StockSize
from tractduct.portfolio.store import OUTCOME_FILE
from tractduct.units import NOMINAL, SI, UnitSystem
from tractduct.writers.book.layout import Body, Book, Page
from tractduct.writers.book.looks import (
    CENTRE,
    CHOSEN,
    CLOSE_FILL,
    LABEL,
    MONEY,
    PER_CENT,
    SIZE,
    TENTHS,
    TEXT,
    THOUSANDTHS,
    TIGHT_FILL,
    WHOLE,
    Column,
    Look,
    Value,
    size_value,
)
from tractduct.writers.book.saving import save

TITLE = "All plans"
_REASONS_LISTED = 6  # of one plan
_DAMPER = "damper"
_NO_SET = "No plan has a size set."
_PAGE_CHARACTERS = 140.0  # widths of columns that a printed page can hold


def _over_least_pct(outcome: Outcome) -> float | None:
    if outcome.cost is None or not outcome.least_cost:
        return None
    return 100.0 * (outcome.cost / outcome.least_cost - 1.0)


def _found(outcome: Outcome, severity: Severity) -> int | None:
    return sum(f.severity is severity for f in outcome.findings) if outcome.plan else None


_PLAN, _RESULT = Column("Plan", LABEL, 24), Column("Result", TEXT, 18)
# Each column of the sheet of all plans, and what it shows of a plan.
_PLANS: tuple[tuple[Column, Callable[[Outcome], Value]], ...] = (
    (_PLAN, lambda o: o.plan or o.below),
    (Column("Folder", TEXT, 20), lambda o: o.below),
    (_RESULT, lambda o: o.state.value if o.status != "feasible" else "sized, not proven"),
    (Column("Sections", WHOLE, 10), lambda o: o.sections or None),
    (Column("Variants", WHOLE, 10), lambda o: o.variants or None),
    (Column("Lots", WHOLE, 8), lambda o: o.lots or None),
    (Column("Cost per lot", MONEY, 11), lambda o: o.cost),
    (Column("Unit", CENTRE, 7), lambda o: o.cost_unit or None),
    (Column("Over the least cost, %", PER_CENT, 11), _over_least_pct),
    (Column("Sizes to stock", WHOLE, 10), lambda o: o.distinct_sizes or None),
    (Column("Warnings", WHOLE, 11), lambda o: _found(o, Severity.WARNING)),
    (Column("Cautions", WHOLE, 11), lambda o: _found(o, Severity.CAUTION)),
    (Column("Notes", WHOLE, 9), lambda o: _found(o, Severity.NOTE)),
    (Column("Tightest room", TEXT, 18), lambda o: o.tight[0].room if o.tight else None),
    (Column("Its headroom, %", PER_CENT, 11), lambda o: o.tight[0].extra_pct if o.tight else None),
    (Column("Rooms outside, dampers open", WHOLE, 10), lambda o: o.rooms_outside_open),
    (Column("Rooms outside, with marks", WHOLE, 10), lambda o: o.rooms_outside),
    (Column("Dampers", WHOLE, 9), lambda o: None if o.rooms_outside is None else sum(o.dampers.values())),
)


def write_portfolio(outcomes: Iterable[Outcome], path: Path, stock: StockList | None = None) -> None:
    """Write the workbook. Of each outcome only what stands in its rows is kept in memory."""
    rows = _Rows()
    for outcome in outcomes:
        rows.add(outcome)
    book = Book(TITLE)
    _plans(book, rows)
    if rows.failed:
        _failed(book, rows)
    _sizes(book, rows)
    if stock is not None:
        _stock(book, stock)
    _rooms(book, rows)
    _warnings(book, rows)
    save(book, path)


class _Rows:
    """The rows of all sheets."""

    def __init__(self) -> None:
        self.plans: list[list[Value]] = []
        self.failed: list[list[Value]] = []
        self.rooms: list[list[Value]] = []
        self.warnings: list[list[Value]] = []
        # By row of the plan among those with a set; in feet, or metres for sizes in mm; dampers are counted.
        self.length: dict[StockSize, dict[int, float]] = {}
        self.sized: list[tuple[str, int]] = []  # plan and lots
        self.states: Counter[State] = Counter()
        self.costs: dict[str, float] = {}  # of all lots, by unit

    def add(self, outcome: Outcome) -> None:
        plan, units = outcome.plan or outcome.below, UnitSystem(outcome.units)
        self.states[outcome.state] += 1
        self.plans.append([value(outcome) for _, value in _PLANS])
        if outcome.failed:
            reasons = list(outcome.reasons)
            if len(reasons) > _REASONS_LISTED:
                reasons[_REASONS_LISTED:] = [f"and {len(reasons) - _REASONS_LISTED} more in its {OUTCOME_FILE}"]
            told = [("why", reason) for reason in reasons] + [("change that holds", way) for way in outcome.remedies]
            self.failed += [[plan, outcome.state.value, *words] for words in told]
        for room in outcome.tight:
            self.rooms.append(
                [plan, room.room, "least spare airflow", room.extra_pct, f"{room.limit} ({room.variant})"]
            )
        for off in outcome.off:
            change = 100.0 * (off.airflow_cfm / off.design_cfm - 1.0)
            flow, design = units.number(off.airflow_cfm, "cfm", ".0f"), units.say(off.design_cfm, "cfm", ".0f")
            what = f"{flow} of {design} ({off.variant})"
            self.rooms.append([plan, off.room, "farthest from design, dampers open", change, what])
        for finding in outcome.findings:
            if finding.severity is Severity.WARNING:
                self.warnings.append([plan, finding.rule, finding.subject, finding.message, finding.advice])
        if outcome.stock:
            for size in outcome.stock:
                key = StockSize(kind=size.kind, shape=size.shape, size=size.size, unit=units.unit(NOMINAL))
                self.length.setdefault(key, {})[len(self.sized)] = units.shown(size.length_ft, "ft")
            for label, count in outcome.dampers.items():
                key = StockSize(kind=_DAMPER, shape="", size=label, unit=units.unit(NOMINAL))
                self.length.setdefault(key, {})[len(self.sized)] = count
            self.sized.append((plan, outcome.lots))
            if outcome.cost is not None:
                total = self.costs.get(outcome.cost_unit, 0.0)
                self.costs[outcome.cost_unit] = total + outcome.cost * outcome.lots


def _sheet(
    book: Book, name: str, lead: str, columns: Sequence[Column], rows: Sequence[Sequence[Value]], nothing: str = ""
) -> tuple[Page, Body]:
    """A sheet of one table under its title."""
    page = book.sheet(name, columns, name, lead)
    return page, page.table(columns, rows, freeze=1, nothing=nothing)


def _plans(book: Book, rows: _Rows) -> None:
    states = ", ".join(f"{rows.states[state]} {state.value}" for state in State if rows.states[state])
    costs = "; ".join(f"{cost:,.0f} {unit}" for unit, cost in sorted(rows.costs.items()))
    lead = f"{len(rows.plans)} plans: {states}."
    if costs:
        lead += f" The standard size sets of all lots cost {costs}. Each plan's own folder holds its full results."
    page, body = _sheet(book, TITLE, lead, [column for column, _ in _PLANS], rows.plans)
    for key, when, fill in (("Result", 'LEFT({},5)<>"sized"', TIGHT_FILL), ("Warnings", "{}>0", CLOSE_FILL)):
        page.mark(body, key, when, fill, bold=False, over=("Plan", "Dampers"))


def _failed(book: Book, rows: _Rows) -> None:
    lead = "Plans without a size set, and why; for those that no set fits, changes that were tried and hold."
    columns = [_PLAN, _RESULT, Column("Why, or what helps", TEXT, 16), Column("What", TEXT, 90)]
    _sheet(book, "Not sized", lead, columns, rows.failed)


def _sizes(book: Book, rows: _Rows) -> None:
    sizes = sorted(rows.length, key=lambda size: (size.kind == _DAMPER, size.order))
    columns = [_PLAN, Column("Lots", WHOLE, 8)]
    columns += [Column(str(size), WHOLE if size.kind == _DAMPER else TENTHS, 12) for size in sizes]
    metric = {size.unit == SI.unit(NOMINAL) for size in sizes}
    unit = "Feet (metres for sizes in mm)" if len(metric) > 1 else "Metres" if True in metric else "Feet"
    page = book.sheet("Sizes by plan", columns)
    # Many sizes are printed over several pages, the plans' names on each, rather than too small to read.
    page.sheet.page_setup.fitToWidth = math.ceil(sum(column.width for column in columns) / _PAGE_CHARACTERS)
    page.sheet.print_title_cols = "A:B"
    page.across = 8
    lead = f"{unit} of duct per lot in each size of the standard set, and dampers per lot; bold below: all lots."
    page.title("Sizes by plan", lead)
    body: list[list[Value]] = [
        [plan, lots, *(rows.length[size].get(n) for size in sizes)] for n, (plan, lots) in enumerate(rows.sized)
    ]
    if body:
        totals = [sum(length * rows.sized[n][1] for n, length in rows.length[size].items()) for size in sizes]
        body.append(["All lots", sum(lots for _, lots in rows.sized), *totals])
    last = len(body) - 1
    bold = {(last, c): Look("#,##0", bold=True, top_line=True) for c in range(len(columns))}
    page.table(columns, body, bold, freeze=1, nothing=_NO_SET)


def _rooms(book: Book, rows: _Rows) -> None:
    lead = (
        "The rooms of each plan that a change would put out of limits first: how much more air their run can carry "
        "with all others at design. Where airflow was predicted, also the rooms farthest from design."
    )
    columns = [
        _PLAN,
        Column("Room", TEXT, 22),
        Column("Why it is listed", TEXT, 24),
        Column("%", PER_CENT, 9),
        Column("Where", TEXT, 60),
    ]
    _sheet(book, "Worst rooms", lead, columns, rows.rooms, _NO_SET)


def _warnings(book: Book, rows: _Rows) -> None:
    lead = "Likely wrong or unsafe as drawn: settle them before building. Cautions and notes stand in each plan's own "
    columns = [
        _PLAN,
        Column("About", TEXT, 20),
        Column("Where", TEXT, 20),
        Column("What", TEXT, 56),
        Column("What to do", TEXT, 44),
    ]
    _sheet(book, "Warnings", f"{lead}results.", columns, rows.warnings, "No plan has a warning.")


def _stock(book: Book, stock: StockList) -> None:
    """What to carry for all plans together, by number of sizes."""
    page = book.sheet(
        "Stock list",
        (12,) * 10,
        "Stock list",
        "The sizes to carry for all plans: for each number of sizes the least total cost, every lot counted. Proven: "
        "no other choice of as many sizes costs less. Searched, not proven: one could, by what the last column says.",
    )
    if not stock.entries:
        page.paragraph("No stock list: " + stock.why_empty)
        return
    _stock_table(page, stock)
    _stock_choice(page, stock)


def _stock_table(page: Page, stock: StockList) -> None:
    unit = stock.cost_unit
    columns = [
        Column("Sizes to carry", WHOLE, 10),
        Column(f"Total cost, {unit}", MONEY, 14),
        Column("Over each plan's own best, %", PER_CENT, 14),
        Column("Plan that pays most", TEXT, 24),
        Column("It pays more, %", PER_CENT, 11),
        Column("Proof", TEXT, 20),
        Column("Could be less by, %", THOUSANDTHS, 12),
    ]
    rows: list[list[Value]] = [
        [
            len(entry.sizes),
            entry.cost,
            100.0 * (entry.cost / stock.least_cost - 1.0),
            entry.worst_plan,
            entry.worst_pct,
            "proven" if entry.proven else "searched, not proven",
            None if entry.proven else entry.gap_pct,
        ]
        for entry in stock.entries
    ]
    page.table(columns, rows)


def _stock_choice(page: Page, stock: StockList) -> None:
    """Which sizes each number stands for: a mark where one is carried."""
    page.heading("Which sizes")
    sizes = sorted({size for entry in stock.entries for size in entry.sizes}, key=lambda size: size.order)
    units = ", ".join(sorted({size.unit for size in sizes}))
    columns = [Column("Kind", TEXT), Column("Shape", TEXT), Column(f"Size, {units}", SIZE)]
    columns += [Column(f"{len(entry.sizes)} sizes", CENTRE) for entry in stock.entries]
    carried = [["x" if size in entry.sizes else None for entry in stock.entries] for size in sizes]
    looks = {(r, c): CHOSEN for r, marks in enumerate(carried) for c, mark in enumerate(marks, start=3) if mark}
    known = ([size.kind, size.shape, size_value(size.size)] for size in sizes)
    page.table(columns, [[*size, *marks] for size, marks in zip(known, carried, strict=True)], looks)
