"""What the rooms need: given or shared out from loads, long or wide, or turned from a breakdown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, parse_flag
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_ROOMS
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.schema import in_units
from tractduct.inputs.spelling import note_of_reading, plain_choice, plain_text
from tractduct.inputs.tables import RawTable, header_key
from tractduct.model import words
from tractduct.model.loads import SurfaceLoads, room_loads
from tractduct.model.words import ALL_ROOMS, key_of
from tractduct.physics.turning import POINT_DEG, share_by_load
from tractduct.units import UnitSystem

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomAirflow:
    """What the rooms need. ``airflow_cfm`` is (n_face, n_mirrored, n_season, n_room), NaN where not given."""

    fronts: tuple[str, ...] = ()
    mirrored: tuple[bool, ...] = ()
    seasons: tuple[str, ...] = ()
    rooms: tuple[str, ...] = ()
    airflow_cfm: NDArray[np.float64]


@dataclass(slots=True)
class _Cells:
    """The table's cells by (face, mirrored, room key, season). ``bad``: rows whose fault is told already."""

    values: dict[tuple[str, bool, str, str], float] = field(default_factory=dict)
    rooms: dict[str, str] = field(default_factory=dict)
    is_load: bool = False
    bad: set[tuple[str, bool, str]] = field(default_factory=set)


def read_airflow(table: RawTable | None, plan_file: PlanFile, log: FaultLog) -> RoomAirflow:
    """Airflow of every room in every face, mirror and season that the plan asks for."""
    nothing: NDArray[np.float64] = np.zeros((0, 0, 0, 0))
    if table is None:
        return RoomAirflow(airflow_cfm=nothing)
    cells = _cells(table, plan_file, log)
    values, rooms, bad = cells.values, cells.rooms, cells.bad
    if log.too_many(table, "rooms", len(rooms), MAX_ROOMS):
        return RoomAirflow(airflow_cfm=nothing)
    if not values:
        if not log.faults:
            log.fault(table.label, "the table holds no airflow", "Fill it in")
        return RoomAirflow(rooms=tuple(rooms.values()), airflow_cfm=np.zeros((0, 0, 0, len(rooms))))
    held_faces = [f for f in words.FACES if any(k[0] == f for k in values)]
    held_mirrored = sorted({k[1] for k in values})
    held_seasons = [s for s in words.SEASONS if any(k[3] == s for k in values)]
    faces = _chosen("front_faces", held_faces, _face, table, plan_file, log)
    mirrored = _chosen("mirrored", held_mirrored, _flag, table, plan_file, log)
    seasons = _chosen("seasons", held_seasons, _season, table, plan_file, log)
    airflow = np.full((len(faces), len(mirrored), len(seasons), len(rooms)), np.nan)
    for i, face in enumerate(faces):
        for j, mirror in enumerate(mirrored):
            for n, (room, spelled) in enumerate(rooms.items()):
                absent = [s for s in seasons if (face, mirror, room, s) not in values]
                if absent and (face, mirror, room) not in bad:
                    turned = " mirrored" if mirror else ""
                    log.fault(
                        table.label,
                        f"room '{spelled}' has no {' or '.join(absent)} airflow for front facing {face}{turned}",
                        "Add that row, or leave that face or season out of [variants]",
                    )
                for k, season in enumerate(seasons):
                    airflow[i, j, k, n] = values.get((face, mirror, room, season), np.nan)
    if cells.is_load:
        airflow = _shared_out(table, airflow, seasons, plan_file, log)
    return RoomAirflow(
        fronts=faces,
        mirrored=mirrored,
        seasons=seasons,
        rooms=tuple(rooms.values()),
        airflow_cfm=airflow,
    )


