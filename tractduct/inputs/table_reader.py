"""A table's rows as their readers ask for them: a cell by its column, and its fault noted where it has one."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, TypeVar, Unpack

from tractduct.errors import Origin, Place
from tractduct.inputs import cells
from tractduct.inputs.cells import NOT_OFFERED, CellProblem, allowed, nearest
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.schema import KEYS, Field, TableSchema, in_units
from tractduct.inputs.tables import RawTable, Row
from tractduct.model.sizes import Size, size_of
from tractduct.model.words import key_of
from tractduct.units import NOMINAL, UnitSystem

T = TypeVar("T")


class TableReader:
    """One table of a plan, row by row; without rows where it is not given or can't be read."""

    def __init__(self, spec: TableSchema, raw: RawTable | None, log: FaultLog) -> None:
        self.name = spec.name
        self.is_given = raw is not None
        self.raw = raw or RawTable(spec.name, f"{spec.name}.csv", {}, ())
        self.log = log
        self.fields = {field.name: field for field in spec.fields}
        # Of what is there once, by column and key.
        self.first_rows: defaultdict[str, dict[Any, int]] = defaultdict(dict)

    def __iter__(self) -> Iterator[RowReader]:
        return (RowReader(self, row) for row in self.raw.rows)

    @property
    def label(self) -> str:
        return self.raw.label

    @property
    def units(self) -> UnitSystem:
        return self.raw.units

    @property
    def is_unread(self) -> bool:
        """True where it is at fault as a whole, so that what hangs on it can't be checked."""
        return self.name in self.log.unread

    def shown(self, column: str) -> Field:
        """A column's declaration in the table's units."""
        return in_units(self.fields[column], self.units)

    def fault(self, problem: str, remedy: str, **place: Unpack[Place]) -> None:
        """A fault of the whole table, or of a column by its declared name."""
        if column := place.get("column"):
            place["column"] = self.raw.spelling(column)
        self.log.fault(self.label, problem, remedy, **place)

    def header_fault(self, problem: str, remedy: str, column: str | None = None) -> None:
        self.fault(problem, remedy, column=column, row=self.raw.header_row)

    def too_many(self, what: str, names: Iterable[str], most: int) -> bool:
        """True, and a fault, where it names more of something than any house has; it counts as unread then."""
        found = len(set(map(key_of, names)))
        if found > most:
            remedy = "Remove what is not part of the plan"
            self.fault(f"there are {found:,} {what}; at most {most:,} are read", remedy)
            self.log.unread.add(self.name)
        return found > most


class RowReader:
    """One row. ``place`` is its number as the file counts; ``failed`` once a fault of it is noted."""

    def __init__(self, table: TableReader, row: Row) -> None:
        self.table = table
        self.row = row
        self.place = row.number
        self.failed = False

    def fault(self, column: str, problem: str, remedy: str) -> None:
        """A fault of one cell."""
        self.failed = True
        self.table.log.add(self.origin(column).fault(problem, remedy))

    def origin(self, column: str) -> Origin:
        """Where a cell stands, or what it was derived from does."""
        return self.row.origin(self.table.raw, column)

    def written(self, column: str) -> str:
        """What stands in the cell, unchecked; empty where the table has no such column."""
        return self.row.text(column)

    def has(self, column: str) -> bool:
        """Whether the cell holds anything."""
        return bool(self.written(column))

    def parsed(self, column: str, parse: Callable[[str], T]) -> T | None:
        """What a parser makes of a cell; None, and a fault, where it can't."""
        try:
            return parse(self.written(column))
        except CellProblem as problem:
            self.fault(column, problem.problem, problem.remedy)
            return None

    def text(self, column: str) -> str:
        """A text cell; the default where it is blank."""
        field = self.table.fields[column]
        found = self.written(column)
        if not found and not field.blank:
            self.fault(column, "the cell is empty", "Enter the name")
        return found or str(field.default or "")

    def number(self, column: str) -> float:
        """A number cell in the core's unit; the default where it is blank, NaN where it has none or is at fault."""
        found = self.optional(column)
        return math.nan if found is None else found

    def optional(self, column: str, declared: Field | None = None) -> float | None:
        """The same, but None instead of NaN; ``declared`` where the column's header is not the declared name."""
        declared = declared or self.table.fields[column]
        field = in_units(declared, self.table.units)
        if not self.has(column):
            if field.blank:
                return declared.default if isinstance(declared.default, float) else None
            self.fault(column, f"the cell is empty; expected {allowed(field)}", "Enter the value")
            return None
        found = self.parsed(column, lambda text: cells.parse_number(field, text))
        if found is None:
            return None
        at = self.origin(column)
        self.table.log.unusual(f"{at.label}, row {at.row}", at.column, field, found)
        return self.table.units.core(found, declared.quantity or declared.unit)

    def price(self, column: str) -> float | None:
        """A price; None where the cell says that it is not offered, or is at fault."""
        return None if self.written(column) == NOT_OFFERED else self.optional(column)

    def choice(self, column: str) -> str:
        """A choice; the default where the cell is blank or at fault."""
        field = self.table.fields[column]
        if not self.has(column):
            if not field.blank:
                problem = f"the cell is empty; expected one of {', '.join(field.choices)}"
                self.fault(column, problem, "Pick one of them")
            return str(field.default or "")
        return self.parsed(column, lambda text: cells.parse_choice(field, text)) or str(field.default or "")

    def flag(self, column: str) -> bool:
        """Yes or no; no where the cell is blank or at fault."""
        return self.has(column) and bool(self.parsed(column, cells.parse_flag))

    def values(self, *columns: str) -> dict[str, Any]:
        """Some cells by column, each read as its kind is."""
        readers = {"number": self.number, "choice": self.choice, "flag": self.flag}
        return {column: readers.get(self.table.fields[column].kind, self.text)(column) for column in columns}

    def size(self, column: str = "size_in") -> Size | None:
        """A nominal size; None, and a fault, where the cell is none."""
        units = self.table.units
        most = in_units(KEYS["sizes"][0], units).high or 0.0
        found = self.parsed(column, lambda text: cells.parse_size(text, units.unit(NOMINAL), most))
        return None if found is None else size_of(found, units)

    def named(self, column: str, names: Mapping[str, str], problem: str) -> str:
        """A name as it is spelled elsewhere, out of ``names`` by key; empty, and a fault, where it is not there.

        Without any names there is no fault, as it is noted where they are missing.
        """
        name = self.text(column)
        found = names.get(key_of(name), "")
        if name and names and not found:
            self.fault(column, problem, nearest(name, names.values()))
        return found

    def once(
        self, column: str, key: object, what: str = "this name is", remedy: str = "Remove one of the two rows"
    ) -> bool:
        """True where a key is in its column for the first time; a fault names the row where it was before."""
        first = self.table.first_rows[column].setdefault(key, self.place)
        if first != self.place:
            self.fault(column, f"{what} already in row {first}", remedy)
        return first == self.place

    def own_name(self, column: str, among: str = "") -> str:
        """A name that is there once, among rows of one sort; empty, and a fault, where it is blank or duplicated."""
        name = self.text(column)
        own = name and self.once(column, (among, key_of(name)), remedy="Give each its own name, or remove one")
        return name if own else ""
