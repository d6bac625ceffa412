"""The breakdown of a plan's loads by surface, read, checked, and turned to any direction.

A surface in the shade: the shaded part takes the cooling factor of a surface that faces north, which the sun
hardly reaches (common practice, no source: tables of such factors have one column for north and for shade, from
memory); where the factors come from the sun, it gets the light of sky and ground without the sun. Shade changes no
heating load. A mirror acts before the rotation.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, allowed, nearest, parse_number
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_ROOMS, MAX_SURFACE_KINDS
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.schema import Field
from tractduct.inputs.tables import RawTable, Row
from tractduct.model import words
from tractduct.model.loads import Sun, SurfaceLoads, is_glass
from tractduct.model.words import FACES, key_of
from tractduct.physics.solar import (
    HOURS,
    SCREENING,
    SolarExtraMissing,
)
from tractduct.physics.turning import POINT_DEG

FloatArray = NDArray[np.float64]


# -- reading ---------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Factors:
    """Cells of load_factors by (kind key, exposure), '' for what does not turn; None where cooling is blank."""

    names: dict[str, str] = field(default_factory=dict)
    heating: dict[tuple[str, str], float] = field(default_factory=dict)
    cooling: dict[tuple[str, str], float | None] = field(default_factory=dict)
    rows: dict[tuple[str, str], int] = field(default_factory=dict)
    bad: set[str] = field(default_factory=set)  # kinds with a fault that is told already


def read_surface_loads(
    tables: Mapping[str, RawTable | None],
    known_rooms: Sequence[str],
    plan_file: PlanFile,
    log: FaultLog,
) -> SurfaceLoads | None:
    """Surfaces, load factors and room gains of a plan; None where there are none, or they have faults.

    ``known_rooms`` are the rooms of the airflow table, each of which must have a load; empty where the plan has
    no such table.
    """
    surfaces, factor_table, gains = tables["surfaces"], tables["load_factors"], tables["room_gains"]
    before = len(log.faults)
    solar = _read_solar(plan_file, log)
    if surfaces is None:
        if "surfaces" not in log.unread:
            for table in (factor_table, gains):
                if table is not None:
                    log.findings.append(_not_used(table))
        return None
    if factor_table is None:
        if "load_factors" not in log.unread:
            log.fault(
                surfaces.label,
                "the plan has surfaces and no load_factors table",
                "Add load_factors.csv with the load of a square foot by the direction it faces",
            )
        return None
    factors = _read_factors(factor_table, log)
    if log.too_many(factor_table, "kinds of surface", len(factors.names), MAX_SURFACE_KINDS):
        return None
    rooms = {key_of(r): r for r in known_rooms}
    may_add = not known_rooms
    found = _read_surfaces(surfaces, factors, rooms, may_add, log)
    gain = _read_gains(gains, rooms, may_add, log)
    if log.too_many(surfaces, "rooms", len(rooms), MAX_ROOMS):
        return None
    _complete(factor_table, factors, found, log)
    loaded = {s.room for s in found} | {room for _, room in gain}
    for key, room in rooms.items() if known_rooms and len(log.faults) == before else ():
        if key not in loaded:
            log.fault(
                surfaces.label,
                f"room '{room}' of the airflow table has no surface and no gain",
                "Add its surfaces, or a row of room_gains",
                column=surfaces.spelling("room"),
            )
    used = {s.kind for s in found}
    by_sun = [k for k in factors.names if k in used and _is_by_sun(factors, k, found)]
    sun = _read_sun(by_sun, factor_table, factors, solar, plan_file, log)
    if len(log.faults) > before:
        return None
    sun_factors = np.zeros((0, len(FACES))), np.zeros(0)
    if sun is not None:
        try:
            sun_factors = sun.cooling_btuh_per_ft2(np.arange(len(FACES)) * POINT_DEG)
        except SolarExtraMissing as missing:
            log.fault(
                factor_table.label,
                str(missing),
                "Install it, or enter the cooling factors",
                column=factor_table.spelling("sensible_cooling_btuh_per_ft2"),
            )
            return None
        log.findings.append(
            Finding(
                severity=Severity.CAUTION,
                rule="glass factors by the sun",
                subject=factor_table.label,
                message=SCREENING,
                advice="Use the factors of a load calculation once there is one",
            )
        )
    return _assembled(rooms, factors, found, gain, set(by_sun), sun, sun_factors, plan_file)


@dataclass(frozen=True, slots=True)
class _Surface:
    row: Row
    room: str  # keys
    kind: str
    face_deg: float
    area_ft2: float
    shade: float


def _assembled(
    rooms: Mapping[str, str],
    factors: _Factors,
    found: Sequence[_Surface],
    gain: Mapping[tuple[int, str], float],
    by_sun: set[str],
    sun: Sun | None,
    sun_factors: tuple[FloatArray, FloatArray],
    plan_file: PlanFile,
) -> SurfaceLoads:
    room_at = {key: n for n, key in enumerate(rooms)}
    kind_at = {key: n for n, key in enumerate(factors.names)}
    factor = np.full((2, len(kind_at), len(FACES)), np.nan)
    fixed = np.full((2, len(kind_at)), np.nan)
    for (kind, exposure), heating in factors.heating.items():
        cooling = factors.cooling[kind, exposure]
        both = (heating, np.nan if cooling is None else cooling)
        if exposure:
            factor[:, kind_at[kind], FACES.index(exposure)] = both
        else:
            fixed[:, kind_at[kind]] = both
    gains = np.zeros((2, len(room_at)))
    for (s, room), amount in gain.items():
        gains[s, room_at[room]] += amount
    return SurfaceLoads(
        rooms=tuple(rooms.values()),
        kinds=tuple(factors.names.values()),
        room=np.array([room_at[s.room] for s in found], dtype=np.intp),
        kind=np.array([kind_at[s.kind] for s in found], dtype=np.intp),
        face_deg=np.array([s.face_deg for s in found]),
        area_ft2=np.array([s.area_ft2 for s in found]),
        shade=np.array([s.shade for s in found]),
        factor=factor,
        fixed_factor=fixed,
        gains_btuh=gains,
        by_sun=np.array([k in by_sun for k in kind_at], dtype=bool),
        sun_factor=sun_factors[0],
        shade_factor=sun_factors[1],
        sun=sun,
        airflow_at=plan_file.text("solar", "room_airflow_at") or words.PEAKS[0],
    )


def _read_factors(table: RawTable, log: FaultLog) -> _Factors:
    spec = schema.LOAD_FACTORS
    factors = _Factors()
    seen: dict[tuple[str, str], int] = {}
    for row in table.rows:
        kind = log.text(table, row, spec.field("surface"))
        before = len(log.faults)
        exposure = log.choice(table, row, spec.field("exposure"))
        heating = log.number(table, row, spec.field("heating_btuh_per_ft2"))
        cooling = log.number(table, row, spec.field("sensible_cooling_btuh_per_ft2"))
        if not kind:
            continue
        key = key_of(kind)
        factors.names.setdefault(key, kind)
        if len(log.faults) > before or heating is None:
            factors.bad.add(key)
            continue
        first = seen.setdefault((key, exposure), row.number)
        if first != row.number:
            log.cell_fault(
                table,
                row,
                "exposure",
                f"'{kind}' has this exposure already in row {first}",
                "Remove one of the two rows",
            )
            continue
        factors.heating[key, exposure] = heating
        factors.cooling[key, exposure] = cooling
        factors.rows[key, exposure] = row.number
    return factors


def _room_key(
    table: RawTable, row: Row, field: Field, rooms: dict[str, str], may_add: bool, log: FaultLog
) -> str | None:
    name = log.text(table, row, field)
    if not name:
        return None
    if may_add:
        rooms.setdefault(key_of(name), name)
    elif key_of(name) not in rooms:
        log.cell_fault(table, row, "room", f"the airflow table has no room '{name}'", nearest(name, rooms.values()))
        return None
    return key_of(name)


def _read_surfaces(
    table: RawTable, factors: _Factors, rooms: dict[str, str], may_add: bool, log: FaultLog
) -> list[_Surface]:
    spec = schema.SURFACES
    found = []
    for row in table.rows:
        room = _room_key(table, row, spec.field("room"), rooms, may_add, log)
        kind = log.text(table, row, spec.field("surface"))
        face = log.parsed(table, row, "plan_face", parse_plan_face)
        area = log.number(table, row, spec.field("area_ft2"))
        shade = log.number(table, row, spec.field("shade_fraction"))
        if kind and key_of(kind) not in factors.names:
            log.cell_fault(
                table,
                row,
                "surface",
                f"load_factors has no surface '{kind}'",
                nearest(kind, factors.names.values()),
            )
            continue
        if not kind or room is None or face is None or area is None or shade is None:
            continue
        found.append(_Surface(row, room, key_of(kind), face, area, shade))
    return found


def _read_gains(
    table: RawTable | None, rooms: dict[str, str], may_add: bool, log: FaultLog
) -> dict[tuple[int, str], float]:
    """By (season index, room key), rows of one room added up."""
    spec = schema.ROOM_GAINS
    found: dict[tuple[int, str], float] = {}
    seen: dict[tuple[str, str], int] = {}
    for row in table.rows if table else ():
        assert table is not None
        room = _room_key(table, row, spec.field("room"), rooms, may_add, log)
        heating = log.number(table, row, spec.field("heating_btuh"))
        cooling = log.number(table, row, spec.field("sensible_cooling_btuh"))
        if room is None or heating is None or cooling is None:
            continue
        first = seen.setdefault((room, key_of(row.text("note"))), row.number)
        if first != row.number:
            log.cell_fault(
                table,
                row,
                "room",
                f"this room stands already in row {first} with the same note",
                "Give each row of a room its own note, or remove one",
            )
            continue
        for s, amount in enumerate((heating, cooling)):
            found[s, room] = found.get((s, room), 0.0) + amount
    return found


def parse_plan_face(text: str) -> float:
    """Degrees clockwise from the front out of a side's name or a number; NaN for blank; CellProblem else."""
    word = text.strip().casefold()
    if not word:
        return math.nan
    if word in words.PLAN_FACES:
        return words.PLAN_FACES[word]
    degrees = Field(name="plan_face", meaning="", kind="number", unit="degrees", low=0.0, high=360.0)
    try:
        return parse_number(degrees, word)
    except CellProblem:
        raise CellProblem(
            f"expected one of {', '.join(words.PLAN_FACES)}, or {allowed(degrees)}",
            "Enter the side as seen from the street, or degrees clockwise from the front",
        ) from None


