"""The workbook of a plan against that of the same plan written in SI, cell by cell.

Factors are those of ``si_plan``, not the program's. A number that is not the other one times the factor of its unit
is an error, as are words that differ by more than their units, as is a unit that SI does not have.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.utils import range_boundaries
from openpyxl.worksheet.worksheet import Worksheet
from si_plan import BTU_PER_H_W, ENDINGS, FOOT_M

POUND_KG = 0.45359237  # exact

# Unit -> its name in SI, and what a number becomes; the first that fits counts.
UNITS = {
    "inWC/100 ft": ("Pa/m", ENDINGS["inwc_per_100ft"][1]),
    "Btu/h ft2": ("W/m2", ENDINGS["btuh_per_ft2"][1]),
    "lb/ft3": ("kg/m3", POUND_KG / FOOT_M**3),
    "cfm a ton": ("L/s a kW", ENDINGS["_cfm"][1] / ENDINGS["_tons"][1]),
    "USD/ft": ("USD/m", 1.0 / FOOT_M),
    "USD a ft": ("USD a m", 1.0 / FOOT_M),
    "Btu/h": ("W", BTU_PER_H_W),
    "inWC": ("Pa", ENDINGS["_inwc"][1]),
    "cfm": ("L/s", ENDINGS["_cfm"][1]),
    "fpm": ("m/s", ENDINGS["_fpm"][1]),
    "ft2": ("m2", ENDINGS["_ft2"][1]),
    "tons": ("kW", ENDINGS["_tons"][1]),
    "ft": ("m", FOOT_M),
    "in": ("mm", ENDINGS["_in"][1]),
    "F": ("C", 1.0 / 1.8),
}
OFFSET = {"F": -32.0 / 1.8}
ROUGHNESS = "Roughness, ft"  # in mm in SI
INCH = UNITS["in"][1]

# "in" and "F" are units only behind a number or at the end of a header.
LEFT_OVER = re.compile(
    r"\b(?:cfm|fpm|inWC|Btu/h|ft[23]?|lb|tons?|[Ff]eet|foot|inch|inches)\b|(?<=[0-9]) (?:in|F)\b|, (?:in|F)$"
)
_NUMBER = re.compile(r"(?<![A-Za-z0-9_./])[0-9]+(?:,[0-9]{3})*(?:\.[0-9]+)?(?:x[0-9]+(?:\.[0-9]+)?)?")
_END = r"(?![A-Za-z0-9/])"
_ANYWHERE = "|".join(re.escape(u) for u in UNITS if u not in ("in", "F"))
_WORD = re.compile(rf"(?<![A-Za-z/])(?:{_ANYWHERE}){_END}|(?<=, )(?:in|F)$|(?<=# )(?:in|F){_END}")


@dataclass(frozen=True)
class Pair:
    """A cell of the workbook in the trade's units and the one at its place in SI; of a formula, what is stored.

    ``unit`` is that of a number: in a table the header's, else that of the text before it, else the header's.
    """

    sheet: str
    at: str
    header: str
    unit: str
    value: Any
    si: Any

    def __str__(self) -> str:
        return f"{self.sheet}!{self.at} ({self.header}; {self.unit}): {self.value!r}, in SI {self.si!r}"


def compare(
    ip: Path,
    si: Path,
    sheets: Sequence[str],
    *,
    words: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    skip: Sequence[str] = (),
) -> int:
    """Compare sheets of two workbooks; AssertionError with the cells that differ. Returns how many numbers it saw.

    Parameters
    ----------
    words : text that is another in SI by more than its units -> what it is there, such as Feet -> Metres
    units : header that does not end in its unit -> the unit; "" where a number in a row with a unit has none
    skip : cells that need not be alike, such as Sizes!A3
    """
    one, other = (openpyxl.load_workbook(path, data_only=True) for path in (ip, si))
    assert one.sheetnames == other.sheetnames
    wrong, numbers = [], 0
    for name in sheets:
        for pair in pairs(one[name], other[name], units or {}):
            if f"{pair.sheet}!{pair.at}" in skip:
                continue
            if isinstance(pair.value, int | float) and isinstance(pair.si, int | float):
                numbers += 1
                fits = number_fits(pair)
            else:
                fits = text_fits(str(pair.value), str(pair.si), words or {}, pair.unit)
            left = LEFT_OVER.search(pair.si) if isinstance(pair.si, str) and pair.header != "Source" else None
            if left or not fits:
                wrong.append(f"{pair}" + (f": '{left[0]}' is left" if left else ""))
    assert not wrong, f"{len(wrong)} cells:\n" + "\n".join(wrong[:40])
    return numbers


def pairs(ip: Worksheet, si: Worksheet, units: Mapping[str, str]) -> Iterator[Pair]:
    """Cells at the same place that hold something in one of the two."""
    assert (ip.max_row, ip.max_column) == (si.max_row, si.max_column), ip.title
    tables, above = _table_headers(ip), _kept_headers(ip)
    for row, other in zip(ip.iter_rows(), si.iter_rows(), strict=True):
        before = ""  # unit of the text before it
        for cell, in_si in zip(row, other, strict=True):
            if cell.value is None and in_si.value is None:
                continue
            at = (cell.row, cell.column)
            header = tables.get(at) or above.get(at, "")
            of_header = units.get(header, unit_of(header))
            first, second = (of_header, before) if at in tables else (before, of_header)
            unit = "" if units.get(header) == "" or header.endswith(", %") else first or second
            yield Pair(ip.title, cell.coordinate, header, unit, cell.value, in_si.value)
            if isinstance(cell.value, str):
                before = unit_of(cell.value) or before


def _table_headers(sheet: Worksheet) -> dict[tuple[int, int], str]:
    """(row, column) of a table's body -> its header."""
    found = {}
    for listing in sheet.tables.values():
        first, top, last, bottom = range_boundaries(listing.ref)
        for column in range(first, last + 1):
            text = str(sheet.cell(top, column).value)
            found |= {(row, column): text for row in range(top + 1, bottom + 1)}
    return found


