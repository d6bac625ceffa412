"""The loads of a plan by surface, read and checked.

A surface in the shade: the shaded part takes the cooling factor of a surface that faces north, which the sun
hardly reaches (common practice, no source: tables of such factors have one column for north and for shade, from
memory); where the factors come from the sun, it gets the light of sky and ground without the sun. Shade changes no
heating load. A mirror acts before the rotation.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tractduct.arrays import FloatArray
from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, allowed, nearest, parse_number
from tractduct.inputs.limits import MAX_ROOMS, MAX_SURFACE_KINDS
from tractduct.inputs.options import Choices
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.model.loads import Sun, SurfaceLoads, is_glass
from tractduct.model.options import Built, Condition, built_text, is_met
from tractduct.model.words import FACES, PLAN_FACES, by_key, key_of
from tractduct.physics.solar import HOURS, SCREENING, SolarExtraMissing
from tractduct.physics.turning import POINT_DEG

_HEATING, _COOLING = "heating_btuh_per_ft2", "sensible_cooling_btuh_per_ft2"


@dataclass(slots=True)
class _Factors:
    """Heating and cooling in load_factors by (kind key, exposure), '' for what does not turn; None where blank."""

    names: dict[str, str] = field(default_factory=dict)
    cells: dict[tuple[str, str], tuple[float, float | None]] = field(default_factory=dict)
    bad: set[str] = field(default_factory=set)  # kinds with a fault that is told already

    def arrays(self) -> tuple[FloatArray, FloatArray]:
        """Heating and cooling factors (2, n_kind, n_face), and (2, n_kind) of what does not turn; NaN for none."""
        factor, fixed = np.full((2, len(self.names), len(FACES)), np.nan), np.full((2, len(self.names)), np.nan)
        for (kind, exposure), both in self.cells.items():
            k, values = list(self.names).index(kind), np.array(both, dtype=float)
            if exposure:
                factor[:, k, FACES.index(exposure)] = values
            else:
                fixed[:, k] = values
        return factor, fixed


@dataclass(frozen=True, slots=True)
class _Surface:
    room: str  # keys
    kind: str
    face_deg: float
    area_ft2: float
    shade: float
    option: Condition
    row: RowReader

    @property
    def turns(self) -> bool:
        return math.isfinite(self.face_deg)


@dataclass(frozen=True, slots=True)
class _Gain:
    room: str  # key
    btuh: tuple[float, float]  # heating, sensible cooling
    option: Condition
    row: RowReader


@dataclass(frozen=True, slots=True)
class _Rooms:
    """Room names by key: those of the airflow table, or, without one, those that the tables name."""

    names: dict[str, str]
    are_given: bool

    def key(self, row: RowReader) -> str:
        """The key of a row's room; empty, and a fault, where it is blank or not among the given."""
        name = row.text("room")
        if name and not self.are_given:
            self.names.setdefault(key_of(name), name)
        elif name and key_of(name) not in self.names:
            row.fault("room", f"the airflow table has no room '{name}'", nearest(name, self.names.values()))
        return key_of(name)


