"""Where a plan's tables are, and whether their columns are there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from tractduct.errors import InputFaults, Origin, printable
from tractduct.files import PLAN_FILE, TableFault, path_inside
from tractduct.inputs import schema
from tractduct.inputs.cells import near_miss, nearest
from tractduct.inputs.compact.derive import add_derived
from tractduct.inputs.compact.rows import default_row, is_price_grid, price_rows
from tractduct.inputs.compact.sheets import HELPER_KEYS, SHEETS
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_ROWS_OF
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.printed import read_printed
from tractduct.inputs.schema import Field, TableSchema, header_key, in_units, other_units
from tractduct.inputs.spelling import understood, wide_column
from tractduct.inputs.table_reader import TableReader
from tractduct.inputs.tables import WORKBOOKS, Place, RawTable, label_of, place_of, read_table
from tractduct.inputs.workbook import sheet_names
from tractduct.units import IP, SI, UnitSystem


def find_tables(plan_file: PlanFile) -> dict[str, TableReader]:
    """Every table of the plan by its name, headers checked, and a word on what else lies in the folder."""
    log = plan_file.log
    compact = {spec.name: find_table(spec, plan_file) for spec in SHEETS[1:]}
    # What the compact sheets say need not stand in a long table, and surfaces may stand instead of airflow.
    said = {name for name, sheet in compact.items() if sheet.is_given or sheet.is_unread}
    instead = {"sections": {"runs"}, "fittings": {"runs"}, "ducts": {"runs", "products"}}
    is_printed = "printed" in plan_file.part("tables")
    has_loads = any(row.has(name) for row in compact["rooms"] for name in ("heating_btuh", "sensible_cooling_btuh"))
    found: dict[str, TableReader] = {}
    for spec in (*(spec for spec in schema.TABLES if spec is not schema.AIRFLOW), schema.AIRFLOW):
        if spec is schema.ROOMS and "rooms" in said:
            found["rooms"] = TableReader(spec, None, log)
            continue
        needed = spec.required and not instead.get(spec.name, set()) & said
        if spec is schema.AIRFLOW:
            by_surface = found["surfaces"].is_given or found["surfaces"].is_unread
            needed = not (by_surface or is_printed or has_loads or compact["rooms"].is_unread)
        found[spec.name] = find_table(replace(spec, required=needed), plan_file)
    labels = {sheet.label for sheet in compact.values() if sheet.is_given}
    labels |= {at.label for at in plan_file.places.values()}
    own = plan_file.book.name if plan_file.book else ""
    labels |= {label_of(file or own, sheet) for file, sheet in _printed_files(plan_file) if file or sheet}
    _tell_unread(plan_file, {**compact, **found} if labels else found, labels)
    instead["airflow"] = {"rooms"} if not found["airflow"].is_given else set()
    log.unread.update(name for name, of in instead.items() if of & log.unread)
    add_derived(found, compact, plan_file)
    if is_printed:
        found["airflow"] = _printed(found, plan_file)
    return found


def _printed_files(plan_file: PlanFile) -> list[tuple[str, str]]:
    """File, empty for the plan's own workbook, and sheet, empty for all, of the printed tables that it names."""
    given = str(plan_file.part("tables").get("printed", "")).split(";")
    return [(file, sheet) for file, _, sheet in (one.strip().partition("#") for one in given)]


def _printed(found: Mapping[str, TableReader], plan_file: PlanFile) -> TableReader:
    """The airflow table out of the printed ones that the plan names: FILE#SHEET, or #SHEET of its own workbook."""
    given, log = str(plan_file.part("tables")["printed"]), plan_file.log
    log.unread.add("airflow")
    if found["airflow"].is_given:
        problem = f"{found['airflow'].label} gives the airflow too"
        plan_file.fault("tables", "printed", problem, "Keep one of the two", given)
        return found["airflow"]
    places: list[tuple[Path, str]] = []
    for file, sheet in _printed_files(plan_file):
        path = path_inside(plan_file.folder, file) if file else plan_file.book
        if path is None:
            problem = "expected files in the plan's folder, with ; between"
            remedy = "Write loads.xlsx#Sheet, or #Sheet of the plan's workbook"
            plan_file.fault("tables", "printed", problem, remedy, given)
            return found["airflow"]
        places.append((path, sheet))
    try:
        printed = read_printed(found, plan_file, places)
    except InputFaults as refused:
        for fault in refused.faults:
            log.add(fault)
        return found["airflow"]
    for said in printed.said:
        log.note("printed airflow", plan_file.where("tables", "printed"), said, "Hold it against the printed table")
    header, *lines = printed.lines
    at = Origin(plan_file.name, 1, "[tables] printed", given)
    rows = tuple(default_row(dict(zip(header, line, strict=True)), at) for line in lines)
    raw = RawTable("airflow", plan_file.name, {header_key(name): name for name in header}, rows)
    log.unread.discard("airflow")
    return TableReader(schema.AIRFLOW, in_core_names(raw, schema.AIRFLOW, plan_file.units), log)


