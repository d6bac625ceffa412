"""Faults and findings, collected while reading so that one pass reports them all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from tractduct.errors import Fault, InputFaults
from tractduct.findings import Finding, Severity
from tractduct.inputs.cells import CellProblem, allowed, believable, parse_choice, parse_number, parse_size, sentence
from tractduct.inputs.limits import MAX_FAULTS
from tractduct.inputs.schema import KEYS, Field, in_units
from tractduct.inputs.tables import RawTable, Row
from tractduct.model.sizes import Size, size_of
from tractduct.model.words import key_of
from tractduct.units import NOMINAL

T = TypeVar("T")


class FaultLog:
    """What reading has found so far.

    ``unread`` names the tables that can't be read: what hangs on them is not checked.
    """

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self.findings: list[Finding] = []
        self.unread: set[str] = set()
        self._known: set[Fault] = set()

    def fault(self, file: str, problem: str, remedy: str, **place: Any) -> None:
        self.add(Fault(file=file, problem=problem, remedy=remedy, **place))

    def add(self, fault: Fault) -> None:
        """Note a fault, once. InputFaults where there are so many that reading on helps nobody."""
        if fault in self._known:
            return
        self._known.add(fault)
        self.faults.append(fault)
        if len(self.faults) >= MAX_FAULTS:
            rest = Fault(
                file=fault.file,
                problem=f"reading stopped here, at {MAX_FAULTS:,} faults",
                remedy="Mend what these have in common first",
            )
            raise InputFaults([*self.faults, rest])

    def size(self, table: RawTable, row: Row, column: str) -> Size | None:
        """A nominal size; None, and a fault, where the cell is none."""
        most = in_units(KEYS["sizes"][0], table.units).high or 0.0
        value = self.parsed(table, row, column, lambda t: parse_size(t, table.units.unit(NOMINAL), most))
        return None if value is None else size_of(value, table.units)

    def too_many(self, table: RawTable, what: str, found: int, most: int) -> bool:
        """True, and a fault, where a table holds more of something than any house; the table counts as unread."""
        if found > most:
            self.fault(
                table.label,
                f"there are {found:,} {what}; at most {most:,} are read",
                "Remove what is not part of the plan",
            )
            self.unread.add(table.name)
        return found > most

    def cell_fault(self, table: RawTable, row: Row, column: str, problem: str, remedy: str) -> None:
        self.fault(
            table.label,
            problem,
            remedy,
            row=row.number,
            column=table.spelling(column),
            value=row.as_written(column) or None,
        )

    def parsed(self, table: RawTable, row: Row, column: str, parse: Callable[[str], T]) -> T | None:
        """What a parser makes of a cell; None, and a fault, where it can't."""
        try:
            return parse(row.text(column))
        except CellProblem as problem:
            self.cell_fault(table, row, column, problem.problem, problem.remedy)
            return None

    def unusual(self, place: str, column: str, field: Field, value: float) -> None:
        if not believable(field, value) and field.usual:
            low, high = field.usual
            self.findings.append(
                Finding(
                    severity=Severity.CAUTION,
                    rule="believable input",
                    subject=f"{place}, '{column}'",
                    message=" ".join(f"{value:g} {field.unit}".split()) + f" is outside the usual {low:g} to {high:g}",
                    advice=sentence(field.hint) or "Check the value",
                )
            )

    def number(self, table: RawTable, row: Row, field: Field) -> float | None:
        """A number cell by its declaration, in the core's unit; the default where blank; None, and a fault, else."""
        declared, quantity, field = field, field.quantity or field.unit, in_units(field, table.units)
        text = row.text(declared.name)
        if not text:
            if field.blank:
                return declared.default if isinstance(declared.default, float) else None
            self.cell_fault(
                table,
                row,
                declared.name,
                "the cell is empty; " + f"expected {allowed(field)}",
                "Enter the value",
            )
            return None
        value = self.parsed(table, row, declared.name, lambda t: parse_number(field, t))
        if value is not None:
            self.unusual(f"{table.label}, row {row.number}", field.name, field, value)
        return None if value is None else table.units.core(value, quantity)

    def choice(self, table: RawTable, row: Row, field: Field) -> str:
        """A choice cell; the default where it is blank or not understood."""
        default = str(field.default or "")
        text = row.text(field.name)
        if not text and field.blank:
            return default
        if not text:
            self.cell_fault(
                table,
                row,
                field.name,
                f"the cell is empty; expected one of {', '.join(field.choices)}",
                "Pick one of them",
            )
            return default
        return self.parsed(table, row, field.name, lambda t: parse_choice(field, t)) or default

    def text(self, table: RawTable, row: Row, field: Field) -> str:
        value = row.text(field.name)
        if not value and not field.blank:
            self.cell_fault(table, row, field.name, "the cell is empty", "Enter the name")
        return value

    def size_once(
        self, seen: dict[tuple[str, str], int], table: RawTable, row: Row, what: str, key: tuple[str, str]
    ) -> None:
        """A fault where a name and a size stand for the second time; ``what`` is the name's, such as duct."""
        first = seen.setdefault(key, row.number)
        if first != row.number:
            self.cell_fault(
                table,
                row,
                "size_in",
                f"this {what} and size stand already in row {first}",
                "Remove one of the two rows",
            )

    def once(self, seen: dict[str, int], table: RawTable, row: Row, column: str, name: str) -> bool:
        """True where a name stands for the first time; a fault names the row where it stood before."""
        first = seen.setdefault(key_of(name), row.number)
        if first != row.number:
            self.cell_fault(
                table,
                row,
                column,
                f"this name stands already in row {first}",
                "Give each its own name, or remove one",
            )
        return first == row.number
