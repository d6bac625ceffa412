"""The form to type hood readings into: written once; then rows of new lots are added and nothing else is touched.

A workbook that somebody works in is never written anew from what we know of it: pictures, shapes or formulas of theirs
would be lost. Rows are put behind the last one of its sheet as it lies in the file; every other byte stays.
"""

from __future__ import annotations

import math
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from xml.sax.saxutils import escape

import openpyxl
from openpyxl.utils import get_column_letter

from tractduct.delivery.lots import LotAir
from tractduct.files import TableFault, check_file
from tractduct.model.plan import Plan
from tractduct.report import Report
from tractduct.writers.book.layout import Book
from tractduct.writers.book.looks import HEADER, INPUT, LABEL, SHORT, Look, Value, clean
from tractduct.writers.book.saving import save
from tractduct.writers.lot_sheets import NO_MARK, main_season, mark_text
from tractduct.writers.tables import room_text
from tractduct.writers.words import counted

SHEET = "Readings"
_KNOWN = (("lot", ""), ("season", ""), ("run", ""), ("room", ""), ("expected_cfm", "cfm"), ("mark_deg", ""))
_BY_RUN = (("mark_set_deg", ""), ("measured_cfm", "cfm"), ("note", ""))
_BY_LOT = (
    ("date", ""), ("blower_speed", ""), ("external_static_inwc", "inWC"), ("supply_plenum_inwc", "inWC"),
    ("return_plenum_inwc", "inWC"), ("filter_drop_inwc", "inWC"), ("filter_state", ""), ("flex_label", ""),
    ("hood", ""),
)  # fmt: skip
_COLUMNS = (*_KNOWN, *_BY_RUN, *_BY_LOT)
_WIDTHS = {"lot": 7.5, "room": 22.0, "note": 20.0, "run": 8.0, "season": 9.0, "date": 10.0}
_WIDTH = 7.5  # of the others: their names stand upright, so that all of a lot fits across a page and can be read
_LETTER_POINTS = 6.0
_UPRIGHT = replace(HEADER, upright=True, wrap=False)
_NUMBER = Look(align="right")
_MOST_ROW = 1_048_576  # of a sheet
_HOW = (
    "Type into the yellow cells. Nothing of this file is ever overwritten: a later study adds rows for lots that are "
    "new, behind the last row. Columns and sheets of your own stay.",
    "Read before anyone adjusts a damper or mends a duct; readings after that say little about what is wrong.",
    "measured_*: what the hood reads at the register or grille, with its maker's corrections. Returns too: a blocked "
    "return shows nowhere else. mark_set_deg: where the damper stands, in degrees from wide open; mark_deg is the "
    "plan's.",
    "From date on: once for each lot and season, in its first row. Both seasons tell far more than one.",
    "Pressures: each against the room, as numbers above 0. external_static_*: supply and return plenum together; "
    "filter_drop_*: across the filter alone. blower_speed: the tap that it runs at. filter_state: new, in use, or due "
    "for change. flex_label: the product that is printed on the duct. hood: its model, or its error in per cent.",
    "expected_*: what the register gets with the marks set, as predicted when the row was written.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FormDone:
    """What became of the form: lots added, lots and readings that were there, and why it was left as it is, if it was.

    ``changed``: lots whose expected airflow is another than the form has.
    """

    added: tuple[str, ...]
    lots_kept: int = 0
    readings_kept: int = 0
    left: str = ""
    changed: tuple[str, ...] = ()

    def __str__(self) -> str:
        if self.left:
            return f"it stays as it is: {self.left}"
        said = f"rows of {counted(len(self.added), 'lot')} written" if self.added else "no lot is new"
        if self.lots_kept:
            readings = counted(self.readings_kept, "reading")
            said += f"; {counted(self.lots_kept, 'lot')} with {readings} left as they are"
        if self.changed:
            lots = counted(len(self.changed), "lot")
            said += f"; the airflow expected on {lots} is another now, the rows keep the earlier one"
        return said


Row = list[Value]


def write_readings(report: Report, path: Path, earlier: Path | None = None) -> FormDone:
    """Write the form of a report with lots, or what ``earlier`` holds with rows of new lots behind it.

    Nothing is written where no lot is new, or ``earlier`` can't be added to: then it says so.
    """
    assert report.lots is not None
    plan = report.study.plan
    rooms = {run.name: room_text(run) for run in report.study.tree.runs}
    names = [result.lot.name for result in report.lots.results if result.lot.name in report.lots.air]
    rows = {lot: list(_rows(plan, report.lots.air[lot], lot, rooms)) for lot in names}
    if earlier is None or not earlier.exists():
        _new_form(report, rows, path)
        return FormDone(added=tuple(rows))
    try:
        return _with_new_lots(plan, rows, path, earlier)
    except TableFault as fault:
        why = fault.fault.problem
    except Exception as error:  # whatever is wrong with a file of theirs, it is left alone
        why = f"it can't be read ({error or type(error).__name__})"
    return FormDone(added=(), left=f"{why}. Move it away for a new form, or mend it, and run again")


def _rows(plan: Plan, air: LotAir, lot: str, rooms: dict[str, str]) -> Iterator[Row]:
    """What is known of each row of a lot, by run; the season to measure in first."""
    first, units = main_season(plan, air), plan.units
    for season in [first, *(s for s in plan.seasons if s != first)]:
        k = plan.seasons.index(season)
        for p, (run, room) in enumerate(rooms.items()):
            if not math.isnan(float(air.target_cfm[k, p])):
                shown = units.number(float(air.expected_cfm[k, p]), "cfm", ".0f")
                mark = mark_text(air.table, run, season)
                degrees = None if mark == NO_MARK else float(mark.rstrip("°"))
                yield [lot, season, run, room, None if shown == "nan" else float(shown), degrees]


def _headers(plan: Plan) -> list[str]:
    return [plan.units.name_of(name, unit) for name, unit in _COLUMNS]


def _new_form(report: Report, rows: dict[str, list[Row]], path: Path) -> None:
    plan = report.study.plan
    book = Book(plan.name, plan.units)
    headers = _headers(plan)
    page = book.sheet(SHEET, [_WIDTHS.get(header, _WIDTH) for header in headers])
    for c, header in enumerate(headers, start=1):
        page.put(1, c, header, HEADER if header in _WIDTHS else _UPRIGHT)
    page.height(1, _LETTER_POINTS * max(map(len, headers)) + 6.0)
    row = 1
    looks = [LABEL, SHORT, LABEL, SHORT, _NUMBER, _NUMBER]
    for mine in rows.values():
        season: Value = None
        for values in mine:
            row += 1
            for c, value in enumerate(values):
                page.put(row, c + 1, value, looks[c])
            typed = len(_BY_RUN) + (len(_BY_LOT) if values[1] != season else 0)
            for c in range(typed):
                page.put(row, len(_KNOWN) + c + 1, None, INPUT)
            season = values[1]
    page.sheet.freeze_panes = "D2"
    page.sheet.print_title_rows = "1:1"
    # To the end of the sheet, so that it holds for rows that are added.
    page.sheet.auto_filter.ref = f"A1:{get_column_letter(len(_COLUMNS))}{_MOST_ROW}"
    help_page = book.sheet("How to", (100,), f"Readings: {plan.name}", portrait=True)
    for words in filter(None, (*_HOW, report.stamp)):
        help_page.paragraph(words)
    save(book, path)


def _with_new_lots(plan: Plan, rows: dict[str, list[Row]], path: Path, earlier: Path) -> FormDone:
    check_file(earlier, earlier.name)
    there = _read(plan, earlier)
    new = [lot for lot in rows if _key(lot) not in there.lots]
    done = FormDone(
        added=tuple(new),
        lots_kept=len(there.lots),
        readings_kept=there.readings,
        changed=tuple(
            lot for lot, mine in rows.items() if any(there.expected.get(_row_key(r), r[4]) != r[4] for r in mine)
        ),
    )
    if new:
        for lock in (f"~${earlier.name}", f".~lock.{earlier.name}#"):
            if (earlier.parent / lock).exists():
                why = f"it is open in another program. Close it and run again to add {counted(len(new), 'lot')}"
                return replace(done, added=(), left=why)
        _append(earlier, path, there, [row for lot in new for row in rows[lot]])
    return done


def _key(value: object) -> str:
    """A name as it is told apart whatever a spreadsheet made of it: 12 or 12.0 is lot 12."""
    return f"{value:g}" if isinstance(value, int | float) else " ".join(str(value).split()).casefold()


def _row_key(row: Sequence[object]) -> tuple[str, ...]:
    return tuple(_key(value) for value in row[:3])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Form:
    """A form as it lies on disk: which sheet, the column (from 0) of each of ours, what is in it."""

    sheet: int
    columns: dict[int, int]
    lots: set[str]
    expected: dict[tuple[str, ...], object]
    readings: int


def _read(plan: Plan, earlier: Path) -> _Form:
    """TableFault where no sheet has the columns that are needed."""
    headers = [_key(h).replace(" ", "").replace("_", "") for h in _headers(plan)]
    needed = {0, 1, 2, len(_KNOWN) + 1}
    book = openpyxl.load_workbook(earlier, read_only=True, data_only=True)
    try:
        for n, sheet in enumerate(book.worksheets):
            cells = sheet.iter_rows(values_only=True)
            named = [_key(v).replace(" ", "").replace("_", "") for v in next(cells, ())]
            columns = {k: named.index(header) for k, header in enumerate(headers) if header in named}
            if not needed <= set(columns):
                continue
            lots: set[str] = set()
            expected: dict[tuple[str, ...], object] = {}
            readings = 0
            for row in cells:
                found = [
                    row[columns[k]] if k in columns and columns[k] < len(row) else None for k in range(len(headers))
                ]
                if found[0] is not None:
                    lots.add(_key(found[0]))
                    readings += found[len(_KNOWN) + 1] is not None
                    if found[4] is not None:
                        expected[_row_key(found)] = found[4]
            return _Form(sheet=n, columns=columns, lots=lots, expected=expected, readings=readings)
    finally:
        book.close()
    raise TableFault(
        earlier.name, f"no sheet of it has {', '.join(_headers(plan)[k] for k in sorted(needed))} in its first row", ""
    )


def _append(earlier: Path, path: Path, form: _Form, rows: Sequence[Row]) -> None:
    """Write a copy with rows behind the last of its sheet. TableFault where that is not as spreadsheets write it."""
    with zipfile.ZipFile(earlier) as old:
        part = _sheet_part(old, form.sheet)
        xml = old.read(part)
        numbers = [int(n) for n in re.findall(rb'<row\b[^>]*?\sr="(\d+)"', xml)]
        last = max(numbers, default=_MOST_ROW)
        if xml.count(b"</sheetData>") != 1 or last + len(rows) > _MOST_ROW:
            raise TableFault(earlier.name, "rows can't be added to it as it was saved", "")
        styles = [dict(re.findall(rb'<c r="([A-Z]+)%d"[^>]*?\ss="(\d+)"' % row, xml)) for row in (2, 3)]
        added, lot_season = [], None
        for r, row in enumerate(rows, start=last + 1):
            mine = styles[row[:2] == lot_season]
            lot_season = row[:2]
            by_column = {column: row[k] if k < len(row) else None for k, column in form.columns.items()}
            cells = (_cell(c, r, value, mine) for c, value in sorted(by_column.items()))
            added.append(b'<row r="%d">%b</row>' % (r, b"".join(cells)))
        xml = xml.replace(b"</sheetData>", b"".join(added) + b"</sheetData>")
        xml = re.sub(rb'(<dimension ref="[A-Z]+\d+:[A-Z]+)\d+', rb"\g<1>%d" % (last + len(rows)), xml, count=1)
        with zipfile.ZipFile(path, "w") as new:
            for entry in old.infolist():
                new.writestr(entry, xml if entry.filename == part else old.read(entry), entry.compress_type)


def _cell(column: int, row: int, value: Value, styles: dict[bytes, bytes]) -> bytes:
    letter = get_column_letter(column + 1).encode()
    style = b' s="%b"' % styles[letter] if letter in styles else b""
    start = b'<c r="%b%d"%b' % (letter, row, style)
    if value is None:
        return start + b"/>" if style else b""
    if isinstance(value, str):
        text = escape(clean(value)).encode()
        return start + b' t="inlineStr"><is><t xml:space="preserve">%b</t></is></c>' % text
    return start + b"><v>%b</v></c>" % f"{value:.12g}".encode()


def _sheet_part(archive: zipfile.ZipFile, number: int) -> str:
    """The file in a workbook that holds its sheet of this number, from 0."""
    sheet = re.findall(rb"<(?:\w+:)?sheet\s[^>]*>", archive.read("xl/workbook.xml"))[number]
    (key,) = re.findall(rb'\sr:id="([^"]+)"', sheet)
    for relation in re.findall(rb"<(?:\w+:)?Relationship\s[^>]*>", archive.read("xl/_rels/workbook.xml.rels")):
        if re.search(rb'\sId="%b"' % re.escape(key), relation):
            (target,) = re.findall(rb'\sTarget="([^"]+)"', relation)
            name = target.decode()
            return name.removeprefix("/") if name.startswith("/") else f"xl/{name}"
    raise KeyError(key.decode())
