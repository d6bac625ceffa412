"""Workbook sheets to rows of text, without trusting what the file says of itself."""

from __future__ import annotations

import copy
import datetime
import io
import re
import warnings
import zipfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any

from defusedxml.common import DefusedXmlException
from openpyxl.reader.excel import ExcelReader
from openpyxl.styles.numbers import BUILTIN_FORMATS, BUILTIN_FORMATS_MAX_SIZE
from openpyxl.styles.stylesheet import apply_stylesheet
from openpyxl.utils import get_column_letter, range_boundaries
from openpyxl.worksheet._reader import FORMULA_TAG, WorkSheetParser

from tractduct.errors import printable
from tractduct.files import TableFault, check_file, not_readable
from tractduct.inputs import limits
from tractduct.inputs.number_formats import as_shown
from tractduct.inputs.schema import header_key

_CHUNK = 1_000_000  # bytes of a part that are unpacked at a time
_SHEET_TAG = re.compile(rb"<(?:[\w.-]+:)?sheet\b")
_ROW_TAG = re.compile(rb"<(?:[\w.-]+:)?row\b")
_HIDDEN = re.compile(rb"\bhidden\s*=\s*[\"'](?:1|true)[\"']")
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^<>]*?\bref\s*=\s*[\"']([A-Z]+[0-9]+:[A-Z]+[0-9]+)[\"']")
_ENDS = (b"min", b"max")  # of the columns that one tag is about
_UNMERGE = "Unmerge the cells, and enter each cell's value"
_OLE = b"\xd0\xcf\x11\xe0"  # how .xls files begin, and .xlsx files with a password

# Line number, the cells' texts, and the places of dates.
Lines = Iterator[tuple[int, Sequence[str], Collection[int]]]


def sheet_names(path: Path) -> list[str]:
    """The sheets of a workbook. Raises TableFault where it can't be opened."""
    check_file(path, path.name)
    stat = path.stat()
    return list(_sheet_names(path, stat.st_mtime_ns, stat.st_size))


@lru_cache(maxsize=64)
def _sheet_names(path: Path, changed: int, size: int) -> tuple[str, ...]:
    """``changed`` and ``size`` make a file that was written again another one."""
    return tuple(_open_workbook(path, path.name).sheets)


class _Parser(WorkSheetParser):
    """Cells with what they show; ``formula`` beside it where one has no result."""

    def parse_cell(self, element: Any) -> dict[str, Any]:
        cell: dict[str, Any] = super().parse_cell(element)
        # A formula may leave its cell empty, such as =IF(B2="","",B2): its result is a text of no letters.
        if cell["value"] is None and cell["data_type"] != "str":
            formula = element.find(FORMULA_TAG)
            if formula is not None:
                cell["formula"] = "=" + (formula.text or "")
        return cell


class _Workbook:
    """What all sheets of a workbook share, read by openpyxl, which by itself would look into each sheet too.

    ``sheets`` holds each sheet's name with its part, and whether it is visible.
    """

    def __init__(self, data: bytes) -> None:
        self.reader: Any = ExcelReader(io.BytesIO(data), read_only=True, keep_links=False)
        self.reader.read_manifest()
        self.reader.read_strings()
        self.reader.read_workbook()
        apply_stylesheet(self.reader.archive, self.reader.wb)
        self.sheets: dict[str, tuple[str, bool]] = {}
        for sheet, part in self.reader.parser.find_sheets():
            if part.target in self.reader.valid_files and "chartsheet" not in part.Type:
                self.sheets.setdefault(sheet.name, (part.target, sheet.state == "visible"))

    def rows(self, part: str) -> Iterator[tuple[int, list[dict[str, Any]]]]:
        """Number and cells of each row that stands in the file, whatever it says of its size."""
        book = self.reader.wb
        with self.reader.archive.open(part) as source:
            parser: Any = _Parser(
                source,
                self.reader.shared_strings,
                data_only=True,
                epoch=book.epoch,
                date_formats=book._date_formats,
                timedelta_formats=book._timedelta_formats,
            )
            rows = parser.parse()
            while True:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")  # a date that is none is an error cell then, and read as such
                    row = next(rows, None)
                if row is None:
                    return
                yield row

    def text(self, cell: dict[str, Any]) -> str:
        number = self.reader.wb._cell_styles[cell["style_id"]].numFmtId
        own = number - BUILTIN_FORMATS_MAX_SIZE
        shown = self.reader.wb._number_formats[own] if own >= 0 else BUILTIN_FORMATS.get(number, "General")
        return _cell_text(cell["value"], shown)


