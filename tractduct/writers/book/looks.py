"""How cells look, and how text and numbers become cell values."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from tractduct.units import NOMINAL, UnitSystem

# Cell values are numbers, text or nothing; numpy's own types are turned into Python's before they get here.
Value = str | float | int | bool | None

FONT = "Arial"  # its metric twins are on every computer, so widths hold in print
INK, GREY_INK, PAPER = "1F2933", "52606D", "FFFFFF"
HEADER_FILL, INPUT_FILL, COMPUTED_FILL, BAND_FILL = "1F3A4D", "FFF4B8", "E6EBF0", "D9E6EC"
LARGER_FILL, SMALLER_FILL, GOOD_FILL = "F6C48F", "B5D8EE", "DCEBE0"  # orange and blue: told apart by all eyes
TIGHT_FILL, CLOSE_FILL = "E69F00", "FBE3B4"
ROW_POINTS = 15.0
LINE_POINTS = 12.8


@dataclass(frozen=True, slots=True)
class Look:
    """How a cell looks. Frozen, so that each one becomes a style of the workbook only once."""

    number_format: str = "General"
    bold: bool = False
    italic: bool = False
    points: float = 10.0
    ink: str = INK
    fill: str = ""
    wrap: bool = False
    align: str = ""
    top_line: bool = False
    box: bool = False
    middle: bool = False  # of a row higher than its text
    upright: bool = False

    def in_units(self, units: UnitSystem, quantity: str) -> Look:
        """The same look, with the decimals that say as much in these units."""
        if not quantity or quantity == NOMINAL or not units.is_si:
            return self
        found = self.number_format if self.number_format != "General" else "0.0"
        return replace(self, number_format=_DECIMALS.sub(lambda m: _zeros(units, quantity, m), found))


_DECIMALS = re.compile(r"0(?:\.(0+)(#*))?(?![0#.])")


def _zeros(units: UnitSystem, quantity: str, decimals: re.Match[str]) -> str:
    must, may = decimals[1] or "", decimals[2] or ""
    count = units.decimals(quantity, len(must))
    return "0" + ("." if count or may else "") + "0" * count + may


TEXT = Look(wrap=True)
SHORT = Look()
CENTRE = Look(align="center")
WHOLE = Look("#,##0")
TENTHS = Look("#,##0.0")
HUNDREDTHS = Look("0.00")
THOUSANDTHS = Look("0.000")
TEN_THOUSANDTHS = Look("0.0000")
PER_CENT = Look("0.0")
MONEY = Look("#,##0")
DOLLARS = Look("#,##0.00")
MORE = Look("+#,##0.00;−#,##0.00;0.00")
SIGNED = Look("+0;−0;0")
SIGNED_TENTHS = Look("+0.0;−0.0;0.0")
COUNT = Look("#,##0", bold=True, fill=GOOD_FILL, box=True)
INSTEAD = Look(align="right", italic=True, ink=GREY_INK)  # words where a number is not there
SIZE = Look(align="center")
CHOSEN = Look(align="center", bold=True, fill=GOOD_FILL, box=True)
# The mark is part of the number format: the value stays a plain size, and a black-and-white print shows it.
LARGER = Look('"▲ "General;;;"▲ "@', align="center", bold=True, fill=LARGER_FILL)
SMALLER = Look('"▼ "General;;;"▼ "@', align="center", italic=True, fill=SMALLER_FILL)
TITLE = Look(bold=True, points=16.0, middle=True)
HEADLINE = Look(bold=True, points=14.0)
LEAD = Look(ink=GREY_INK, wrap=True)
HEADING = Look(bold=True, points=12.0, fill=BAND_FILL, middle=True)
HEADER = Look(bold=True, ink=PAPER, fill=HEADER_FILL, wrap=True, align="center", middle=True)
LABEL = Look(bold=True, wrap=True)
ASIDE = Look(ink=GREY_INK)
LINK = Look(ink="0B5394")
INPUT = Look("#,##0.0##", fill=INPUT_FILL, box=True)
INPUT_THOUSANDTHS = replace(INPUT, number_format="0.000")
COMPUTED = Look(fill=COMPUTED_FILL, italic=True)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: its header, its look, and its width in characters (0: leave it).

    ``unit`` is the core's unit of its numbers, or what ``units.MEASURES`` calls it: the page turns header, numbers
    and decimals into the plan's units. Of a list (``listing``) each column has a ``key`` too, and what it means.
    """

    header: str
    look: Look = SHORT
    width: float = 0.0
    unit: str = ""
    key: str = ""
    meaning: str = ""
    show: Callable[[Any], Value] | None = None  # a value of the list as a cell; None: ``plain``
    without: str = ""  # what stands where the list has no number

    def in_units(self, units: UnitSystem) -> Column:
        """The column as a plan in these units has it; only the numbers are left to turn."""
        if not self.unit:
            return self
        header = f"{self.header}, {units.unit(self.unit)}"
        return replace(self, header=header, look=self.look.in_units(units, self.unit))


