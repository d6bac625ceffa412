"""Sections, fittings and duct products out of the sheets ``runs`` and ``products``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tractduct.errors import Origin
from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, parse_fittings, parse_rooms
from tractduct.inputs.compact import defaults
from tractduct.inputs.compact.routes import Route, bends_of, count_bends, parse_route
from tractduct.inputs.compact.rows import default_row, derived_row, with_rows
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.schema import in_units
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.inputs.tables import Row
from tractduct.model.plan import Untyped
from tractduct.model.words import ALL_ROOMS, FLEX, SIDES, key_of

_AT_AIR_HANDLER = {"": "supply", "supply": "supply", "air handler": "supply", "return": "return"}
_REST = "rest"
_SHAPES = {"rect": "rectangular", "rectangular": "rectangular", "round": "round"}
_SOURCES = {"parent": "on", "length_ft": "route", "fittings": "fittings", "role": "role", "shape": "duct"}
_NO_FITTINGS = "none"
_BEND = re.compile(r"(?!.*(?:boot|box)).*(?:elbow|bend)", re.IGNORECASE)  # but for those that are part of an end


@dataclass(slots=True)
class _Piece:
    """One row of runs; ``parent`` by key, ``rigid`` and so on as read or derived."""

    row: RowReader
    name: str = ""
    side: str = ""
    parent: str = ""
    rooms: tuple[str, ...] = ()
    duct: str = FLEX
    rigid: bool = False
    shape: str = "round"
    route: Route | None = None
    fittings: str = ""
    children: int = 0
    bends_deg: tuple[float, ...] = field(default=())

    @property
    def is_trunk(self) -> bool:
        return self.rigid and (self.children > 0 or self.side == "return")


def add_sections(
    found: dict[str, TableReader], runs: TableReader, products: TableReader, rooms: Iterable[str], plan_file: PlanFile
) -> None:
    """Put what the two sheets say into sections, fittings and ducts; ``rooms`` are the plan's."""
    log = plan_file.log
    kinds = _add_products(found, products, log)
    pieces = [_Piece(row) for row in runs]
    long_rows = {key_of(row.text("section")): row for row in found["sections"].raw.rows if row.text("section")}
    _name(pieces, long_rows)
    by_key = {key_of(piece.name): piece for piece in reversed(pieces)}
    shipped = _read_ducts(pieces, kinds)
    _place(pieces, by_key, long_rows)
    _tell_rest(pieces, list(rooms))
    points = _points(found["routes"])
    for piece in pieces:
        _read_route(piece, points, plan_file)
    joints = _joints(pieces, by_key)
    for piece in pieces:
        _derive_fittings(piece, by_key, long_rows, joints, log)
    _tell_bends(pieces, runs, log)
    found["sections"] = with_rows(found["sections"], schema.SECTIONS, [_section_row(p, log) for p in pieces], runs)
    found["routes"] = with_rows(found["routes"], schema.ROUTES, _drawn(pieces, by_key, points, plan_file), runs)
    _add_ducts(found, pieces, kinds, shipped, runs, log)
    _add_fittings(found, pieces, runs, log)


def _add_products(found: dict[str, TableReader], products: TableReader, log: FaultLog) -> dict[str, tuple[str, str]]:
    """The products put into ducts; name and kind of each duct of the plan by key."""
    rows = []
    tabled = {key_of(row.text("duct")) for row in found["friction_tables"].raw.rows}
    for row in products:
        name, kind = row.text("product"), row.choice("kind")
        cells = {"duct": name, "kind": kind}
        cells |= {f.name: row.row.text(f.name) for f in schema.DUCTS.fields[2:]}
        if not row.has("roughness_ft") and key_of(name) not in tabled:
            feet = defaults.ROUGHNESS_FT[kind]
            cells["roughness_ft"] = f"{products.units.shown(feet, 'roughness'):.6g}"
            value = products.units.say(feet, "roughness")
            log.assumed.append(Untyped(what="roughness", where=name, value=value, rule=defaults.ROUGHNESS_SOURCE))
        rows.append(derived_row(row, cells, {"duct": "product"}))
    found["ducts"] = with_rows(found["ducts"], schema.DUCTS, rows, products)
    return {
        key_of(row.text("duct")): (row.text("duct"), row.text("kind").casefold()) for row in found["ducts"].raw.rows
    }


