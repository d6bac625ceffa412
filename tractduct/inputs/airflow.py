"""What the rooms need: given or shared out from loads, long or wide, or turned from loads by surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, choice_of, flag_of
from tractduct.inputs.limits import MAX_ROOMS
from tractduct.inputs.options import Choices
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.spelling import note_reading, plain_text, wide_column
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.model import words
from tractduct.model.loads import SurfaceLoads, room_loads
from tractduct.model.options import Built, Condition, built_text, condition_text, is_met
from tractduct.model.words import ALL_ROOMS, key_of
from tractduct.physics.turning import POINT_DEG, share_by_load

T = TypeVar("T")


@dataclass(frozen=True, slots=True, eq=False)
class RoomAirflow:
    """What the rooms need.

    ``airflow_cfm`` is (n_house, n_face, n_mirrored, n_season, n_room), NaN where not given, 0 for a room that a house
    has not. ``is_there`` (n_house, n_room) bool. ``are_loads``: they are loads, by which the air is yet to be shared.
    """

    fronts: tuple[str, ...] = ()
    mirrored: tuple[bool, ...] = ()
    seasons: tuple[str, ...] = ()
    rooms: tuple[str, ...] = ()
    airflow_cfm: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 0, 0, 0, 0)))
    is_there: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((0, 0), dtype=bool))
    are_loads: bool = False


def read_airflow(table: TableReader, plan_file: PlanFile, choices: Choices) -> RoomAirflow:
    """Airflow, or load, of every room in every house, face, mirror and season that the plan asks for."""
    columns = _columns(table, plan_file) if table.is_given else []
    if table.too_many("rooms", table.raw.texts("room"), MAX_ROOMS):
        return RoomAirflow()
    cells = _Cells(table, columns, choices)
    values, rooms, bad = cells.values, cells.rooms, cells.bad
    if not values:
        if table.is_given and not table.log.faults:
            table.fault("the table holds no airflow", "Fill it in")
        return RoomAirflow(rooms=tuple(rooms.values()))
    held_faces, held_mirrored, _, held_seasons, _ = map(set, zip(*values, strict=True))
    faces = _chosen("front_faces", [face for face in words.FACES if face in held_faces], table, plan_file)
    mirrored = _chosen("mirrored", sorted(held_mirrored), table, plan_file)
    seasons = _chosen("seasons", [season for season in words.SEASONS if season in held_seasons], table, plan_file)
    houses = choices.combinations
    shape = (len(houses), len(faces), len(mirrored), len(seasons), len(rooms))
    airflow, is_there = np.full(shape, np.nan), np.zeros((len(houses), len(rooms)), dtype=bool)
    for n, (room, spelled) in enumerate(rooms.items()):
        options = list(dict.fromkeys(option for (_, _, key, option) in cells.rows if key == room))
        for h, built in enumerate(houses):
            is_there[h, n] = any(is_met(option, built) for option in options)
            if not is_there[h, n]:
                airflow[h, ..., n] = 0.0
                continue
            for i, j in np.ndindex(len(faces), len(mirrored)):
                place = faces[i], mirrored[j], room
                stands = cells.standing(place, options, built)
                airflow[h, i, j, :, n] = [values.get((*place, season, stands), np.nan) for season in seasons]
                absent = [s for s in seasons if (*place, s, stands) not in values]
                if absent and place not in bad:
                    bad.add(place)
                    problem = f"room '{spelled}' has no {' or '.join(absent)} airflow for front facing {faces[i]}"
                    problem += (" mirrored" if mirrored[j] else "") + (f" {built_text(built)}" if built else "")
                    table.fault(problem, "Add that row, or leave that face or season out of [variants]")
    return RoomAirflow(faces, mirrored, seasons, tuple(rooms.values()), airflow, is_there, columns[0].is_load)


def turned_airflow(table: TableReader, loads_by_house: Sequence[SurfaceLoads], plan_file: PlanFile) -> RoomAirflow:
    """Loads out of those by surface: all eight compass points, as drawn, both seasons, unless [variants] says else.

    ``table`` is the surfaces table, for messages.
    """
    if not loads_by_house:
        return RoomAirflow()
    asked = plan_file.part("variants")
    faces = _chosen("front_faces", list(words.FACES), table, plan_file)
    mirrored = _chosen("mirrored", [False, True], table, plan_file) if "mirrored" in asked else (False,)
    seasons = _chosen("seasons", list(words.SEASONS), table, plan_file)
    azimuths, rooms = [words.FACES.index(f) * POINT_DEG for f in faces], loads_by_house[0].rooms
    stacked = np.zeros((len(loads_by_house), len(faces), len(mirrored), len(seasons), len(rooms)))
    for h, surface_loads in enumerate(loads_by_house):
        loads = room_loads(surface_loads, azimuths, mirrored)
        for k, season in enumerate(seasons):
            stacked[h, :, :, k] = loads.load(season, surface_loads.airflow_at)
    is_there = np.any(stacked > 0.0, axis=(1, 2, 3))
    return RoomAirflow(faces, mirrored, seasons, rooms, stacked, is_there, are_loads=True)


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of the airflow table: its face (empty: each row has its own), season, header and declared name."""

    face: str
    season: str
    header: str
    name: str

    @property
    def is_load(self) -> bool:
        return self.name.endswith("_btuh")


