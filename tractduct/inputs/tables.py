"""Where a plan's tables lie, and their CSV files and workbook sheets to rows of text, each with its place."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from tractduct.errors import Fault, Origin, printable
from tractduct.files import PLAN_FILE, TableFault, check_file, is_inside, not_readable
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_CELLS, MAX_COLUMNS, MAX_LINES, MAX_ROWS
from tractduct.inputs.schema import header_key
from tractduct.inputs.workbook import Lines, sheet_names, sheet_rows
from tractduct.units import IP, UnitSystem

WORKBOOKS = (".xlsx", ".xlsm")
_SEMICOLONS = "its cells are separated by semicolons"
_TOO_MUCH = "Remove what is not part of the plan"


Place = tuple[Path, str | None, str]  # path, sheet and label


def place_of(files: Sequence[Path], names: Sequence[str], log: FaultLog) -> Place | None:
    """A table by its name; None where nothing of that name is there.

    The first place counts, and a note names the others.
    """
    keys = [header_key(name) for name in names]
    places: list[Place] = []
    for key in keys:
        found = [p for p in files if p.suffix.casefold() == ".csv" and header_key(p.stem) == key]
        places += [(path, None, printable(path.name)) for path in found]
    for path in [p for p in files if p.suffix.casefold() in WORKBOOKS]:
        try:
            sheets = sheet_names(path)
        except TableFault:
            if places:  # a broken workbook is no hindrance where no table is sought in it
                continue
            raise
        places += [(path, s, label_of(printable(path.name), printable(s))) for s in sheets if header_key(s) in keys]
    if not places:
        return None
    path, _, label = places[0]
    if not is_inside(path, path.parent):
        problem = "it is a link to a file outside the plan folder"
        raise TableFault(label, problem, "Put the file itself into the plan folder")
    if len(places) > 1:
        message = "this table is read, and not " + ", ".join(other for _, _, other in places[1:])
        log.caution("reading", label, message, f"Keep one of them, or name it in [tables] of {PLAN_FILE}")
    return places[0]


def files_beside(folder: Path) -> list[Path]:
    """The files beside plan.toml, without what programs leave for themselves."""
    return [p for p in sorted(folder.glob("*")) if not p.name.startswith(("~", "."))]


def label_of(file: str, sheet: str | None) -> str:
    return f"{file} sheet '{sheet}'" if sheet else file


@dataclass(frozen=True, slots=True)
class Row:
    """One row of text cells by header key; ``number`` counts as the file does, 1 for the header.

    ``written`` holds what stands in the file for cells that are read as something else; ``dates`` are the header
    keys of cells in which the workbook holds a date. A row that was derived has the ``origins`` of its cells by header
    key, and by "" that of cells without one of their own.
    """

    number: int
    cells: dict[str, str]
    written: dict[str, str] = field(default_factory=dict)
    dates: frozenset[str] = frozenset()
    origins: Mapping[str, Origin] = field(default_factory=dict)

    def text(self, column: str) -> str:
        """The cell's text without outer spaces; empty where the table has no such column."""
        return self.cells.get(header_key(column), "").strip()

    def origin(self, table: RawTable, column: str) -> Origin:
        """Where a cell stands: in its table, or where it was derived from."""
        derived = self.origins.get(header_key(column)) or self.origins.get("")
        as_written = self.written.get(header_key(column), self.text(column)).strip()
        return derived or Origin(table.label, self.number, table.spelling(column), as_written)


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as read. ``label`` is what the user calls it; ``headers`` maps header keys to spellings.

    ``notes`` say what was made of the file as a whole, such as its encoding. ``header_row`` is where its header
    stands. Its numbers stand in ``units``; header keys are the core's, whatever they are in the file.
    """

    name: str
    label: str
    headers: dict[str, str]
    rows: tuple[Row, ...]
    faults: tuple[Fault, ...] = ()
    notes: tuple[str, ...] = ()
    header_row: int = 1
    units: UnitSystem = IP

    @property
    def has_decimal_commas(self) -> bool:
        """Whether 1,200 may be one and a fifth: semicolons separate cells where the comma is the decimal mark."""
        return _SEMICOLONS in self.notes

    def has(self, column: str) -> bool:
        return header_key(column) in self.headers

    def texts(self, column: str) -> list[str]:
        """What a column's cells hold, but for the empty ones."""
        return [text for row in self.rows if (text := row.text(column))]

    def spelling(self, column: str) -> str:
        """The column's header as the user wrote it."""
        return self.headers.get(header_key(column), column)


def read_table(
    name: str, path: Path, sheet: str | None, label: str, *, any_sheet: bool = False, helpers: Collection[str] = ()
) -> RawTable:
    """Read one table. Raises TableFault where the file, the sheet or the header can't be read.

    ``any_sheet`` takes the first sheet of a workbook that has none of the table's name. ``helpers`` are header keys of
    columns in which a formula needs no stored result, as nothing reads it.
    """
    notes: list[str] = []
    if path.suffix.casefold() in WORKBOOKS:
        if any_sheet:
            names = sheet_names(path)
            sheet = next((s for s in names if header_key(s) == header_key(name)), names[0])
        return _from_cells(name, label, sheet_rows(path, sheet or name, label, notes, helpers), notes)
    if path.suffix.casefold() == ".csv":
        return _from_cells(name, label, _csv_rows(path, label, notes), notes, lines_are_text=True)
    raise TableFault(label, "tables are read from .csv or .xlsx files", "Save the table as one of them")


