"""What purchasing asks as lists (called with its subject each gives a pandas DataFrame), and purchase.csv."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from tractduct.model.plan import is_outside
from tractduct.one_plan import Study
from tractduct.purchasing.buy import Buying
from tractduct.purchasing.order import DAMPER, Order
from tractduct.report import Report
from tractduct.sizing.solve import Solution
from tractduct.units import NOMINAL, UnitSystem
from tractduct.writers.book.looks import (
    CHOSEN,
    COUNT,
    DOLLARS,
    HUNDREDTHS,
    LABEL,
    MORE,
    PER_CENT,
    SHORT,
    SIGNED,
    SIZE,
    TENTHS,
    TEXT,
    WHOLE,
)
from tractduct.writers.csv_text import csv_text
from tractduct.writers.delivery_tables import change_pct, to_hold_again
from tractduct.writers.listing import COST, Row, col, listing, size_cell

MONEY = "USD"  # the unit of what is money whatever the study minimises
NO_SET, NOT_KNOWN = "no set holds", "not known"
BOUGHT_SIZE = col("size", "Size", "nominal size", CHOSEN, unit=NOMINAL, show=size_cell)
LEAST = col("least_cost", "Least cost", "least cost of a set that holds", DOLLARS, unit=COST)
SET_COST = replace(LEAST, key="cost", header="Cost", meaning="of the recommended set", without=NO_SET)
DISTINCT = col("distinct_sizes", "Distinct sizes", "of the recommended set", WHOLE)


def _costs(recommended: Solution, least: Solution) -> tuple[float, float, float]:
    """The values of ``SET_COST``, ``DISTINCT`` and ``LEAST``."""
    sizes = np.nan if recommended.size_index is None else float(recommended.distinct_sizes)
    return finite(recommended.cost), sizes, finite(least.cost)


def together(flex: tuple[str, ...]) -> str:
    """Products approved together, in words."""
    return " + ".join(flex)


@listing(
    "products",
    col("flex", "Product", look=LABEL),
    SET_COST,
    DISTINCT,
    LEAST,
    col("headroom_run", "Run with the least spare air"),
    col("headroom_pct", "Its spare air", look=PER_CENT),
    col("lowest_room", "Room that gets least, dampers open", look=TEXT),
    col("lowest_room_pct", "It gets, % of design", look=WHOLE, unit=""),
    col("balanced_within", "Within tolerance once balanced", look=SIZE),
)
def products(buying: Buying) -> Iterator[Row]:
    """Each product as the only approved one, in its own recommended sizes."""
    for one in buying.comparison.alone if buying.comparison else ():
        within = one.balanced_within if one.size_set else ""
        spare = one.headroom_run, one.least_headroom_pct, one.lowest_room, one.lowest_room_pct
        yield one.flex, *_costs(one.recommended, one.least), *spare, within


@listing(
    "compressed",
    col("flex", "Product", look=LABEL),
    col("compression_pct", "Left compressed", look=WHOLE),
    col("holds", "Sizes still hold", look=SIZE),
    col("broken", "Sections out of limits", look=WHOLE),
    col("worst_room", "Room hit worst", look=TEXT),
    col("worst_room_pct", "It gets, % of design", look=WHOLE, unit=""),
    col("least_cost", "Least cost made for it", "of a set for that compression", DOLLARS, unit=COST, without=NO_SET),
    col("over_cost", "More than as planned", "above the product's least cost as the plan has it", MORE, unit=COST),
)
def compressed(buying: Buying) -> Iterator[Row]:
    """Each product left at some compression, in its own recommended sizes."""
    for one in buying.comparison.alone if buying.comparison else ():
        for c in one.compressed:
            over = c.cost - one.least.cost
            yield one.flex, c.compression_pct, c.holds, c.broken, c.worst_room, c.worst_room_pct, c.cost, over


@listing("approved", col("flex", "Approved", look=LABEL), SET_COST, DISTINCT, LEAST)
def approved(buying: Buying) -> Iterator[Row]:
    """Each set of products approved together, at their mean price."""
    for a in buying.comparison.approved if buying.comparison else ():
        yield together(a.flex), *_costs(a.recommended, a.least)


@listing(
    "one_more",
    col("besides", "Approved", look=LABEL),
    col("flex", "One more", look=LABEL),
    col("extra_cost", "Costs more", "in larger sizes, at the others' prices", MORE, unit=COST, without=NO_SET),
)
def one_more(buying: Buying) -> Iterator[Row]:
    """Each product approved besides others."""
    for a in buying.comparison.approved if buying.comparison else ():
        for flex, extra in a.extra_cost.items():
            yield together(tuple(f for f in a.flex if f != flex)), flex, extra


@listing(
    "break_even",
    col("flex", "Product", look=LABEL),
    col("against", "Against", look=LABEL),
    col("price_pct", "Price, % of now", "of its present prices", PER_CENT, unit="", without="no price does"),
)
def break_even(buying: Buying) -> Iterator[Row]:
    """Each pair of products: the price at which one costs as much as the other."""
    for pair in buying.comparison.break_even if buying.comparison else ():
        yield pair.product, pair.against, pair.price_pct


@listing(
    "drop_first",
    col("kind", "Duct"),
    col("shape", "Shape"),
    BOUGHT_SIZE,
    col("rest_over", "With the rest of the list", "cost above the standard set with its other sizes alone", MORE,
        unit=COST, without=NO_SET),
    col("least_over", "With any size in its place", "cost above the least possible", MORE, unit=COST, without=NO_SET),
    col("sections", "Sections in this size", look=TEXT),
)  # fmt: skip
def drop_first(buying: Buying) -> Iterator[Row]:
    """Each size of the standard set, the one to drop first on top."""
    study, by_size = buying.study, buying.study.sections_by_size
    for d in buying.dropped:
        mine = (s.name for s in by_size[d.kind, d.shape, d.size])
        rest, least = finite(d.rest_cost) - study.recommended.cost, finite(d.cost) - study.least_cost.cost
        yield d.kind, d.shape, d.size, rest, least, ", ".join(mine)


@listing("not_carried", col("product", "Product", look=LABEL), col("sizes", "Sizes", look=TEXT))
def not_carried(study: Study) -> Iterator[Row]:
    """What the price list says is not offered."""
    rank = {size.label: i for i, size in enumerate(study.plan.sizes)}
    missing: dict[str, list[str]] = {}
    for (name, label), price in (*study.plan.prices.items(), *study.plan.fitting_prices.items()):
        if price is None:
            missing.setdefault(name, []).append(label)
    for name, labels in missing.items():
        yield name, ", ".join(sorted(labels, key=lambda label: rank.get(label, len(rank))))


@listing(
    "ducts_to_buy",
    col("product", "Product", look=LABEL),
    BOUGHT_SIZE,
    col("insulation", "Insulation", "level that the price is for", SHORT),
    col("drawn_ft", "Drawn", look=TENTHS),
    col("with_waste_ft", "With waste", look=TENTHS),
    col("package_ft", "Each", "length of a box or stick", WHOLE),
    col("packages", "Boxes or sticks", look=COUNT),
    col("price_per_ft", "Price", look=DOLLARS, unit="USD a ft"),
    col("cost", "Cost", "of the whole packages", DOLLARS, unit=MONEY),
)
def ducts_to_buy(order: Order) -> Iterator[Row]:
    """Each duct product and size; NaN without a price."""
    for d in order.ducts:
        yield d.duct, d.size, d.insulation, d.feet, d.bought_ft, d.package_ft, d.packages, d.price_per_ft, d.cost


@listing(
    "fittings_to_buy",
    col("product", "Fitting", look=LABEL),
    replace(BOUGHT_SIZE, look=replace(CHOSEN, wrap=True)),
    col("pieces", "Pieces", look=COUNT),
    col("price", "Price each", look=DOLLARS, unit=MONEY, without="no price"),
    col("cost", "Cost", look=DOLLARS, unit=MONEY),
)
def fittings_to_buy(order: Order) -> Iterator[Row]:
    """Each fitting and size; NaN without a price."""
    for line in order.fittings:
        yield line.fitting, line.size, line.count, line.price, line.cost


@listing(
    "cost_per_lot",
    col("list", "List", look=LABEL),
    col("lots", "Lots", look=WHOLE),
    col("as_drawn", "Standard set", "its cost at the mean price of the approved flex", DOLLARS, unit=MONEY),
    col("dampers", "Dampers", "added by dampers", MORE, unit=MONEY),
    col("flex", "Flex", "added by the price of the flex of these lots", MORE, unit=MONEY),
    col("waste", "Waste", "added by waste", MORE, unit=MONEY),
    col("whole_packages", "Whole boxes and sticks", "added by rounding up", MORE, unit=MONEY),
    col("per_lot", "Cost per lot", "the sum", replace(DOLLARS, bold=True), unit=MONEY),
)
def cost_per_lot(buying: Buying) -> Iterator[Row]:
    """Each purchase list: what makes its cost per lot another than the standard set's. Empty without prices."""
    for part in buying.lists if buying.study.plan.prices else ():
        mean, order = buying.study.recommended.cost, part.order
        steps = [order.cost_of_feet(waste=False), order.cost_of_feet(waste=True), order.cost]
        drawn, with_waste, whole = (cost / part.lots for cost in steps)
        dampers = np.nansum([x.cost for x in order.fittings if x.fitting == DAMPER]) / part.lots
        added = dampers, drawn - mean - dampers, with_waste - drawn, whole - with_waste
        yield part.name, part.lots, mean, *added, whole


