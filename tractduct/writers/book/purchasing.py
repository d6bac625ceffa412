"""What purchasing asks: Product comparison, Stock list, Buy one lot, Buy all lots, Buy several lots."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pandas as pd
from openpyxl.chart import BarChart, Reference, ScatterChart, Series
from openpyxl.chart.label import DataLabelList
from openpyxl.chart.legend import Legend
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.drawing.line import LineProperties
from openpyxl.utils import get_column_letter
from openpyxl.utils.cell import coordinate_to_tuple
from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.worksheet import Worksheet

from tractduct.model.words import STICK_FT
from tractduct.purchasing.buy import Buying, PurchaseList, sticks_guessed
from tractduct.purchasing.compare import COMPRESSIONS_PCT
from tractduct.writers import purchasing_tables as frames
from tractduct.writers.book.facts import counted, frame_rows
from tractduct.writers.book.layout import A4, LETTER, Book, Page
from tractduct.writers.book.looks import (
    CHOSEN,
    CLOSE_FILL,
    GOOD_FILL,
    GREY_INK,
    LABEL,
    LEAD,
    PER_CENT,
    ROW_POINTS,
    SHORT,
    SIZE,
    TENTHS,
    TEXT,
    WHOLE,
    Column,
    Look,
    Value,
    plain,
    size_value,
)

DOLLARS = Look("#,##0.00")
MORE = Look("+#,##0.00;−#,##0.00;0.00")
WORDS = Look(align="right", italic=True, ink=GREY_INK)  # in place of a number
TOTAL, TOTAL_DOLLARS = Look(bold=True, top_line=True), Look("#,##0.00", bold=True, top_line=True)
_COLOURS = ("0072B2", "D55E00", "009E73", "CC79A7", "E69F00", "56B4E9", "52606D")  # told apart by all eyes
_CHART_CM = {LETTER: 7.5, A4: 6.5}  # two of them on a page; A4 on its side is lower for its width
_CM_A_BAR = 1.3
_MARKERS = ("circle", "square", "diamond", "triangle", "x", "plus", "star")


# -- Product comparison ----------------------------------------------------------------------------------


def comparison_sheet(book: Book, buying: Buying) -> None:
    """The flex products alone, compressed, approved together, and their prices against each other."""
    found = buying.comparison
    if found is None:
        return
    study = buying.study
    unit = study.cost_unit
    # as many columns as the widest table has
    across = max(9, 1 + len(found.alone))
    page = book.sheet("Product comparison", [21, 17, 12, 13, 14, 13, 21, 13, 12] + [13] * (across - 9))
    page.title(
        "Flex products compared",
        "Costs are of one lot"
        + (", duct and priced fittings, as drawn. " if study.plan.fitting_prices else ", duct as drawn. ")
        + "One product installed where another was designed for: sheet Substitution.",
        across,
    )
    page.row += 1
    _alone(page, buying, across, unit)
    _compressed(page, buying, across, unit)
    page.sheet.row_breaks.append(Break(id=page.row - 1))
    _approved(page, buying, across, unit)
    _break_even(page, buying, across)
    page.sheet.row_breaks.append(Break(id=page.row - 1))
    _charts(page, buying, across, unit)


def _alone(page: Page, buying: Buying, across: int, unit: str) -> None:
    page.heading("Each product as the only approved one, in its own best sizes", across)
    names = [
        "flex", "cost", "distinct_sizes", "least_cost", "headroom_run", "headroom_pct", "lowest_room",
        "lowest_room_pct", "balanced_within",
    ]  # fmt: skip
    frame = frames.products(buying)
    rows = frame_rows(frame, names)
    for row in rows:
        if row[1] is None:
            row[8] = None
    page.table(
        [
            Column("Product", LABEL),
            Column("Cost", DOLLARS, unit=unit),
            Column("Distinct sizes", WHOLE),
            Column("Least cost", DOLLARS, unit=unit),
            Column("Run with the least spare air", SHORT),
            Column("Its spare air, %", PER_CENT),
            Column("Room that gets least, dampers open", TEXT),
            Column("It gets, % of design", WHOLE),
            Column("Within tolerance once balanced", SIZE),
        ],
        *_or_none(rows, 1),
    )


def _compressed(page: Page, buying: Buying, across: int, unit: str) -> None:
    page.heading("What happens if the crew leaves it compressed", across)
    *less, most = COMPRESSIONS_PCT
    of_them = ", ".join(f"{pct:g}" for pct in less)
    page.paragraph(
        "The product's own best sizes, dampers set for the duct as the plan has it; flex left short of fully stretched "
        f"by {of_them} or {most:g} %. Larger sizes could make up for it: the least cost of a set made for that "
        "compression.",
        across,
        LEAD,
    )
    rows = frame_rows(
        frames.compressed(buying),
        ["flex", "compression_pct", "holds", "broken", "worst_room", "worst_room_pct", "least_cost", "over_cost"],
    )
    body = page.table(
        [
            Column("Product", LABEL),
            Column("Left compressed, %", WHOLE),
            Column("Sizes still hold", SIZE),
            Column("Sections out of limits", WHOLE),
            Column("Room hit worst", TEXT),
            Column("It gets, % of design", WHOLE),
            Column("Least cost made for it", DOLLARS, unit=unit),
            Column("More than as planned", MORE, unit=unit),
        ],
        *_or_none(rows, 6),
    )
    if body:
        page.mark(f"C{body.start}:C{body.stop - 1}", f'C{body.start}="no"', CLOSE_FILL, bold=True)


def _approved(page: Page, buying: Buying, across: int, unit: str) -> None:
    page.heading("Products approved together", across)
    page.paragraph(
        "Every approved product must hold in the same sizes; cost at the mean price of the products in the row.",
        across,
        LEAD,
    )
    page.table(
        [
            Column("Approved", LABEL),
            Column("Cost", DOLLARS, unit=unit),
            Column("Distinct sizes", WHOLE),
            Column("Least cost", DOLLARS, unit=unit),
        ],
        *_or_none(frame_rows(frames.approved(buying), ["flex", "cost", "distinct_sizes", "least_cost"]), 1),
    )
    more = frames.one_more(buying)
    if not len(more):
        return
    page.heading("What approving one more costs", across)
    page.paragraph("In larger sizes alone, at the price of the products that are approved already.", across, LEAD)
    page.table(
        [Column("Approved", LABEL), Column("One more", LABEL), Column("Costs more", MORE, unit=unit)],
        *_or_none(frame_rows(more, ["besides", "flex", "extra_cost"]), 2),
    )


def _break_even(page: Page, buying: Buying, across: int) -> None:
    frame = frames.break_even(buying)
    if not len(frame):
        return
    page.heading("Break-even price", across)
    page.paragraph(
        "The price, in per cent of the product's present prices, at which it costs as much as the other, each alone in "
        "its least-cost sizes. Below 100: it must get cheaper by that much; above: it may get dearer.",
        across,
        LEAD,
    )
    page.table(
        [Column("Product", LABEL), Column("Against", LABEL), Column("Price, % of now", PER_CENT)],
        *_or_none(frame_rows(frame, ["flex", "against", "price_pct"]), 2, words="no price does"),
    )


def _or_none(
    rows: list[list[Value]], *columns: int, words: str = "no set holds"
) -> tuple[list[list[Value]], dict[tuple[int, int], Look]]:
    """The rows with words where a number is missing, and the looks of those cells."""
    looks = {(r, c): WORDS for r, row in enumerate(rows) for c in columns if row[c] is None}
    return [[words if (r, c) in looks else v for c, v in enumerate(row)] for r, row in enumerate(rows)], looks


def _charts(page: Page, buying: Buying, across: int, unit: str) -> None:
    """Cost by product and compression, and by approved set, each beside the numbers that it shows."""
    frame = frames.cost_by_compression(buying)
    flex = [str(name) for name in frame.columns[1:]]
    units, chart_cm = page.book.units, _CHART_CM[page.book.paper]
    beside = get_column_letter(len(flex) + 3)
    values = [units.shown(cost, unit) for name in flex for cost in frame[name].tolist() if math.isfinite(cost)]
    if values:
        page.heading("Least cost of a set made for the compression, each product alone", across)
        header = page.row
        body = page.table(
            [Column("Left compressed, %", WHOLE), *(Column(name, DOLLARS, unit=unit) for name in flex)],
            frame_rows(frame, list(frame.columns)),
        )
        chart = _cost_by_compression(page.sheet, header, body, len(flex), units.unit(unit), chart_cm)
        chart.y_axis.scaling.min, chart.y_axis.scaling.max = _axis(min(values), max(values))
        page.sheet.add_chart(chart, f"{beside}{header}")
        page.row = header + _rows_under(_CHART_CM[LETTER])  # the same rows on either paper
    costs = frames.approved(buying).dropna(subset=["least_cost"])
    if len(costs) > 1:
        page.heading("Least cost by what is approved", across)
        header = page.row
        body = page.table(
            [Column("Approved together", LABEL), Column("Least cost of each", DOLLARS, unit=unit)],
            frame_rows(costs, ["flex", "least_cost"]),
        )
        bars = _cost_of_approved(page.sheet, header, body, units.unit(unit), chart_cm)
        page.sheet.add_chart(bars, f"{beside}{header}")
        page.row = max(page.row, header + _rows_under(bars.height))


def _rows_under(height_cm: float) -> int:
    """Rows that a chart covers, and two more."""
    return math.ceil(height_cm / 2.54 * 72.0 / ROW_POINTS) + 2


def _axis(low: float, high: float) -> tuple[float, float]:
    """Round ends a little beyond the values: from 0, lines a few per cent apart would lie on each other."""
    room = max(0.3 * (high - low), 0.02 * high, 1e-6)
    step = 10.0 ** math.floor(math.log10(room))
    return max(math.floor((low - room) / step) * step, 0.0), math.ceil((high + room) / step) * step


def _cost_by_compression(
    sheet: Worksheet, header: int, body: range, products: int, unit: str, height_cm: float
) -> ScatterChart:
    chart = ScatterChart()
    chart.style, chart.height, chart.width = 2, height_cm, 14
    chart.x_axis.title, chart.y_axis.title = "Flex left compressed, %", f"Least cost, {unit}"
    chart.x_axis.number_format, chart.y_axis.number_format = "0", "#,##0"
    chart.x_axis.majorGridlines = None
    chart.x_axis.delete = chart.y_axis.delete = False
    chart.x_axis.scaling.min, chart.x_axis.scaling.max = 0.0, 18.0
    chart.legend = Legend()
    chart.legend.position = "b"
    x = Reference(sheet, min_col=1, min_row=body.start, max_row=body.stop - 1)
    for n in range(products):
        y = Reference(sheet, min_col=2 + n, min_row=header, max_row=body.stop - 1)
        series = Series(y, x, title_from_data=True)
        colour = _COLOURS[n % len(_COLOURS)]
        series.smooth = False
        series.marker.symbol, series.marker.size = _MARKERS[n % len(_MARKERS)], 8
        series.marker.graphicalProperties = GraphicalProperties(solidFill=colour)
        series.graphicalProperties = GraphicalProperties(ln=LineProperties(solidFill=colour, w=22_000))
        chart.series.append(series)
    return chart


def _cost_of_approved(sheet: Worksheet, header: int, body: range, unit: str, height_cm: float) -> BarChart:
    chart = BarChart()
    chart.type, chart.style, chart.gapWidth = "bar", 2, 60
    chart.height, chart.width = max(height_cm, _CM_A_BAR * len(body)), 14
    chart.x_axis.delete = chart.y_axis.delete = False
    chart.x_axis.scaling.orientation = "maxMin"  # the first row on top
    chart.x_axis.tickLblSkip = 1
    chart.y_axis.crosses = "max"  # so that the costs stand below
    chart.y_axis.title, chart.y_axis.number_format = f"Least cost, {unit}", "#,##0"
    chart.y_axis.scaling.min = 0.0
    chart.y_axis.majorGridlines = None
    chart.legend = None
    chart.add_data(Reference(sheet, min_col=2, min_row=header, max_row=body.stop - 1), titles_from_data=True)
    chart.set_categories(Reference(sheet, min_col=1, min_row=body.start, max_row=body.stop - 1))
    (bars,) = chart.series
    bars.graphicalProperties = GraphicalProperties(solidFill=_COLOURS[0])
    bars.dLbls = DataLabelList(showVal=True, numFmt="#,##0")
    bars.dLbls.showSerName = bars.dLbls.showCatName = bars.dLbls.showLegendKey = False
    return chart


# -- Stock list ------------------------------------------------------------------------------------------


def stock_sheet(book: Book, buying: Buying) -> None:
    """Which sizes to drop first and what it costs; what is not offered."""
    study = buying.study
    if not study.size_set:
        return
    unit, units = study.cost_unit, book.units
    page = book.sheet("Stock list", (10, 12, 9, 17, 19, 34), portrait=True)
    page.title(
        "Which size to drop first",
        f"The standard set has {counted(study.recommended.distinct_sizes, 'distinct size')} and costs "
        f"{units.say(study.recommended.cost, unit, ',.2f')}{'' if unit == 'USD' else ' of duct wall'} a lot. "
        "The least cost by number of sizes: sheet Sizes and cost.",
        6,
    )
    page.row += 1
    page.heading("The sizes of the standard set, the cheapest to do without on top", 6)
    page.paragraph(
        "With the rest of the list: what a lot costs more with the other sizes of the list alone. With any size in its "
        f"place: how far the least possible, {units.say(study.least_cost.cost, unit, ',.2f')}, goes up if this size "
        "can't be had.",
        6,
        LEAD,
    )
    frame = frames.drop_first(buying)
    rows: list[list[Value]] = [
        [kind, shape, size_value(str(size)), rest, least, sections]
        for kind, shape, size, rest, least, sections in frame_rows(
            frame, ["kind", "shape", "size", "rest_over", "least_over", "sections"]
        )
    ]
    rows, looks = _or_none(rows, 3, 4)
    if (0, 3) not in looks:
        looks[0, 3] = replace(MORE, bold=True, fill=GOOD_FILL)
    page.table(
        [
            Column("Duct"),
            Column("Shape"),
            Column("Size", CHOSEN, unit="size"),
            Column("With the rest of the list", MORE, unit=unit),
            Column("With any size in its place", MORE, unit=unit),
            Column("Sections in this size", TEXT),
        ],
        rows,
        looks,
    )
    _cost_per_lot(page, buying)
    page.heading("Sizes that are not offered", 6)
    page.paragraph("Marked - in the price tables. A size set uses only what every approved product has.", 6, LEAD)
    missing = frame_rows(frames.not_carried(study), ["product", "sizes"])
    if not missing:
        page.paragraph(
            "Everything is offered in every size." if study.plan.prices else "The plan has no prices table.", 6
        )
    for product, sizes in missing:
        page.fact(str(product), units.size(str(sizes)), 6)


def _cost_per_lot(page: Page, buying: Buying) -> None:
    """Why a lot costs something else on each sheet."""
    frame = frames.cost_per_lot(buying)
    if not len(frame):
        return
    page.heading("Cost per lot: what is added to the standard set's", 6)
    page.paragraph(
        "The standard set's cost is as drawn, at the mean price of the approved flex. A purchase list is for the flex "
        "of its lots, with waste, in whole boxes and sticks, rounded up over all of its lots together.",
        6,
        LEAD,
    )
    page.table(
        [
            Column("Lots", WHOLE),
            Column("Standard set", DOLLARS, unit="USD"),
            Column("Dampers", MORE, unit="USD"),
            Column("Flex", MORE, unit="USD"),
            Column("Waste", MORE, unit="USD"),
            Column("Whole boxes and sticks", MORE, unit="USD"),
            Column("Cost per lot", replace(DOLLARS, bold=True), unit="USD"),
        ],
        frame_rows(frame, ["lots", "as_drawn", "dampers", "flex", "waste", "whole_packages", "per_lot"]),
    )


# -- purchase lists --------------------------------------------------------------------------------------

_BUY_WIDTHS = (24, 13, 11, 11, 11, 9, 11, 10, 13)
_COUNT = Look("#,##0", bold=True, fill=GOOD_FILL, box=True)


def buy_sheets(book: Book, buying: Buying) -> None:
    """One sheet a purchase list, ready to be sent."""
    for part in buying.lists:
        _buy_sheet(book, buying, part)


def _buy_sheet(book: Book, buying: Buying, part: PurchaseList) -> None:
    plan, order = buying.study.plan, part.order
    across = len(_BUY_WIDTHS)
    page = book.sheet(f"Buy {part.name}", _BUY_WIDTHS, portrait=True)
    guessed = sticks_guessed(plan, order)
    by_flex = [f"{flex} in {counted(n, 'lot')}" for flex, n in order.lots.items() if flex]
    waste = f" with {plan.purchase.waste_pct:g} % waste" if plan.purchase.waste_pct else ""
    page.title(
        f"Purchase list: {plan.name}, {counted(part.lots, 'lot')}",
        ("Flex: " + ", ".join(by_flex) + ". " if by_flex else "")
        + f"Lengths to buy are those drawn{waste}, rounded up to whole boxes or sticks over all lots of this list. "
        + (f"Sticks of {', '.join(guessed)} are taken as {book.units.say(STICK_FT, 'ft')}: ask. " if guessed else "")
        + ("" if plan.fitting_prices or not plan.prices else "The plan has no prices for fittings: costs are of duct. ")
        + "Tape, straps, registers, taxes, freight and labor are not in it.",
        across,
    )
    page.row += 1
    totals = [total for total in (_ducts(page, part, across), _fittings(page, part, across)) if total]
    if len(totals) > 1:
        page.fill(page.row, 1, across, TOTAL)
        page.put(page.row, 1, f"All, {book.units.unit('USD')}", TOTAL)
        amount = math.fsum(amount for _, amount in totals)
        below = coordinate_to_tuple(totals[0][0])[1]
        page.formula(page.row, below, "=" + "+".join(cell for cell, _ in totals), amount, TOTAL_DOLLARS)


def _ducts(page: Page, part: PurchaseList, across: int) -> tuple[str, float] | None:
    """The duct's table; returns the cell of its total and what it comes to, if there are prices."""
    frame = frames.ducts_to_buy(part.order)
    page.heading("Duct", across)
    columns = {
        "product": Column("Product", LABEL),
        "size": Column("Size", CHOSEN, unit="size"),
        "insulation": Column("Insulation"),
        "drawn_ft": Column("Drawn", TENTHS, unit="ft"),
        "with_waste_ft": Column("With waste", TENTHS, unit="ft"),
        "package_ft": Column("Each", WHOLE, unit="ft"),
        "packages": Column("Boxes or sticks", _COUNT),
        "price_per_ft": Column("Price", DOLLARS, unit="USD a ft"),
        "cost": Column("Cost", DOLLARS, unit="USD"),
    }
    unused = [name for name in ("insulation", "price_per_ft", "cost") if not _said(frame[name])]
    shown = [name for name in columns if name not in unused]
    rows = frame_rows(frame, shown)
    for row in rows:
        row[1] = size_value(str(row[1]))
    body = page.table([columns[name] for name in shown], rows, nothing="No duct to buy.")
    return _sum(page, "Duct", body, len(shown), frame["cost"])