def _name(pieces: list[_Piece], long_rows: Mapping[str, Row]) -> None:
    """A section without a name has its room's, numbered where that is not the only one."""
    taken = {key_of(piece.row.row.text("section")) for piece in pieces} | set(long_rows)
    ends: dict[str, list[_Piece]] = {}
    for piece in pieces:
        piece.rooms = piece.row.parsed("room", parse_rooms) or ()
        piece.name = piece.row.row.text("section")
        if key_of(piece.name) in _AT_AIR_HANDLER and piece.name:
            problem = "this word stands for the air handler's side where a section hangs on it"
            piece.row.fault("section", problem, "Give the section another name, such as Return main")
        if not piece.name and not piece.rooms:
            piece.row.fault("section", "a section without a room needs a name", "Name it, or enter its room")
            piece.name = f"row {piece.row.place}"
        elif not piece.name:
            several = len(piece.rooms) > 1 or piece.rooms[0].casefold() in (_REST, ALL_ROOMS)
            ends.setdefault("Return" if several else piece.rooms[0], []).append(piece)
    for room, mine in ends.items():
        plain = len(mine) == 1 and key_of(room) not in taken and key_of(room) not in _AT_AIR_HANDLER
        number = 0
        for piece in mine:
            name = room
            while not plain and (name == room or key_of(name) in taken):
                number += 1
                name = f"{room} {number}"
            piece.name = name
            taken.add(key_of(name))


def _read_ducts(pieces: list[_Piece], kinds: Mapping[str, tuple[str, str]]) -> str:
    """Product and shape of each piece; the rigid duct that rect and round stand for."""
    rigid = [name for name, kind in kinds.values() if kind == "rigid"]
    shipped = rigid[0] if len(rigid) == 1 else "" if rigid else defaults.RIGID
    for piece in pieces:
        words = piece.row.row.text("duct").split()
        if words and words[-1].casefold() in _SHAPES:
            piece.shape = _SHAPES[words.pop().casefold()]
            piece.duct = " ".join(words) or shipped or rigid[0]
            if not words and not shipped:
                problem = f"the plan has several rigid ducts: {', '.join(rigid)}"
                piece.row.fault("duct", problem, f"Name one, such as '{rigid[0]} rect'")
        elif words:
            piece.duct = " ".join(words)
        piece.shape = piece.row.row.text("shape") or piece.shape
        piece.rigid = key_of(piece.duct) != FLEX and kinds.get(key_of(piece.duct), ("", "rigid"))[1] != "flex"
    return shipped


def _place(pieces: list[_Piece], by_key: Mapping[str, _Piece], long_rows: Mapping[str, Row]) -> None:
    """Parent and side of each piece; a side that is not typed is that of what it hangs on."""
    for piece in pieces:
        on = piece.row.row.text("on")
        if key_of(on).replace("_", " ") in _AT_AIR_HANDLER:
            piece.side = _AT_AIR_HANDLER[key_of(on).replace("_", " ")]
        else:
            piece.parent = on
            if key_of(on) in by_key:
                by_key[key_of(on)].children += 1
        typed = piece.row.row.text("side")
        piece.side = typed.casefold() if typed.casefold() in SIDES else piece.side
    for row in long_rows.values():  # a long section may hang on one of these
        if key_of(row.text("parent")) in by_key:
            by_key[key_of(row.text("parent"))].children += 1
    for piece in pieces:
        at, seen = piece, {piece.name}
        while not at.side and key_of(at.parent) in by_key and by_key[key_of(at.parent)].name not in seen:
            at = by_key[key_of(at.parent)]
            seen.add(at.name)
        long = long_rows.get(key_of(at.parent))
        piece.side = at.side or (long.text("side").casefold() if long else "") or SIDES[0]


