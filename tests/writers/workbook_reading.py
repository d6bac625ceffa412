"""Reading a written workbook: tables by their headers, formulas worked out, blocks of the pencil check."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from openpyxl.workbook import Workbook
from openpyxl.worksheet.worksheet import Worksheet

SUMS = ("May lose", "Length with fittings")


def table_rows(sheet: Worksheet, first_header: str) -> list[dict[str, Any]]:
    """The rows of the table whose first column has that header, by header."""
    for listing in sheet.tables.values():
        cells = [[cell.value for cell in row] for row in sheet[listing.ref]]
        if cells[0][0] == first_header:
            return [dict(zip(cells[0], row, strict=True)) for row in cells[1:]]
    raise AssertionError(f"no table with {first_header} in {sheet.title}")


def all_cells(book: Workbook) -> Iterator[Any]:
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            yield from row


def words_of(sheet: Worksheet) -> str:
    return "\n".join(str(cell.value) for row in sheet.iter_rows() for cell in row if cell.value is not None)


def size(value: Any) -> str:
    return "" if value is None else str(value)


class Sums:
    """Works out the few kinds of formula that the workbook has: cells, + - * /, SUM, MAX, IF, ABS."""

    _ref = re.compile(r"(?:(\w+)!)?\$?([A-Z]{1,2})\$?(\d+)(?::\$?([A-Z]{1,2})\$?(\d+))?")

    def __init__(self, book: Workbook, changed: dict[tuple[str, str], float] | None = None) -> None:
        self.book = book
        self.changed = changed or {}
        self.known: dict[tuple[str, str], Any] = {}

    def value(self, sheet: str, cell: str) -> Any:
        key = sheet, cell
        if key in self.changed:
            return self.changed[key]
        if key not in self.known:
            found = self.book[sheet][cell]
            self.known[key] = self._work_out(sheet, found.value[1:]) if found.data_type == "f" else found.value
        return self.known[key]

    def _work_out(self, sheet: str, formula: str) -> Any:
        texts: list[str] = []

        def text(match: re.Match[str]) -> str:
            texts.append(match[1])
            return f"texts[{len(texts) - 1}]"

        def reference(match: re.Match[str]) -> str:
            at, column, row, last_column, last_row = match.groups()
            if last_column:
                return f"area({at or sheet!r}, {column + row!r}, {last_column + last_row!r})"
            return f"value({at or sheet!r}, {column + row!r})"

        code = re.sub(r'"([^"]*)"', text, formula)
        code = self._ref.sub(reference, code)
        names = {
            "value": self.value,
            "area": self._area,
            "texts": texts,
            "SUM": lambda *x: sum(v for v in flat(x) if isinstance(v, (int, float))),
            "MAX": lambda *x: max(v for v in flat(x) if isinstance(v, (int, float))),
            "ABS": abs,
            "IF": lambda test, yes, no: yes if test else no,
        }
        return eval(code, {"__builtins__": {}}, names)

    def _area(self, sheet: str, first: str, last: str) -> list[Any]:
        return [self.value(sheet, c.coordinate) for row in self.book[sheet][f"{first}:{last}"] for c in row]


def flat(values: Any) -> Iterator[Any]:
    for value in values:
        if isinstance(value, list):
            yield from flat(value)
        else:
            yield value


def blocks(sheet: Worksheet) -> dict[str, dict[str, int]]:
    """Run -> row of its title and of each labelled sum in its block of the pencil check."""
    found: dict[str, dict[str, int]] = {}
    run = ""
    for row in range(1, sheet.max_row + 1):
        first = sheet.cell(row, 1).value
        if not isinstance(first, str):
            continue
        if title := re.fullmatch(r"(.*?) to .*, (?:supply|return)", first):
            run = title[1]
            found[run] = {"start": row}
        elif run and first.split(",")[0] in SUMS:
            found[run][first.split(",")[0]] = row
    return found