@contextmanager
def _refused(path: Path, label: str) -> Iterator[None]:
    """What reading a file raises, as TableFault: a damaged one makes openpyxl raise whatever its parsing meets."""
    try:
        yield
    except TableFault:
        raise
    except OSError as error:
        raise not_readable(label, error) from None
    except Exception as error:
        raise _no_workbook(path, label, error) from None


def _open_workbook(path: Path, label: str) -> _Workbook:
    check_file(path, label)
    with _refused(path, label):
        stat = path.stat()
        problem = _problem_unpacked(path, stat.st_mtime_ns, stat.st_size)
        if problem:
            remedy = "Copy the tables into a new workbook, without pictures and empty formatted rows"
            raise TableFault(label, problem, remedy)
        return _workbook(path, stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=1)  # most plans have all their tables in one
def _workbook(path: Path, changed: int, size: int) -> _Workbook:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # styles and drop-down lists that openpyxl leaves out on reading
        # From memory: a file that openpyxl can't read it leaves open.
        return _Workbook(path.read_bytes())


@lru_cache(maxsize=64)
def _problem_unpacked(path: Path, changed: int, size: int) -> str:
    """Why a zip file is more than a workbook of tables, or is none; empty where it may be opened.

    ``changed`` and ``size`` make a file that was written again another one.
    """
    # Every entry of the directory begins like this. zipfile would make an object of each before it can be asked.
    if path.read_bytes().count(b"PK\x01\x02") > limits.MAX_PARTS:
        return f"it holds more than {limits.MAX_PARTS:,} parts, more than a workbook of tables does"
    with zipfile.ZipFile(path) as packed:
        parts = packed.infolist()
        total = sum(part.file_size for part in parts)
        bomb = any(
            part.file_size > limits.RATIO_FROM_BYTES and part.file_size > limits.MAX_UNPACKED_RATIO * part.compress_size
            for part in parts
        )
        if total > limits.MAX_UNPACKED_BYTES or bomb:
            return f"it would unpack to {total / 1e6:,.0f} MB, more than a workbook of tables does"
        return next((problem for part in parts if (problem := _problem_of_part(packed, part))), "")


def _problem_of_part(packed: zipfile.ZipFile, part: zipfile.ZipInfo) -> str:
    name = printable(part.filename)[:80]
    # Other methods can't be unpacked piece by piece, and no workbook uses them.
    if part.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return f"its part '{name}' is packed in a way that workbooks are not"
    probe = copy.copy(part)
    probe.file_size += 1  # reading stops at the size given: one more byte tells a lie from the truth
    unpacked = tags = in_row = sheets = 0
    with packed.open(probe) as stream:
        while chunk := stream.read(_CHUNK):
            unpacked += len(chunk)
            sheets += len(_SHEET_TAG.findall(chunk))
            if sheets > limits.MAX_SHEETS:
                return f"it has more than {limits.MAX_SHEETS} sheets"
            for n, piece in enumerate(_ROW_TAG.split(chunk)):
                in_row = (0 if n else in_row) + piece.count(b"<")
                tags += piece.count(b"<")
                if in_row > limits.MAX_TAGS or tags > limits.MAX_SHEET_TAGS:
                    return f"its part '{name}' holds more than a workbook of tables does"
    if unpacked != part.file_size:
        return f"its part '{name}' is not as large as the file says"
    return ""