def _tell_rest(pieces: list[_Piece], rooms: list[str]) -> None:
    """The rooms that ``rest`` stands for."""
    named = {key_of(room) for piece in pieces if piece.side == "return" for room in piece.rooms}
    rooms = rooms or list(dict.fromkeys(room for p in pieces if p.side == "supply" for room in p.rooms))
    rest = [room for room in rooms if key_of(room) not in named]
    for piece in pieces:
        if _REST not in [room.casefold() for room in piece.rooms]:
            continue
        if piece.side != "return":
            piece.row.fault("room", "only a return may serve the rest of the rooms", "Name its room")
        elif ALL_ROOMS in named or not rest:
            piece.row.fault("room", "other returns name every room: none is left", "Name its rooms, or remove it")
        others = [room for room in piece.rooms if room.casefold() != _REST]
        piece.rooms = (*others, *rest)


def _points(routes: TableReader) -> dict[str, NDArray[np.float64]]:
    """(n_point, 3) of each section that the routes table draws, in the plan's unit, as far as its cells are numbers."""
    found: dict[str, list[tuple[float, float, float]]] = {}
    for row in routes.raw.rows:
        try:
            point = float(row.text("x_ft")), float(row.text("y_ft")), 0.0
        except ValueError:
            continue
        found.setdefault(key_of(row.text("section")), []).append(point)
    return {key: np.array(points) for key, points in found.items()}


def _read_route(piece: _Piece, points: Mapping[str, NDArray[np.float64]], plan_file: PlanFile) -> None:
    declared = in_units(schema.SECTIONS.field("length_ft"), plan_file.units)
    drawn = points.get(key_of(piece.name))
    if piece.row.has("route"):
        piece.route = piece.row.parsed("route", lambda cell: parse_route(declared, cell))
    elif drawn is not None and len(drawn) > 1:
        legs = np.diff(drawn, axis=0)
        length = float(np.linalg.norm(legs, axis=1).sum())
        piece.route = piece.row.parsed("route", lambda _: Route(length, bends_of(legs), None))
        shown = f"{length:.4g} {declared.unit}"
        rule = "from its points in routes, which show nothing that runs up or down"
        plan_file.log.derived.append(Untyped(what="length", where=piece.name, value=shown, rule=rule))
    else:
        problem = f"the cell is empty; expected its length in {declared.unit}, and routes has no points of it"
        piece.row.fault("route", problem, "Enter the length, such as 14, 8+6 or b8 r6")
    piece.bends_deg = piece.route.bends_deg if piece.route else ()


def _derive_fittings(
    piece: _Piece,
    by_key: Mapping[str, _Piece],
    long_rows: Mapping[str, Row],
    joints: Mapping[str, float],
    log: FaultLog,
) -> None:
    """How it starts, its bends and its end, where the cell is blank."""
    if piece.row.has("fittings"):
        given = piece.row.row.text("fittings")
        piece.fittings = "" if given.casefold() == _NO_FITTINGS else given
        return
    parent = by_key.get(key_of(piece.parent))
    long = long_rows.get(key_of(piece.parent))
    on_rigid = parent.rigid if parent else bool(long) and key_of(long.text("duct") if long else "") != FLEX
    start = _start(piece, on_rigid=on_rigid)
    turned = joints.get(piece.name)
    bends = piece.bends_deg if turned is None or start != defaults.REDUCER else (turned, *piece.bends_deg)
    shape = piece.shape.casefold() if piece.rigid else FLEX
    right, half = defaults.BENDS.get(shape, defaults.BENDS["round"])
    names = [start]
    for name, count in zip((right, half), count_bends(bends), strict=True):
        if count:
            names.append(name if count == 1 else f"{name}*{count}")
    if piece.rooms:
        names.append(defaults.END[piece.side])
    piece.fittings = " + ".join(names)
    rule = "from on, route and end"
    log.derived.append(Untyped(what="fittings", where=piece.name, value=piece.fittings, rule=rule))


