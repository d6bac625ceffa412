"""Sections, fittings and duct products out of the sheets ``runs`` and ``products``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tractduct.errors import Origin
from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, parse_fittings, parse_rooms
from tractduct.inputs.compact import defaults
from tractduct.inputs.compact.routes import Route, bends_of, count_bends, parse_route
from tractduct.inputs.compact.rows import default_row, derived_row, put_rows
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.schema import in_units
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.inputs.tables import Row
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

    @property
    def is_trunk(self) -> bool:
        return self.rigid and (self.children > 0 or self.side == "return")

    @property
    def bends_deg(self) -> tuple[float, ...]:
        return self.route.bends_deg if self.route else ()


def add_sections(
    found: dict[str, TableReader], runs: TableReader, products: TableReader, rooms: Iterable[str], plan_file: PlanFile
) -> None:
    """Put what the two sheets say into sections, fittings and ducts; ``rooms`` are the plan's."""
    kinds = _add_products(found, products, plan_file.log)
    _Runs(found, runs, kinds, plan_file).add(list(rooms))


def _add_products(found: dict[str, TableReader], products: TableReader, log: FaultLog) -> dict[str, tuple[str, str]]:
    """The products put into ducts; name and kind of each duct of the plan by key."""
    rows = []
    tabled = set(map(key_of, found["friction_tables"].raw.texts("duct")))
    for row in products:
        name, kind = row.text("product"), row.choice("kind")
        cells = {"duct": name, "kind": kind}
        if not row.has("roughness_ft") and key_of(name) not in tabled:
            feet = defaults.ROUGHNESS_FT[kind]
            cells["roughness_ft"] = f"{products.units.shown(feet, 'roughness'):.6g}"
            log.assume("roughness", name, products.units.say(feet, "roughness"), defaults.ROUGHNESS_SOURCE)
        copied = [f.name for f in schema.DUCTS.fields[2:]]
        rows.append(derived_row(row, cells, copied, sources={"duct": "product"}))
    put_rows(found, schema.DUCTS, rows, products)
    return {
        key_of(row.text("duct")): (row.text("duct"), row.text("kind").casefold()) for row in found["ducts"].raw.rows
    }