def read_surface_loads(
    tables: Mapping[str, TableReader], known_rooms: Sequence[str], plan_file: PlanFile, choices: Choices
) -> tuple[SurfaceLoads, ...]:
    """Surfaces, load factors and room gains by house; empty where there are none, or they have faults.

    ``known_rooms`` are the rooms of the airflow table, each of which must have a load; empty where the plan has
    no such table.
    """
    surfaces, factor_table, gain_table = tables["surfaces"], tables["load_factors"], tables["room_gains"]
    log = surfaces.log
    before = len(log.faults)
    weights = _weights(plan_file)
    airflow_at = plan_file.choice("solar", "room_airflow_at")
    if not surfaces.is_given:
        for table in (factor_table, gain_table):
            if table.is_given and not surfaces.is_unread:
                message = "without surfaces it is not used"
                log.caution("unused table", table.label, message, "Add surfaces, or remove it")
        return ()
    if not factor_table.is_given:
        if not factor_table.is_unread:
            remedy = "Add load_factors.csv with the load of a square foot by the direction it faces"
            surfaces.fault("the plan has surfaces and no load_factors table", remedy)
        return ()
    if factor_table.too_many("kinds of surface", factor_table.raw.texts("surface"), MAX_SURFACE_KINDS):
        return ()
    if surfaces.too_many("rooms", [*surfaces.raw.texts("room"), *gain_table.raw.texts("room")], MAX_ROOMS):
        return ()
    factors = _read_factors(factor_table)
    rooms = _Rooms(by_key(known_rooms), are_given=bool(known_rooms))
    found = _read_surfaces(surfaces, factors, rooms, choices)
    gains = _read_gains(gain_table, rooms, choices)
    _tell_taken_away(found, gains, choices)
    _complete(factor_table, factors, found)
    loaded = {s.room for s in found} | {g.room for g in gains}
    for key, room in rooms.names.items() if rooms.are_given and len(log.faults) == before else ():
        if key not in loaded:
            problem = f"room '{room}' of the airflow table has no surface and no gain"
            surfaces.fault(problem, "Add its surfaces, or a row of room_gains", column="room")
    by_sun = [kind for kind in factors.names if _is_by_sun(factors, kind, found)]
    sun = _read_sun([factors.names[kind] for kind in by_sun], factor_table, weights, plan_file)
    if len(log.faults) > before:
        return ()
    sun_factors = np.zeros((0, len(FACES))), np.zeros(0)
    if sun is not None:
        try:
            sun_factors = sun.cooling_btuh_per_ft2(np.arange(len(FACES)) * POINT_DEG)
        except SolarExtraMissing as missing:
            factor_table.fault(str(missing), "Install it, or enter the cooling factors", column=_COOLING)
            return ()
        advice = "Use the factors of a load calculation once there is one"
        log.caution("glass factors by the sun", factor_table.label, SCREENING, advice)
    factor, fixed_factor = factors.arrays()
    room_at, kind_at = ({key: n for n, key in enumerate(names)} for names in (rooms.names, factors.names))

    def of_house(built: Built) -> SurfaceLoads:
        there = [s for s in found if is_met(s.option, built)]
        gains_btuh = np.zeros((2, len(room_at)))
        for gain in gains:
            if is_met(gain.option, built):
                gains_btuh[:, room_at[gain.room]] += gain.btuh
        return SurfaceLoads(
            rooms=tuple(rooms.names.values()),
            kinds=tuple(factors.names.values()),
            room=np.array([room_at[s.room] for s in there], dtype=np.intp),
            kind=np.array([kind_at[s.kind] for s in there], dtype=np.intp),
            face_deg=np.array([s.face_deg for s in there]),
            area_ft2=np.array([s.area_ft2 for s in there]),
            shade=np.array([s.shade for s in there]),
            factor=factor,
            fixed_factor=fixed_factor,
            gains_btuh=gains_btuh,
            by_sun=np.array([k in by_sun for k in kind_at], dtype=bool),
            sun_factor=sun_factors[0],
            shade_factor=sun_factors[1],
            sun=sun,
            airflow_at=airflow_at,
        )

    return tuple(of_house(built) for built in choices.combinations)


def _read_factors(table: TableReader) -> _Factors:
    factors = _Factors()
    for row in table:
        kind, exposure = row.text("surface"), row.choice("exposure")
        heating, cooling = row.number(_HEATING), row.optional(_COOLING)
        if not kind:
            continue
        key = key_of(kind)
        factors.names.setdefault(key, kind)
        if row.failed:
            factors.bad.add(key)
        elif row.once("exposure", (key, exposure), f"'{kind}' with this exposure is"):
            factors.cells[key, exposure] = heating, cooling
    return factors


def _read_surfaces(table: TableReader, factors: _Factors, rooms: _Rooms, choices: Choices) -> list[_Surface]:
    found = []
    for row in table:
        room = rooms.key(row)
        kind = row.text("surface")
        face = row.parsed("plan_face", parse_plan_face)
        area, shade = row.number("area_ft2"), row.number("shade_fraction")
        if kind and key_of(kind) not in factors.names:
            row.fault("surface", f"load_factors has no surface '{kind}'", nearest(kind, factors.names.values()))
        option = choices.condition(row)
        _tell_negative(row, "area_ft2", area, option)
        if not row.failed and face is not None:
            found.append(_Surface(room, key_of(kind), face, area, shade, option, row))
    return found


def _tell_negative(row: RowReader, column: str, amount: float, option: Condition) -> None:
    if amount < 0.0 and not option:
        field = replace(row.table.shown(column), low=0.0)
        row.fault(column, f"expected {allowed(field)}", "Correct it; only a row with an option may take away")


def _tell_taken_away(found: Sequence[_Surface], gains: Sequence[_Gain], choices: Choices) -> None:
    """Faults for rows that take away more than is there, each in the first house where they do."""
    told: set[tuple[str, object]] = set()
    rows: list[tuple[str, object, float, _Surface | _Gain]] = [
        ("area_ft2", (s.room, s.kind, str(s.face_deg)), s.area_ft2, s) for s in found
    ]
    for k, name in enumerate(("heating_btuh", "sensible_cooling_btuh")):
        rows += [(name, g.room, g.btuh[k], g) for g in gains]
    for built in choices.combinations:
        left: dict[tuple[str, object], float] = {}
        last: dict[tuple[str, object], RowReader] = {}
        for column, what, amount, one in rows:
            if is_met(one.option, built):
                left[column, what] = left.get((column, what), 0.0) + amount
                if amount < 0.0:
                    last[column, what] = one.row
        for key, row in last.items():
            if left[key] < -1e-9 and key not in told:
                told.add(key)
                problem = f"this takes away more than is there in a house {built_text(built) or 'without options'}"
                row.fault(key[0], problem, "Correct it, or the rows that it takes away from")