def _said(values: pd.Series[Any]) -> bool:
    """True where a column holds anything."""
    return any(plain(value) is not None for value in values.tolist())


def _fittings(page: Page, part: PurchaseList, across: int) -> tuple[str, float] | None:
    """The same for fittings."""
    frame = frames.fittings_to_buy(part.order)
    page.heading("Fittings", across)
    rows: list[list[Value]] = []
    looks: dict[tuple[int, int], Look] = {}
    priced = bool(frame["price"].notna().any())
    for name, size, pieces, price, cost in frame_rows(frame, ["product", "size", "pieces", "price", "cost"]):
        if priced and price is None:
            price = "no price"
            looks[len(rows), 3] = WORDS
        rows.append([name, size_value(str(size)), pieces, *([price, cost] if priced else [])])
    openings = replace(CHOSEN, wrap=True)
    columns = [Column("Fitting", LABEL), Column("Size", openings, unit="size"), Column("Pieces", _COUNT)]
    if priced:
        columns += [Column("Price each", DOLLARS, unit="USD"), Column("Cost", DOLLARS, unit="USD")]
    body = page.table(columns, rows, looks, nothing="No fittings to buy.")
    return _sum(page, "Fittings", body, len(columns), frame["cost"])


def _sum(page: Page, label: str, body: range, column: int, costs: pd.Series[float]) -> tuple[str, float] | None:
    """A total below a table, as a formula; None where the table has no costs."""
    known = [round(float(cost), 6) for cost in costs.tolist() if math.isfinite(cost)]
    if not known:
        return None
    page.row -= 1
    row, letter = page.row, get_column_letter(column)
    page.fill(row, 1, column, TOTAL)
    page.put(row, 1, f"{label}, {page.book.units.unit('USD')}", TOTAL)
    total = math.fsum(known)
    page.formula(row, column, f"=SUM({letter}{body.start}:{letter}{body.stop - 1})", total, TOTAL_DOLLARS)
    page.row += 2
    return f"{letter}{row}", total