def _complete(table: RawTable, factors: _Factors, found: Sequence[_Surface], log: FaultLog) -> None:
    """Every kind of surface in use has the factors that it needs."""
    for kind in dict.fromkeys(s.kind for s in found):
        if kind in factors.bad:
            continue
        name = factors.names[kind]
        turning = any(s.kind == kind and math.isfinite(s.face_deg) for s in found)
        still = any(s.kind == kind and math.isnan(s.face_deg) for s in found)
        missing = [f for f in FACES if (kind, f) not in factors.heating] if turning else []
        if missing:
            log.fault(
                table.label,
                f"'{name}' turns with the house and has no factor for {', '.join(missing)}",
                "Add a row for each compass point, or leave plan_face of its surfaces empty",
                column=table.spelling("exposure"),
                value=name,
            )
        if still and (kind, "") not in factors.heating:
            log.fault(
                table.label,
                f"'{name}' has a surface without plan_face and no factor with an empty exposure",
                "Add that row, or say where its surfaces look",
                column=table.spelling("exposure"),
                value=name,
            )
        blank = [e for (k, e), value in factors.cooling.items() if k == kind and value is None]
        given = [e for (k, e), value in factors.cooling.items() if k == kind and value is not None and e]
        if blank and (given or "" in blank or not is_glass(name)):
            log.fault(
                table.label,
                f"'{name}' has no cooling factor for {', '.join(e or 'no exposure' for e in blank)}",
                "Enter it; only a glass may leave it empty, in all its compass points, to take it from the sun",
                row=factors.rows[kind, blank[0]],
                column=table.spelling("sensible_cooling_btuh_per_ft2"),
                value=name,
            )


