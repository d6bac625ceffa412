"""What may be bought: fittings, duct products and their prices."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.cells import NOT_OFFERED, allowed, nearest
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.schema import Field, in_units
from tractduct.inputs.spelling import plain_text
from tractduct.inputs.tables import RawTable, Row
from tractduct.model.plan import Duct, Fitting, is_reducer
from tractduct.model.sizes import Size
from tractduct.model.words import AT_PARENT, FLEX, key_of

_FALLS_SHOWN = 4  # of one product


def read_fittings(table: RawTable | None, log: FaultLog) -> dict[str, Fitting]:
    spec = schema.FITTINGS
    found: dict[str, Fitting] = {}
    seen: dict[str, int] = {}
    for row in table.rows if table else ():
        assert table is not None
        name = log.text(table, row, spec.field("fitting"))
        length = log.number(table, row, spec.field("equivalent_length_ft"))
        coefficient = log.number(table, row, spec.field("loss_coefficient"))
        bought = log.choice(table, row, spec.field("bought"))
        if not row.text("equivalent_length_ft") and not row.text("loss_coefficient"):
            log.cell_fault(
                table,
                row,
                "equivalent_length_ft",
                "the fitting has neither an equivalent length nor a loss coefficient",
                "Enter one of them, 0 where it loses nothing",
            )
        if any(c in name for c in "+*"):
            log.cell_fault(table, row, "fitting", "a fitting's name can't hold + or *", "Rename it")
        elif bought == AT_PARENT and is_reducer(name):
            log.cell_fault(
                table,
                row,
                "bought",
                "a reducer belongs to the one section that names it, and is bought where its parent has another size",
                "Leave the cell empty, or rename the fitting where it joins several sections",
            )
        elif name and log.once(seen, table, row, "fitting", name):
            found[name] = Fitting(
                name=name,
                equivalent_length_ft=length or 0.0,
                loss_coefficient=coefficient or 0.0,
                bought=bought,
                source=row.text("source"),
            )
    return found


def read_ducts(table: RawTable | None, log: FaultLog) -> dict[str, Duct]:
    spec = schema.DUCTS
    found: dict[str, Duct] = {}
    seen: dict[str, int] = {}
    for row in table.rows if table else ():
        assert table is not None
        name = log.text(table, row, spec.field("duct"))
        kind = log.choice(table, row, spec.field("kind"))
        roughness = log.number(table, row, spec.field("roughness_ft"))
        derate = log.number(table, row, spec.field("airflow_derate_pct"))
        compression = log.number(table, row, spec.field("compression_pct"))
        if key_of(name) == FLEX:
            log.cell_fault(
                table,
                row,
                "duct",
                f"'{FLEX}' stands for whichever flex is delivered",
                "Give the product a name of its own",
            )
        elif kind == "rigid" and compression:
            log.cell_fault(table, row, "compression_pct", "a rigid duct can't be compressed", "Leave the cell empty")
        elif name and log.once(seen, table, row, "duct", name):
            found[name] = Duct(
                name=name,
                kind=kind,
                roughness_ft=math.nan if roughness is None else roughness,
                airflow_derate_pct=derate or 0.0,
                compression_pct=compression or 0.0,
                source=row.text("source"),
            )
    return found


def without_roughness(table: RawTable | None, ducts: Mapping[str, Duct], log: FaultLog) -> dict[str, Duct]:
    """Faults for ducts that have neither a roughness nor a friction table; those get 0 to read on."""
    by_key = {key_of(duct.name): duct for duct in ducts.values()}
    for row in table.rows if table else ():
        assert table is not None
        duct = by_key.get(key_of(row.text("duct")))
        if duct is not None and math.isnan(duct.roughness_ft) and not row.text("roughness_ft"):
            log.cell_fault(
                table,
                row,
                "roughness_ft",
                f"the cell is empty; expected {allowed(in_units(schema.DUCTS.field('roughness_ft'), table.units))}",
                "Enter the value, or add the product's rows to friction_tables",
            )
    return {name: replace(d, roughness_ft=0.0) if math.isnan(d.roughness_ft) else d for name, d in ducts.items()}


def read_prices(
    table: RawTable | None, ducts: Mapping[str, Duct], sizes: Sequence[Size], plan_file: PlanFile, log: FaultLog
) -> tuple[dict[tuple[str, str], float | None], dict[tuple[str, str], float], dict[tuple[str, str], str]]:
    """Price a foot, feet in a package, insulation level of the price, all by (duct, size label).

    Prices of another insulation level than the plan's are left out. ``sizes`` are the standard ones.
    """
    spec = schema.PRICES
    prices: dict[tuple[str, str], float | None] = {}
    packages: dict[tuple[str, str], float] = {}
    levels: dict[tuple[str, str], str] = {}
    seen: dict[tuple[str, str], tuple[int, str]] = {}
    names = {key_of(name): name for name in ducts}
    level = plan_file.text("purchase", "insulation")
    for row in table.rows if table else ():
        assert table is not None
        name = log.text(table, row, spec.field("duct"))
        if name and key_of(name) not in names and "ducts" not in log.unread:
            log.cell_fault(table, row, "duct", "there is no duct of this name", nearest(name, names.values()))
        size = log.size(table, row, "size_in")
        price = _price(table, row, spec.field("price_per_ft"), log)
        package = log.number(table, row, spec.field("package_ft"))
        insulation = row.text("insulation")
        if size is None or key_of(name) not in names:
            continue
        if level and insulation and key_of(insulation) != key_of(level):
            continue
        key = names[key_of(name)], size.label
        first, other = seen.setdefault(key, (row.number, insulation))
        if first != row.number and key_of(insulation) != key_of(other):
            log.cell_fault(
                table,
                row,
                "insulation",
                f"this duct and size stand in row {first} at another insulation level, '{other}'",
                'Say which counts with insulation = "..." in [purchase] of plan.toml',
            )
        elif first != row.number:
            log.cell_fault(
                table,
                row,
                "size_in",
                f"this duct and size stand already in row {first}",
                "Remove one of the two rows",
            )
        prices[key] = price
        if package is not None:
            packages[key] = package
        if insulation:
            levels[key] = insulation
    if table is not None:
        _caution_of_falls(table, "duct", "USD/ft", prices, {key: row for key, (row, _) in seen.items()}, sizes, log)
    return prices, packages, levels


def read_fitting_prices(
    table: RawTable | None, fittings: Mapping[str, Fitting], sizes: Sequence[Size], log: FaultLog
) -> dict[tuple[str, str], float | None]:
    """Price of one by (fitting, size label of ``Piece.section``); None where not offered."""
    spec = schema.FITTING_PRICES
    found: dict[tuple[str, str], float | None] = {}
    seen: dict[tuple[str, str], int] = {}
    names = {key_of(name): name for name in fittings}
    for row in table.rows if table else ():
        assert table is not None
        name = log.text(table, row, spec.field("fitting"))
        if name and key_of(name) not in names and "fittings" not in log.unread:
            log.cell_fault(table, row, "fitting", "there is no fitting of this name", nearest(name, names.values()))
        size = log.size(table, row, "size_in")
        price = _price(table, row, spec.field("price"), log)
        if size is None or key_of(name) not in names:
            continue
        key = names[key_of(name)], size.label
        log.size_once(seen, table, row, "fitting", key)
        found[key] = price
    if table is not None:
        _caution_of_falls(table, "fitting", "USD", found, seen, sizes, log)
    return found


def _caution_of_falls(
    table: RawTable,
    what: str,
    unit: str,
    prices: Mapping[tuple[str, str], float | None],
    rows: Mapping[tuple[str, str], int],
    sizes: Sequence[Size],
    log: FaultLog,
) -> None:
    """A caution for each duct or fitting of which a larger size costs less than a smaller one of its shape.

    A rectangle is larger than another, turned as it may be, where no side is shorter and one is longer.
    """
    for name in dict.fromkeys(name for name, _ in prices):
        priced = [s for s in sizes if prices.get((name, s.label)) is not None]
        keys = [(name, s.label) for s in priced]
        price = np.array([prices[key] for key in keys], dtype=float)
        sides = np.array([sorted(map(float, s.label.split("x"))) * (2 if s.shape == "round" else 1) for s in priced])
        sides = sides.reshape(len(priced), 2)
        shape = np.array([s.shape for s in priced])
        larger = (shape[:, None] == shape) & np.all(sides[:, None] <= sides, axis=2)
        larger &= np.any(sides[:, None] < sides, axis=2)
        next_larger = larger & ~(larger.astype(float) @ larger > 0.0)
        falls = np.argwhere(next_larger & (price[:, None] > price))
        units = table.units
        words = [
            f"{units.size(priced[i].label)} (row {rows[keys[i]]}) costs {units.number(price[i], unit, '.2f')} and "
            f"{units.size(priced[j].label)} (row {rows[keys[j]]}) {units.say(price[j], unit, '.2f')}"
            for i, j in falls.tolist()
        ]
        if words:
            more = f", and {len(words) - _FALLS_SHOWN} more" if len(words) > _FALLS_SHOWN else ""
            log.findings.append(
                Finding(
                    severity=Severity.CAUTION,
                    rule="price falls with size",
                    subject=f"{table.label}, {what} {name}",
                    message="; ".join(words[:_FALLS_SHOWN]) + more,
                    advice="Check these rows: two may be exchanged, or a decimal point may have slipped",
                )
            )


def _price(table: RawTable, row: Row, field: Field, log: FaultLog) -> float | None:
    return None if row.text(field.name) == NOT_OFFERED else log.number(table, row, field)


def approved_flex(ducts: Mapping[str, Duct], plan_file: PlanFile, log: FaultLog) -> tuple[str, ...]:
    """The approved flex products, in the order given; one nameless product where the plan has no flex."""
    held = {key_of(d.name): d.name for d in ducts.values() if d.kind == "flex"}
    wanted = plan_file.listed("variants", "flex")
    if wanted is None:
        return tuple(held.values()) or ("",)
    chosen: list[str] = []
    for given in wanted:
        given = plain_text(Field(name="flex", meaning=""), given) if isinstance(given, str) else given
        name = held.get(key_of(str(given)))
        where = "[variants] flex"
        if "ducts" in log.unread:
            continue
        if name is None:
            log.fault(
                plan_file.name,
                "the ducts table holds no flex product of this name",
                nearest(str(given), held.values()),
                column=where,
                value=str(given),
            )
        elif name in chosen:
            log.fault(plan_file.name, "it stands twice", "Remove one", column=where, value=name)
        else:
            chosen.append(name)
    return tuple(chosen)
