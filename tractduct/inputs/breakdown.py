"""The breakdown of a plan's loads by surface, read, checked, and turned to any direction.

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
from numpy.typing import ArrayLike, NDArray

from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, allowed, key_of, nearest, parse_number
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_ROOMS, MAX_SURFACE_KINDS
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.schema import FACES, Field
from tractduct.inputs.tables import RawTable, Row
from tractduct.physics.solar import (
    BTUH_PER_FT2_OF_W_PER_M2,
    HOURS,
    SCREENING,
    SolarExtraMissing,
    glass_irradiance_w_per_m2,
    smoothed_over_hours,
)
from tractduct.physics.turning import POINT_DEG, bearing_deg, between_points, share_by_load
from tractduct.units import M_PER_FT

FloatArray = NDArray[np.float64]

_NORTH = FACES.index("N")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sun:
    """What glass factors by the sun are worked out from; ``weights`` are for this hour, the one before ..."""

    latitude_deg: float
    elevation_ft: float
    shgc: float
    design_day: int
    linke_turbidity: float
    conduction_btuh_per_ft2: float
    weights: tuple[float, ...]

    def cooling_btuh_per_ft2(self, face_deg: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Cooling factors of upright glass by hour of local solar time: (24, n_face) unshaded, (24,) shaded.

        Clear-sky irradiance as at normal incidence x SHGC, smoothed over the hours before, and conduction.
        SolarExtraMissing without pvlib. A screening method, not a load calculation. [Btu/h ft2]
        """
        lit, shaded = glass_irradiance_w_per_m2(
            self.latitude_deg,
            self.design_day,
            face_deg,
            linke_turbidity=self.linke_turbidity,
            altitude_m=self.elevation_ft * M_PER_FT,
        )
        scale = self.shgc * BTUH_PER_FT2_OF_W_PER_M2
        felt = smoothed_over_hours(np.column_stack([lit, shaded]), self.weights) * scale + self.conduction_btuh_per_ft2
        return felt[:, :-1], felt[:, -1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Breakdown:
    """The loads of a plan by surface.

    Attributes
    ----------
    rooms : n_room of them
    kinds : n_kind kinds of surface
    room, kind : (n_surface,) int
    face_deg : (n_surface,), clockwise from the front in the house as drawn; NaN where it does not turn
    area_ft2, shade : (n_surface,)
    factor : (2, n_kind, 8), heating and cooling at the compass points; NaN for kinds that do not turn, and for
        the cooling of kinds that take it from the sun [Btu/h ft2]
    fixed_factor : (2, n_kind), of surfaces that do not turn; NaN where there are none [Btu/h ft2]
    gains_btuh : (2, n_room), what does not turn
    by_sun : (n_kind,) bool, the cooling factor comes from ``sun_factor``
    sun_factor, shade_factor : (24, 8) and (24,) by hour of local solar time; (0, 8) and (0,) without [Btu/h ft2]
    sun : what that was worked out from, or None
    airflow_at : room_peak or house_peak
    """

    rooms: tuple[str, ...]
    kinds: tuple[str, ...]
    room: NDArray[np.intp]
    kind: NDArray[np.intp]
    face_deg: FloatArray
    area_ft2: FloatArray
    shade: FloatArray
    factor: FloatArray
    fixed_factor: FloatArray
    gains_btuh: FloatArray
    by_sun: NDArray[np.bool_]
    sun_factor: FloatArray
    shade_factor: FloatArray
    sun: Sun | None = None
    airflow_at: str = "room_peak"

    @property
    def is_glass(self) -> NDArray[np.bool_]:
        """(n_kind,) bool"""
        return np.array([is_glass(k) for k in self.kinds], dtype=bool)

    def for_rooms(self, rooms: Sequence[str]) -> Breakdown:
        """The same with its rooms in this order and spelling; all of them must be there."""
        place = {key_of(r): n for n, r in enumerate(rooms)}
        to = np.array([place[key_of(r)] for r in self.rooms], dtype=np.intp)
        gains = np.zeros((2, len(rooms)))
        gains[:, to] = self.gains_btuh
        return replace(self, rooms=tuple(rooms), room=to[self.room], gains_btuh=gains)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomLoads:
    """Loads of the rooms of a turned house.

    Attributes
    ----------
    heating_btuh : (n_azimuth, n_mirrored, n_room)
    cooling_btuh, glass_cooling_btuh : (n_hour, n_azimuth, n_mirrored, n_room), sensible; one hour stands for all
        where no factor comes from the sun, else the hours of local solar time. The second is the part that
        comes through glass.
    """

    heating_btuh: FloatArray
    cooling_btuh: FloatArray
    glass_cooling_btuh: FloatArray

    @property
    def house_cooling_btuh(self) -> FloatArray:
        """(n_hour, n_azimuth, n_mirrored) all rooms together."""
        return np.asarray(self.cooling_btuh.sum(axis=-1))

    @property
    def house_peak_btuh(self) -> FloatArray:
        """(n_azimuth, n_mirrored) the house's highest sensible cooling load."""
        return np.asarray(self.house_cooling_btuh.max(axis=0))

    @property
    def house_peak_hour(self) -> NDArray[np.intp]:
        """(n_azimuth, n_mirrored) the hour of it."""
        return np.asarray(self.house_cooling_btuh.argmax(axis=0))

    @property
    def room_peak_hour(self) -> NDArray[np.intp]:
        """(n_azimuth, n_mirrored, n_room) the hour of each room's own peak."""
        return np.asarray(self.cooling_btuh.argmax(axis=0))

    def cooling_at(self, peak: str) -> FloatArray:
        """(n_azimuth, n_mirrored, n_room) sensible cooling at each room's own peak or at the house's."""
        return self._at(self.cooling_btuh, peak)

    def glass_at(self, peak: str) -> FloatArray:
        """(n_azimuth, n_mirrored, n_room) what of ``cooling_at`` comes through glass."""
        return self._at(self.glass_cooling_btuh, peak)

    def _at(self, hourly: FloatArray, peak: str) -> FloatArray:
        hour = self.room_peak_hour if peak == "room_peak" else self.house_peak_hour[..., None]
        hour = np.broadcast_to(hour, hourly.shape[1:])
        return np.asarray(np.take_along_axis(hourly, hour[None], axis=0)[0])

    def load(self, season: str, peak: str) -> FloatArray:
        """(n_azimuth, n_mirrored, n_room) the load by which a season's airflow is shared. [Btu/h]"""
        return self.heating_btuh if season == "heating" else self.cooling_at(peak)


def room_loads(breakdown: Breakdown, azimuth_deg: ArrayLike, mirrored: Sequence[bool] = (False,)) -> RoomLoads:
    """Loads of each room with the front turned to any azimuths, as drawn or mirrored.

    ``azimuth_deg`` (n_azimuth,) clockwise from north. Factors between the compass points: ``between_points``.
    """
    azimuth = np.atleast_1d(np.asarray(azimuth_deg, dtype=float))
    mirror = np.asarray(mirrored, dtype=bool)
    turns = np.isfinite(breakdown.face_deg)
    # (n_azimuth, n_mirrored, n_surface)
    bearing = bearing_deg(breakdown.face_deg, azimuth[:, None, None], mirror[None, :, None])
    shape = bearing.shape
    n_hour = len(breakdown.sun_factor) or 1
    heating = np.broadcast_to(breakdown.fixed_factor[0, breakdown.kind], shape).copy()
    cooling = np.broadcast_to(breakdown.fixed_factor[1, breakdown.kind], (n_hour, *shape)).copy()
    for k in range(len(breakdown.kinds)):
        mine = turns & (breakdown.kind == k)
        if not mine.any():
            continue
        heating[..., mine] = between_points(breakdown.factor[0, k], bearing[..., mine])
        points = breakdown.sun_factor if breakdown.by_sun[k] else breakdown.factor[1, k][None]
        sunlit = np.moveaxis(between_points(points, bearing[..., mine]), -1, 0)
        in_shade = breakdown.shade_factor if breakdown.by_sun[k] else points[:, _NORTH]
        shade = breakdown.shade[mine]
        cooling[..., mine] = (1.0 - shade) * sunlit + shade * in_shade[:, None, None, None]
    heating *= breakdown.area_ft2
    cooling *= breakdown.area_ft2
    in_room = (breakdown.room[:, None] == np.arange(len(breakdown.rooms))).astype(float)
    glass = breakdown.is_glass[breakdown.kind].astype(float)
    return RoomLoads(
        heating_btuh=heating @ in_room + breakdown.gains_btuh[0],
        cooling_btuh=cooling @ in_room + breakdown.gains_btuh[1],
        glass_cooling_btuh=(cooling * glass) @ in_room,
    )


def turn(
    breakdown: Breakdown,
    azimuth_deg: ArrayLike,
    mirrored: Sequence[bool],
    system_cfm: Mapping[str, float],
    *,
    peak: str | None = None,
) -> FloatArray:
    """Room airflow of a house turned to any azimuths.

    Parameters
    ----------
    breakdown : the loads by surface
    azimuth_deg : array_like, shape (n_azimuth,), of the front, clockwise from north
    mirrored : n_mirrored of them
    system_cfm : season -> airflow of the whole system, in the order wanted
    peak : room_peak or house_peak; what the plan says if None

    Returns
    -------
    ndarray, shape (n_azimuth, n_mirrored, n_season, n_room)
        The system's airflow shared by the rooms' loads. [cfm]
    """
    loads = room_loads(breakdown, azimuth_deg, mirrored)
    at = peak or breakdown.airflow_at
    return np.stack([share_by_load(loads.load(s, at), flow) for s, flow in system_cfm.items()], axis=2)


# -- reading ---------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Factors:
    """Cells of load_factors by (kind key, exposure), '' for what does not turn; None where cooling is blank."""

    names: dict[str, str] = field(default_factory=dict)
    heating: dict[tuple[str, str], float] = field(default_factory=dict)
    cooling: dict[tuple[str, str], float | None] = field(default_factory=dict)
    rows: dict[tuple[str, str], int] = field(default_factory=dict)
    bad: set[str] = field(default_factory=set)  # kinds with a fault that is told already


def read_breakdown(
    tables: Mapping[str, RawTable | None],
    known_rooms: Sequence[str],
    plan_file: PlanFile,
    log: FaultLog,
) -> Breakdown | None:
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
) -> Breakdown:
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
    return Breakdown(
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
        airflow_at=plan_file.text("solar", "room_airflow_at") or schema.PEAKS[0],
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


def is_glass(kind: str) -> bool:
    """Whether a kind of surface counts as glass, by its name."""
    return any(word in key_of(kind) for word in schema.GLASS_WORDS)


def parse_plan_face(text: str) -> float:
    """Degrees clockwise from the front out of a side's name or a number; NaN for blank; CellProblem else."""
    word = text.strip().casefold()
    if not word:
        return math.nan
    if word in schema.PLAN_FACES:
        return schema.PLAN_FACES[word]
    degrees = Field(name="plan_face", meaning="", kind="number", unit="degrees", low=0.0, high=360.0)
    try:
        return parse_number(degrees, word)
    except CellProblem:
        raise CellProblem(
            f"expected one of {', '.join(schema.PLAN_FACES)}, or {allowed(degrees)}",
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
    if airflow_at and airflow_at not in schema.PEAKS:
        log.fault(
            plan_file.name,
            f"expected one of {', '.join(schema.PEAKS)}",
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