def find_table(spec: TableSchema, plan_file: PlanFile) -> TableReader:
    """One table, its headers checked; without rows where it is not given, or is a sheet that is there to be filled."""
    log = plan_file.log
    try:
        place = _place(spec, plan_file)
        if place is None and spec.required:
            remedy = f"Add {spec.name}.csv or a workbook with a sheet '{spec.name}' beside {PLAN_FILE}"
            raise TableFault(f"{spec.name}.csv", f"the plan has no {spec.name} table", remedy)
        if place is None:
            return TableReader(spec, None, log)
        raw = read_table(spec.name, *place, helpers=HELPER_KEYS)
        is_grid = spec.name == "prices" and is_price_grid(raw)
        raw = price_rows(raw) if is_grid else raw
        is_blank = not raw.rows and (is_grid or not (spec.required or plan_file.has_file))
        if is_blank or (spec is SHEETS[1] and not _is_compact(raw, plan_file.units)):
            return TableReader(spec, None, log)
        found = _checked(in_core_names(raw, spec, plan_file.units), spec, log)
    except TableFault as problem:
        log.add(problem.fault)
        found = None
    if found is None:
        log.unread.add(spec.name)
    return TableReader(spec, found, log)


def _is_compact(rooms: RawTable, units: UnitSystem) -> bool:
    """Whether a rooms table is of the compact form: the long one has an outline of each room, and nothing else."""
    long, own = ({header_key(in_units(f, units).name) for f in spec.fields} for spec in (schema.ROOMS, SHEETS[1]))
    return bool((own - long) & set(rooms.headers)) or not (long - {"room", "floor"}) & set(rooms.headers)


def lone_table(spec: TableSchema, path: Path, sheet: str, log: FaultLog) -> TableReader:
    """A table that belongs to no plan: in the units that its columns name. Raises TableFault where it can't be read.

    Without a sheet, a workbook's of the table's name, or its first.
    """
    raw = read_table(spec.name, path, sheet or None, printable(path.name), any_sheet=not sheet)
    for fault in raw.faults:
        log.add(fault)

    def known(units: UnitSystem) -> int:
        return sum(header_key(in_units(f, units).name) in raw.headers for f in spec.fields)

    raw = in_core_names(raw, spec, max(IP, SI, key=known))
    return TableReader(spec, understood(raw, _columns_of(raw, spec), log), log)


def in_core_names(table: RawTable, spec: TableSchema, units: UnitSystem) -> RawTable:
    """The table with its header keys as the core names them; what it holds stays as it is, in its units."""
    keys = {header_key(in_units(f, units).name): header_key(f.name) for f in spec.fields}
    taken = set(keys.values()) - set(keys)  # names of the core's that mean nothing in these units
    core = {key: keys.get(key, f"?{key}" if key in taken else key) for key in table.headers}
    if all(key == name for key, name in core.items()):
        return replace(table, units=units)
    rows = tuple(
        replace(
            row,
            cells={core[key]: text for key, text in row.cells.items()},
            dates=frozenset(core[key] for key in row.dates if key in core),
        )
        for row in table.rows
    )
    return replace(table, headers={core[k]: spelled for k, spelled in table.headers.items()}, rows=rows, units=units)


def _checked(table: RawTable, spec: TableSchema, log: FaultLog) -> RawTable | None:
    """The table in the parsers' words; None, and faults, or TableFault where it can't be read on."""
    if spec in SHEETS:  # what helper columns show below the last row is no row
        known = {header_key(f.name) for f in spec.fields} - HELPER_KEYS
        table = replace(table, rows=tuple(r for r in table.rows if any(r.cells.get(k, "").strip() for k in known)))
    most = MAX_ROWS_OF.get(spec.name, len(table.rows))
    if len(table.rows) > most:
        problem = f"there are {len(table.rows):,} rows; at most {most:,} of this table are read"
        raise TableFault(table.label, problem, "Leave out what is not needed, or make several plans of it")
    for fault in table.faults:
        log.add(fault)
    if not _check_headers(table, spec, log):
        return None
    if not table.rows:
        raise TableFault(table.label, "the table has a header and no rows", "Fill it in")
    return understood(table, _columns_of(table, spec), log)


def _columns_of(table: RawTable, spec: TableSchema) -> dict[str, Field]:
    """The declaration of each of the table's columns that is read, in the table's units, by header key."""
    found = {header_key(f.name): in_units(f, table.units) for f in spec.fields if table.has(f.name)}
    if spec.name == "airflow":
        for key, spelled in table.headers.items():
            parts = wide_column(spelled, table.units)
            if parts:
                found[key] = replace(in_units(spec.field(parts[1]), table.units), name=spelled)
    return found