def _start(piece: _Piece, *, on_rigid: bool) -> str:
    is_return = piece.side == "return"
    if not piece.parent:
        return defaults.RETURN_ENTRY if is_return else defaults.PLENUM_TAKEOFF if piece.rigid else defaults.COLLAR
    if on_rigid and piece.rigid and piece.children:
        return defaults.REDUCER
    if is_return:
        return defaults.RETURN_TAKEOFF
    return defaults.TAKEOFF if on_rigid else defaults.WYE


def _joints(pieces: list[_Piece], by_key: Mapping[str, _Piece]) -> dict[str, float]:
    """Degrees that a trunk turns against the end of the trunk it goes on from, where both say which way they run."""
    found: dict[str, float] = {}
    for piece in pieces:
        parent = by_key.get(key_of(piece.parent)) if piece.parent else None
        in_line = parent and parent.rigid and piece.rigid and piece.children and not piece.row.has("fittings")
        if not parent or not in_line or not parent.route or not piece.route:
            continue
        if parent.route.legs is not None and piece.route.legs is not None:
            joint = np.array([parent.route.legs[-1], piece.route.legs[0]])
            try:
                found[piece.name] = sum(bends_of(joint))
            except CellProblem as problem:
                piece.row.fault("route", f"where it joins {parent.name}, {problem.problem}", problem.remedy)
    return found


def _tell_bends(pieces: list[_Piece], runs: TableReader, log: FaultLog) -> None:
    """One finding where typed fittings have other bends than the route."""
    apart = []
    for piece in pieces:
        try:
            typed = (
                parse_fittings(piece.fittings)
                if piece.fittings and piece.row.has("fittings") and piece.bends_deg
                else []
            )
        except CellProblem:
            continue  # told where sections are read
        bends = sum(count for name, count in typed if _BEND.match(name))
        if typed and bends != sum(count_bends(piece.bends_deg)):
            apart.append(f"{piece.name} ({sum(count_bends(piece.bends_deg))} in the route, {bends} typed)")
    if apart:
        message = "the route has other bends than the fittings that are typed, which count: " + "; ".join(apart[:12])
        advice = "Leave the fittings empty to have them from the route, or correct one of the two"
        log.caution("bends", runs.label, message, advice)


def _section_row(piece: _Piece, log: FaultLog) -> Row:
    row = piece.row
    role = row.row.text("role") or ("trunk" if piece.is_trunk else "branch")
    cells = {
        "section": piece.name,
        "parent": piece.parent,
        "side": piece.side,
        "role": role,
        "duct": piece.duct,
        "shape": piece.shape,
        "length_ft": f"{piece.route.length:.10g}" if piece.route else "0",
        "fittings": piece.fittings,
        "room": "; ".join(piece.rooms),
    }
    handled = set(cells)
    cells |= {f.name: row.row.text(f.name) for f in schema.SECTIONS.fields if f.name not in handled}
    if not row.has("section"):
        log.derived.append(
            Untyped(what="section", where=f"row {row.place}", value=piece.name, rule="named by its room")
        )
    if not row.has("role") and role == "trunk":
        rule = "a rigid section that others hang on" if piece.children else "a rigid return"
        log.derived.append(Untyped(what="role", where=piece.name, value=role, rule=rule))
    return derived_row(row, cells, _SOURCES)


