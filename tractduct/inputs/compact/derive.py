"""The compact sheets of a plan into its long tables, which are then read as if they had been typed."""

from __future__ import annotations

from collections.abc import Mapping

from tractduct.inputs import schema
from tractduct.inputs.compact.ducts import add_sections
from tractduct.inputs.compact.loads import add_loads
from tractduct.inputs.compact.rows import derived_row, put_rows
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.table_reader import TableReader
from tractduct.model.words import by_key


def add_derived(found: dict[str, TableReader], sheets: Mapping[str, TableReader], plan_file: PlanFile) -> None:
    """Put the rows that follow from the compact sheets into the long tables ``found``."""
    rooms = sheets["rooms"]
    add_loads(found, rooms, sheets["glass"], plan_file)
    drawn = [row for row in rooms if any(row.has(name) for name in ("x_ft", "y_ft", "width_ft", "depth_ft"))]
    outlines = [derived_row(row, {}, [f.name for f in schema.ROOMS.fields]) for row in drawn]
    put_rows(found, schema.ROOMS, outlines, rooms)
    if sheets["runs"].is_given and sheets["products"].is_unread:
        plan_file.log.unread.add("sections")
    if (sheets["runs"].is_given or sheets["products"].is_given) and not {"runs", "products"} & plan_file.log.unread:
        tables = ("airflow", "surfaces", "room_gains")
        names = by_key([room for name in tables for room in found[name].raw.texts("room")] or rooms.raw.texts("room"))
        add_sections(found, sheets["runs"], sheets["products"], names.values(), plan_file)