def _place(spec: TableSchema, plan_file: PlanFile) -> Place | None:
    """Where a table is; None where it is not given. TableFault where that can't be."""
    named = plan_file.part("tables")
    name = "loads" if spec.name == "airflow" and "loads" in named else spec.name
    if name == "loads" and "airflow" in named:
        problem = "it names an airflow table and a loads table, and one stands for the other"
        plan_file.fault("tables", "loads", problem, "Remove one of the two")
    given = named.get(name)
    if given is None:
        return place_of(plan_file.files, ("airflow", "loads") if spec.name == "airflow" else (name,), plan_file.log)
    remedy = 'Write "file.csv" or "book.xlsx#Sheet"'
    if not isinstance(given, str):
        column = plan_file.where("tables", name)
        raise TableFault(plan_file.name, "expected a file name", remedy, column=column, value=str(given), is_key=True)
    file, _, sheet = given.partition("#")
    path = path_inside(plan_file.folder, file)
    if path is None:
        outside = "the file lies outside the plan folder", "Put it into the plan folder"
        told = outside if file.strip() else ("the name of the file is empty", remedy)
        raise TableFault(plan_file.name, *told, value=given)
    return path, sheet or None, label_of(file, sheet)


_OTHER_TABLES = (".xls", ".ods", ".tsv", ".txt")  # what a table may have been saved as by mistake


def _tell_unread(plan_file: PlanFile, tables: Mapping[str, TableReader], labels: set[str]) -> None:
    """What else lies in the plan folder: a finding, and a fault where it may be meant for a table that is absent.

    ``labels`` are of what is read besides the tables.
    """
    read = {table.label for table in tables.values() if table.is_given} | labels
    absent, log = [name for name, table in tables.items() if not table.is_given], plan_file.log
    if "airflow" in absent:
        absent.append("loads")
    for path in plan_file.files:
        kind = path.suffix.casefold()
        places = {}
        if kind == ".csv" or kind in _OTHER_TABLES:
            places = {path.name: path.stem}
        elif kind in WORKBOOKS:
            try:
                shown = [sheet for sheet in sheet_names(path) if not sheet.startswith("_")]  # others are for formulas
                places = {label_of(path.name, printable(sheet)): sheet for sheet in shown}
            except TableFault:
                continue  # told where a table was sought in it
        left = []
        for label, name in places.items():
            if label in read:
                continue
            is_held = any(header_key(name) == header_key(held) for held in tables if held not in absent)
            meant = None if is_held else near_miss(name, absent)
            if meant and header_key(name) != header_key(meant):
                problem = f"it is not read: the plan has no {meant} table, and this has a name like it"
                log.fault(label, problem, f"Name it {meant}, or give it a name that is less alike")
            elif meant and kind in _OTHER_TABLES:
                log.fault(label, "tables are read from .csv or .xlsx files", "Save the table as one of them")
            elif kind not in _OTHER_TABLES and (len(places) == 1 or header_key(name) not in map(header_key, tables)):
                left.append(label)
        if left:
            message = "this is none of the plan's tables and is not read: " + ", ".join(left[:12])
            log.note("reading", path.name, message, f"Name it in [tables] of {PLAN_FILE} if it should be")


def _check_headers(table: RawTable, spec: TableSchema, log: FaultLog) -> bool:
    """Missing columns are faults, unknown ones findings or faults. True where the table can be read on."""
    known = {header_key(f.name): in_units(f, table.units).name for f in spec.fields}
    absent = [f for f in spec.fields if not table.has(f.name)]
    absent_names = [in_units(f, table.units).name for f in absent if f.name not in schema.FREE_TEXT]
    wide = spec.name == "airflow" and any(wide_column(spelled, table.units) for spelled in table.headers.values())

    def fault(problem: str, remedy: str, column: str | None = None) -> None:
        log.fault(table.label, problem, remedy, row=table.header_row, column=column)

    for key, spelled in table.headers.items():
        if key in known or (wide and wide_column(spelled, table.units)):
            continue
        meant = near_miss(spelled, absent_names)
        other = other_units(spelled, absent, table.units)
        if wide and meant and key.endswith(header_key(meant)):
            remedy = "Write N, NE, E, SE, S, SW, W or NW before it, or remove the column"
            fault(f"'{spelled}' names no direction that a front may face", remedy, spelled)
        elif (meant or other) and not wide:
            # Left out, the column would count as blank, and its default would stand for what was entered.
            problem = f"the table has no column '{spelled}'" + ("" if other else f", and its '{meant}' is missing")
            fault(problem, other or f"Write '{meant}', or give the column a name that is less alike", spelled)
        else:
            message = f"column '{spelled}' is not one of this table's and is not read"
            advice = other_units(spelled, spec.fields, table.units) or nearest(spelled, known.values())
            log.caution("unknown column", table.label, message, advice)
    missing = [in_units(f, table.units) for f in absent if f.required]
    for field in missing:
        fault(f"the column '{field.name}' is missing", f"Add it: {field.meaning}")
    return not missing