def turned_airflow(
    table: RawTable | None, breakdown: SurfaceLoads | None, plan_file: PlanFile, log: FaultLog
) -> RoomAirflow:
    """The same out of a breakdown: all eight compass points, as drawn, both seasons, unless [variants] says else.

    ``table`` is the surfaces table, for messages.
    """
    if table is None or breakdown is None:
        return RoomAirflow(airflow_cfm=np.zeros((0, 0, 0, 0)))
    faces = _chosen("front_faces", list(words.FACES), _face, table, plan_file, log)
    mirrored = _chosen("mirrored", [False, True], _flag, table, plan_file, log)
    if plan_file.listed("variants", "mirrored") is None:
        mirrored = (False,)
    seasons = _chosen("seasons", list(words.SEASONS), _season, table, plan_file, log)
    loads = room_loads(breakdown, [words.FACES.index(f) * POINT_DEG for f in faces], mirrored)
    by_season = [loads.load(season, breakdown.airflow_at) for season in seasons]
    shape = (len(faces), len(mirrored), 0, len(breakdown.rooms))
    stacked = np.stack(by_season, axis=2) if by_season else np.zeros(shape)
    return RoomAirflow(
        fronts=faces,
        mirrored=mirrored,
        seasons=seasons,
        rooms=breakdown.rooms,
        airflow_cfm=_shared_out(table, stacked, seasons, plan_file, log),
    )


def _cells(table: RawTable, plan_file: PlanFile, log: FaultLog) -> _Cells:
    spec = schema.AIRFLOW
    flow = {"heating": "heating_cfm", "cooling": "cooling_cfm"}
    load = {"heating": "heating_btuh", "cooling": "sensible_cooling_btuh"}
    cells = _Cells()
    named_as = {f.name: in_units(f, table.units).name for f in spec.fields}
    either = ", or ".join(" and ".join(named_as[n] for n in names.values()) for names in (flow, load))
    wide = is_wide(table)
    columns: list[tuple[str | None, str, str]] = []  # face (None: in the row), season, header
    if wide:
        for spelled in table.headers.values():
            parts = wide_column(spelled, table.units)
            if parts:
                columns += [(parts[0], s, spelled) for names in (flow, load) for s, n in names.items() if n == parts[1]]
        given: dict[tuple[str | None, str, str], str] = {}
        for face, season, spelled in columns:
            same = given.setdefault((face, season, _quantity(spelled, table.units)), spelled)
            if same != spelled:
                log.fault(
                    table.label,
                    f"this column says the same as '{same}'",
                    "Keep one of the two",
                    row=table.header_row,
                    column=spelled,
                )
        for name in [n for names in (flow, load) for n in names.values() if table.has(n)]:
            log.fault(
                table.label,
                "this column stands beside columns for each front face, such as "
                f"'{columns[0][2]}': which of them counts is not clear",
                "Keep one form: columns for each face, or a row for each face",
                row=table.header_row,
                column=table.spelling(name),
            )
    else:
        columns = [(None, s, n) for names in (flow, load) for s, n in names.items() if table.has(n)]
        if not table.has("front_faces"):
            log.fault(
                table.label,
                "the column 'front_faces' is missing",
                f"Add it: {spec.field('front_faces').meaning}",
                row=table.header_row,
            )
            log.unread.add(spec.name)
            return cells
    cells.is_load = any(_quantity(c[2], table.units).endswith("btuh") for c in columns)
    if not columns:
        log.fault(
            table.label,
            "there is no airflow column",
            f"Add {either}",
            row=table.header_row,
        )
        log.unread.add(spec.name)
    elif cells.is_load and any(_quantity(c[2], table.units).endswith("cfm") for c in columns):
        log.fault(
            table.label,
            "there are columns of airflow and of load",
            f"Keep {either}",
            row=table.header_row,
        )
        log.unread.add(spec.name)
        return cells
    if columns and "seasons" not in plan_file.part("variants"):
        # A plan of one season says so; a column that is missing by accident must not pass for that.
        names = load if cells.is_load else flow
        for season in [s for s in words.SEASONS if s not in {c[1] for c in columns}]:
            other = next(s for s in words.SEASONS if s != season)
            log.fault(
                table.label,
                f"the column '{named_as[names[season]]}' is missing",
                f'Add it, or write seasons = ["{other}"] in [variants] of plan.toml',
                row=table.header_row,
            )
    seen: dict[tuple[str | None, bool, str], int] = {}
    for row in table.rows:
        room = log.text(table, row, spec.field("room"))
        face = None if wide else log.choice(table, row, spec.field("front_faces"))
        mirror = log.parsed(table, row, "mirrored", parse_flag) if row.text("mirrored") else False
        if not room or face == "" or mirror is None:
            continue
        if room == ALL_ROOMS or ";" in room:
            log.cell_fault(table, row, "room", "a room's name can't be * or hold ;", "Rename it")
            continue
        first = seen.setdefault((face, mirror, key_of(room)), row.number)
        if first != row.number:
            log.cell_fault(
                table,
                row,
                "room",
                f"this room stands already in row {first} for the same front face and mirror",
                "Remove one of the two rows",
            )
            continue
        cells.rooms.setdefault(key_of(room), room)
        for column_face, season, header in columns:
            field = spec.field(_quantity(header, table.units))
            named = replace(field, name=header)
            value = log.number(table, row, named)
            facing = column_face or face or ""
            if value is None:
                cells.bad.add((facing, mirror, key_of(room)))
            else:
                cells.values[facing, mirror, key_of(room), season] = value
    return cells