def _no_workbook(path: Path, label: str, error: Exception) -> TableFault:
    try:
        with path.open("rb") as file:
            old = file.read(4) == _OLE
    except OSError:
        old = False
    why = printable(" ".join(str(error).split())[:120]) or type(error).__name__
    causes: list[BaseException | None] = [error]
    while causes[-1] is not None:  # openpyxl wraps some in errors of its own
        causes.append(causes[-1].__cause__ or causes[-1].__context__)
    if any(isinstance(cause, DefusedXmlException) for cause in causes):
        why = "it defines entities or refers to other files, which no spreadsheet program writes"
    why = "an .xls file, or one with a password" if old else why.rstrip(".")
    remedy = "Open it in a spreadsheet program and save it as .xlsx, without a password"
    return TableFault(label, f"this is not a readable .xlsx workbook ({why})", remedy)


def sheet_rows(path: Path, sheet: str, label: str, notes: list[str], helpers: Collection[str] = ()) -> Lines:
    """The lines of a sheet. Under the header keys ``helpers`` a formula without a stored result counts as empty."""
    book, part, visible = _open_sheet(path, sheet, label)
    if not visible:
        notes.append("the sheet is hidden, and is read")
    header: list[str] = []
    held: dict[tuple[int, int], str] = {}  # texts of merged cells by column and first row
    with _refused(path, label):
        source = book.reader.archive.read(part)  # a parser that goes row by row tells of merged cells last
        merged = _merged_below(source, label, notes)
        for number, cells in book.rows(part):
            # By place, as many as stand there: an empty cell far out to the right costs nothing.
            texts = {cell["column"] - 1: book.text(cell) for cell in cells if cell["value"] is not None}
            for column, first, _ in [spot for spot in merged if spot[1] <= number <= spot[2]]:
                if number == first:
                    held[column, first] = texts.get(column, "")
                texts[column] = held.get((column, first), "")
            if not header and any(texts.values()):
                header = [texts.get(n, "") for n in range(max(texts) + 1)]
                _tell_hidden(source, header, notes)
            for cell in [cell for cell in cells if "formula" in cell]:
                title = "".join(header[cell["column"] - 1 :][:1])
                if header_key(title) not in helpers:
                    title = title or get_column_letter(cell["column"])
                    raise _no_result(label, number, cell, ", or enter the value", column=title)
            beyond = [text for place, text in texts.items() if place >= len(header) and text.strip()]
            yield (
                number,
                [texts.get(n, "") for n in range(len(header))] + beyond[:1],
                [cell["column"] - 1 for cell in cells if isinstance(cell["value"], datetime.date)],
            )


def _no_result(label: str, row: int, cell: dict[str, Any], or_else: str = "", column: str | None = None) -> TableFault:
    remedy = f"Open the workbook in a spreadsheet program and save it{or_else}"
    return TableFault(label, "the formula has no stored result", remedy, row=row, column=column, value=cell["formula"])


def sheet_grid(path: Path, sheet: str, label: str) -> list[list[str]]:
    """All cells of a sheet as they are shown, merged ones filled. Raises TableFault where it can't be read."""
    book, part, _ = _open_sheet(path, sheet, label)
    lines: list[list[str]] = []
    with _refused(path, label):
        source = book.reader.archive.read(part)
        for number, cells in book.rows(part):
            if number > limits.MAX_GRID or any(
                cell["column"] > limits.MAX_COLUMNS for cell in cells if cell["value"] is not None
            ):
                problem = f"it goes on beyond row {limits.MAX_GRID:,} or column {limits.MAX_COLUMNS}"
                raise TableFault(label, problem, "Give the table alone")
            lines += [[] for _ in range(number - len(lines))]
            for cell in cells:
                if "formula" in cell:
                    raise _no_result(label, number, cell)
                if cell["value"] is not None:
                    line = lines[number - 1]
                    line += [""] * (cell["column"] - len(line))
                    line[cell["column"] - 1] = book.text(cell)
        for _, left, first, right, last in islice(_merged(source), limits.MAX_COLUMNS):
            if first > len(lines) or len(lines[first - 1]) < left:
                continue
            text, right = lines[first - 1][left - 1], min(right, limits.MAX_COLUMNS)
            for line in lines[first - 1 : last]:
                line += [""] * (right - len(line))
                line[left - 1 : right] = [text] * (right - left + 1)
    return lines


