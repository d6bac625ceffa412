"""What purchasing asks: Another flex, Product comparison, Stock list, and a sheet for each purchase list."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pandas as pd
from openpyxl.utils import get_column_letter
from openpyxl.utils.cell import coordinate_to_tuple

from tractduct.delivery.deliver import Delivery
from tractduct.model.words import STICK_FT
from tractduct.purchasing.buy import Buying, PurchaseList, sticks_guessed
from tractduct.purchasing.compare import COMPRESSIONS_PCT
from tractduct.report import Report
from tractduct.units import NOMINAL
from tractduct.writers import purchasing_tables as frames
from tractduct.writers.book.facts import counted, frame_rows
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import (
    CHOSEN,
    CLOSE_FILL,
    GOOD_FILL,
    GREY_INK,
    LABEL,
    LEAD,
    PER_CENT,
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

OVERVIEW = "Start here"
DOLLARS = Look("#,##0.00")
MORE = Look("+#,##0.00;−#,##0.00;0.00")
SIGNED = Look("+0;−0;0")
WORDS = Look(align="right", italic=True, ink=GREY_INK)  # in place of a number
TOTAL, TOTAL_DOLLARS = Look(bold=True, top_line=True), Look("#,##0.00", bold=True, top_line=True)
COUNT = Look("#,##0", bold=True, fill=GOOD_FILL, box=True)
_A_PAGE = 75  # rows that are still readable on one page

Listed = tuple[str, str, Look]  # a DataFrame's column, its header, its look


def _unit(name: str, money: str) -> str:
    """The unit of a DataFrame's column, by its name; ``money`` is what costs are in."""
    if name == "price_per_ft":
        return "USD a ft"
    if name.endswith("_ft"):
        return "ft"
    if name == "size":
        return NOMINAL
    return money if name.endswith(("cost", "_over", "price", "_money")) else ""


def _list(
    page: Page,
    frame: pd.DataFrame,
    listed: Sequence[Listed],
    money: str,
    *,
    missing: str = "",
    without: str = "no set holds",
    nothing: str = "Nothing to show.",
) -> range:
    """A DataFrame as a table: words where a number of the columns ``missing`` is not there."""
    names = [name for name, *_ in listed]
    rows = frame_rows(frame, names)
    looks = {
        (r, names.index(c)): WORDS for c in missing.split() for r, row in enumerate(rows) if row[names.index(c)] is None
    }
    for r, c in looks:
        rows[r][c] = without
    for row in rows if "size" in names else ():
        row[names.index("size")] = size_value(str(row[names.index("size")]))
    return page.table([Column(h, look, unit=_unit(n, money)) for n, h, look in listed], rows, looks, nothing=nothing)


def _mark(page: Page, body: range, letter: str, test: str, fill: str) -> None:
    """Colour the cells of a table's column where a comparison holds."""
    if body:
        page.mark(f"{letter}{body[0]}:{letter}{body[-1]}", f"{letter}{body[0]}{test}", fill, bold=True)


def _one_page(page: Page) -> None:
    page.sheet.page_setup.fitToHeight = 1 if page.row <= _A_PAGE else 0


# -- Start here ------------------------------------------------------------------------------------------