def _drawn(
    pieces: list[_Piece],
    by_key: Mapping[str, _Piece],
    points: Mapping[str, NDArray[np.float64]],
    plan_file: PlanFile,
) -> list[Row]:
    """Points of the sections whose routes say the way they run, from where the air handler stands on."""
    units = plan_file.units
    given = [plan_file.optional("air_handler", key) for key in ("x_ft", "y_ft")]
    if None in given:
        return []
    start = np.array([units.shown(float(v or 0.0), "ft") for v in given] + [0.0])
    courses: dict[str, NDArray[np.float64]] = {}
    rows: list[Row] = []
    waiting = list(pieces)
    while True:
        ready = [p for p in waiting if not p.parent or key_of(p.parent) in courses]
        if not ready:
            return rows
        waiting = [p for p in waiting if p not in ready]
        for piece in ready:
            legs = piece.route.legs if piece.route else None
            drawn = points.get(key_of(piece.name))
            along = piece.route.along if piece.route else None
            at = _point(courses[key_of(piece.parent)], along) if piece.parent else start
            if drawn is not None:
                courses[key_of(piece.name)] = drawn
            elif legs is not None:
                course = np.vstack([at, at + np.cumsum(legs, axis=0)])
                courses[key_of(piece.name)] = course
                for x, y, _ in course:
                    cells = {"section": piece.name, "x_ft": f"{x:.10g}", "y_ft": f"{y:.10g}"}
                    rows.append(derived_row(piece.row, cells, {"x_ft": "route", "y_ft": "route"}))


def _point(course: NDArray[np.float64], along: float | None) -> NDArray[np.float64]:
    """The point of a course at a length along it; its end where that is None or beyond."""
    if along is None:
        return np.asarray(course[-1])
    done = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(course, axis=0), axis=1))])
    return np.array([np.interp(along, done, axis) for axis in course.T])


def _add_ducts(
    found: dict[str, TableReader],
    pieces: list[_Piece],
    kinds: Mapping[str, tuple[str, str]],
    shipped: str,
    runs: TableReader,
    log: FaultLog,
) -> None:
    """The generic rigid and flex duct where the plan needs one and has none."""
    rows = []
    wanted = [("rigid", shipped)] if shipped and key_of(shipped) not in kinds else []
    if not any(kind == "flex" for _, kind in kinds.values()):
        wanted.append(("flex", FLEX))
    for kind, word in wanted:
        users = [piece for piece in pieces if key_of(piece.duct) == key_of(word)]
        if not users:
            continue
        is_flex = kind == "flex"
        name = defaults.FLEX_PRODUCT if is_flex else word
        source = defaults.FLEX_SOURCE if is_flex else defaults.ROUGHNESS_SOURCE
        compression = defaults.FLEX_COMPRESSION_PCT if is_flex else 0.0
        feet = defaults.ROUGHNESS_FT[kind]
        cells = {"duct": name, "kind": kind, "source": source, "compression_pct": f"{compression:g}"}
        cells["roughness_ft"] = f"{runs.units.shown(feet, 'roughness'):.6g}"
        rows.append(default_row(cells, users[0].row.origin("duct")))
        value = f"roughness {runs.units.say(feet, 'roughness')}"
        value += f", compressed by {compression:g} %" if compression else ""
        log.assumed.append(Untyped(what="duct", where=name, value=value, rule=source))
    found["ducts"] = with_rows(found["ducts"], schema.DUCTS, rows, runs)


def _add_fittings(found: dict[str, TableReader], pieces: list[_Piece], runs: TableReader, log: FaultLog) -> None:
    """The generic fittings that sections have and the plan's own table does not."""
    own = {key_of(row.text("fitting")) for row in found["fittings"].raw.rows}
    generic = {key_of(name): name for name in defaults.FITTINGS}
    users: dict[str, Origin] = {}
    for piece in pieces:
        try:
            names = parse_fittings(piece.fittings) if piece.fittings else []
        except CellProblem:
            continue  # told where sections are read
        for name, _ in names:
            if key_of(name) in generic and key_of(name) not in own:
                users.setdefault(generic[key_of(name)], piece.row.origin("fittings"))
    rows = []
    for name, origin in users.items():
        fitting = defaults.FITTINGS[name]
        length = runs.units.shown(fitting.equivalent_length_ft, "ft")
        cells: dict[str, Any] = {"fitting": name, "bought": fitting.bought, "source": fitting.source}
        rows.append(default_row({**cells, "equivalent_length_ft": f"{length:.6g}"}, origin))
        value = runs.units.say(fitting.equivalent_length_ft, "ft")
        log.assumed.append(Untyped(what="fitting", where=name, value=value, rule=fitting.source))
    found["fittings"] = with_rows(found["fittings"], schema.FITTINGS, rows, runs)
