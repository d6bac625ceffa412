"""What can go wrong, and how it is worded for the person who must mend it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypedDict

_SHOWN = 80  # characters of a value that a message shows


def printable(text: str) -> str:
    """Text on one line, with an escape such as ``\\x1b`` for each character that a terminal would act on."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def printable_lines(text: object) -> str:
    """The same of each line of a text."""
    return "\n".join(printable(line) for line in str(text).split("\n"))


def shortened(text: str, most: int = _SHOWN) -> str:
    """The beginning of a long text, and how long it is."""
    return text if len(text) <= most else f"{text[: most - 20]} ... ({len(text):,} characters)"


def ended(sentence: str) -> str:
    """A sentence with its full stop, or with the question mark that it has."""
    return sentence if sentence.endswith("?") else sentence + "."


class TractductError(Exception):
    """Anything this program raises on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong with the input, and where.

    ``file`` is what the user calls it (``sections.csv``, ``house.xlsx sheet 'sections'``); ``row`` counts as
    the spreadsheet or text editor does, 1 for the header; ``column`` is a key of the plan where ``is_key``.
    ``problem`` says what is wrong and what is allowed, ``remedy`` what to do about it.
    """

    file: str
    problem: str
    remedy: str
    row: int | None = None
    column: str | None = None
    value: str | None = None
    is_key: bool = False

    def __str__(self) -> str:
        place = printable(self.file)
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", {'key' if self.is_key else 'column'} '{printable(shortened(self.column))}'"
        got = "" if self.value is None else f"got {shortened(self.value)!r}: "
        return f"{place}: {got}{printable(self.problem)}. {ended(printable(self.remedy))}"


class Place(TypedDict, total=False):
    """Where in a file a fault is, as in ``Fault``."""

    row: int | None
    column: str | None
    value: str | None
    is_key: bool


@dataclass(frozen=True, slots=True)
class Origin:
    """The cell that a value comes from: what the user calls its table, its row, its column, and what stands there."""

    label: str
    row: int | None
    column: str
    value: str

    def fault(self, problem: str, remedy: str, value: str | None = None) -> Fault:
        """A fault of it; ``value`` where that is not what stands there."""
        shown = self.value or None if value is None else value
        return Fault(file=self.label, row=self.row, column=self.column, value=shown, problem=problem, remedy=remedy)


class InputFaults(TractductError, ValueError):
    """The input has faults; ``faults`` holds all that were found, in the order of reading."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class SolverError(TractductError):
    """The solver's answer could not be confirmed; no size set is reported."""


class OutOfTime(TractductError):
    """Time ran out before any size set was found, and it is not proven that none holds; nothing is reported."""


class OutputError(TractductError):
    """A result could not be written; the message says where and why."""
