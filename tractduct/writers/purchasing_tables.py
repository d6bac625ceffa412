"""What purchasing asks as pandas DataFrames, and the purchase list as CSV; column names carry their units."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from tractduct.delivery.deliver import Delivery
from tractduct.model.plan import is_outside
from tractduct.one_plan import Study
from tractduct.purchasing.buy import Buying
from tractduct.purchasing.order import DAMPER, Order
from tractduct.units import NOMINAL, UnitSystem
from tractduct.writers.harmless import harmless


def together(flex: tuple[str, ...]) -> str:
    """Products approved together, in words."""
    return " + ".join(flex)


def products(buying: Buying) -> pd.DataFrame:
    """One row a product as the only approved one, in its own recommended sizes.

    Columns: flex, cost, distinct_sizes, least_cost, headroom_run, headroom_pct, lowest_room, lowest_room_pct (of
    design, all dampers open), balanced_within. NaN or empty where no set holds.
    """
    rows = [
        {
            "flex": one.flex,
            "cost": finite(one.recommended.cost),
            "distinct_sizes": float(one.recommended.distinct_sizes) if one.size_set else np.nan,
            "least_cost": finite(one.least.cost),
            "headroom_run": one.headroom_run,
            "headroom_pct": one.least_headroom_pct,
            "lowest_room": one.lowest_room,
            "lowest_room_pct": one.lowest_room_pct,
            "balanced_within": one.balanced_within if one.size_set else "",
        }
        for one in (buying.comparison.alone if buying.comparison else ())
    ]
    return _frame(
        rows,
        "flex cost distinct_sizes least_cost headroom_run headroom_pct lowest_room lowest_room_pct balanced_within",
    )


def compressed(buying: Buying) -> pd.DataFrame:
    """One row a product and compression it is left at.

    Columns: flex, compression_pct, holds, broken (sections out of limits), worst_room, worst_room_pct (of design),
    least_cost (of a set made for it; NaN where none holds), over_cost (above the product's least cost as the plan
    has it).
    """
    rows = [
        {
            "flex": one.flex,
            "compression_pct": c.compression_pct,
            "holds": c.holds,
            "broken": c.broken,
            "worst_room": c.worst_room,
            "worst_room_pct": c.worst_room_pct,
            "least_cost": c.cost,
            "over_cost": c.cost - one.least.cost,
        }
        for one in (buying.comparison.alone if buying.comparison else ())
        for c in one.compressed
    ]
    return _frame(rows, "flex compression_pct holds broken worst_room worst_room_pct least_cost over_cost")


def approved(buying: Buying) -> pd.DataFrame:
    """One row a set of products approved together, at their mean price.

    Columns: flex, cost and distinct_sizes (recommended), least_cost.
    """
    rows = [
        {
            "flex": together(a.flex),
            "cost": finite(a.recommended.cost),
            "distinct_sizes": float(a.recommended.distinct_sizes) if a.recommended.size_index is not None else np.nan,
            "least_cost": finite(a.least.cost),
        }
        for a in (buying.comparison.approved if buying.comparison else ())
    ]
    return _frame(rows, "flex cost distinct_sizes least_cost")


def one_more(buying: Buying) -> pd.DataFrame:
    """One row a product approved besides others.

    Columns: besides, flex, extra_cost: what larger sizes cost, at the others' prices; NaN where no set holds.
    """
    rows = [
        {"besides": together(tuple(f for f in a.flex if f != flex)), "flex": flex, "extra_cost": extra}
        for a in (buying.comparison.approved if buying.comparison else ())
        for flex, extra in a.extra_cost.items()
    ]
    return _frame(rows, "besides flex extra_cost")


def break_even(buying: Buying) -> pd.DataFrame:
    """One row a pair of products. Columns: flex, against, price_pct (of the flex's prices); NaN where none."""
    rows = [
        {"flex": pair.product, "against": pair.against, "price_pct": pair.price_pct}
        for pair in (buying.comparison.break_even if buying.comparison else ())
    ]
    return _frame(rows, "flex against price_pct")


def drop_first(buying: Buying) -> pd.DataFrame:
    """One row a size of the standard set, the one to drop first on top.

    Columns: kind, shape, size, sections (in that size), rest_over (cost above the standard set with the other
    sizes of the list alone; NaN where none holds), least_over (cost above the least possible with any other size
    in its place).
    """
    study = buying.study
    rows = [
        {
            "kind": d.kind,
            "shape": d.shape,
            "size": d.size,
            "sections": ", ".join(
                s.name
                for s in study.tree.sections
                if (s.kind, s.shape, study.size_set[s.name]) == (d.kind, d.shape, d.size)
            ),
            "rest_over": finite(d.rest_cost) - study.recommended.cost,
            "least_over": finite(d.cost) - study.least_cost.cost,
        }
        for d in buying.dropped
    ]
    return _frame(rows, "kind shape size sections rest_over least_over")


def not_carried(study: Study) -> pd.DataFrame:
    """What the price list says is not offered. Columns: product, sizes."""
    rank = {size.label: i for i, size in enumerate(study.plan.sizes)}
    missing: dict[str, list[str]] = {}
    for (name, label), price in (*study.plan.prices.items(), *study.plan.fitting_prices.items()):
        if price is None:
            missing.setdefault(name, []).append(label)
    rows = [
        {"product": name, "sizes": ", ".join(sorted(labels, key=lambda label: rank.get(label, len(rank))))}
        for name, labels in missing.items()
    ]
    return _frame(rows, "product sizes")


def ducts_to_buy(order: Order) -> pd.DataFrame:
    """One row a duct product and size.

    Columns: product, size, insulation, drawn_ft, with_waste_ft, package_ft, packages, price_per_ft, cost (of the
    whole packages); NaN without a price.
    """
    rows = [
        {
            "product": line.duct,
            "size": line.size,
            "insulation": line.insulation,
            "drawn_ft": line.feet,
            "with_waste_ft": line.bought_ft,
            "package_ft": line.package_ft,
            "packages": line.packages,
            "price_per_ft": line.price_per_ft,
            "cost": line.cost,
        }
        for line in order.ducts
    ]
    return _frame(rows, "product size insulation drawn_ft with_waste_ft package_ft packages price_per_ft cost")


def fittings_to_buy(order: Order) -> pd.DataFrame:
    """One row a fitting and size. Columns: product, size, pieces, price, cost; NaN without a price."""
    rows = [
        {
            "product": line.fitting,
            "size": line.size,
            "pieces": line.count,
            "price": line.price,
            "cost": line.cost,
        }
        for line in order.fittings
    ]
    return _frame(rows, "product size pieces price cost")


def cost_per_lot(buying: Buying) -> pd.DataFrame:
    """One row a purchase list: what makes its cost per lot another than the standard set's. Empty without prices.

    Columns: list, lots, as_drawn (at the mean price of the approved flex, the standard set's cost), then what is
    added by dampers, flex (the price of the flex of these lots), waste and whole_packages, and per_lot, their sum.
    """
    rows = []
    for part in buying.lists if buying.study.plan.prices else ():
        mean, order = buying.study.recommended.cost, part.order
        steps = [order.cost_of_feet(waste=False), order.cost_of_feet(waste=True), order.cost]
        drawn, with_waste, whole = (cost / part.lots for cost in steps)
        dampers = float(np.nansum([x.cost for x in order.fittings if x.fitting == DAMPER])) / part.lots
        rows.append(
            {
                "list": part.name,
                "lots": part.lots,
                "as_drawn": mean,
                "dampers": dampers,
                "flex": drawn - mean - dampers,
                "waste": with_waste - drawn,
                "whole_packages": whole - with_waste,
                "per_lot": whole,
            }
        )
    return _frame(rows, "list lots as_drawn dampers flex waste whole_packages per_lot")


def delivered_flex(buying: Buying, delivery: Delivery | None) -> pd.DataFrame:
    """One row a flex product that may be delivered, in the standard set's sizes and with its damper marks.

    Columns: flex, lot_cost (of one of many lots, with waste), more_cost (than the cheapest), alone_cost (of one lot
    alone in whole packages), outside_open and outside_marked (rooms outside tolerance in some variant of it, dampers
    open and with the marks), worst_tolerances, dampers; NaN without prices or prediction.
    """
    study, rows = buying.study, []
    for flex, order in buying.by_flex.items():
        row: dict[str, Any] = {"flex": flex}
        if study.plan.prices:
            row |= {"lot_cost": order.cost_of_feet(waste=True), "alone_cost": order.cost}
        if delivery is not None:
            mine, marks = study.variants.where(flex=flex), delivery.marks.chosen
            off = np.nan_to_num(marks.off[mine], nan=np.inf)
            within = delivery.open_dampers.room_within(study.plan.tolerance)
            row |= {
                "outside_open": int((~within[mine]).any(axis=0).sum()),
                "outside_marked": int(is_outside(off).any(axis=0).sum()),
                "worst_tolerances": float(off.max()),
                "dampers": len(marks.runs),
            }
        rows.append(row)
    frame = _frame(rows, "flex lot_cost more_cost alone_cost outside_open outside_marked worst_tolerances dampers")
    return frame.assign(more_cost=frame["lot_cost"] - frame["lot_cost"].min())


def substituted(delivery: Delivery) -> pd.DataFrame:
    """One row a pair of products: sized for one alone, another installed in those sizes, all dampers open.

    Columns: designed, installed, room (that loses most), change_pct (of what it would get), rooms_outside (tolerance in
    some variant), sections_up, extra_cost, raised (what it takes to hold again; NaN where no set holds).
    """
    plan, rows = delivery.study.plan, []
    for pair in delivery.substitutions:
        expected = pair.expected.room_cfm
        change = 100.0 * (pair.delivered.room_cfm / np.where(expected > 0.0, expected, np.nan) - 1.0)
        lowest = np.round(np.nanmin(np.where(np.isnan(change), np.inf, change), axis=0), 9)
        worst, holds = int(np.argmin(lowest)), pair.recovery.size_index is not None
        rows.append(
            {
                "designed": pair.designed,
                "installed": pair.installed,
                "room": plan.rooms[worst] if math.isfinite(lowest[worst]) else "",
                "change_pct": lowest[worst],
                "rooms_outside": int((~pair.delivered.room_within(plan.tolerance)).any(axis=0).sum()),
                "sections_up": float(len(pair.raised)) if holds else np.nan,
                "extra_cost": pair.extra_cost,
                "raised": "; ".join(f"{name} {a} to {b}" for name, (a, b) in pair.raised.items())
                or ("none: it holds as it is" if holds else "no set holds"),
            }
        )
    return _frame(rows, "designed installed room change_pct rooms_outside sections_up extra_cost raised")


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
    parts, units = [], buying.study.plan.units
    header = csv_columns(units)
    for part in buying.lists:
        ducts = ducts_to_buy(part.order)
        ducts["price"] = units.shown(ducts["price_per_ft"].to_numpy(dtype=float), "USD/ft").round(6)
        for name in _LENGTHS:
            ducts[name] = units.shown(ducts[name].to_numpy(dtype=float), "ft").round(6)
        ducts = ducts.assign(item="duct", price_for=units.unit("ft"))
        fittings = fittings_to_buy(part.order).assign(item="fitting", price_for="piece")
        for frame in (ducts, fittings):
            if len(frame):
                parts.append(frame.assign(list=part.name, lots=part.lots))
    if not parts:
        return ",".join(header) + "\n"
    whole = pd.concat([part.reindex(columns=list(_CSV_COLUMNS)) for part in parts], ignore_index=True)
    whole.loc[whole["price"].isna(), "price_for"] = ""
    for name in ("list", "product", "size", "insulation"):
        whole[name] = [harmless("" if pd.isna(text) else str(text)) for text in whole[name].tolist()]
    whole["cost"] = whole["cost"].round(2)
    for name in ("drawn_ft", "with_waste_ft"):
        whole[name] = whole[name].round(units.decimals("ft", 2))
    for name in ("packages", "pieces"):
        whole[name] = whole[name].astype("Int64")
    return str(whole.to_csv(index=False, header=header, lineterminator="\n"))


def finite(cost: float) -> float:
    """A cost, NaN where there is none."""
    return cost if math.isfinite(cost) else math.nan


def _frame(rows: list[dict[str, Any]], columns: str) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=columns.split())
