"""Lots, room outlines and duct routes: where and how a plan is built, and how to draw it."""

from __future__ import annotations

from collections.abc import Sequence

from tractduct.inputs import schema
from tractduct.inputs.cells import nearest, parse_flag
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_FLOORS
from tractduct.inputs.tables import RawTable
from tractduct.model.lots import Lot, RoomOutline, RoutePoint
from tractduct.model.words import FACES, key_of
from tractduct.physics.turning import POINT_DEG, TURN_DEG


def read_lots(table: RawTable | None, flex: Sequence[str], ducts: Sequence[str], log: FaultLog) -> tuple[Lot, ...]:
    """The lots; ``flex`` are the approved products, ``ducts`` all of the ducts table (empty: not checked)."""
    spec = schema.LOTS
    approved = {key_of(f): f for f in flex}
    seen: dict[str, int] = {}
    found = []
    for row in table.rows if table else ():
        assert table is not None
        before = len(log.faults)
        name = log.text(table, row, spec.field("lot"))
        azimuth = log.number(table, row, spec.field("azimuth_deg"))
        face = log.choice(table, row, spec.field("front_faces"))
        mirrored = log.parsed(table, row, "mirrored", parse_flag) if row.text("mirrored") else False
        product = row.text("flex")
        if product and ducts and key_of(product) not in approved:
            known = key_of(product) in {key_of(d) for d in ducts}
            log.cell_fault(
                table,
                row,
                "flex",
                "this is not one of the flex products approved for the plan"
                if known
                else "the ducts table has no flex product of this name",
                nearest(product, flex),
            )
        if name:
            log.once(seen, table, row, "lot", name)
        if len(log.faults) > before:
            continue
        named = FACES.index(face) * POINT_DEG if face else None
        if azimuth is None and named is None:
            log.cell_fault(table, row, "azimuth_deg", "the lot has no direction", "Enter azimuth_deg or front_faces")
        elif azimuth is not None and named is not None and azimuth % TURN_DEG != named:
            log.cell_fault(
                table,
                row,
                "azimuth_deg",
                f"front_faces says {face}, which is {named:g} degrees",
                "Keep the one that is right",
            )
        else:
            degrees = (azimuth if azimuth is not None else named or 0.0) % TURN_DEG
            found.append(
                Lot(
                    name=name,
                    azimuth_deg=degrees,
                    mirrored=bool(mirrored),
                    flex=approved.get(key_of(product), product),
                )
            )
    return tuple(found)


def read_outlines(table: RawTable | None, rooms: Sequence[str], log: FaultLog) -> tuple[RoomOutline, ...]:
    """Room rectangles; ``rooms`` are the plan's (empty: not checked)."""
    spec = schema.ROOMS
    spelled = {key_of(r): r for r in rooms}
    found = []
    for row in table.rows if table else ():
        assert table is not None
        room = log.text(table, row, spec.field("room"))
        x, y, width, depth = (
            log.number(table, row, spec.field(name)) for name in ("x_ft", "y_ft", "width_ft", "depth_ft")
        )
        if room and spelled and key_of(room) not in spelled:
            log.cell_fault(table, row, "room", f"the plan has no room '{room}'", nearest(room, rooms))
            continue
        if not room or x is None or y is None or width is None or depth is None:
            continue
        found.append(
            RoomOutline(
                room=spelled.get(key_of(room), room),
                x_ft=x,
                y_ft=y,
                width_ft=width,
                depth_ft=depth,
                floor=row.text("floor") or "1",
            )
        )
    floors = {outline.floor for outline in found}
    if table and len(floors) > MAX_FLOORS:
        log.fault(
            table.label,
            f"there are {len(floors):,} floors; at most {MAX_FLOORS} are drawn",
            "Give the rooms of one floor the same name of it",
            column=table.spelling("floor"),
        )
    return tuple(found)


def read_routes(table: RawTable | None, sections: Sequence[str], log: FaultLog) -> tuple[RoutePoint, ...]:
    """Route points in the order of the table; ``sections`` are the plan's (empty: not checked)."""
    spec = schema.ROUTES
    spelled = {key_of(s): s for s in sections}
    found = []
    for row in table.rows if table else ():
        assert table is not None
        section = log.text(table, row, spec.field("section"))
        x, y = (log.number(table, row, spec.field(name)) for name in ("x_ft", "y_ft"))
        if section and spelled and key_of(section) not in spelled:
            log.cell_fault(
                table, row, "section", f"the sections table has no section '{section}'", nearest(section, sections)
            )
            continue
        if section and x is not None and y is not None:
            found.append(
                RoutePoint(section=spelled.get(key_of(section), section), x_ft=x, y_ft=y, floor=row.text("floor"))
            )
    return tuple(found)