def _read_gains(table: TableReader, rooms: _Rooms, choices: Choices) -> list[_Gain]:
    """The rows; those of one room add up."""
    found = []
    remedy = "Give each row of a room its own note, or remove one"
    for row in table:
        room = rooms.key(row)
        both = row.number("heating_btuh"), row.number("sensible_cooling_btuh")
        option = choices.condition(row)
        for column, amount in zip(("heating_btuh", "sensible_cooling_btuh"), both, strict=True):
            _tell_negative(row, column, amount, option)
        key = room, key_of(row.text("note")), option
        if not row.failed and row.once("room", key, "this room, with the same note, is", remedy):
            found.append(_Gain(room, both, option, row))
    return found


_DEGREES = schema.number("plan_face", "", "degrees", high=360.0)


def parse_plan_face(text: str) -> float:
    """Degrees clockwise from the front out of a side's name or a number; NaN for blank; CellProblem else."""
    word = text.strip().casefold()
    if not word:
        return math.nan
    if word in PLAN_FACES:
        return PLAN_FACES[word]
    try:
        return parse_number(_DEGREES, word)
    except CellProblem:
        problem = f"expected one of {', '.join(PLAN_FACES)}, or {allowed(_DEGREES)}"
        remedy = "Enter the side as seen from the street, or degrees clockwise from the front"
        raise CellProblem(problem, remedy) from None


def _complete(table: TableReader, factors: _Factors, found: Sequence[_Surface]) -> None:
    """Every kind of surface in use has the factors that it needs."""
    for kind in dict.fromkeys(s.kind for s in found if s.kind not in factors.bad):
        name = factors.names[kind]
        turning = {s.turns for s in found if s.kind == kind}
        missing = [f for f in FACES if (kind, f) not in factors.cells] if True in turning else []
        if missing:
            problem = f"'{name}' turns with the house and has no factor for {', '.join(missing)}"
            remedy = "Add a row for each compass point, or leave plan_face of its surfaces empty"
            table.fault(problem, remedy, column="exposure", value=name)
        if False in turning and (kind, "") not in factors.cells:
            problem = f"'{name}' has a surface without plan_face and no factor with an empty exposure"
            table.fault(problem, "Add that row, or say where its surfaces look", column="exposure", value=name)
        blank = [e for (k, e), (_, cooling) in factors.cells.items() if k == kind and cooling is None]
        given = [e for (k, e), (_, cooling) in factors.cells.items() if k == kind and cooling is not None and e]
        if blank and (given or "" in blank or not is_glass(name)):
            problem = f"'{name}' has no cooling factor for {', '.join(e or 'no exposure' for e in blank)}"
            remedy = "Enter it; only a glass may leave it empty, in all its compass points, to take it from the sun"
            row = table.first_rows["exposure"][kind, blank[0]]
            table.fault(problem, remedy, row=row, column=_COOLING, value=name)


def _is_by_sun(factors: _Factors, kind: str, found: Sequence[_Surface]) -> bool:
    turning = any(s.kind == kind and s.turns for s in found)
    blank = all(factors.cells.get((kind, face), (0.0, 0.0))[1] is None for face in FACES)
    return turning and blank and is_glass(kind)


def _read_sun(kinds: Sequence[str], table: TableReader, weights: tuple[float, ...], plan_file: PlanFile) -> Sun | None:
    """What the factors of these kinds by the sun need; None where there are no such kinds."""
    if not kinds:
        return None
    site, solar = plan_file.numbers("site"), plan_file.numbers("solar")
    names = ", ".join(f"'{kind}'" for kind in kinds)
    for part, key in (("site", "latitude_deg"), ("solar", "shgc")):
        if key not in plan_file.part(part):
            problem = f"{table.label} leaves the cooling factors of {names} to the sun, and that needs {key}"
            plan_file.fault(part, key, problem, f"Add {key} to [{part}], or enter the factors")
    return Sun(latitude_deg=site["latitude_deg"], elevation_ft=site["elevation_ft"], weights=weights, **solar)


def _weights(plan_file: PlanFile) -> tuple[float, ...]:
    given = plan_file.listed("solar", "storage_weights")
    if given is None:
        return schema.DEFAULT_STORAGE_WEIGHTS
    numbers = [float(w) for w in given if isinstance(w, int | float) and not isinstance(w, bool)]
    fits = len(numbers) == len(given) <= HOURS and min(numbers) >= 0.0 and abs(sum(numbers) - 1.0) < 1e-6
    if not fits:
        problem = f"expected up to {HOURS} numbers from 0 that add up to 1"
        remedy = "Write storage_weights = [0.6, 0.3, 0.1], this hour first"
        plan_file.fault("solar", "storage_weights", problem, remedy, given)
    return tuple(numbers)