class _Runs:
    """The sheet ``runs`` beside the long tables ``found``; ``kinds`` are name and kind of the plan's ducts by key."""

    def __init__(
        self,
        found: dict[str, TableReader],
        runs: TableReader,
        kinds: Mapping[str, tuple[str, str]],
        plan_file: PlanFile,
    ) -> None:
        self.found, self.runs, self.kinds, self.plan_file = found, runs, kinds, plan_file
        self.log, self.units = plan_file.log, plan_file.units
        self.pieces = [_Piece(row) for row in runs]
        self.long_rows = {key_of(row.text("section")): row for row in found["sections"].raw.rows if row.text("section")}
        self.points = _points(found["routes"])
        # The rigid duct that rect and round stand for.
        self.rigid = [name for name, kind in kinds.values() if kind == "rigid"]
        self.shipped = self.rigid[0] if len(self.rigid) == 1 else "" if self.rigid else defaults.RIGID

    def add(self, rooms: list[str]) -> None:
        """Put the rows that follow into sections, routes, ducts and fittings."""
        self._name()
        self.by_key = {key_of(piece.name): piece for piece in reversed(self.pieces)}
        for piece in self.pieces:
            self._read_duct(piece)
        self._place()
        self._tell_rest(rooms)
        for piece in self.pieces:
            self._read_route(piece)
        for piece in self.pieces:
            self._derive_fittings(piece)
        self._tell_bends()
        put_rows(self.found, schema.SECTIONS, [self._section_row(piece) for piece in self.pieces], self.runs)
        put_rows(self.found, schema.ROUTES, self._drawn(), self.runs)
        put_rows(self.found, schema.DUCTS, self._generic_ducts(), self.runs)
        put_rows(self.found, schema.FITTINGS, self._generic_fittings(), self.runs)

    def _name(self) -> None:
        """A section without a name has its room's, numbered where that is not the only one."""
        taken = {key_of(piece.row.written("section")) for piece in self.pieces} | set(self.long_rows)
        ends: dict[str, list[_Piece]] = {}
        for piece in self.pieces:
            piece.rooms = piece.row.parsed("room", parse_rooms) or ()
            piece.name = piece.row.written("section")
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
                piece.name = room
                while not plain and (piece.name == room or key_of(piece.name) in taken):
                    number += 1
                    piece.name = f"{room} {number}"
                taken.add(key_of(piece.name))

    def _read_duct(self, piece: _Piece) -> None:
        """Its product and shape."""
        words = piece.row.written("duct").split()
        if words and words[-1].casefold() in _SHAPES:
            piece.shape = _SHAPES[words.pop().casefold()]
            if not words and not self.shipped:
                problem = f"the plan has several rigid ducts: {', '.join(self.rigid)}"
                piece.row.fault("duct", problem, f"Name one, such as '{self.rigid[0]} rect'")
            piece.duct = " ".join(words) or self.shipped or self.rigid[0]
        elif words:
            piece.duct = " ".join(words)
        piece.shape = piece.row.written("shape") or piece.shape
        piece.rigid = key_of(piece.duct) != FLEX and self.kinds.get(key_of(piece.duct), ("", "rigid"))[1] != "flex"

    def _place(self) -> None:
        """Parent and side of each piece; a side that is not typed is that of what it hangs on."""
        by_key = self.by_key
        for piece in self.pieces:
            on, typed = piece.row.written("on"), piece.row.written("side").casefold()
            piece.side = _AT_AIR_HANDLER.get(key_of(on).replace("_", " "), "")
            piece.parent = "" if piece.side else on
            piece.side = typed if typed in SIDES else piece.side
        parents = [piece.parent for piece in self.pieces] + [row.text("parent") for row in self.long_rows.values()]
        for parent in parents:  # a long section may hang on one of these
            if parent and key_of(parent) in by_key:
                by_key[key_of(parent)].children += 1
        for piece in self.pieces:
            at, seen = piece, {piece.name}
            while not at.side and key_of(at.parent) in by_key and by_key[key_of(at.parent)].name not in seen:
                at = by_key[key_of(at.parent)]
                seen.add(at.name)
            long = self.long_rows.get(key_of(at.parent))
            piece.side = at.side or (long.text("side").casefold() if long else "") or SIDES[0]

    def _tell_rest(self, rooms: list[str]) -> None:
        """The rooms that ``rest`` stands for."""
        named = {key_of(room) for piece in self.pieces if piece.side == "return" for room in piece.rooms}
        rooms = rooms or list(dict.fromkeys(room for p in self.pieces if p.side == "supply" for room in p.rooms))
        rest = [room for room in rooms if key_of(room) not in named]
        for piece in self.pieces:
            if _REST not in [room.casefold() for room in piece.rooms]:
                continue
            if piece.side != "return":
                piece.row.fault("room", "only a return may serve the rest of the rooms", "Name its room")
            elif ALL_ROOMS in named or not rest:
                piece.row.fault("room", "other returns name every room: none is left", "Name its rooms, or remove it")
            others = [room for room in piece.rooms if room.casefold() != _REST]
            piece.rooms = (*others, *rest)

    def _read_route(self, piece: _Piece) -> None:
        declared = in_units(schema.SECTIONS.field("length_ft"), self.units)
        drawn = self.points.get(key_of(piece.name))
        if piece.row.has("route"):
            piece.route = piece.row.parsed("route", lambda cell: parse_route(declared, cell))
        elif drawn is not None and len(drawn) > 1:
            legs = np.diff(drawn, axis=0)
            length = float(np.linalg.norm(legs, axis=1).sum())
            piece.route = piece.row.parsed("route", lambda _: Route(length, bends_of(legs), None))
            rule = "from its points in routes, which show nothing that runs up or down"
            self.log.derive("length", piece.name, f"{length:.4g} {declared.unit}", rule)
        else:
            problem = f"the cell is empty; expected its length in {declared.unit}, and routes has no points of it"
            piece.row.fault("route", problem, "Enter the length, such as 14, 8+6 or b8 r6")

    def _derive_fittings(self, piece: _Piece) -> None:
        """How it starts, its bends and its end, where the cell is blank."""
        if piece.row.has("fittings"):
            given = piece.row.written("fittings")
            piece.fittings = "" if given.casefold() == _NO_FITTINGS else given
            return
        parent = self.by_key.get(key_of(piece.parent))
        long = self.long_rows.get(key_of(piece.parent))
        on_rigid = parent.rigid if parent else bool(long) and key_of(long.text("duct") if long else "") != FLEX
        names, bends = [_start(piece, on_rigid=on_rigid)], piece.bends_deg
        if parent and names == [defaults.REDUCER]:
            bends = (*_bends_at_joint(piece, parent), *bends)
        shape = piece.shape.casefold() if piece.rigid else FLEX
        for name, count in zip(defaults.BENDS.get(shape, defaults.BENDS["round"]), count_bends(bends), strict=True):
            if count:
                names.append(name if count == 1 else f"{name}*{count}")
        if piece.rooms:
            names.append(defaults.END[piece.side])
        piece.fittings = " + ".join(names)
        self.log.derive("fittings", piece.name, piece.fittings, "from on, route and end")

    def _tell_bends(self) -> None:
        """One finding where typed fittings have other bends than the route."""
        apart = []
        for piece in self.pieces:
            routed = sum(count_bends(piece.bends_deg))
            typed = _named(piece) if piece.row.has("fittings") and piece.bends_deg else []
            bends = sum(count for name, count in typed if _BEND.match(name))
            if typed and bends != routed:
                apart.append(f"{piece.name} ({routed} in the route, {bends} typed)")
        if apart:
            message = "the route has other bends than the fittings that are typed, which count: " + "; ".join(
                apart[:12]
            )
            advice = "Leave the fittings empty to have them from the route, or correct one of the two"
            self.log.caution("bends", self.runs.label, message, advice)

    def _section_row(self, piece: _Piece) -> Row:
        row = piece.row
        role = row.written("role") or ("trunk" if piece.is_trunk else "branch")
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
        if not row.has("section"):
            self.log.derive("section", f"row {row.place}", piece.name, "named by its room")
        if not row.has("role") and role == "trunk":
            rule = "a rigid section that others hang on" if piece.children else "a rigid return"
            self.log.derive("role", piece.name, role, rule)
        return derived_row(row, cells, [f.name for f in schema.SECTIONS.fields], sources=_SOURCES)

    def _drawn(self) -> list[Row]:
        """Points of the sections whose routes say the way they run, from where the air handler stands on."""
        given = [self.plan_file.optional("air_handler", key) for key in ("x_ft", "y_ft")]
        if None in given:
            return []
        start = np.array([self.units.shown(float(v or 0.0), "ft") for v in given] + [0.0])
        courses: dict[str, NDArray[np.float64]] = {}
        rows: list[Row] = []
        waiting = list(self.pieces)
        while ready := [p for p in waiting if not p.parent or key_of(p.parent) in courses]:
            waiting = [p for p in waiting if p not in ready]
            for piece in ready:
                drawn = self.points.get(key_of(piece.name))
                if drawn is not None:
                    courses[key_of(piece.name)] = drawn
                elif piece.route and piece.route.legs is not None:
                    at = _point(courses[key_of(piece.parent)], piece.route.along) if piece.parent else start
                    course = np.vstack([at, at + np.cumsum(piece.route.legs, axis=0)])
                    courses[key_of(piece.name)] = course
                    for x, y, _ in course:
                        cells = {"section": piece.name, "x_ft": f"{x:.10g}", "y_ft": f"{y:.10g}"}
                        rows.append(derived_row(piece.row, cells, sources={"x_ft": "route", "y_ft": "route"}))
        return rows

    def _generic_ducts(self) -> list[Row]:
        """The generic rigid and flex duct where the plan needs one and has none."""
        rows = []
        wanted = [("rigid", self.shipped)] if self.shipped and key_of(self.shipped) not in self.kinds else []
        if not any(kind == "flex" for _, kind in self.kinds.values()):
            wanted.append(("flex", FLEX))
        for kind, word in wanted:
            users = [piece for piece in self.pieces if key_of(piece.duct) == key_of(word)]
            if not users:
                continue
            is_flex, feet = kind == "flex", defaults.ROUGHNESS_FT[kind]
            name = defaults.FLEX_PRODUCT if is_flex else word
            source = defaults.FLEX_SOURCE if is_flex else defaults.ROUGHNESS_SOURCE
            compression = defaults.FLEX_COMPRESSION_PCT if is_flex else 0.0
            cells = {"duct": name, "kind": kind, "source": source, "compression_pct": f"{compression:g}"}
            cells["roughness_ft"] = f"{self.units.shown(feet, 'roughness'):.6g}"
            rows.append(default_row(cells, users[0].row.origin("duct")))
            value = f"roughness {self.units.say(feet, 'roughness')}"
            value += f", compressed by {compression:g} %" if compression else ""
            self.log.assume("duct", name, value, source)
        return rows

    def _generic_fittings(self) -> list[Row]:
        """The generic fittings that sections have and the plan's own table does not."""
        own = set(map(key_of, self.found["fittings"].raw.texts("fitting")))
        generic = {key_of(name): name for name in defaults.FITTINGS if key_of(name) not in own}
        users: dict[str, Origin] = {}
        for piece in self.pieces:
            for name, _ in _named(piece):
                if key_of(name) in generic:
                    users.setdefault(generic[key_of(name)], piece.row.origin("fittings"))
        rows = []
        for name, origin in users.items():
            fitting = defaults.FITTINGS[name]
            length = f"{self.units.shown(fitting.equivalent_length_ft, 'ft'):.6g}"
            cells = {
                "fitting": name,
                "bought": fitting.bought,
                "source": fitting.source,
                "equivalent_length_ft": length,
            }
            rows.append(default_row(cells, origin))
            self.log.assume("fitting", name, self.units.say(fitting.equivalent_length_ft, "ft"), fitting.source)
        return rows


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


