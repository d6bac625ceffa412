"""Lots, room outlines and duct routes: where and how a plan is built, and how to draw it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tractduct.inputs.cells import nearest
from tractduct.inputs.limits import MAX_FLOORS
from tractduct.inputs.options import Choices
from tractduct.inputs.table_reader import TableReader
from tractduct.model.lots import Lot, RoomOutline, RoutePoint
from tractduct.model.plan import Duct, Section
from tractduct.model.sizes import Size
from tractduct.model.words import FACES, by_key, key_of
from tractduct.physics.turning import POINT_DEG, TURN_DEG


def read_lots(table: TableReader, flex: Sequence[str], ducts: Iterable[Duct], choices: Choices) -> tuple[Lot, ...]:
    """The lots; ``flex`` are the approved products, of those in ``ducts`` (none there: not checked)."""
    approved, known = by_key(flex), by_key(duct.name for duct in ducts if duct.kind == "flex")
    found = []
    for row in table:
        name = row.own_name("lot")
        azimuth, face = row.optional("azimuth_deg"), row.choice("front_faces")
        mirrored, product = row.flag("mirrored"), row.text("flex")
        options, stands = choices.of_lot(row), row.flag("built")
        if product and known and key_of(product) not in known:
            row.fault("flex", "the ducts table has no flex product of this name", nearest(product, flex))
        elif product and known and key_of(product) not in approved:
            message = f"{known[key_of(product)]} is not approved for the plan, so no size set is proven for it"
            advice = "See what arrives there and its own damper marks; approve it in [variants] flex to size for it"
            table.log.caution("flex of a lot", f"lot {name}", message, advice)
        if row.failed:
            continue
        named = FACES.index(face) * POINT_DEG if face else None
        if azimuth is None and named is None:
            row.fault("azimuth_deg", "the lot has no direction", "Enter azimuth_deg or front_faces")
        elif azimuth is not None and named is not None and azimuth % TURN_DEG != named:
            problem = f"front_faces says {face}, which is {named:g} degrees"
            row.fault("azimuth_deg", problem, "Keep the one that is right")
        else:
            degrees = (azimuth if azimuth is not None else named or 0.0) % TURN_DEG
            product = known.get(key_of(product), product)
            found.append(
                Lot(name=name, azimuth_deg=degrees, mirrored=mirrored, flex=product, options=options, built=stands)
            )
    return tuple(found)


def read_built(table: TableReader, sections: Sequence[Section], sizes: Sequence[Size]) -> dict[str, str]:
    """Section -> size label of the lots already built; ``sections`` and ``sizes`` are the plan's."""
    by_name = {section.name: section for section in sections}
    names = by_key(by_name)
    found: dict[str, str] = {}
    for row in table:
        name = row.named("section", names, "the sections table has no section of this name")
        size = row.size()
        if row.failed or not name or size is None or not row.once("section", name):
            continue
        shape = by_name[name].shape
        standard = [s.label for s in sizes if s.shape == shape]
        if size.label not in standard:
            problem = f"this is not a standard {shape} size of the plan: {', '.join(standard)}"
            remedy = "Add it to [sizes] in plan.toml; a section may still be kept from it by max_in"
            row.fault("size_in", problem, remedy)
        found[name] = size.label
    return found


def read_outlines(table: TableReader, rooms: Sequence[str]) -> tuple[RoomOutline, ...]:
    """Room rectangles; ``rooms`` are the plan's (empty: not checked)."""
    names, cells = by_key(rooms), ("x_ft", "y_ft", "width_ft", "depth_ft", "floor")
    missing = "the plan has no room of this name"
    found = [RoomOutline(room=row.named("room", names, missing), **row.values(*cells)) for row in table]
    floors = {outline.floor for outline in found}
    if len(floors) > MAX_FLOORS:
        problem = f"there are {len(floors):,} floors; at most {MAX_FLOORS} are drawn"
        table.fault(problem, "Give the rooms of one floor the same name of it", column="floor")
    return tuple(found)


def read_routes(table: TableReader, sections: Sequence[str]) -> tuple[RoutePoint, ...]:
    """Route points in the order of the table; ``sections`` are the plan's (empty: not checked)."""
    names, missing = by_key(sections), "the sections table has no section of this name"
    return tuple(
        RoutePoint(section=row.named("section", names, missing), **row.values("x_ft", "y_ft", "floor")) for row in table
    )
