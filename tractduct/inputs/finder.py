"""Where a plan's tables are, and whether their columns are there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path, PureWindowsPath

from tractduct.errors import Fault, printable
from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.airflow import is_wide, wide_column
from tractduct.inputs.cells import near_miss, nearest
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_ROWS_OF
from tractduct.inputs.plan_file import PLAN_FILE, PlanFile
from tractduct.inputs.schema import Field, in_units, other_units
from tractduct.inputs.spelling import understood
from tractduct.inputs.tables import WORKBOOKS, RawTable, Row, TableFault, header_key, read_table, sheet_names
from tractduct.units import IP, SI, UnitSystem


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
        table = in_core_names(read_table(spec.name, *place), spec, plan_file.units)
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
    most = MAX_ROWS_OF.get(spec.name, len(table.rows))
    if len(table.rows) > most:
        log.fault(
            table.label,
            f"there are {len(table.rows):,} rows; at most {most:,} of this table are read",
            "Leave out what is not needed, or make several plans of it",
        )
        log.unread.add(spec.name)
        return None
    return understood(table, columns_of(table, spec), log)


def in_core_names(table: RawTable, spec: schema.TableSchema, units: UnitSystem) -> RawTable:
    """The table with its header keys as the core names them; what it holds stays as it is, in its units."""
    keys = {header_key(in_units(f, units).name): header_key(f.name) for f in spec.fields}
    if all(key == core for key, core in keys.items()):
        return replace(table, units=units)
    taken = set(keys.values()) - set(keys)  # names of the core's that mean nothing in these units

    def core(key: str) -> str:
        return keys.get(key, f"?{key}" if key in taken else key)

    return replace(
        table,
        headers={core(key): spelled for key, spelled in table.headers.items()},
        rows=tuple(
            Row(row.number, {core(k): v for k, v in row.cells.items()}, {core(k): v for k, v in row.written.items()})
            for row in table.rows
        ),
        units=units,
    )


def units_of(table: RawTable, spec: schema.TableSchema) -> UnitSystem:
    """The units that a table stands in by the names of its columns, where no plan says it."""

    def known(units: UnitSystem) -> int:
        return sum(header_key(in_units(f, units).name) in table.headers for f in spec.fields)

    return SI if known(SI) > known(IP) else IP


def columns_of(table: RawTable, spec: schema.TableSchema) -> dict[str, Field]:
    """The declaration of each of the table's columns that is read, in the table's units, by header key."""
    found = {header_key(f.name): in_units(f, table.units) for f in spec.fields if table.has(f.name)}
    if spec.name == "airflow":
        for key, spelled in table.headers.items():
            parts = wide_column(spelled, table.units)
            if parts:
                found[key] = replace(in_units(spec.field(parts[1]), table.units), name=spelled)
    return found


def _named(plan_file: PlanFile, given: str) -> tuple[Path, str | None, str]:
    """Path, sheet and label of a table that plan.toml names. TableFault where it lies outside the plan folder."""
    file, _, sheet = given.partition("#")
    path = path_inside(plan_file.folder, file)
    if path is None:
        raise TableFault(
            Fault(
                file=plan_file.name,
                value=given,
                problem="the file lies outside the plan folder" if file.strip() else "the name of the file is empty",
                remedy="Put it into the plan folder" if file.strip() else 'Write "file.csv" or "book.xlsx#Sheet"',
            )
        )
    return path, sheet or None, _label(file, sheet)


def path_inside(folder: Path, file: str) -> Path | None:
    """Where a file that plan.toml names lies; None where that is outside the plan folder."""
    # Windows's rules know drives, shares and both slashes; a plan reads the same wherever it is opened.
    there = PureWindowsPath(file)
    if not there.parts or there.anchor or ".." in there.parts:
        return None
    path = folder / there.as_posix()
    return path if is_inside(path, folder) else None


def is_inside(path: Path, folder: Path) -> bool:
    """Whether a path stays in the folder, links followed."""
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):  # links in a circle, a name too long or with a NUL
        return False


def _beside(plan_file: PlanFile, names: Sequence[str], log: FaultLog) -> tuple[Path, str | None, str] | None:
    """Path, sheet and label of a table by its name; None where nothing of that name is there.

    The first place counts, and a note names the others.
    """
    folder = plan_file.folder
    keys = [header_key(name) for name in names]
    files = _files(folder)
    places: list[tuple[Path, str | None, str]] = []
    for key in keys:
        found = [p for p in files if p.suffix.casefold() == ".csv" and header_key(p.stem) == key]
        places += [(path, None, printable(path.name)) for path in found]
    for path in files:
        if path.suffix.casefold() not in WORKBOOKS:
            continue
        try:
            sheets = sheet_names(path)
        except TableFault:
            if places:  # a broken workbook is no hindrance where no table is sought in it
                continue
            raise
        places += [(path, s, _label(printable(path.name), printable(s))) for s in sheets if header_key(s) in keys]
    if not places:
        return None
    if not is_inside(places[0][0], folder):
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


def _files(folder: Path) -> list[Path]:
    """The files beside plan.toml, without what programs leave for themselves."""
    return [p for p in sorted(folder.glob("*")) if not p.name.startswith(("~", "."))]


_OTHER_TABLES = (".xls", ".ods", ".tsv", ".txt")  # what a table may have been saved as by mistake


def tell_unread(plan_file: PlanFile, tables: Mapping[str, RawTable | None], log: FaultLog) -> None:
    """What else lies in the plan folder: a finding, and a fault where it may be meant for a table that is absent."""
    read = {table.label for table in tables.values() if table}
    absent = [name for name, table in tables.items() if table is None]
    if tables["airflow"] is None:
        absent.append("loads")
    for path in _files(plan_file.folder):
        kind = path.suffix.casefold()
        if kind == ".csv" or kind in _OTHER_TABLES:
            places = {path.name: path.stem}
        elif kind in WORKBOOKS:
            try:
                places = {_label(path.name, printable(sheet)): sheet for sheet in sheet_names(path)}
            except TableFault:
                continue  # told where a table was sought in it
        else:
            continue
        left = []
        for label, name in places.items():
            if label in read:
                continue
            meant = near_miss(name, absent)
            if meant and header_key(name) != header_key(meant):
                log.fault(
                    label,
                    f"it is not read: the plan has no {meant} table, and this has a name like it",
                    f"Name it {meant}, or give it a name that is less alike",
                )
            elif meant and kind in _OTHER_TABLES:
                log.fault(label, "tables are read from .csv or .xlsx files", "Save the table as one of them")
            elif kind not in _OTHER_TABLES and (len(places) == 1 or header_key(name) not in map(header_key, tables)):
                left.append(label)
        if left:
            log.findings.append(
                Finding(
                    severity=Severity.NOTE,
                    rule="reading",
                    subject=path.name,
                    message="this is none of the plan's tables and is not read: " + ", ".join(left[:12]),
                    advice=f"Name it in [tables] of {PLAN_FILE} if it should be",
                )
            )


def _check_headers(table: RawTable, spec: schema.TableSchema, log: FaultLog) -> bool:
    """Missing columns are faults, unknown ones findings. True where the table can be read on."""
    known = {header_key(f.name): in_units(f, table.units).name for f in spec.fields}
    wide = spec.name == "airflow" and is_wide(table)
    absent = [
        in_units(f, table.units).name for f in spec.fields if not table.has(f.name) and f.name not in schema.FREE_TEXT
    ]
    for key, spelled in table.headers.items():
        if key not in known and not (wide and wide_column(spelled, table.units)):
            meant = near_miss(spelled, absent)
            if wide and meant and key.endswith(header_key(meant)):
                log.fault(
                    table.label,
                    f"'{spelled}' names no direction that a front may face",
                    "Write N, NE, E, SE, S, SW, W or NW before it, or remove the column",
                    row=table.header_row,
                    column=spelled,
                )
                continue
            other = other_units(spelled, (f for f in spec.fields if not table.has(f.name)), table.units)
            if (meant or other) and not wide:
                # Left out, the column would count as blank, and its default would stand for what was entered.
                log.fault(
                    table.label,
                    f"the table has no column '{spelled}'" + ("" if other else f", and its '{meant}' is missing"),
                    other or f"Write '{meant}', or give the column a name that is less alike",
                    row=table.header_row,
                    column=spelled,
                )
                continue
            log.findings.append(
                Finding(
                    severity=Severity.CAUTION,
                    rule="unknown column",
                    subject=table.label,
                    message=f"column '{spelled}' is not one of this table's and is not read",
                    advice=other_units(spelled, spec.fields, table.units) or nearest(spelled, known.values()),
                )
            )
    missing = [in_units(f, table.units) for f in spec.fields if f.required and not table.has(f.name)]
    for field in missing:
        log.fault(
            table.label, f"the column '{field.name}' is missing", f"Add it: {field.meaning}", row=table.header_row
        )
    return not missing


def _label(file: str, sheet: str | None) -> str:
    return f"{file} sheet '{sheet}'" if sheet else file