_FLOW = {"heating": "heating_cfm", "cooling": "cooling_cfm"}
_LOAD = {"heating": "heating_btuh", "cooling": "sensible_cooling_btuh"}
_SEASON_OF = {name: season for names in (_FLOW, _LOAD) for season, name in names.items()}


def _columns(table: TableReader, plan_file: PlanFile) -> list[_Column]:
    """The columns that count, checked; none, and the table is unread, where it can't be told which do."""
    declared = [_Column("", season, name, name) for name, season in _SEASON_OF.items() if table.raw.has(name)]
    wide: list[_Column] = []
    for spelled in table.raw.headers.values():
        parts = wide_column(spelled, table.units)
        if parts:
            wide.append(_Column(parts[0], _SEASON_OF[parts[1]], spelled, parts[1]))
    columns = wide or declared
    either = ", or ".join(" and ".join(table.shown(n).name for n in names.values()) for names in (_FLOW, _LOAD))
    problem = remedy = ""
    if not wide and not table.raw.has("front_faces"):
        problem = "the column 'front_faces' is missing"
        remedy = f"Add it: {table.fields['front_faces'].meaning}"
    elif not columns:
        problem, remedy = "there is no airflow column", f"Add {either}"
    elif len({column.is_load for column in columns}) > 1:
        problem, remedy = "there are columns of airflow and of load", f"Keep {either}"
    _tell_doubles(table, wide, declared)
    if problem:
        table.header_fault(problem, remedy)
        table.log.unread.add(table.name)
        return []
    if "seasons" not in plan_file.part("variants"):
        # A plan of one season says so; a column that is missing by accident must not pass for that.
        names = _LOAD if columns[0].is_load else _FLOW
        for season in [s for s in words.SEASONS if s not in {c.season for c in columns}]:
            other = next(s for s in words.SEASONS if s != season)
            remedy = f'Add it, or write seasons = ["{other}"] in [variants] of plan.toml'
            table.header_fault(f"the column '{table.shown(names[season]).name}' is missing", remedy)
    return columns


def _tell_doubles(table: TableReader, wide: Sequence[_Column], declared: Sequence[_Column]) -> None:
    """Faults for columns that say the same as another."""
    given: dict[tuple[str, str], str] = {}
    for column in wide:
        same = given.setdefault((column.face, column.name), column.header)
        if same != column.header:
            table.header_fault(f"this column says the same as '{same}'", "Keep one of the two", column.header)
    for column in declared if wide else ():
        problem = "this column stands beside columns for each front face, such as "
        problem += f"'{wide[0].header}': which of them counts is not clear"
        table.header_fault(problem, "Keep one form: columns for each face, or a row for each face", column.name)


_Place = tuple[str, bool, str]  # face, mirrored, room key