def _open_sheet(path: Path, sheet: str, label: str) -> tuple[_Workbook, str, bool]:
    """The workbook, the part of the sheet of that name, whatever its case, and whether it is visible."""
    book = _open_workbook(path, label)
    matches = [sheet] if sheet in book.sheets else [s for s in book.sheets if header_key(s) == header_key(sheet)]
    if not matches:
        names = ", ".join(f"'{printable(s)}'" for s in list(book.sheets)[:20])
        problem = f"the workbook has no sheet '{printable(sheet)}'; it has {names}"
        raise TableFault(label, problem, "Name the sheet like the table, or correct [tables] in plan.toml")
    if len(matches) > 1:
        names = ", ".join(f"'{s}'" for s in matches)
        raise TableFault(label, f"several sheets go by this name: {names}", "Rename or remove all but one")
    return book, *book.sheets[matches[0]]


def _merged(source: bytes) -> Iterator[tuple[str, int, int, int, int]]:
    """Merged cells as they are written; their first column, first row, last column and last row."""
    for match in _MERGED.finditer(source):
        bounds: Any = range_boundaries(match[1].decode())
        yield match[1].decode(), *bounds


def _tell_hidden(source: bytes, header: Sequence[str], notes: list[str]) -> None:
    """Note which rows of a sheet, and which of its columns that have a header, are hidden."""
    rows = sum(1 for tag in re.finditer(rb"<(?:\w+:)?row\s[^<>]*", source) if _HIDDEN.search(tag[0]))
    if rows:
        notes.append(f"{rows:,} of its rows {'is' if rows == 1 else 'are'} hidden, and read like the others")
    tags = (tag[0] for tag in re.finditer(rb"<(?:\w+:)?col\s[^<>]*", source) if _HIDDEN.search(tag[0]))
    places: set[int] = set()
    for tag in islice(tags, limits.MAX_COLUMNS):
        first, last = (int(n[1]) if (n := re.search(rb"\b%b\s*=\s*[\"']([0-9]{1,9})" % b, tag)) else 0 for b in _ENDS)
        places.update(range(first - 1, min(last, len(header))))
    names = [printable(" ".join(text.split())) for n, text in enumerate(header) if n in places and text.strip()]
    if names:
        are = "is" if len(names) == 1 else "are"
        notes.append(f"{len(names):,} of its columns {are} hidden, and read like the others: " + ", ".join(names[:12]))


def _merged_below(source: bytes, label: str, notes: list[str]) -> list[tuple[int, int, int]]:
    """Merged cells: down one column they all mean the first one's value; across columns is a fault.

    Column, from 0, first and last row of each.
    """
    found = []
    for place, left, first, right, last in _merged(source):
        if left != right:
            raise TableFault(label, f"the cells {place} are merged across columns", _UNMERGE, row=first)
        found.append((left - 1, first, last))
        if len(found) > limits.MAX_COLUMNS:
            raise TableFault(label, "there are too many merged cells", _UNMERGE)
    if found:
        rows = "; ".join(f"{first} to {last}" for _, first, last in found[:3]) + ("; ..." if len(found) > 3 else "")
        notes.append(f"merged cells stand for the same value in each of their rows ({rows})")
    return found


def _cell_text(value: object, number_format: str) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        whole = isinstance(value, float) and value.is_integer() and abs(value) < 1e15
        text = str(int(value) if whole else value)
        return text if number_format == "General" else as_shown(value, text, number_format)
    if isinstance(value, datetime.datetime) and value.time() == datetime.time():
        return value.date().isoformat()
    if isinstance(value, datetime.datetime | datetime.date | datetime.time):
        return value.isoformat()
    return str(value)
