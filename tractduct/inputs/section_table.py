"""The sections table: the duct tree as drawn."""

from __future__ import annotations

import math
from collections.abc import Mapping

from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.cells import nearest, parse_fittings, parse_rooms
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_SECTIONS
from tractduct.inputs.tables import RawTable, Row
from tractduct.model.plan import Duct, Fitting, Section
from tractduct.model.sizes import Size
from tractduct.model.words import ALL_ROOMS, FLEX, key_of


def read_sections(
    table: RawTable | None,
    fittings: Mapping[str, Fitting],
    ducts: Mapping[str, Duct],
    sizes: tuple[Size, ...],
    log: FaultLog,
) -> tuple[tuple[Section, ...], dict[str, Row]]:
    """The sections, parents before children, and the row of each."""
    found: dict[str, Section] = {}
    places: dict[str, Row] = {}
    if table is None:
        return (), places
    if len(table.rows) > MAX_SECTIONS:
        log.fault(
            table.label,
            f"there are {len(table.rows):,} sections; at most {MAX_SECTIONS:,} are sized together",
            "Make a plan of each duct system",
        )
        log.unread.add(schema.SECTIONS.name)
        return (), places
    spec = schema.SECTIONS
    seen: dict[str, int] = {}
    names = {key_of(row.text("section")): row.text("section") for row in table.rows}
    fitting_names = {key_of(name): name for name in fittings}
    duct_names = {key_of(name): name for name in ducts}
    for row in table.rows:
        name = log.text(table, row, spec.field("section"))
        if not name or not log.once(seen, table, row, "section", name):
            continue
        shape = log.choice(table, row, spec.field("shape"))
        rooms = log.parsed(table, row, "room", parse_rooms) or ()
        side = log.choice(table, row, spec.field("side"))
        if side != "return" and (len(rooms) > 1 or ALL_ROOMS in rooms):
            log.cell_fault(
                table,
                row,
                "room",
                "a supply run ends in one room",
                "Name one room; only a return may serve several",
            )
        twice = [room for n, room in enumerate(rooms) if key_of(room) in map(key_of, rooms[:n])]
        if twice:
            log.cell_fault(table, row, "room", f"room '{twice[0]}' stands twice", "Name each room once")
        share = log.number(table, row, spec.field("share"))
        if share is not None and not rooms:
            log.findings.append(
                Finding(
                    severity=Severity.CAUTION,
                    rule="reading",
                    subject=f"{table.label}, row {row.number}, '{table.spelling('share')}'",
                    message=f"section {name} ends in no room, so its share {share:g} counts for nothing",
                    advice="Name its room, or leave the share empty",
                )
            )
        low, high, fixed = _size_bounds(table, row, shape, sizes, log)
        found[name] = Section(
            name=name,
            parent=_parent(table, row, names, log),
            side=side,
            role=log.choice(table, row, spec.field("role")),
            duct=_duct(table, row, duct_names, ducts, shape, log),
            shape=shape,
            length_ft=log.number(table, row, spec.field("length_ft")) or 0.0,
            fittings=_fittings(table, row, fitting_names, log),
            rooms=rooms,
            share=share,
            season=log.choice(table, row, spec.field("season")),
            min_in=low,
            max_in=high,
            fixed=fixed,
        )
        places[name] = row
    return _in_tree_order(table, found, places, log), places


def _parent(table: RawTable, row: Row, names: Mapping[str, str], log: FaultLog) -> str:
    parent = row.text("parent")
    if parent and key_of(parent) not in names:
        log.cell_fault(
            table,
            row,
            "parent",
            "there is no section of this name",
            nearest(parent, names.values()) + ", or leave it empty at the air handler",
        )
        return ""
    return names[key_of(parent)] if parent else ""


def _duct(
    table: RawTable,
    row: Row,
    duct_names: Mapping[str, str],
    ducts: Mapping[str, Duct],
    shape: str,
    log: FaultLog,
) -> str:
    name = log.text(table, row, schema.SECTIONS.field("duct"))
    if key_of(name) == FLEX:
        if shape == "rectangular":
            log.cell_fault(table, row, "shape", "flex is round", "Make it round, or name a rigid duct")
        if "ducts" not in log.unread and not any(d.kind == "flex" for d in ducts.values()):
            log.cell_fault(table, row, "duct", "the ducts table holds no flex product", "Add one there")
        return FLEX
    if name and "ducts" not in log.unread:
        if key_of(name) not in duct_names:
            log.cell_fault(
                table,
                row,
                "duct",
                "there is no duct of this name",
                nearest(name, [FLEX, *duct_names.values()]),
            )
            return FLEX
        name = duct_names[key_of(name)]
        if ducts[name].kind == "flex":
            log.cell_fault(
                table,
                row,
                "duct",
                "a section names a rigid duct, or flex for whichever is delivered",
                f"Write {FLEX}; [variants] flex names the approved products",
            )
    return name


def _fittings(table: RawTable, row: Row, known: Mapping[str, str], log: FaultLog) -> tuple[tuple[str, int], ...]:
    if not row.text("fittings"):
        return ()
    parts = log.parsed(table, row, "fittings", parse_fittings) or []
    if "fittings" in log.unread:
        return ()
    good = []
    for name, count in parts:
        if key_of(name) in known:
            good.append((known[key_of(name)], count))
        else:
            log.cell_fault(
                table,
                row,
                "fittings",
                f"there is no fitting named '{name}'",
                nearest(name, known.values()),
            )
    return tuple(good)