class _Cells:
    """The table's cells, its rooms by key, the row of each cell, and the places whose fault is told already."""

    def __init__(self, table: TableReader, columns: Sequence[_Column], choices: Choices) -> None:
        self.values: dict[tuple[str, bool, str, str, Condition], float] = {}  # face, mirrored, room, season, option
        self.rooms: dict[str, str] = {}
        self.bad: set[_Place] = set()
        self.rows: dict[tuple[str, bool, str, Condition], RowReader] = {}
        for row in table if columns else ():
            self._read(row, columns, choices)

    def _read(self, row: RowReader, columns: Sequence[_Column], choices: Choices) -> None:
        room = row.text("room")
        own_face = "" if columns[0].face else row.choice("front_faces")
        mirror = row.flag("mirrored")
        if row.failed:
            return
        if room == ALL_ROOMS or ";" in room:
            row.fault("room", "a room's name can't be * or hold ;", "Rename it")
            return
        key = key_of(room)
        option = choices.condition(row)
        if row.failed:
            self.bad.update((column.face or own_face, mirror, key) for column in columns)
        what = "this room, with the same front face and mirror, is"
        if not row.once("room", (own_face, mirror, key, option), what):
            return
        self.rooms.setdefault(key, room)
        for column in columns:
            face = column.face or own_face
            value = row.optional(column.header, replace(row.table.fields[column.name], name=column.header))
            if value is None:
                self.bad.add((face, mirror, key))
            else:
                self.values[face, mirror, key, column.season, option] = value
            self.rows[face, mirror, key, option] = row

    def standing(self, place: _Place, options: Sequence[Condition], built: Built) -> Condition:
        """Which of a room's rows stands in a house: the one that asks for all that the others ask for.

        A fault, once a room, where two do without each other; empty where there is none.
        """
        met = [option for option in options if (*place, option) in self.rows and is_met(option, built)]
        most = max(met, key=len, default=())
        other = next((option for option in met if not set(option) <= set(most)), None)
        if other is not None and place not in self.bad:
            self.bad.update((face, mirror, room) for face, mirror, room, _ in self.rows if room == place[2])
            problem = f"it has a row for '{condition_text(other)}' too, and a house {built_text(built)} is both: which "
            problem += "of the two stands is not clear"
            remedy = f"Add a row for '{condition_text(tuple(dict.fromkeys((*other, *most))))}', or leave that house out"
            self.rows[(*place, most)].fault("option", problem, f"{remedy} of [variants] options")
        return most


def _chosen(key: str, held: list[T], table: TableReader, plan_file: PlanFile) -> tuple[T, ...]:
    """What [variants] asks for, each of which the airflow table must hold; all that it holds by default."""
    field = replace(schema.SECTIONS.field("season") if key == "seasons" else schema.AIRFLOW.field(key), name=key)
    where = plan_file.where("variants", key)

    def of(given: Any) -> T | None:
        plain = plain_text(field, given) if isinstance(given, str) else given
        value: Any = flag_of(str(plain)) if field.kind == "flag" else choice_of(field, str(plain))
        if value is None:
            remedy = "Known: " + ", ".join(_toml(h) for h in held)
            raise CellProblem(f"this is not one of the {key} a plan can have", remedy)
        if plain != given:
            note_reading(table.log, f"{plan_file.name}, {where}", given, plain)
        if value not in held:
            problem = f"there is no airflow for {key} = {_toml(value)}, which plan.toml asks for"
            table.fault(problem, f"Add its rows or columns, or leave it out of {where}")
            return None
        return cast(T, value)

    chosen = plan_file.each("variants", key, of)
    return tuple(held if chosen is None else chosen)


def shared_out(table: TableReader, loads: RoomAirflow, plan_file: PlanFile) -> RoomAirflow:
    """The blower's airflow shared by each room's part of the season's load; ``table`` is where the loads are from."""
    total = np.nansum(loads.airflow_cfm, axis=-1)
    flow = np.zeros(len(loads.seasons))
    for k, season in enumerate(loads.seasons):
        key = f"{season}_cfm"
        given = plan_file.optional("blower", key)
        if given is None:
            remedy = f"Add {plan_file.where('blower', key).split()[-1]} to [blower], in "
            remedy += f"{plan_file.units.unit('cfm')} for the whole system"
            problem = f"the plan gives loads but not the blower's {season} airflow"
            plan_file.fault("blower", key, problem, remedy)
        else:
            flow[k] = np.nan_to_num(given)  # NaN where it is at fault
        if np.any(total[..., k] <= 0.0):
            problem = f"the {season} loads of a front face add up to nothing"
            table.fault(problem, "Enter the loads, or leave that season out of [variants]")
    return replace(loads, airflow_cfm=share_by_load(loads.airflow_cfm, flow), are_loads=False)


def _toml(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else f'"{value}"'
