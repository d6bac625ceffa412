"""Rows of the long tables out of rows of the compact sheets, each cell with the place that it comes from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from tractduct.errors import Origin
from tractduct.inputs.schema import TableSchema, header_key, in_units
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.inputs.tables import RawTable, Row

T = TypeVar("T")


def derived_row(
    row: RowReader, cells: Mapping[str, str], copied: Iterable[str] = (), *, sources: Mapping[str, str] | None = None
) -> Row:
    """A long table's row of some cells, and of those that are ``copied`` from the sheet's row.

    ``sources`` name the sheet's column of a cell; others are from the one of their own name. A cell without such a
    column is from the row's first.
    """
    first = next(iter(row.table.fields))
    cells = {**{name: row.written(name) for name in copied}, **cells}
    column_of = {name: (sources or {}).get(name, name) for name in cells}
    origins = {name: row.origin(column if column in row.table.fields else first) for name, column in column_of.items()}
    return Row(row.place, _keyed(cells), origins={**_keyed(origins), "": row.origin(first)})


def default_row(cells: Mapping[str, str], origin: Origin) -> Row:
    """A long table's row that nobody typed; a fault of it is told where the need for it arose."""
    return Row(origin.row or 1, _keyed(cells), origins={"": origin})


def _keyed(named: Mapping[str, T]) -> dict[str, T]:
    return {header_key(name): value for name, value in named.items()}


def put_rows(found: dict[str, TableReader], spec: TableSchema, rows: Sequence[Row], sheet: TableReader) -> None:
    """Add rows to a long table; where that is not given, it goes by the name of the sheet they are from."""
    if not rows:
        return
    table = found[spec.name]
    held = {key for row in rows for key in row.cells}
    names = {header_key(f.name): in_units(f, sheet.units).name for f in spec.fields if header_key(f.name) in held}
    raw = RawTable(spec.name, sheet.label, {}, (), header_row=sheet.raw.header_row, units=sheet.units)
    raw = table.raw if table.is_given else raw
    raw = replace(raw, headers={**names, **raw.headers}, rows=(*raw.rows, *rows))
    found[spec.name] = TableReader(spec, raw, table.log)


def price_rows(grid: RawTable) -> RawTable:
    """The prices table out of a sheet with a size a row and a column a product; a blank cell: not offered."""
    free = {header_key(name) for name in ("size_in", "size_mm", "note", "source")}
    columns = [key for key in grid.headers if key not in free]
    filled = [key for key in columns if any(row.text(key) for row in grid.rows)]
    size, price = ("size_mm", "priceperm") if grid.has("size_mm") else ("size_in", "priceperft")
    # Of a shape without any price in its column a product is not made; of the other, that is worth a word.
    made = {key: {"x" in row.text(size).casefold() for row in grid.rows if row.text(key)} for key in filled}
    blank = {
        key: [s for row in grid.rows if not row.text(key) and ("x" in (s := row.text(size)).casefold()) in made[key]]
        for key in filled
    }
    notes = [
        f"'{grid.headers[key]}' is taken as not offered in the sizes where its cell is empty: {', '.join(sizes)}"
        for key, sizes in blank.items()
        if sizes
    ]
    rows = []
    for row in grid.rows if filled else ():
        for key in filled:
            at = Origin(grid.label, row.number, grid.spelling(key), row.text(key))
            cells = {header_key(size): row.text(size), "duct": grid.headers[key], price: row.text(key) or "-"}
            sized = Origin(grid.label, row.number, grid.spelling(size), row.text(size))
            named = Origin(grid.label, grid.header_row, grid.spelling(key), grid.headers[key])
            rows.append(Row(row.number, cells, origins={"": at, header_key(size): sized, "duct": named}))
    headers = {header_key(size): grid.spelling(size), "duct": "duct", price: "price"}
    return replace(grid, headers=headers, rows=tuple(rows), notes=(*grid.notes, *notes))


def is_price_grid(table: RawTable) -> bool:
    """Whether a prices table has a column a product."""
    is_long = any(table.has(name) for name in ("duct", "price_per_ft", "price_per_m"))
    return not is_long and (table.has("size_in") or table.has("size_mm"))
