"""Published friction tables and inner diameters of duct products."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tractduct.errors import InputFaults, printable
from tractduct.findings import Finding
from tractduct.inputs import schema
from tractduct.inputs.cells import allowed
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.finder import lone_table
from tractduct.inputs.spelling import plain_text
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.model.plan import Duct
from tractduct.model.words import by_key, key_of
from tractduct.products.fit import LEAST_ROWS, Fit, FrictionTable, correction_of, fit_table, out_of_order
from tractduct.units import UnitSystem

_NO_DUCT = "there is no duct of this name"


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedTable:
    """A friction table that belongs to no plan, and its fit; ``rows`` are those of its file."""

    name: str
    points: FrictionTable
    fit: Fit
    rows: tuple[int, ...]
    units: UnitSystem
    findings: tuple[Finding, ...]


def fit_file(place: str, name: str | None, derate_pct: float | None) -> FittedTable:
    """The fit of a friction table in ``file.csv`` or ``book.xlsx#sheet``, with the derate fixed where it is given.

    Raises InputFaults. Without a name, the product is called as the file is.
    """
    file, _, sheet = place.partition("#")
    log = FaultLog()
    table = lone_table(schema.FRICTION_TABLES, Path(file), sheet, log)
    for column in ("size_in", "airflow_cfm"):
        if not table.raw.has(column):
            table.header_fault(f"the column '{table.shown(column).name}' is missing", "Add it")
    rows = list(table)
    product = printable(plain_text(schema.DUCTS.field("duct"), name or Path(file).stem))
    points = None if log.faults else _friction_rows(table, rows)
    derate = None if derate_pct is None else derate_pct / 100
    fit = None if points is None else _fit_rows(table, product, points, derate)
    if log.faults or points is None or fit is None:
        raise InputFaults(log.faults)
    numbers, findings = tuple(row.place for row in rows), tuple(log.findings)
    return FittedTable(name=product, points=points, fit=fit, rows=numbers, units=table.units, findings=findings)


def _friction_rows(table: TableReader, rows: Sequence[RowReader]) -> FrictionTable | None:
    """Some rows of a friction table; None, and faults, where one can't be used.

    A row gives a friction rate, or a measured loss over a length.
    """
    loss_name, length_name = (table.shown(name).name for name in ("loss_inwc", "length_ft"))
    points = []
    for row in rows:
        diameter, airflow = row.number("size_in"), row.number("airflow_cfm")
        rate = row.optional("friction_rate_inwc_per_100ft")
        loss, length = row.optional("loss_inwc"), row.optional("length_ft")
        if rate is not None and loss is not None:
            problem = "the row has a friction rate and a measured loss: which of them counts is not clear"
            row.fault("loss_inwc", problem, "Keep one of the two")
        elif rate is None and loss is not None and length is not None:
            rate = 100.0 * loss / length
        elif rate is None and not row.failed:
            problem = f"the row has neither a friction rate nor a {loss_name} with its {length_name}"
            row.fault("friction_rate_inwc_per_100ft", problem, "Enter one of them, or remove the row")
        points.append((diameter, airflow, math.nan if rate is None else rate))
    if any(row.failed for row in rows):
        return None
    size, flow, rates = np.array(points).reshape(-1, 3).T
    found = FrictionTable(size_in=size, airflow_cfm=flow, friction_rate_inwc_per_100ft=rates)
    for i, why in out_of_order(found, table.units):
        rows[i].fault("friction_rate_inwc_per_100ft", why, "Correct the row or the one it stands against")
    return None if any(row.failed for row in rows) else found


def _fit_rows(table: TableReader, name: str, found: FrictionTable, derate: float | None = None) -> Fit | None:
    """The fit of some rows; None, and a fault, where they do not allow one."""
    if len(found.size_in) < LEAST_ROWS:
        problem = f"'{name}' has {len(found.size_in)} rows; a fit needs at least {LEAST_ROWS}"
        table.fault(problem, "Add rows from the data sheet, or give roughness and derate", column="size_in")
        return None
    if derate is None and len(np.unique(found.size_in)) < 2:
        problem = f"'{name}' has one size only, so its derate and its roughness can't be told apart"
        size = table.units.number(float(found.size_in[0]), "in", "g")
        table.fault(problem, "Add rows of another size, or give the derate", column="size_in", value=size)
        return None
    return fit_table(found, derate=derate)


def with_tables(duct_table: TableReader, ducts: Mapping[str, Duct], table: TableReader) -> dict[str, Duct]:
    """The ducts with what their friction tables say: roughness and derate where none are given, and the table.

    A duct without roughness and without a table is a fault, and gets 0 to read on.
    """
    by_duct: dict[str, list[RowReader]] = {}
    names = by_key(ducts)
    for row in table:
        name = row.named("duct", names, _NO_DUCT)
        if name:
            by_duct.setdefault(name, []).append(row)
    found = dict(ducts)
    for name, rows in by_duct.items():
        duct = ducts[name]
        if math.isnan(duct.roughness_ft):  # its table may be at fault, but it has one
            found[name] = replace(duct, roughness_ft=0.0)
        points = _friction_rows(table, rows)
        if points is None:
            continue
        if math.isnan(duct.roughness_ft):
            fit = _fit_rows(table, name, points)
            if fit is None:
                continue
            if not fit.one_roughness_serves:
                by_size = ", ".join(f"{table.units.say(s, 'in')} {e:+.0f} %" for s, e in fit.by_size.items())
                message = f"one roughness does not fit all its sizes: {by_size}"
                advice = "The table itself is used inside its range; check the rows of the sizes that are off"
                table.log.caution("friction table", f"duct {name}", message, advice)
            duct = replace(duct, roughness_ft=fit.roughness_ft, airflow_derate_pct=100.0 * fit.derate)
        correction = correction_of(points, duct.roughness_ft, duct.airflow_derate_pct / 100.0)
        found[name] = replace(duct, correction=correction)
    for row in duct_table:
        name = names.get(key_of(row.written("duct")), "")
        if name and math.isnan(found[name].roughness_ft) and not (row.has("roughness_ft") or table.is_unread):
            problem = f"the cell is empty; expected {allowed(duct_table.shown('roughness_ft'))}"
            row.fault("roughness_ft", problem, "Enter the value, or add the product's rows to friction_tables")
    return {name: replace(d, roughness_ft=0.0) if math.isnan(d.roughness_ft) else d for name, d in found.items()}


def read_inner_diameters(table: TableReader, ducts: Mapping[str, Duct]) -> dict[tuple[str, str], float]:
    """Inner diameter by (duct, size label)."""
    found: dict[tuple[str, str], float] = {}
    names = by_key(ducts)
    for row in table:
        name = row.named("duct", names, _NO_DUCT)
        size, inner = row.size(), row.number("inner_diameter_in")
        if size is not None and size.shape != "round":
            row.fault("size_in", "inner diameters are for round sizes", "Enter a diameter")
        elif size is not None and name and not row.failed:
            if not 0.7 * size.diameter_in <= inner <= 1.2 * size.diameter_in:
                problem = f"it is far from the nominal {table.units.size(size.label)}"
                remedy = "Check both; an inner diameter lies between 0.7 and 1.2 of the nominal one"
                row.fault("inner_diameter_in", problem, remedy)
            row.once("size_in", (name, size.label), "this duct and size are")
            found[name, size.label] = inner
    return found