_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@lru_cache(maxsize=4096)
def clean(text: str) -> str:
    """Text that an XML file can hold, no longer than a cell can."""
    return utf16_cut(_NOT_XML.sub("", text), 32_000)


def utf16_cut(text: str, most: int) -> str:
    """The beginning of a text, by Excel's count: letters beyond the first 65,536 count twice."""
    return text[:most].encode("utf-16-le")[: 2 * most].decode("utf-16-le", errors="ignore")


def size_value(label: str) -> Value:
    """A size as people type it: a number where round, so that Excel sorts it; text such as 14x10 else."""
    try:
        number = float(label)
    except ValueError:
        return label or None
    return int(number) if number.is_integer() else number


def plain(value: Any) -> Value:
    """A value of a list as a cell, numbers rounded well below anything measurable; None for no number."""
    if isinstance(value, str):
        return value or None
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (int, np.integer)):
        return int(value)
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), 6)


def distinct(names: Sequence[str]) -> list[str]:
    """Names that a table's header can hold: no two alike whatever their case, none empty."""
    seen: Counter[str] = Counter()
    found = []
    for name in names:
        key = name.strip().casefold()
        seen[key] += 1
        found.append(name if seen[key] == 1 and key else f"{name} ({seen[key]})")
    return found


def sheet_name(text: str, taken: Iterable[str] = ()) -> str:
    """A sheet name that Excel takes, from any text: at most 31 characters, unlike the others in any case."""
    name = re.sub(r"[\[\]:*?/\\\s]+", " ", clean(text)).strip(" '")
    name = utf16_cut(name, 31).strip(" '")
    if not name or name.casefold() == "history":  # Excel keeps that one for itself
        name = (name + " sheet").strip()
    known = {t.casefold() for t in taken}
    found, number = name, 1
    while found.casefold() in known:
        number += 1
        end = f" ({number})"
        found = utf16_cut(name, 31 - len(end)).rstrip(" '") + end
    return found


# -- the height of wrapped text --------------------------------------------------------------------------

# Widths of the font's letters in digits, by group; a letter in none of them is as wide as a digit.
_LETTER_WIDTHS = (
    ("ijl'|", 0.4),
    ("ftI.,:;!/\\ []", 0.5),
    ('r()-"*{}`', 0.61),
    ("kszxcvyJ", 0.9),
    ("ABEKPSVXY&CDHNRUwT", 1.27),
    ("GOQ", 1.4),
    ("mMW%@—", 1.6),
)
_LETTER_WIDTH = {letter: width for letters, width in _LETTER_WIDTHS for letter in letters}


def height_of(texts: Iterable[tuple[str, float]], letter_size: float = 1.0) -> float:
    """Row height for wrapped texts in columns of some widths, in points; bold text counts a tenth more."""
    most = max(wrapped_lines(text, max(width - 2.3, 1.0) / letter_size) for text, width in texts)
    return 2.5 + LINE_POINTS * most if most > 1 else ROW_POINTS


@lru_cache(maxsize=8192)
def wrapped_lines(text: str, digits: float) -> int:
    """Lines that a text takes in a width of so many digits, broken between words where it can."""
    lines = 0
    for paragraph in text.split("\n"):
        lines += 1
        used = 0.0
        for word in paragraph.split(" "):
            width = sum(_LETTER_WIDTH.get(letter, 1.0) for letter in word)
            if used > 0.0 and used + 0.5 + width > digits:
                lines, used = lines + 1, 0.0
            used += width + (0.5 if used > 0.0 else 0.0)
            while used > digits:  # a word wider than the column
                lines, used = lines + 1, used - digits
    return lines