def _from_cells(name: str, label: str, lines: Lines, notes: list[str], *, lines_are_text: bool = False) -> RawTable:
    header: Sequence[str] = ()
    header_row = 1
    headers: dict[str, str] = {}
    rows: list[Row] = []
    faults: list[Fault] = []
    short: list[int] = []

    def fault(row: int, problem: str, remedy: str, column: str | None = None, value: str | None = None) -> None:
        faults.append(Fault(file=label, row=row, problem=problem, remedy=remedy, column=column, value=value))

    for number, cells, dates in lines:
        if number > MAX_LINES:
            raise TableFault(label, f"it goes on beyond line {MAX_LINES:,}", f"{_TOO_MUCH}, and the empty lines")
        if not any(cell.strip() for cell in cells):
            continue
        if not header:
            header_row = number
            header = cells[: 1 + max(n for n, cell in enumerate(cells) if cell.strip())]
            if len(header) > MAX_COLUMNS:
                raise TableFault(label, f"there are more than {MAX_COLUMNS} columns", _TOO_MUCH, row=number)
            keys = [header_key(text) for text in header]
            for key, text in zip(keys, header, strict=True):
                shown = printable(" ".join(text.split()))
                if key and key in headers:
                    fault(number, "this column is duplicated", "Keep one of the two", column=shown)
                elif key:
                    headers[key] = shown
            continue
        extra = [c for c in cells[len(header) :] if c.strip()]
        if extra:
            remedy = "Remove it, or put text with commas in quotes"
            fault(number, "there are more cells than headers", remedy, value=extra[0])
        keyed = {key: cell for key, cell in zip(keys, cells, strict=False) if key}
        unnamed = [cell for key, cell in zip(keys, cells, strict=False) if not key and cell.strip()]
        if unnamed:
            fault(number, "this cell has no header", "Give its column a header or remove it", value=unnamed[0])
        rows.append(Row(number, keyed, dates=frozenset(keys[n] for n in dates if n < len(keys))))
        if len(cells) < len(header):
            short.append(number)
        if len(rows) > MAX_ROWS or len(rows) * len(headers) > MAX_CELLS:
            most = f"{MAX_ROWS:,} rows" if len(rows) > MAX_ROWS else f"{MAX_CELLS:,} cells"
            raise TableFault(label, f"there are more than {most}", _TOO_MUCH)
    if not header:
        raise TableFault(label, "the table is empty", "Fill it in: a header row, then the rows")
    if short and lines_are_text:
        more = f" and {len(short) - 1} more rows" if len(short) > 1 else ""
        notes.append(f"row {short[0]}{more} with fewer cells than the header: the last ones count as empty")
    return RawTable(name, label, headers, tuple(rows), tuple(faults), tuple(notes), header_row)


def _csv_rows(path: Path, label: str, notes: list[str]) -> Lines:
    check_file(path, label)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise not_readable(label, error) from None
    text = _decoded(data, label, notes)
    delimiter = _delimiter(text)
    if delimiter != ",":
        notes.append(_SEMICOLONS if delimiter == ";" else "its cells are separated by tabs")
    # Not str.splitlines, which would end a row at rare characters that are part of a cell.
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 0
    try:
        for cells in reader:
            # A quoted cell may span lines: the row is where it starts.
            yield line + 1, cells, ()
            line = reader.line_num
    except csv.Error as error:
        remedy = 'Look for a cell with a " too many, or save the table again as CSV'
        raise TableFault(label, f"this is not a readable CSV row ({error})", remedy, row=line + 1) from None


def csv_lines(path: Path, label: str) -> list[list[str]]:
    """All lines of a CSV file, empty ones too, as they stand. Raises TableFault where it can't be read."""
    lines: list[list[str]] = []
    for number, cells, _ in _csv_rows(path, label, []):
        lines += [[]] * (number - 1 - len(lines))
        lines.append(list(cells))
    return lines


def _decoded(data: bytes, label: str, notes: list[str]) -> str:
    """Text out of the encodings that spreadsheet programs write."""
    windows = "it is not UTF-8 text and is read as Windows text, code page 1252"
    tried = [("utf-8-sig", ""), ("cp1252", windows)]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        tried = [("utf-16", "it is UTF-16 text")]
    for encoding, said in tried:
        with suppress(UnicodeDecodeError):
            text = data.decode(encoding)
            notes += [said] if said else []
            return text
    raise TableFault(label, "it is not readable as text", "Save the table again as CSV, in UTF-8")


def _delimiter(text: str) -> str:
    """The comma, unless the header has none and has semicolons or tabs."""
    header = next((line for line in text[:100_000].splitlines() if line.strip(" ,;\t")), "")
    if "," in header:
        return ","
    return ";" if ";" in header else "\t" if "\t" in header else ","
