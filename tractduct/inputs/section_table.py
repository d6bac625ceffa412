"""The sections table: the duct tree as drawn."""

from __future__ import annotations

import math
from collections.abc import Mapping

from tractduct.inputs.cells import nearest, parse_fittings, parse_rooms
from tractduct.inputs.limits import MAX_SECTIONS
from tractduct.inputs.options import Choices
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.model.options import built_text, condition_text
from tractduct.model.plan import Duct, Fitting, Section
from tractduct.model.sizes import Size
from tractduct.model.words import ALL_ROOMS, FLEX, by_key, key_of

Places = dict[str, RowReader]  # the row of each section


def read_sections(
    table: TableReader,
    fittings: Mapping[str, Fitting],
    ducts: Mapping[str, Duct],
    sizes: tuple[Size, ...],
    choices: Choices,
) -> tuple[tuple[Section, ...], Places]:
    """The sections that some house has, parents before children, and the row of each."""
    found: dict[str, Section] = {}
    places: Places = {}
    if len(table.raw.rows) > MAX_SECTIONS:
        problem = f"there are {len(table.raw.rows):,} sections; at most {MAX_SECTIONS:,} are sized together"
        table.fault(problem, "Make a plan of each duct system")
        table.log.unread.add(table.name)
        return (), places
    names = by_key(table.raw.texts("section"))
    known = by_key(fittings)
    systems: dict[str, str] = {}
    for row in table:
        name = row.own_name("section")
        if not name:
            continue
        shape = row.choice("shape")
        rooms = _rooms(row)
        share = row.optional("share")
        if share is not None and not rooms:
            at = row.origin("share")
            subject = f"{at.label}, row {at.row}, '{at.column}'"
            message = f"section {name} ends in no room, so its share {share:g} counts for nothing"
            table.log.caution("reading", subject, message, "Name its room, or leave the share empty")
        low, high, fixed = _size_bounds(row, shape, sizes)
        duct, product = _duct(row, ducts, shape)
        found[name] = Section(
            name=name,
            parent=_parent(row, names),
            **row.values("side", "role", "length_ft"),
            duct=duct,
            product=product,
            shape=shape,
            fittings=_fittings(row, known),
            rooms=rooms,
            share=share,
            season=row.choice("season"),
            min_in=low,
            max_in=high,
            fixed=fixed,
            option=choices.condition(row),
            system=systems.setdefault(key_of(row.text("system")), row.text("system")),
        )
        places[name] = row
    return _built(table, _in_tree_order(table, found, places), places, choices), places


def _rooms(row: RowReader) -> tuple[str, ...]:
    rooms = row.parsed("room", parse_rooms) or ()
    if row.choice("side") != "return" and (len(rooms) > 1 or ALL_ROOMS in rooms):
        row.fault("room", "a supply run ends in one room", "Name one room; only a return may serve several")
    twice = [room for n, room in enumerate(rooms) if key_of(room) in map(key_of, rooms[:n])]
    if twice:
        row.fault("room", f"room '{twice[0]}' is duplicated", "Name each room once")
    return rooms


def _parent(row: RowReader, names: Mapping[str, str]) -> str:
    parent = row.text("parent")
    if parent and key_of(parent) not in names:
        remedy = nearest(parent, names.values()) + ", or leave it empty at the air handler"
        row.fault("parent", "there is no section of this name", remedy)
    return names.get(key_of(parent), "")


def _duct(row: RowReader, ducts: Mapping[str, Duct], shape: str) -> tuple[str, str]:
    """A rigid duct, or ``flex``, and then the one product of it that is named, if any."""
    name = row.text("duct")
    names = by_key(ducts)
    if key_of(name) == FLEX:
        if ducts and not any(d.kind == "flex" for d in ducts.values()):
            row.fault("duct", "the ducts table holds no flex product", "Add one there")
        product = ""
    elif name and names and key_of(name) not in names:
        row.fault("duct", "there is no duct of this name", nearest(name, [FLEX, *names.values()]))
        return FLEX, ""
    else:
        product = names.get(key_of(name), name)
        if product not in ducts or ducts[product].kind != "flex":
            return product, ""
    if shape == "rectangular":
        row.fault("shape", "flex is round", "Make it round, or name a rigid duct")
    return FLEX, product


def _fittings(row: RowReader, known: Mapping[str, str]) -> tuple[tuple[str, int], ...]:
    if not row.has("fittings"):
        return ()
    parts = row.parsed("fittings", parse_fittings) or []
    for name, _ in parts:
        if known and key_of(name) not in known:
            row.fault("fittings", f"there is no fitting named '{name}'", nearest(name, known.values()))
    return tuple((known[key_of(name)], count) for name, count in parts if key_of(name) in known)