def _chosen(
    key: str,
    held: list[T],
    parse: Callable[[Any], T | None],
    table: RawTable,
    plan_file: PlanFile,
    log: FaultLog,
) -> tuple[T, ...]:
    """What [variants] asks for, each of which the airflow table must hold; all that it holds by default."""
    wanted = plan_file.listed("variants", key)
    if wanted is None:
        return tuple(held)
    chosen: list[T] = []
    field = replace(schema.SECTIONS.field("season") if key == "seasons" else schema.AIRFLOW.field(key), name=key)
    for given in wanted:
        plain = plain_text(field, given) if isinstance(given, str) else given
        value = parse(plain)
        where = f"[variants] {key}"
        if value is not None and plain != given:
            log.findings.append(note_of_reading(f"{plan_file.name}, {where}", "", given, plain))
        if value is None:
            log.fault(
                plan_file.name,
                f"this is not one of the {key} a plan can have",
                "Known: " + ", ".join(_toml(h) for h in held),
                column=where,
                value=str(given),
            )
        elif value not in held:
            log.fault(
                table.label,
                f"there is no airflow for {key} = {_toml(value)}, which plan.toml asks for",
                f"Add its rows or columns, or leave it out of {where}",
            )
        elif value in chosen:
            log.fault(plan_file.name, "it stands twice", "Remove one", column=where, value=str(given))
        else:
            chosen.append(value)
    return tuple(chosen)


def _shared_out(
    table: RawTable, loads: NDArray[np.float64], seasons: tuple[str, ...], plan_file: PlanFile, log: FaultLog
) -> NDArray[np.float64]:
    """The blower's airflow shared by each room's part of the season's load."""
    total = np.nansum(loads, axis=3, keepdims=True)
    keys = {f.name: f for f in schema.KEYS["blower"]}
    flow = np.zeros(len(seasons))
    for k, season in enumerate(seasons):
        key = keys[f"{season}_cfm"]
        given, where = plan_file.part("blower").get(key.name), plan_file.where("blower", key.name)
        if given is None:
            log.fault(
                plan_file.name,
                f"the plan gives loads but not the blower's {season} airflow",
                f"Add {where.split()[-1]} to [blower], in {plan_file.units.unit('cfm')} for the whole system",
                column=where,
            )
        else:
            flow[k] = plan_file.key_number("blower", key, given) or 0.0
        if np.any(total[:, :, k] <= 0.0):
            log.fault(
                table.label,
                f"the {season} loads of a front face add up to nothing",
                "Enter the loads, or leave that season out of [variants]",
            )
    return share_by_load(loads, flow)


def wide_column(header: str, units: UnitSystem) -> tuple[str, str] | None:
    """Face and quantity, as the core names it, of a wide header such as 'NE heating_cfm'; None where it is none."""
    key = header_key(header)
    for declared in schema.AIRFLOW.fields:
        ending = header_key(in_units(declared, units).name)
        if declared.kind == "number" and key.endswith(ending):
            word = key.removesuffix(ending)
            face = plain_choice(schema.AIRFLOW.field("front_faces"), word) or word.upper()
            if face in words.FACES:
                return face, declared.name
    return None


def is_wide(table: RawTable) -> bool:
    return any(wide_column(spelled, table.units) for spelled in table.headers.values())


def _quantity(header: str, units: UnitSystem) -> str:
    parts = wide_column(header, units)
    return parts[1] if parts else header


def _face(given: Any) -> str | None:
    word = str(given).strip().upper()
    return word if word in words.FACES else None


def _season(given: Any) -> str | None:
    word = str(given).strip().casefold()
    return word if word in words.SEASONS else None


def _flag(given: Any) -> bool | None:
    if isinstance(given, bool):
        return given
    try:
        return parse_flag(str(given))
    except CellProblem:
        return None


def _toml(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else f'"{value}"'
