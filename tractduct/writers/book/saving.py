"""The finished workbook as a file: fixed dates, and beside each formula what it comes to."""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path

from openpyxl.workbook.properties import CalcProperties
from openpyxl.writer.excel import ExcelWriter

from tractduct.writers.book.layout import Book
from tractduct.writers.book.looks import clean

FIXED_DATE = datetime.datetime(2000, 1, 1)  # the same study must give the same file
_FORMULA_CELL = re.compile(rb'<c r="([A-Z]+[0-9]+)"([^>]*)><f>([^<]*)</f><v\s*/?>(?:</v>)?</c>')


def save(book: Book, path: Path) -> None:
    """Write the file.

    openpyxl stamps the time and leaves formulas without a value; phones and Excel's protected view then show
    blanks. So it writes to memory first, unpacked.
    """
    properties = book.book.properties
    properties.creator, properties.title = "tractduct", clean(f"{book.plan_name}: duct sizes")
    properties.created = properties.modified = FIXED_DATE
    book.book.calculation = CalcProperties(fullCalcOnLoad=True)
    book.book.active = 0
    raw, done = io.BytesIO(), io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_STORED) as archive:
        ExcelWriter(book.book, archive).save()
    values = {
        f"xl/worksheets/sheet{n}.xml": book.formula_values[sheet.title]
        for n, sheet in enumerate(book.book.worksheets, start=1)
    }
    with zipfile.ZipFile(raw) as old, zipfile.ZipFile(done, "w") as new:
        for entry in old.infolist():
            data = old.read(entry)
            if values.get(entry.filename):
                data = _with_values(data, values[entry.filename])
            stamped = zipfile.ZipInfo(entry.filename, date_time=FIXED_DATE.timetuple()[:6])
            stamped.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(stamped, data)
    path.write_bytes(done.getvalue())


def _with_values(xml: bytes, values: Mapping[str, float | str]) -> bytes:
    def filled(match: re.Match[bytes]) -> bytes:
        cell, attributes, formula = match.groups()
        value = values[cell.decode()]
        kind = b' t="str"' if isinstance(value, str) else b""
        text = value.encode() if isinstance(value, str) else repr(float(value)).encode()
        return b'<c r="%b"%b%b><f>%b</f><v>%b</v></c>' % (cell, attributes, kind, formula, text)

    return _FORMULA_CELL.sub(filled, xml)