def _kept_headers(sheet: Worksheet) -> dict[tuple[int, int], str]:
    """The same for the pencil check, which has no table: of the nearest header above."""
    found: dict[tuple[int, int], str] = {}
    header: list[str] = []
    for row in range(1, sheet.max_row + 1) if not sheet.tables else ():
        cells = [str(cell.value or "") for cell in sheet[row]]
        if cells[0] in ("Section", "Variant"):
            header = cells
        else:
            found |= {(row, column): text for column, text in enumerate(header, start=1)}
    return found


def unit_of(text: str) -> str:
    """The unit at the end of a header or label, such as 'Air, cfm'."""
    unit = text.rpartition(", ")[2]
    return unit if unit in UNITS else ""


def number_fits(pair: Pair) -> bool:
    factor = 1.0 if not pair.unit else 1000.0 * FOOT_M if pair.header == ROUGHNESS else UNITS[pair.unit][1]
    wanted = pair.value * factor + OFFSET.get(pair.unit, 0.0)
    # Numbers are rounded to six decimals of the trade's units before they are written.
    return bool(abs(pair.si - wanted) <= 2e-6 * max(1.0, factor) + 1e-6 * abs(wanted))


def text_fits(text: str, si: str, words: Mapping[str, str], unit: str = "") -> bool:
    """The same words but for the units, and each number the other one times a factor, as far as it shows.

    A number with its unit behind it has that unit's factor; one without has any of the text's, a size's, that of
    the cell's ``unit`` or none.
    """
    for one, other in {ROUGHNESS: "Roughness, mm", **words}.items():
        text = text.replace(one, other)
    numbers, others = _NUMBER.findall(text), _NUMBER.findall(si)
    shape = _NUMBER.sub("#", text)
    if len(numbers) != len(others) or _NUMBER.sub("#", si) != _WORD.sub(lambda m: UNITS[m[0]][0], shape):
        return False
    found = [m[0] for m in _WORD.finditer(shape)]
    own = [_WORD.match(part, 2) for part in (f"# {part[1:]}" for part in shape.split("#")[1:])]
    return all(
        any(near(one, other, u) for u in ([behind[0]] if behind else ["", "in", unit, *found]))
        for one, other, behind in zip(numbers, others, own, strict=True)
    )


def near(one: str, other: str, unit: str) -> bool:
    """Two numbers as they are shown, or two sizes such as 8x12, are the same but for rounding."""
    if not unit:
        return one == other
    factor, offset = UNITS[unit][1], OFFSET.get(unit, 0.0)
    parts = list(zip(one.split("x"), other.split("x"), strict=False))
    return one.count("x") == other.count("x") and all(
        abs(_value(b) - _value(a) * factor - offset) <= 1.001 * (_half_digit(a) * factor + _half_digit(b))
        for a, b in parts
    )


def _value(shown: str) -> float:
    return float(shown.replace(",", ""))


def _half_digit(shown: str) -> float:
    return 0.5 * 10.0 ** -len(shown.partition(".")[2])