def _is_by_sun(factors: _Factors, kind: str, found: Sequence[_Surface]) -> bool:
    turning = any(s.kind == kind and math.isfinite(s.face_deg) for s in found)
    blank = all(factors.cooling.get((kind, f), 0.0) is None for f in FACES)
    return turning and blank and is_glass(kind)


def _read_solar(plan_file: PlanFile, log: FaultLog) -> tuple[dict[str, float], tuple[float, ...]]:
    """Numbers and storage weights of [solar], checked whether anything needs them or not."""
    numbers = plan_file.keys("solar")
    if not numbers["design_day"].is_integer():
        log.fault(
            plan_file.name,
            "expected a whole number",
            "Enter the day of the year, 202 for 21 July",
            column="[solar] design_day",
            value=f"{numbers['design_day']:g}",
        )
    airflow_at = plan_file.text("solar", "room_airflow_at")
    if airflow_at and airflow_at not in words.PEAKS:
        log.fault(
            plan_file.name,
            f"expected one of {', '.join(words.PEAKS)}",
            "Pick one of them",
            column="[solar] room_airflow_at",
            value=airflow_at,
        )
    return numbers, _weights(plan_file, log)


def _read_sun(
    by_sun: Sequence[str],
    table: RawTable,
    factors: _Factors,
    solar: tuple[dict[str, float], tuple[float, ...]],
    plan_file: PlanFile,
    log: FaultLog,
) -> Sun | None:
    """What glass factors by the sun need; None where no factor needs them."""
    if not by_sun:
        return None
    numbers, weights = solar
    site = plan_file.keys("site")
    names = ", ".join(f"'{factors.names[k]}'" for k in by_sun)
    for part, key, value in (
        ("site", "latitude_deg", site["latitude_deg"]),
        ("solar", "shgc", numbers["shgc"]),
    ):
        if math.isnan(value) and key not in plan_file.part(part):
            log.fault(
                plan_file.name,
                f"{table.label} leaves the cooling factors of {names} to the sun, and that needs {key}",
                f"Add {key} to [{part}], or enter the factors",
                column=f"[{part}] {key}",
            )
    return Sun(
        latitude_deg=site["latitude_deg"],
        elevation_ft=site["elevation_ft"],
        shgc=numbers["shgc"],
        design_day=int(numbers["design_day"]),
        linke_turbidity=numbers["linke_turbidity"],
        conduction_btuh_per_ft2=numbers["conduction_btuh_per_ft2"],
        weights=weights,
    )


def _weights(plan_file: PlanFile, log: FaultLog) -> tuple[float, ...]:
    given = plan_file.listed("solar", "storage_weights")
    if given is None:
        return schema.DEFAULT_STORAGE_WEIGHTS
    numbers = [float(w) for w in given if isinstance(w, int | float) and not isinstance(w, bool)]
    fits = len(numbers) == len(given) <= HOURS and min(numbers) >= 0.0 and abs(sum(numbers) - 1.0) < 1e-6
    if not fits:
        log.fault(
            plan_file.name,
            f"expected up to {HOURS} numbers from 0 that add up to 1",
            "Write storage_weights = [0.6, 0.3, 0.1], this hour first",
            column="[solar] storage_weights",
            value=str(given),
        )
    return tuple(numbers)


def _not_used(table: RawTable) -> Finding:
    return Finding(
        severity=Severity.CAUTION,
        rule="unused table",
        subject=table.label,
        message="without surfaces it is not used",
        advice="Add surfaces, or remove it",
    )
