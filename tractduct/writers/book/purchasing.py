"""What purchasing asks: Another flex, Product comparison, Stock list, and a sheet for each purchase list."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TypeVar

from openpyxl.utils import column_index_from_string
from openpyxl.utils.cell import coordinate_to_tuple

from tractduct.model.words import STICK_FT
from tractduct.purchasing.buy import Buying, PurchaseList, sticks_guessed
from tractduct.purchasing.compare import COMPRESSIONS_PCT
from tractduct.report import Report
from tractduct.writers import purchasing_tables as lists
from tractduct.writers.book.layout import Body, Book, Page
from tractduct.writers.book.looks import CLOSE_FILL, GOOD_FILL, LABEL, LEAD, Look, plain
from tractduct.writers.listing import Rows
from tractduct.writers.tables import money
from tractduct.writers.words import counted

T = TypeVar("T")

OVERVIEW = "Start here"
TOTAL, TOTAL_DOLLARS = Look(bold=True, top_line=True), Look("#,##0.00", bold=True, top_line=True)
_A_PAGE = 75  # rows that are still readable on one page


def _one_page(page: Page) -> None:
    page.sheet.page_setup.fitToHeight = 1 if page.row <= _A_PAGE else 0


# -- Start here ------------------------------------------------------------------------------------------


def overview_sheet(page: Page, report: Report, buying: Buying) -> None:
    """Which list is which, and what changes if another flex is delivered, on one page."""
    plan = buying.study.plan
    page.title(f"Orders: {plan.name}", report.stamp)
    page.heading("Which list is which")
    for part in buying.lists:
        flex = ", ".join(f"{flex} in {n}" for flex, n in part.order.lots.items() if flex)
        each = page.book.units.say(part.order.cost / part.lots, "USD", ",.2f")
        costs = f": {each} per lot" if plan.prices else ""
        page.link(page.row, 1, sheet_of(part))
        page.paragraph(f"to order {counted(part.lots, 'lot')}{f', {flex}' if flex else ''}{costs}", first=2)
    for name, words in (
        (COMPARISON, "flex products alone, approved together, compressed, and at what price they cost the same"),
        (STOCK, "which sizes to drop first, what is not offered, and why costs per lot differ"),
    ):
        if name in page.book.book.sheetnames:
            page.link(page.row, 1, name)
            page.paragraph(words, first=2)
    page.paragraph("The file purchase.csv has every list for other programs, a line a product and size.", LEAD)
    if not buying.lists:
        page.paragraph("No size set holds, so there is nothing to order yet.", LABEL)
        return
    if len(buying.by_flex) > 1:
        page.heading(
            "If another flex is delivered: the same sizes and the same marks",
            "The standard set holds with every approved product. What differs is the cost per lot and how near each "
            "room comes: rooms that are outside tolerance on some lot or in some season, with all dampers open and "
            "with the marks; 1 tolerance is just within.",
        )
        page.show(lists.delivered_flex, report)
    if report.delivery is None or not report.delivery.substitutions:
        return
    page.heading(
        "A flex that the plan was not sized for",
        "Sized for one product alone, another one installed in those sizes, all dampers open; what it takes to hold "
        "again with it is at its own prices.",
    )
    page.mark(page.show(lists.substituted, report), "change_pct", "{}<-10", CLOSE_FILL)
    page.sheet.page_setup.fitToHeight = 1


# -- Product comparison ----------------------------------------------------------------------------------

COMPARISON = "Product comparison"


def comparison_sheet(book: Book, buying: Buying) -> None:
    """The flex products alone, compressed, approved together, and their prices against each other."""
    if buying.comparison is None:
        return
    priced = " and priced fittings" if buying.study.plan.fitting_prices else ""
    page = book.sheet(
        COMPARISON,
        (22, 12, 12, 13, 14, 11, 18, 12, 13),
        "Flex products compared",
        f"Costs are of one lot, duct{priced} as drawn. One product installed where another was designed for: sheet "
        f"{OVERVIEW}.",
        portrait=True,
    )
    page.heading("Each product as the only approved one, in its own best sizes")
    page.show(lists.products, buying)
    *less, most = COMPRESSIONS_PCT
    page.heading(
        "What happens if the crew leaves it compressed",
        "The product's own best sizes, dampers set for the duct as the plan has it; flex left short of fully stretched "
        f"by {', '.join(f'{pct:g}' for pct in less)} or {most:g} %. Larger sizes could make up for it: the least cost "
        "of a set made for that compression.",
    )
    page.mark(page.show(lists.compressed, buying), "holds", '{}="no"', CLOSE_FILL)
    for one, title, words in (
        (
            lists.approved,
            "Products approved together",
            "Every approved product must hold in the same sizes; cost at the mean price of the products in the row.",
        ),
        (
            lists.one_more,
            "What approving one more costs",
            "In larger sizes alone, at the price of the products that are approved already.",
        ),
        (
            lists.break_even,
            "Break-even price",
            "The price, in per cent of the product's present prices, at which it costs as much as the other, each "
            "alone in its least-cost sizes. Below 100: it must get cheaper by that much; above: it may get dearer.",
        ),
    ):
        if one is lists.approved or one.rows(buying):
            page.heading(title, words)
            page.show(one, buying)
    _one_page(page)


# -- Stock list ------------------------------------------------------------------------------------------

STOCK = "Stock list"


def stock_sheet(book: Book, buying: Buying) -> None:
    """Which sizes to drop first and what it costs; what is not offered; why costs per lot differ."""
    study = buying.study
    if not study.size_set:
        return
    units = book.units
    least = units.say(study.least_cost.cost, study.cost_unit, ",.2f")
    page = book.sheet(
        STOCK,
        (12, 14, 12, 17, 19, 26, 15),
        "Which size to drop first",
        f"The standard set has {counted(study.recommended.distinct_sizes, 'distinct size')} and costs "
        f"{money(study, study.recommended.cost, ',.2f')} per lot.",
        portrait=True,
    )
    page.heading(
        "The sizes of the standard set, the cheapest to do without on top",
        "With the rest of the list: what a lot costs more with the other sizes of the list alone. With any size in its "
        f"place: how far the least possible, {least}, goes up if this size can't be had.",
    )
    body = page.show(lists.drop_first, buying)
    page.mark(replace(body, rows=body.rows[:1]), "rest_over", "{}<1E+9", GOOD_FILL)  # where it is a number
    if study.plan.prices and buying.lists:
        page.heading(
            "Cost per lot: what is added to the standard set's",
            "The standard set's cost is as drawn, at the mean price of the approved flex. A purchase list is for the "
            "flex of its lots, with waste, in whole boxes and sticks, rounded up over all of its lots together.",
        )
        page.show(lists.cost_per_lot, buying, but=("list",))
    page.heading(
        "Sizes that are not offered",
        "Marked - in the price tables. A size set uses only what every approved product has.",
    )
    missing = lists.not_carried.rows(study)
    if not missing:
        everything = "Everything is offered in every size." if study.plan.prices else "The plan has no prices table."
        page.paragraph(everything)
    for row in missing:
        page.fact(row["product"], units.size(row["sizes"]))
    _one_page(page)


# -- purchase lists --------------------------------------------------------------------------------------


def sheet_of(part: PurchaseList) -> str:
    """The name of a purchase list's sheet."""
    return f"Buy {part.name}"