@listing(
    "delivered_flex",
    col("flex", "Delivered", look=LABEL),
    col("lot_cost", "One of many lots, with waste", look=DOLLARS, unit=MONEY, without=NOT_KNOWN),
    col("more_cost", "More than the cheapest", look=MORE, unit=MONEY),
    col("alone_cost", "One lot alone, whole boxes", look=DOLLARS, unit=MONEY, without=NOT_KNOWN),
    col("outside_open", "Rooms outside, dampers open", "in some variant of it", WHOLE),
    col("outside_marked", "Rooms outside, with the marks", "in some variant of it", WHOLE, without=NOT_KNOWN),
    col("worst_tolerances", "Farthest off, tolerances", look=HUNDREDTHS, without=NOT_KNOWN),
    col("dampers", "Dampers", look=WHOLE),
)
def delivered_flex(report: Report) -> Iterator[Row]:
    """Each flex product that may be delivered, in the standard set's sizes and with its damper marks."""
    study, delivery = report.study, report.delivery
    by_flex = report.buying.by_flex if report.buying else {}
    cheapest = min((order.cost_of_feet(waste=True) for order in by_flex.values()), default=math.nan)
    for flex, order in by_flex.items():
        cost, alone = (order.cost_of_feet(waste=True), order.cost) if study.plan.prices else (math.nan, math.nan)
        air: list[float] = [math.nan] * 4
        if delivery is not None:
            mine, marks = study.variants.where(flex=flex), delivery.marks.chosen
            off = np.nan_to_num(marks.off[mine], nan=np.inf)
            outside = (~delivery.open_dampers.room_within(study.plan.tolerance)[mine], is_outside(off))
            air = [*(int(rooms.any(axis=0).sum()) for rooms in outside), float(off.max()), len(marks.runs)]
        yield flex, cost, cost - cheapest, alone, *air


