"""Where a plan's tables are, and whether their columns are there."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from tractduct.errors import Fault
from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.airflow import is_wide, wide_column
from tractduct.inputs.cells import nearest
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.plan_file import PLAN_FILE, PlanFile
from tractduct.inputs.tables import RawTable, TableFault, header_key, read_table, sheet_names


def find_table(spec: schema.TableSchema, plan_file: PlanFile, log: FaultLog) -> RawTable | None:
    """One table, its headers checked; None where it is not given or can't be read."""
    named = plan_file.part("tables")
    name = "loads" if spec.name == "airflow" and "loads" in named else spec.name
    given = named.get(name)
    if given is not None and not isinstance(given, str):
        log.fault(
            plan_file.name,
            "expected a file name",
            'Write "file.csv" or "book.xlsx#Sheet"',
            column=f"[tables] {name}",
            value=str(given),
        )
        log.unread.add(spec.name)
        return None
    names = (spec.name, "loads") if spec.name == "airflow" and name != "loads" else (name,)
    try:
        place = _locate(plan_file, names, given)
        if place is None:
            if spec.required:
                log.fault(
                    f"{spec.name}.csv",
                    f"the plan has no {spec.name} table",
                    f"Add {spec.name}.csv or a workbook with a sheet '{spec.name}' beside {PLAN_FILE}",
                )
                log.unread.add(spec.name)
            return None
        table = read_table(spec.name, *place)
    except TableFault as problem:
        log.add(problem.fault)
        log.unread.add(spec.name)
        return None
    for fault in table.faults:
        log.add(fault)
    if not _check_headers(table, spec, log):
        log.unread.add(spec.name)
        return None
    if not table.rows:
        log.fault(table.label, "the table has a header and no rows", "Fill it in")
        log.unread.add(spec.name)
        return None
    return table


def _locate(plan_file: PlanFile, names: Iterable[str], given: str | None) -> tuple[Path, str | None, str] | None:
    """Path, sheet and label of a table; None where nothing of that name is there."""
    if given is not None:
        file, _, sheet = given.partition("#")
        path = plan_file.folder / file
        if not path.resolve().is_relative_to(plan_file.folder.resolve()):
            raise TableFault(
                Fault(
                    file=plan_file.name,
                    value=given,
                    problem="the file lies outside the plan folder",
                    remedy="Put it into the plan folder",
                )
            )
        return path, sheet or None, _label(file, sheet)
    for name in names:
        if (plan_file.folder / f"{name}.csv").is_file():
            return plan_file.folder / f"{name}.csv", None, f"{name}.csv"
    books = [p for p in sorted(plan_file.folder.glob("*.xlsx")) if not p.name.startswith(("~", "."))]
    for book in books:
        for sheet in sheet_names(book):
            if header_key(sheet) in {header_key(n) for n in names}:
                return book, sheet, _label(book.name, sheet)
    return None


def _check_headers(table: RawTable, spec: schema.TableSchema, log: FaultLog) -> bool:
    """Missing columns are faults, unknown ones findings. True where the table can be read on."""
    known = {header_key(f.name): f.name for f in spec.fields}
    wide = spec.name == "airflow" and is_wide(table)
    for key, spelled in table.headers.items():
        if key not in known and not (wide and wide_column(spelled)):
            log.findings.append(
                Finding(
                    severity=Severity.CAUTION,
                    rule="unknown column",
                    subject=table.label,
                    message=f"column '{spelled}' is not one of this table's and is not read",
                    advice=nearest(spelled, known.values()),
                )
            )
    missing = [f.name for f in spec.fields if f.required and not table.has(f.name)]
    for name in missing:
        log.fault(table.label, f"the column '{name}' is missing", f"Add it: {spec.field(name).meaning}", row=1)
    return not missing


def _label(file: str, sheet: str | None) -> str:
    return f"{file} sheet '{sheet}'" if sheet else file