def overview_sheet(page: Page, report: Report, buying: Buying) -> None:
    """Which list is which, and what changes if another flex is delivered, on one page."""
    study, across = buying.study, 8
    plan, money = study.plan, study.cost_unit
    page.title(f"Orders: {plan.name}", report.stamp, across)
    page.row += 1
    page.heading("Which list is which", across)
    for part in buying.lists:
        each = math.nan if not plan.prices else part.order.cost / part.lots
        flex = ", ".join(f"{flex} in {n}" for flex, n in part.order.lots.items() if flex)
        costs = f": {page.book.units.say(each, 'USD', ',.2f')} per lot" if plan.prices else ""
        page.link(page.row, 1, sheet_of(part))
        page.paragraph(f"to order {counted(part.lots, 'lot')}{f', {flex}' if flex else ''}{costs}", across, first=2)
    for name, words in (
        (COMPARISON, "flex products alone, approved together, compressed, and at what price they cost the same"),
        (STOCK, "which sizes to drop first, what is not offered, and why costs per lot differ"),
    ):
        if name in page.book.book.sheetnames:
            page.link(page.row, 1, name)
            page.paragraph(words, across, first=2)
    page.paragraph("The file purchase.csv has every list for other programs, a line a product and size.", across, LEAD)
    if not buying.lists:
        page.paragraph("No size set holds, so there is nothing to order yet.", across, LABEL)
        return
    frame = frames.delivered_flex(buying, report.delivery)
    if len(frame) > 1:
        page.row += 1
        page.heading("If another flex is delivered: the same sizes and the same marks", across)
        page.paragraph(
            "The standard set holds with every approved product. What differs is the cost per lot and how near each "
            "room comes: rooms that are outside tolerance on some lot or in some season, with all dampers open and "
            "with the marks; 1 tolerance is just within.",
            across,
            LEAD,
        )
        _list(
            page,
            frame,
            [
                ("flex", "Delivered", LABEL),
                ("lot_cost", "One of many lots, with waste", DOLLARS),
                ("more_cost", "More than the cheapest", MORE),
                ("alone_cost", "One lot alone, whole boxes", DOLLARS),
                ("outside_open", "Rooms outside, dampers open", WHOLE),
                ("outside_marked", "Rooms outside, with the marks", WHOLE),
                ("worst_tolerances", "Farthest off, tolerances", Look("0.00")),
                ("dampers", "Dampers", WHOLE),
            ],
            "USD",
            missing="lot_cost alone_cost outside_marked worst_tolerances",
            without="not known",
        )
    if report.delivery is not None and report.delivery.substitutions:
        _not_sized_for(page, report.delivery, money, across)
        page.sheet.page_setup.fitToHeight = 1


def _not_sized_for(page: Page, delivery: Delivery, money: str, across: int) -> None:
    page.heading("A flex that the plan was not sized for", across)
    page.paragraph(
        "Sized for one product alone, another one installed in those sizes, all dampers open; what it takes to hold "
        "again with it is at its own prices.",
        across,
        LEAD,
    )
    pairs = frames.substituted(delivery)
    body = _list(
        page,
        pairs,
        [
            ("designed", "Sized for", LABEL),
            ("installed", "Delivered", LABEL),
            ("room", "Room that loses most", TEXT),
            ("change_pct", "It gets more or less, %", SIGNED),
            ("rooms_outside", "Rooms outside", WHOLE),
            ("sections_up", "Sections up", WHOLE),
            ("extra_cost", "To hold again", MORE),
            ("raised", "Which sections", TEXT),
        ],
        money,
        missing="sections_up extra_cost",
        without="not known",
    )
    _mark(page, body, "D", "<-10", CLOSE_FILL)


# -- Product comparison ----------------------------------------------------------------------------------

COMPARISON = "Product comparison"


def comparison_sheet(book: Book, buying: Buying) -> None:
    """The flex products alone, compressed, approved together, and their prices against each other."""
    if buying.comparison is None:
        return
    money, across = buying.study.cost_unit, 9
    page = book.sheet(COMPARISON, (22, 12, 12, 13, 14, 11, 18, 12, 13), portrait=True)
    page.title(
        "Flex products compared",
        "Costs are of one lot, duct"
        + (" and priced fittings" if buying.study.plan.fitting_prices else "")
        + f" as drawn. One product installed where another was designed for: sheet {OVERVIEW}.",
        across,
    )
    page.row += 1
    page.heading("Each product as the only approved one, in its own best sizes", across)
    _list(
        page,
        frames.products(buying),
        [
            ("flex", "Product", LABEL),
            ("cost", "Cost", DOLLARS),
            ("distinct_sizes", "Distinct sizes", WHOLE),
            ("least_cost", "Least cost", DOLLARS),
            ("headroom_run", "Run with the least spare air", SHORT),
            ("headroom_pct", "Its spare air, %", PER_CENT),
            ("lowest_room", "Room that gets least, dampers open", TEXT),
            ("lowest_room_pct", "It gets, % of design", WHOLE),
            ("balanced_within", "Within tolerance once balanced", SIZE),
        ],
        money,
        missing="cost",
    )
    _when_compressed(page, buying, money, across)
    page.heading("Products approved together", across)
    page.paragraph(
        "Every approved product must hold in the same sizes; cost at the mean price of the products in the row.",
        across,
        LEAD,
    )
    _list(
        page,
        frames.approved(buying),
        [
            ("flex", "Approved", LABEL),
            ("cost", "Cost", DOLLARS),
            ("distinct_sizes", "Distinct sizes", WHOLE),
            ("least_cost", "Least cost", DOLLARS),
        ],
        money,
        missing="cost",
    )
    for frame, title, words, listed in (
        (
            frames.one_more(buying),
            "What approving one more costs",
            "In larger sizes alone, at the price of the products that are approved already.",
            [("besides", "Approved", LABEL), ("flex", "One more", LABEL), ("extra_cost", "Costs more", MORE)],
        ),
        (
            frames.break_even(buying),
            "Break-even price",
            "The price, in per cent of the product's present prices, at which it costs as much as the other, each "
            "alone in its least-cost sizes. Below 100: it must get cheaper by that much; above: it may get dearer.",
            [("flex", "Product", LABEL), ("against", "Against", LABEL), ("price_pct", "Price, % of now", PER_CENT)],
        ),
    ):
        if len(frame):
            page.heading(title, across)
            page.paragraph(words, across, LEAD)
            without = "no price does" if title.startswith("Break") else "no set holds"
            _list(page, frame, listed, money, missing=listed[-1][0], without=without)
    _one_page(page)


