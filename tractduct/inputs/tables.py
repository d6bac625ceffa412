"""CSV files and workbook sheets to rows of text, each with its place."""

from __future__ import annotations

import csv
import datetime
import re
import warnings
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import openpyxl

from tractduct.errors import Fault

MAX_ROWS = 200_000


class TableFault(Exception):
    """A table can't be read at all; carries the fault."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(str(fault))
        self.fault = fault


def header_key(text: str) -> str:
    """What two spellings of one header have in common: case, spaces and underscores do not matter."""
    return re.sub(r"[\s_]+", "", text).casefold()


@dataclass(frozen=True, slots=True)
class Row:
    """One row of text cells by header key; ``number`` counts as the file does, 1 for the header."""

    number: int
    cells: dict[str, str]

    def text(self, column: str) -> str:
        """The cell's text without outer spaces; empty where the table has no such column."""
        return self.cells.get(header_key(column), "").strip()


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as read. ``label`` is what the user calls it; ``headers`` maps header keys to spellings."""

    name: str
    label: str
    headers: dict[str, str]
    rows: tuple[Row, ...]
    faults: tuple[Fault, ...] = ()

    def has(self, column: str) -> bool:
        return header_key(column) in self.headers

    def spelling(self, column: str) -> str:
        """The column's header as the user wrote it."""
        return self.headers.get(header_key(column), column)


def read_table(name: str, path: Path, sheet: str | None, label: str, *, any_sheet: bool = False) -> RawTable:
    """Read one table. Raises TableFault where the file, the sheet or the header can't be read.

    ``any_sheet`` takes the first sheet of a workbook that has none of the table's name.
    """
    if any_sheet and path.suffix.casefold() in (".xlsx", ".xlsm"):
        names = sheet_names(path)
        sheet = next((s for s in names if header_key(s) == header_key(name)), names[0])
    if path.suffix.casefold() in (".xlsx", ".xlsm"):
        return _from_cells(name, label, _sheet_rows(path, sheet or name, label))
    if path.suffix.casefold() == ".csv":
        return _from_cells(name, label, _csv_rows(path, label))
    raise TableFault(
        Fault(
            file=label,
            problem="tables are read from .csv or .xlsx files",
            remedy="Save the table as one of them",
        )
    )


def sheet_names(path: Path) -> list[str]:
    """The sheets of a workbook. Raises TableFault where it can't be opened."""
    book = _open_workbook(path, path.name, data_only=True)
    names = list(book.sheetnames)
    book.close()
    return names


def _from_cells(name: str, label: str, lines: Iterator[tuple[int, Sequence[str]]]) -> RawTable:
    header: Sequence[str] | None = None
    headers: dict[str, str] = {}
    rows: list[Row] = []
    faults: list[Fault] = []
    for number, cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        if header is None:
            header = cells
            for text in cells:
                key = header_key(text)
                if key and key in headers:
                    faults.append(
                        Fault(
                            file=label,
                            row=number,
                            column=text.strip(),
                            problem="this column stands twice",
                            remedy="Keep one of the two",
                        )
                    )
                elif key:
                    headers[key] = " ".join(text.split())
            continue
        extra = [c for c in cells[len(header) :] if c.strip()]
        if extra:
            faults.append(
                Fault(
                    file=label,
                    row=number,
                    value=extra[0],
                    problem="there are more cells than headers",
                    remedy="Remove it, or put text with commas in quotes",
                )
            )
        keyed = {header_key(h): c for h, c in zip(header, cells, strict=False) if header_key(h)}
        unnamed = [c for h, c in zip(header, cells, strict=False) if not header_key(h) and c.strip()]
        if unnamed:
            faults.append(
                Fault(
                    file=label,
                    row=number,
                    value=unnamed[0],
                    problem="this cell has no header",
                    remedy="Give its column a header or remove it",
                )
            )
        rows.append(Row(number, keyed))
        if len(rows) > MAX_ROWS:
            raise TableFault(
                Fault(
                    file=label,
                    problem=f"there are more than {MAX_ROWS:,} rows",
                    remedy="Remove what is not part of the plan",
                )
            )
    if header is None:
        raise TableFault(
            Fault(file=label, problem="the table is empty", remedy="Fill it in: a header row, then the rows")
        )
    return RawTable(name, label, headers, tuple(rows), tuple(faults))


def _csv_rows(path: Path, label: str) -> Iterator[tuple[int, list[str]]]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise TableFault(_not_readable(label, error)) from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")  # what spreadsheet programs write on Windows
    reader = csv.reader(text.splitlines(keepends=True))
    line = 0
    try:
        for cells in reader:
            # A quoted cell may span lines: the row is where it starts.
            yield line + 1, cells
            line = reader.line_num
    except csv.Error as error:
        raise TableFault(
            Fault(
                file=label,
                row=line + 1,
                problem=f"this is not a readable CSV row ({error})",
                remedy="Save the table again as CSV",
            )
        ) from None


def _open_workbook(path: Path, label: str, *, data_only: bool) -> Any:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles and drop-down lists that openpyxl leaves out on reading
            return openpyxl.load_workbook(path, data_only=data_only, read_only=True)
    except OSError as error:
        raise TableFault(_not_readable(label, error)) from None
    except (zipfile.BadZipFile, KeyError, ValueError, TypeError, AttributeError, SyntaxError) as error:
        raise TableFault(
            Fault(
                file=label,
                problem=f"this is not a readable .xlsx workbook ({error})",
                remedy="Open it in a spreadsheet program and save it as .xlsx",
            )
        ) from None


def _sheet_rows(path: Path, sheet: str, label: str) -> Iterator[tuple[int, list[str]]]:
    values_book = _open_workbook(path, label, data_only=True)
    formula_book = _open_workbook(path, label, data_only=False)
    try:
        matches = [s for s in values_book.sheetnames if header_key(s) == header_key(sheet)]
        if not matches:
            raise TableFault(
                Fault(
                    file=label,
                    problem=f"the workbook has no sheet '{sheet}'; it has "
                    + ", ".join(f"'{s}'" for s in values_book.sheetnames),
                    remedy="Name the sheet like the table, or correct [tables] in plan.toml",
                )
            )
        pairs = zip(
            values_book[matches[0]].iter_rows(values_only=True),
            formula_book[matches[0]].iter_rows(values_only=True),
            strict=False,
        )
        for number, (values, formulas) in enumerate(pairs, start=1):
            for value, formula in zip(values, formulas, strict=False):
                if value is None and isinstance(formula, str) and formula.startswith("="):
                    raise TableFault(
                        Fault(
                            file=label,
                            row=number,
                            value=formula,
                            problem="the formula has no stored result",
                            remedy="Open the workbook in a spreadsheet program and save it, or enter the value",
                        )
                    )
            yield number, [_cell_text(value) for value in values]
    finally:
        values_book.close()
        formula_book.close()


def _cell_text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, datetime.datetime | datetime.date | datetime.time):
        return value.isoformat()
    return str(value)


def _not_readable(label: str, error: OSError) -> Fault:
    if isinstance(error, FileNotFoundError):
        return Fault(
            file=label,
            problem="there is no such file",
            remedy="Put it there, or correct its name in plan.toml",
        )
    return Fault(
        file=label,
        problem=f"it can't be read ({error.strerror or error})",
        remedy="Close it in other programs and check who may read it",
    )