def buy_sheets(book: Book, buying: Buying) -> None:
    """One sheet a purchase list, ready to be sent."""
    for part in buying.lists:
        _buy_sheet(book, buying, part)


def _buy_sheet(book: Book, buying: Buying, part: PurchaseList) -> None:
    plan, order = buying.study.plan, part.order
    guessed = sticks_guessed(plan, order)
    by_flex = [f"{flex} in {counted(n, 'lot')}" for flex, n in order.lots.items() if flex]
    waste = f" with {plan.purchase.waste_pct:g} % waste" if plan.purchase.waste_pct else ""
    page = book.sheet(
        sheet_of(part),
        (24, 13, 11, 11, 11, 9, 11, 10, 13),
        f"Purchase list: {plan.name}, {counted(part.lots, 'lot')}",
        ("Flex: " + ", ".join(by_flex) + ". " if by_flex else "")
        + f"Lengths to buy are those drawn{waste}, rounded up to whole boxes or sticks over all lots of this list. "
        + (f"Sticks of {', '.join(guessed)} are taken as {book.units.say(STICK_FT, 'ft')}: ask. " if guessed else "")
        + ("" if plan.fitting_prices or not plan.prices else "The plan has no prices for fittings: costs are of duct. ")
        + "Tape, straps, registers, taxes, freight and labor are not in it.",
        portrait=True,
    )
    ducts, fittings = lists.ducts_to_buy.rows(order), lists.fittings_to_buy.rows(order)
    page.heading("Duct")
    unsaid = _unsaid(ducts, "insulation", "price_per_ft", "cost")
    body = page.show(lists.ducts_to_buy, order, ducts, but=unsaid, nothing="No duct to buy.")
    sums = [_sum(page, "Duct", body, ducts)]
    page.heading("Fittings and dampers")
    unsaid = _unsaid(fittings, "price", "cost")
    body = page.show(lists.fittings_to_buy, order, fittings, but=unsaid, nothing="No fittings to buy.")
    sums.append(_sum(page, "Fittings and dampers", body, fittings))
    totals = [total for total in sums if total]
    if len(totals) > 1:
        page.fill(page.row, 1, page.across, TOTAL)
        page.put(page.row, 1, f"All, {book.units.unit('USD')}", TOTAL)
        below = coordinate_to_tuple(totals[0][0])[1]
        amount = math.fsum(amount for _, amount in totals)
        page.formula(page.row, below, "=" + "+".join(cell for cell, _ in totals), amount, TOTAL_DOLLARS)
    _one_page(page)


def _unsaid(rows: Rows, *names: str) -> list[str]:
    """Those of some columns that hold nothing."""
    return [name for name in names if all(plain(row[name]) is None for row in rows)]


def _sum(page: Page, label: str, body: Body, rows: Rows) -> tuple[str, float] | None:
    """The cell of a total below a table, a formula, and what it comes to; None where the table has no costs."""
    known = [round(row["cost"], 6) for row in rows if math.isfinite(row["cost"])]
    if not known:
        return None
    page.row -= 1
    row, letter = page.row, body.letters["cost"]
    column = column_index_from_string(letter)
    page.fill(row, 1, column, TOTAL)
    page.put(row, 1, f"{label}, {page.book.units.unit('USD')}", TOTAL)
    total = math.fsum(known)
    page.formula(row, column, f"=SUM({letter}{body.rows.start}:{letter}{body.rows.stop - 1})", total, TOTAL_DOLLARS)
    page.row += 2
    return f"{letter}{row}", total
