"""What can go wrong, and how it is worded for the person who must mend it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class TractductError(Exception):
    """Anything this program raises on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong with the input, and where.

    ``file`` is what the user calls it (``sections.csv``, ``house.xlsx sheet 'sections'``); ``row`` counts as
    the spreadsheet or text editor does, 1 for the header. ``problem`` says what is wrong and what is allowed,
    ``remedy`` what to do about it.
    """

    file: str
    problem: str
    remedy: str
    row: int | None = None
    column: str | None = None
    value: str | None = None

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column '{self.column}'"
        got = "" if self.value is None else f"got {self.value!r}: "
        return f"{place}: {got}{self.problem}. {self.remedy}."


class InputFaults(TractductError):
    """The input has faults; ``faults`` holds all that were found, in the order of reading."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class SolverError(TractductError):
    """The solver's answer could not be confirmed; no size set is reported."""


class OutputError(TractductError):
    """A result could not be written; the message says where and why."""