def _when_compressed(page: Page, buying: Buying, money: str, across: int) -> None:
    page.heading("What happens if the crew leaves it compressed", across)
    *less, most = COMPRESSIONS_PCT
    page.paragraph(
        "The product's own best sizes, dampers set for the duct as the plan has it; flex left short of fully stretched "
        f"by {', '.join(f'{pct:g}' for pct in less)} or {most:g} %. Larger sizes could make up for it: the least cost "
        "of a set made for that compression.",
        across,
        LEAD,
    )
    body = _list(
        page,
        frames.compressed(buying),
        [
            ("flex", "Product", LABEL),
            ("compression_pct", "Left compressed, %", WHOLE),
            ("holds", "Sizes still hold", SIZE),
            ("broken", "Sections out of limits", WHOLE),
            ("worst_room", "Room hit worst", TEXT),
            ("worst_room_pct", "It gets, % of design", WHOLE),
            ("least_cost", "Least cost made for it", DOLLARS),
            ("over_cost", "More than as planned", MORE),
        ],
        money,
        missing="least_cost",
    )
    _mark(page, body, "C", '="no"', CLOSE_FILL)


# -- Stock list ------------------------------------------------------------------------------------------

STOCK = "Stock list"


def stock_sheet(book: Book, buying: Buying) -> None:
    """Which sizes to drop first and what it costs; what is not offered; why costs per lot differ."""
    study, across = buying.study, 7
    if not study.size_set:
        return
    money, units = study.cost_unit, book.units
    page = book.sheet(STOCK, (12, 14, 12, 17, 19, 26, 15), portrait=True)
    page.title(
        "Which size to drop first",
        f"The standard set has {counted(study.recommended.distinct_sizes, 'distinct size')} and costs "
        f"{units.say(study.recommended.cost, money, ',.2f')}{'' if money == 'USD' else ' of duct wall'} per lot.",
        across,
    )
    page.row += 1
    page.heading("The sizes of the standard set, the cheapest to do without on top", across)
    page.paragraph(
        "With the rest of the list: what a lot costs more with the other sizes of the list alone. With any size in its "
        f"place: how far the least possible, {units.say(study.least_cost.cost, money, ',.2f')}, goes up if this size "
        "can't be had.",
        across,
        LEAD,
    )
    body = _list(
        page,
        frames.drop_first(buying),
        [
            ("kind", "Duct", SHORT),
            ("shape", "Shape", SHORT),
            ("size", "Size", CHOSEN),
            ("rest_over", "With the rest of the list", MORE),
            ("least_over", "With any size in its place", MORE),
            ("sections", "Sections in this size", TEXT),
        ],
        money,
        missing="rest_over least_over",
    )
    _mark(page, body[:1], "D", "<1E+9", GOOD_FILL)  # where it is a number
    costs = frames.cost_per_lot(buying)
    if len(costs):
        page.heading("Cost per lot: what is added to the standard set's", across)
        page.paragraph(
            "The standard set's cost is as drawn, at the mean price of the approved flex. A purchase list is for the "
            "flex of its lots, with waste, in whole boxes and sticks, rounded up over all of its lots together.",
            across,
            LEAD,
        )
        _list(
            page,
            costs.rename(columns=lambda name: name if name in ("list", "lots") else f"{name}_money"),
            [
                ("lots", "Lots", WHOLE),
                ("as_drawn_money", "Standard set", DOLLARS),
                ("dampers_money", "Dampers", MORE),
                ("flex_money", "Flex", MORE),
                ("waste_money", "Waste", MORE),
                ("whole_packages_money", "Whole boxes and sticks", MORE),
                ("per_lot_money", "Cost per lot", replace(DOLLARS, bold=True)),
            ],
            "USD",
        )
    page.heading("Sizes that are not offered", across)
    page.paragraph("Marked - in the price tables. A size set uses only what every approved product has.", across, LEAD)
    missing = frame_rows(frames.not_carried(study), ["product", "sizes"])
    if not missing:
        everything = "Everything is offered in every size." if study.plan.prices else "The plan has no prices table."
        page.paragraph(everything, across)
    for product, sizes in missing:
        page.fact(str(product), units.size(str(sizes)), across)
    _one_page(page)