def _size_bounds(row: RowReader, shape: str, sizes: tuple[Size, ...]) -> tuple[float, float, str]:
    """Bounds on the equivalent diameter and the label of a fixed size."""
    standard = {s.label: s for s in sizes if s.shape == shape}
    if not standard:
        if sizes:
            row.fault("shape", f"the plan lists no {shape} sizes", "List them in [sizes] of plan.toml")
        return 0.0, math.inf, ""
    given: dict[str, Size] = {}
    for column in ("min_in", "max_in", "fixed_in"):
        size = row.size(column) if row.has(column) else None
        if size is None:
            continue
        loose = shape == "rectangular" and size.shape == "round" and column != "fixed_in"
        if loose or size.label in standard:
            given[column] = size
        else:
            problem = f"this is not a standard {shape} size of the plan: " + ", ".join(standard)
            row.fault(column, problem, "Use one of them, or add it to [sizes] in plan.toml")
    low = given["min_in"].diameter_in if "min_in" in given else 0.0
    high = given["max_in"].diameter_in if "max_in" in given else math.inf
    fixed = given.get("fixed_in")
    first, last = (row.table.raw.spelling(column) for column in ("min_in", "max_in"))
    if low > high:
        row.fault("min_in", f"it is larger than {last}, {row.written('max_in')}", "Swap or correct them")
    if fixed is not None and not low <= fixed.diameter_in <= high:
        row.fault("fixed_in", f"it lies outside {first} to {last}", "Correct one of them")
    elif low <= high and not any(s.lies_between(low, high) for s in standard.values()):
        problem = f"no standard {shape} size lies between it and {last}, {row.written('max_in') or 'none'}"
        row.fault("min_in", problem, "Widen the bounds, or add a size to [sizes] in plan.toml")
    return low, high, "" if fixed is None else fixed.label


def _in_tree_order(table: TableReader, found: Mapping[str, Section], places: Places) -> tuple[Section, ...]:
    """Parents before children, in the order of the table where possible; loops and dead ends are faults."""
    ordered: dict[str, Section] = {}
    in_loop: set[str] = set()
    lost: set[str] = set()  # those in a loop and on the way to one
    for name in found:
        # Up to a section that has its place already, or to the air handler; then down again in order.
        waiting: dict[str, Section] = {}
        at = name
        while at in found and at not in ordered and at not in waiting and at not in lost:
            waiting[at] = found[at]
            at = found[at].parent
        if at in waiting:
            loop = list(waiting)[list(waiting).index(at) :]
            in_loop.update(loop)
            _tell_loop(loop, places)
        if at in waiting or at in lost:
            lost.update(waiting)
        elif not at or at in ordered:
            ordered.update(reversed(waiting.items()))
    if len(ordered) < len(found):
        table.log.unread.add(table.name)  # rooms can't be matched with a tree that has a loop in it
    for name, section in found.items():
        if name not in ordered and name not in in_loop and section.parent in found:
            problem = "this section hangs on a loop of parents and never reaches the air handler"
            places[name].fault("parent", problem, "Correct the parents")
    parents = {s.parent for s in found.values()}
    for name, section in found.items():
        row = places[name]
        if not section.is_run and name not in parents:
            problem = "this section ends nowhere: it has no room and no section names it as its parent"
            row.fault("room", problem, "Name its room, or remove it")
        if not section.is_run and section.season:
            problem = "only a run that ends in a room can be shut"
            row.fault("season", problem, "Set the season of the runs beyond it")
        if section.parent in found and found[section.parent].system != section.system:
            problem = f"its parent belongs to system '{found[section.parent].system}'"
            row.fault("system", problem, "Each air handler has its own ducts: correct system or parent")
        if section.parent in found and found[section.parent].side != section.side:
            problem = f"its parent is on the {found[section.parent].side} side"
            row.fault("side", problem, "Supply and return are separate trees: correct side or parent")
    return tuple(ordered.values())


def _built(table: TableReader, sections: tuple[Section, ...], places: Places, choices: Choices) -> tuple[Section, ...]:
    """The sections that some house has; one whose parent is not there with it is a fault."""
    by_name = {section.name: section for section in sections}
    for section in sections:
        parent = by_name.get(section.parent, section)
        alone = [b for b in choices.combinations if section.is_built(b) and not parent.is_built(b)]
        if alone:
            problem = f"its parent {parent.name} ({condition_text(parent.option)}) is not built with it "
            problem += f"in a house {built_text(alone[0]) or 'without options'}"
            remedy = "Let both be built with the same options, or change the parent"
            places[section.name].fault("option", problem, remedy)
    never = [s.name for s in sections if not any(map(s.is_built, choices.combinations))]
    if never and choices.combinations:
        message = "these sections are in none of the houses that [variants] options lists, and are left out"
        table.log.note("options", ", ".join(never), message, "List a house that has them, or remove them")
    return tuple(s for s in sections if s.name not in never)


def _tell_loop(loop: list[str], places: Places) -> None:
    """One fault for a loop of parents, at its first row."""
    first = loop.index(min(loop, key=lambda member: places[member].place))
    loop = loop[first:] + loop[:first]
    shown = [*loop, loop[0]] if len(loop) <= 12 else [*loop[:6], "...", *loop[-3:], loop[0]]
    problem = "the parents go round in a loop: " + " > ".join(shown)
    places[loop[0]].fault("parent", problem, "Let one of them join the air handler")
