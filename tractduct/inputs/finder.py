"""Where a plan's tables are, and whether their columns are there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath, PureWindowsPath

from tractduct.errors import Fault, printable
from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.airflow import is_wide, wide_column
from tractduct.inputs.cells import nearest
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.plan_file import PLAN_FILE, PlanFile
from tractduct.inputs.schema import Field
from tractduct.inputs.spelling import understood
from tractduct.inputs.tables import RawTable, TableFault, header_key, read_table, sheet_names


def find_table(spec: schema.TableSchema, plan_file: PlanFile, log: FaultLog) -> RawTable | None:
    """One table, its headers checked; None where it is not given or can't be read."""
    named = plan_file.part("tables")
    name = "loads" if spec.name == "airflow" and "loads" in named else spec.name
    given = named.get(name)
    if name == "loads" and "airflow" in named:
        log.fault(
            plan_file.name,
            "it names an airflow table and a loads table, and one stands for the other",
            "Remove one of the two",
            column="[tables] loads",
        )
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
        place = _named(plan_file, given) if given is not None else _beside(plan_file, names, log)
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
    return understood(table, columns_of(table, spec), log)


def columns_of(table: RawTable, spec: schema.TableSchema) -> dict[str, Field]:
    """The declaration of each of the table's columns that is read, by header key."""
    found = {header_key(f.name): f for f in spec.fields if table.has(f.name)}
    if spec.name == "airflow":
        for key, spelled in table.headers.items():
            parts = wide_column(spelled)
            if parts:
                found[key] = replace(spec.field(parts[1]), name=spelled)
    return found


def _named(plan_file: PlanFile, given: str) -> tuple[Path, str | None, str]:
    """Path, sheet and label of a table that plan.toml names. TableFault where it lies outside the plan folder."""
    file, _, sheet = given.partition("#")
    there = path_inside(file)
    path = plan_file.folder / (there or "")
    if there is None or not _is_inside(path, plan_file.folder):
        raise TableFault(
            Fault(
                file=plan_file.name,
                value=given,
                problem="the file lies outside the plan folder" if file.strip() else "the name of the file is empty",
                remedy="Put it into the plan folder" if file.strip() else 'Write "file.csv" or "book.xlsx#Sheet"',
            )
        )
    return path, sheet or None, _label(file, sheet)


def path_inside(given: str) -> PurePosixPath | None:
    """The path below the plan folder that plan.toml gives for a file; None where it leads out of it, or is empty."""
    # Windows's rules know drives, shares and both slashes; a plan reads the same wherever it is opened.
    there = PureWindowsPath(given)
    if not there.parts or there.anchor or ".." in there.parts:
        return None
    return PurePosixPath(there.as_posix())


def _is_inside(path: Path, folder: Path) -> bool:
    """Whether a path stays in the folder, links followed."""
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):  # links in a circle, a name too long
        return False


def _beside(plan_file: PlanFile, names: Sequence[str], log: FaultLog) -> tuple[Path, str | None, str] | None:
    """Path, sheet and label of a table by its name; None where nothing of that name is there.

    The first place counts, and a note names the others.
    """
    folder = plan_file.folder
    keys = [header_key(name) for name in names]
    files = [p for p in sorted(folder.glob("*")) if not p.name.startswith(("~", "."))]
    places: list[tuple[Path, str | None, str]] = []
    for key in keys:
        found = [p for p in files if p.suffix.casefold() == ".csv" and header_key(p.stem) == key]
        places += [(path, None, path.name) for path in found]
    for path in files:
        if path.suffix.casefold() != ".xlsx":
            continue
        try:
            sheets = sheet_names(path)
        except TableFault:
            if places:  # a broken workbook is no hindrance where no table is sought in it
                continue
            raise
        places += [(path, s, _label(path.name, printable(s))) for s in sheets if header_key(s) in keys]
    if not places:
        return None
    if not _is_inside(places[0][0], folder):
        raise TableFault(
            Fault(
                file=places[0][2],
                problem="it is a link to a file outside the plan folder",
                remedy="Put the file itself into the plan folder",
            )
        )
    if len(places) > 1:
        log.findings.append(
            Finding(
                severity=Severity.CAUTION,
                rule="reading",
                subject=places[0][2],
                message="this table is read, and not " + ", ".join(label for _, _, label in places[1:]),
                advice=f"Keep one of them, or name it in [tables] of {PLAN_FILE}",
            )
        )
    return places[0]


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