# -- purchase lists --------------------------------------------------------------------------------------

_DUCTS: list[Listed] = [
    ("product", "Product", LABEL),
    ("size", "Size", CHOSEN),
    ("insulation", "Insulation", SHORT),
    ("drawn_ft", "Drawn", TENTHS),
    ("with_waste_ft", "With waste", TENTHS),
    ("package_ft", "Each", WHOLE),
    ("packages", "Boxes or sticks", COUNT),
    ("price_per_ft", "Price", DOLLARS),
    ("cost", "Cost", DOLLARS),
]
_FITTINGS: list[Listed] = [
    ("product", "Fitting", LABEL),
    ("size", "Size", replace(CHOSEN, wrap=True)),
    ("pieces", "Pieces", COUNT),
    ("price", "Price each", DOLLARS),
    ("cost", "Cost", DOLLARS),
]


def sheet_of(part: PurchaseList) -> str:
    """The name of a purchase list's sheet."""
    return f"Buy {part.name}"


def buy_sheets(book: Book, buying: Buying) -> None:
    """One sheet a purchase list, ready to be sent."""
    for part in buying.lists:
        _buy_sheet(book, buying, part)


def _buy_sheet(book: Book, buying: Buying, part: PurchaseList) -> None:
    plan, order, across = buying.study.plan, part.order, 9
    page = book.sheet(sheet_of(part), (24, 13, 11, 11, 11, 9, 11, 10, 13), portrait=True)
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
    ducts, fittings = frames.ducts_to_buy(order), frames.fittings_to_buy(order)
    priced = bool(fittings["price"].notna().any())
    page.heading("Duct", across)
    shown = [c for c in _DUCTS if c[0] not in ("insulation", "price_per_ft", "cost") or _said(ducts, c[0])]
    body = _list(page, ducts, shown, "USD", nothing="No duct to buy.")
    sums = [_sum(page, "Duct", body, len(shown), ducts)]
    page.heading("Fittings and dampers", across)
    shown = _FITTINGS if priced else _FITTINGS[:3]
    body = _list(
        page, fittings, shown, "USD", missing="price" if priced else "", without="no price",
        nothing="No fittings to buy.",
    )  # fmt: skip
    sums.append(_sum(page, "Fittings and dampers", body, len(shown), fittings))
    totals = [total for total in sums if total]
    if len(totals) > 1:
        page.fill(page.row, 1, across, TOTAL)
        page.put(page.row, 1, f"All, {book.units.unit('USD')}", TOTAL)
        below = coordinate_to_tuple(totals[0][0])[1]
        amount = math.fsum(amount for _, amount in totals)
        page.formula(page.row, below, "=" + "+".join(cell for cell, _ in totals), amount, TOTAL_DOLLARS)
    _one_page(page)


def _said(frame: pd.DataFrame, name: str) -> bool:
    """True where a column holds anything."""
    return any(plain(value) is not None for value in frame[name].tolist())


def _sum(page: Page, label: str, body: range, column: int, frame: pd.DataFrame) -> tuple[str, float] | None:
    """The cell of a total below a table, a formula, and what it comes to; None where the table has no costs."""
    known: list[Value] = [round(float(cost), 6) for cost in frame["cost"].tolist() if math.isfinite(cost)]
    if not known:
        return None
    page.row -= 1
    row, letter = page.row, get_column_letter(column)
    page.fill(row, 1, column, TOTAL)
    page.put(row, 1, f"{label}, {page.book.units.unit('USD')}", TOTAL)
    total = math.fsum(float(cost or 0.0) for cost in known)
    page.formula(row, column, f"=SUM({letter}{body.start}:{letter}{body.stop - 1})", total, TOTAL_DOLLARS)
    page.row += 2
    return f"{letter}{row}", total