@listing(
    "substituted",
    col("designed", "Sized for", look=LABEL),
    col("installed", "Delivered", look=LABEL),
    col("room", "Room that loses most", look=TEXT),
    col("change_pct", "It gets more or less", "of what it would get", SIGNED),
    col("rooms_outside", "Rooms outside", "outside tolerance in some variant", WHOLE),
    col("sections_up", "Sections up", "larger, so that a set holds again", WHOLE, without=NOT_KNOWN),
    col("extra_cost", "To hold again", look=MORE, unit=COST, without=NOT_KNOWN),
    col("raised", "Which sections", look=TEXT),
)
def substituted(report: Report) -> Iterator[Row]:
    """Each pair of products: sized for one alone, another installed in those sizes, all dampers open."""
    plan = report.study.plan
    for pair in report.delivery.substitutions if report.delivery else ():
        lowest = np.round(np.nan_to_num(change_pct(pair), nan=np.inf).min(axis=0), 9)
        worst = int(np.argmin(lowest))
        room = plan.rooms[worst] if math.isfinite(lowest[worst]) else ""
        outside = (~pair.delivered.room_within(plan.tolerance)).any(axis=0).sum()
        yield pair.designed, pair.installed, room, lowest[worst], outside, *to_hold_again(pair)


_CSV_COLUMNS = (
    "list", "lots", "item", "product", "size", "insulation", "drawn_ft", "with_waste_ft", "package_ft", "packages",
    "pieces", "price", "price_for", "cost",
)  # fmt: skip
_LENGTHS = ("drawn_ft", "with_waste_ft", "package_ft")


def csv_columns(units: UnitSystem) -> list[str]:
    """The columns of purchase.csv, with the plan's units and its currency in their names."""
    money = units.currency.lower()
    names = {"size": units.name_of("size_in", NOMINAL), "price": f"price_{money}", "cost": f"cost_{money}"}
    names |= {name: units.name_of(name, "ft") for name in _LENGTHS}
    return [names.get(name, name) for name in _CSV_COLUMNS]


def purchase_csv(buying: Buying) -> str:
    """Every purchase list as CSV text, in the plan's units: one line a product and size; no text acts as a formula."""
    units = buying.study.plan.units
    decimals = {"drawn_ft": units.decimals("ft", 2), "with_waste_ft": units.decimals("ft", 2), "cost": 2}
    lines: list[list[Any]] = [csv_columns(units)]
    for part in buying.lists:
        ducts, fittings = ducts_to_buy.rows(part.order), fittings_to_buy.rows(part.order)
        for row in ducts:
            row |= {"item": "duct", "price": row["price_per_ft"], "price_for": units.unit("ft")}
            for name, unit in {"price": "USD/ft", **dict.fromkeys(_LENGTHS, "ft")}.items():
                row[name] = round(units.shown(row[name], unit), 6)
        for row in fittings:
            row |= {"item": "fitting", "price_for": "piece"}
        for row in (*ducts, *fittings):
            row |= {"list": part.name, "lots": part.lots}
            row |= {name: float(np.round(row[name], n)) for name, n in decimals.items() if name in row}
            if math.isnan(row["price"]):
                row["price_for"] = ""
            lines.append([row.get(name) for name in _CSV_COLUMNS])
    return csv_text(lines)


def finite(cost: float) -> float:
    """A cost, NaN where there is none."""
    return cost if math.isfinite(cost) else math.nan