def _size_bounds(
    table: RawTable, row: Row, shape: str, sizes: tuple[Size, ...], log: FaultLog
) -> tuple[float, float, str]:
    """Bounds on the equivalent diameter and the label of a fixed size."""
    standard = {s.label: s for s in sizes if s.shape == shape}
    if not standard:
        if sizes:
            log.cell_fault(
                table,
                row,
                "shape",
                f"the plan lists no {shape} sizes",
                "List them in [sizes] of plan.toml",
            )
        return 0.0, math.inf, ""
    bounds = {"min_in": 0.0, "max_in": math.inf}
    ends = table.spelling("min_in"), table.spelling("max_in")
    fixed = ""
    for column in ("min_in", "max_in", "fixed_in"):
        if not row.text(column):
            continue
        size = log.size(table, row, column)
        if size is None:
            continue
        loose = shape == "rectangular" and size.shape == "round" and column != "fixed_in"
        if not loose and size.label not in standard:
            log.cell_fault(
                table,
                row,
                column,
                f"this is not a standard {shape} size of the plan: " + ", ".join(standard),
                "Use one of them, or add it to [sizes] in plan.toml",
            )
        elif column == "fixed_in":
            fixed = size.label
        else:
            bounds[column] = size.diameter_in
    if bounds["min_in"] > bounds["max_in"]:
        log.cell_fault(
            table,
            row,
            "min_in",
            f"it is larger than {ends[1]}, {row.text('max_in')}",
            "Swap or correct them",
        )
    if fixed and not bounds["min_in"] <= standard[fixed].diameter_in <= bounds["max_in"]:
        log.cell_fault(table, row, "fixed_in", f"it lies outside {ends[0]} to {ends[1]}", "Correct one of them")
    elif bounds["min_in"] <= bounds["max_in"] and not any(
        bounds["min_in"] - 1e-9 <= s.diameter_in <= bounds["max_in"] + 1e-9 for s in standard.values()
    ):
        log.cell_fault(
            table,
            row,
            "min_in",
            f"no standard {shape} size lies between it and {ends[1]}, {row.text('max_in') or 'none'}",
            "Widen the bounds, or add a size to [sizes] in plan.toml",
        )
    return bounds["min_in"], bounds["max_in"], fixed


def _in_tree_order(
    table: RawTable, found: dict[str, Section], places: dict[str, Row], log: FaultLog
) -> tuple[Section, ...]:
    """Parents before children, in the order of the table where possible; loops and dead ends are faults."""
    ordered: dict[str, Section] = {}
    for name in found:
        # Up to a section that has its place already, or to the air handler; then down again in order.
        waiting: dict[str, Section] = {}
        at = name
        while at in found and at not in ordered and at not in waiting:
            waiting[at] = found[at]
            at = found[at].parent
        if at not in waiting and (not at or at in ordered):
            ordered.update(reversed(waiting.items()))
    left = {name: section for name, section in found.items() if name not in ordered}
    if left:
        log.unread.add(schema.SECTIONS.name)  # rooms can't be matched with a tree that has a loop in it
    in_loop = _tell_loops(table, left, places, log)
    for name, section in left.items():
        if name not in in_loop and section.parent in found:
            log.cell_fault(
                table,
                places[name],
                "parent",
                "this section hangs on a loop of parents and never reaches the air handler",
                "Correct the parents",
            )
    parents = {s.parent for s in found.values()}
    for name, section in found.items():
        row = places[name]
        if not section.is_run and name not in parents:
            log.cell_fault(
                table,
                row,
                "room",
                "this section ends nowhere: it has no room and no section names it as its parent",
                "Name its room, or remove it",
            )
        if not section.is_run and section.season:
            log.cell_fault(
                table,
                row,
                "season",
                "only a run that ends in a room can be shut",
                "Set the season of the runs beyond it",
            )
        if section.parent in found and found[section.parent].side != section.side:
            log.cell_fault(
                table,
                row,
                "side",
                f"its parent is on the {found[section.parent].side} side",
                "Supply and return are separate trees: correct side or parent",
            )
    return tuple(ordered.values())


def _tell_loops(table: RawTable, left: Mapping[str, Section], places: dict[str, Row], log: FaultLog) -> set[str]:
    """One fault for each loop of parents, at its first row; the sections that are in one."""
    in_loop: set[str] = set()
    walked: set[str] = set()
    for name in left:
        walk: dict[str, int] = {}
        at = name
        while at in left and at not in walked:
            walked.add(at)
            walk[at] = len(walk)
            at = left[at].parent
        if at not in walk:
            continue
        loop = list(walk)[walk[at] :]
        first = loop.index(min(loop, key=lambda member: places[member].number))
        loop = loop[first:] + loop[:first]
        in_loop.update(loop)
        shown = [*loop, loop[0]] if len(loop) <= 12 else [*loop[:6], "...", *loop[-3:], loop[0]]
        log.cell_fault(
            table,
            places[loop[0]],
            "parent",
            "the parents go round in a loop: " + " > ".join(shown),
            "Let one of them join the air handler",
        )
    return in_loop
