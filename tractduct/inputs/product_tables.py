"""Published friction tables and inner diameters of duct products."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.cells import nearest
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.schema import in_units
from tractduct.inputs.tables import RawTable, Row
from tractduct.model.plan import Duct
from tractduct.model.words import key_of
from tractduct.products.fit import LEAST_ROWS, Fit, FrictionTable, correction_of, fit_table, out_of_order


def read_friction_rows(table: RawTable, rows: list[Row], log: FaultLog) -> FrictionTable | None:
    """Some rows of a friction table; None, and faults, where one can't be used.

    A row gives a friction rate, or a measured loss over a length.
    """
    spec = schema.FRICTION_TABLES
    before = len(log.faults)
    loss_name, length_name = (in_units(spec.field(n), table.units).name for n in ("loss_inwc", "length_ft"))
    size, flow, rate = [], [], []
    for row in rows:
        diameter = log.number(table, row, spec.field("size_in"))
        airflow = log.number(table, row, spec.field("airflow_cfm"))
        given = log.number(table, row, spec.field("friction_rate_inwc_per_100ft"))
        loss = log.number(table, row, spec.field("loss_inwc"))
        length = log.number(table, row, spec.field("length_ft"))
        if given is not None and loss is not None:
            log.cell_fault(
                table,
                row,
                "loss_inwc",
                "the row has a friction rate and a measured loss: which of them counts is not clear",
                "Keep one of the two",
            )
        if given is None and loss is not None and length is not None:
            given = 100.0 * loss / length
        elif given is None and len(log.faults) == before:
            log.cell_fault(
                table,
                row,
                "friction_rate_inwc_per_100ft",
                f"the row has neither a friction rate nor a {loss_name} with its {length_name}",
                "Enter one of them, or remove the row",
            )
        if diameter is not None and airflow is not None and given is not None:
            size.append(diameter)
            flow.append(airflow)
            rate.append(given)
    if len(log.faults) > before:
        return None
    found = FrictionTable(
        size_in=np.array(size), airflow_cfm=np.array(flow), friction_rate_inwc_per_100ft=np.array(rate)
    )
    for i, why in out_of_order(found, table.units):
        log.cell_fault(
            table, rows[i], "friction_rate_inwc_per_100ft", why, "Correct the row or the one it stands against"
        )
    return found if len(log.faults) == before else None


def fit_rows(
    table: RawTable, name: str, found: FrictionTable, log: FaultLog, derate: float | None = None
) -> Fit | None:
    """The fit of some rows; None, and a fault, where they do not allow one."""
    if len(found.size_in) < LEAST_ROWS:
        log.fault(
            table.label,
            f"'{name}' has {len(found.size_in)} rows; a fit needs at least {LEAST_ROWS}",
            "Add rows from the data sheet, or give roughness and derate",
            column=table.spelling("size_in"),
        )
        return None
    if derate is None and len(np.unique(found.size_in)) < 2:
        log.fault(
            table.label,
            f"'{name}' has one size only, so its derate and its roughness can't be told apart",
            "Add rows of another size, or give the derate",
            column=table.spelling("size_in"),
            value=table.units.number(float(found.size_in[0]), "in", "g"),
        )
        return None
    return fit_table(found, derate=derate)


def with_tables(ducts: Mapping[str, Duct], table: RawTable | None, log: FaultLog) -> dict[str, Duct]:
    """The ducts with what their friction tables say: roughness and derate where none are given, and the table.

    A duct without roughness and without a table is a fault.
    """
    by_duct: dict[str, list[Row]] = {}
    known = {key_of(name): name for name in ducts}
    for row in table.rows if table else ():
        assert table is not None
        name = log.text(table, row, schema.FRICTION_TABLES.field("duct"))
        if key_of(name) in known:
            by_duct.setdefault(known[key_of(name)], []).append(row)
        elif name and "ducts" not in log.unread:
            log.cell_fault(table, row, "duct", "there is no duct of this name", nearest(name, known.values()))
    found = dict(ducts)
    for name, rows in by_duct.items():
        assert table is not None
        duct = ducts[name]
        if math.isnan(duct.roughness_ft):  # its table may be at fault, but it has one
            found[name] = replace(duct, roughness_ft=0.0)
        points = read_friction_rows(table, rows, log)
        if points is None:
            continue
        if math.isnan(duct.roughness_ft):
            fit = fit_rows(table, name, points, log)
            if fit is None:
                continue
            if not fit.one_roughness_serves:
                log.findings.append(
                    Finding(
                        severity=Severity.CAUTION,
                        rule="friction table",
                        subject=f"duct {name}",
                        message="one roughness does not fit all its sizes: "
                        + ", ".join(f"{table.units.say(s, 'in')} {e:+.0f} %" for s, e in fit.by_size.items()),
                        advice="The table itself is used inside its range; check the rows of the sizes that are off",
                    )
                )
            duct = replace(duct, roughness_ft=fit.roughness_ft, airflow_derate_pct=100.0 * fit.derate)
        correction = correction_of(points, duct.roughness_ft, duct.airflow_derate_pct / 100.0)
        found[name] = replace(duct, correction=correction)
    return found


def read_inner_diameters(
    table: RawTable | None, ducts: Mapping[str, Duct], log: FaultLog
) -> dict[tuple[str, str], float]:
    """Inner diameter by (duct, size label)."""
    spec = schema.INNER_DIAMETERS
    known = {key_of(name): name for name in ducts}
    found: dict[tuple[str, str], float] = {}
    seen: dict[tuple[str, str], int] = {}
    for row in table.rows if table else ():
        assert table is not None
        name = log.text(table, row, spec.field("duct"))
        size = log.size(table, row, "size_in")
        inner = log.number(table, row, spec.field("inner_diameter_in"))
        if name and key_of(name) not in known and "ducts" not in log.unread:
            log.cell_fault(table, row, "duct", "there is no duct of this name", nearest(name, known.values()))
        elif size is not None and size.shape != "round":
            log.cell_fault(table, row, "size_in", "inner diameters are for round sizes", "Enter a diameter")
        elif size is not None and inner is not None and key_of(name) in known:
            if not 0.7 * size.diameter_in <= inner <= 1.2 * size.diameter_in:
                log.cell_fault(
                    table,
                    row,
                    "inner_diameter_in",
                    f"it is far from the nominal {table.units.size(size.label)}",
                    "Check both; an inner diameter lies between 0.7 and 1.2 of the nominal one",
                )
            key = known[key_of(name)], size.label
            log.size_once(seen, table, row, "duct", key)
            found[key] = inner
    return found