def _start(piece: _Piece, *, on_rigid: bool) -> str:
    is_return = piece.side == "return"
    if not piece.parent:
        return defaults.RETURN_ENTRY if is_return else defaults.PLENUM_TAKEOFF if piece.rigid else defaults.COLLAR
    if on_rigid and piece.rigid and piece.children:
        return defaults.REDUCER
    if is_return:
        return defaults.RETURN_TAKEOFF
    return defaults.TAKEOFF if on_rigid else defaults.WYE


def _bends_at_joint(piece: _Piece, parent: _Piece) -> tuple[float, ...]:
    """What a trunk turns against the end of the trunk it goes on from, where both say which way they run. [degrees]"""
    before, after = (one.route.legs if one.route else None for one in (parent, piece))
    if before is None or after is None:
        return ()
    try:
        return bends_of(np.array([before[-1], after[0]]))
    except CellProblem as problem:
        piece.row.fault("route", f"where it joins {parent.name}, {problem.problem}", problem.remedy)
        return ()


def _named(piece: _Piece) -> list[tuple[str, int]]:
    """Its fittings with their counts; none where they can't be read, which is told where sections are."""
    try:
        return parse_fittings(piece.fittings) if piece.fittings else []
    except CellProblem:
        return []


def _point(course: NDArray[np.float64], along: float | None) -> NDArray[np.float64]:
    """The point of a course at a length along it; its end where that is None or beyond."""
    if along is None:
        return np.asarray(course[-1])
    done = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(course, axis=0), axis=1))])
    return np.array([np.interp(along, done, axis) for axis in course.T])
