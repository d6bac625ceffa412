"""What a person would understand in a cell, rewritten to what the parsers read; and each such rewriting is said.

The parsers stay strict: a cell that is not understood here reaches them as it stands, and they say what is
wrong with it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import replace

from tractduct.errors import printable, shortened
from tractduct.inputs import schema
from tractduct.inputs.cells import NOT_OFFERED, WITH_UNIT
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_CELL, MAX_NAME
from tractduct.inputs.schema import Field, header_key, in_units
from tractduct.inputs.tables import RawTable, Row
from tractduct.inputs.unit_words import feet_of, unit_of
from tractduct.units import UnitSystem

# Characters that look like others or like nothing.
_ALIKE = str.maketrans(
    dict.fromkeys("\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000", " ")
    | dict.fromkeys("\u00ad\u200b\u200c\u200d\u2060\ufeff", "")
    | dict.fromkeys("\u2018\u2019\u201a\u201b\u2032", "'")
    | dict.fromkeys("\u201c\u201d\u201e\u201f\u2033", '"')
)
_ODD_SIGNS = str.maketrans({"\u2212": "-", "\u00d7": "x", "\u00d8": "", "\u2300": "", "\u00f8": ""})
_TEXT_MARK = re.compile(r"'(?=\s*[=+@-])")  # what makes a spreadsheet take a cell for text
_DASHES = ("\u2013", "\u2014", "\u2212")

_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+(?:\.[0-9]*)?")
_SIDE = r"([0-9]+(?:\.[0-9]+)?)\s*(\D*?)"
_LOOSE_PAIR = re.compile(rf"{_SIDE}\s*(?:[xX*]|by)\s*{_SIDE}")

# Words for a choice or a flag that mean the same as the schema's own.
COMPASS = {"north": "N", "northeast": "NE", "east": "E", "southeast": "SE", "south": "S", "southwest": "SW",
           "west": "W", "northwest": "NW"}  # fmt: skip
SEASON_WORDS = {"heat": "heating", "htg": "heating", "cool": "cooling", "clg": "cooling"}
_WORDS = {**COMPASS, **SEASON_WORDS, "rect": "rectangular", "rectangle": "rectangular", "flexible": "flex"}
_WORD = Field(name="", meaning="")
_FLAGS = {"t": "true", "on": "true", "f": "false", "off": "false"}
# Where a cell such as N/NE stands for a row of each; a lot has one direction.
_SHARED_FACES = {"airflow": schema.AIRFLOW.field("front_faces"), "load_factors": schema.LOAD_FACTORS.field("exposure")}


def understood(table: RawTable, columns: Mapping[str, Field], log: FaultLog) -> RawTable:
    """The table with its cells in the parsers' own words; ``columns`` are the declared ones by header key.

    One note for each column says what was read as what; cells that nothing can show or hold are faults.
    """
    for note in table.notes:
        log.note("reading", table.label, note, "Check that the values came through")
    said: dict[str, list[tuple[int, str, str]]] = {}
    rows: list[Row] = []
    for row in table.rows:
        written: dict[str, str] = {}
        cells = dict(row.cells)
        for key, field in columns.items():
            text = cells.get(key, "")
            if not text or text.isspace():
                continue
            plain = plain_text(field, text)
            if table.has_decimal_commas and "," in text and field.kind in ("number", "size", "price"):
                plain = text.strip()  # the parsers refuse it
            problem = _unfit(field, plain, is_date=key in row.dates)
            if problem:
                log.fault(table.label, *problem, row=row.number, column=table.headers[key], value=text.strip())
                plain = "".join(c for c in plain if c.isprintable())[:MAX_NAME]
            if plain != re.sub(" +", " ", text).strip(" "):
                cells[key], written[key] = plain, text
                if not problem:
                    said.setdefault(key, []).append((row.number, text, plain))
        rows += _each_face(table, Row(row.number, cells, written), said)
    for key, cases in said.items():
        number, text, plain = cases[0]
        more = f", and {len(cases) - 1} more in this column" if len(cases) > 1 else ""
        note_reading(log, f"{table.label}, '{table.headers[key]}'", text, plain, where=f" in row {number}", more=more)
    return replace(table, rows=tuple(rows))


def note_reading(log: FaultLog, subject: str, text: str, plain: str, *, where: str = "", more: str = "") -> None:
    """Say what was read as what."""
    message = f"{shortened(text.strip(' '))!r}{where} is read as {shortened(plain)}{more}"
    log.note("reading", subject, message, "Correct it where that is not what is meant")


def wide_column(header: str, units: UnitSystem) -> tuple[str, str] | None:
    """Face and quantity, as the core names it, of a wide header such as 'NE heating_cfm'; None where it is none."""
    key = header_key(header)
    for declared in schema.AIRFLOW.fields:
        ending = header_key(in_units(declared, units).name)
        if declared.kind == "number" and key.endswith(ending):
            word = key.removesuffix(ending)
            front = schema.AIRFLOW.field("front_faces")
            face = plain_choice(front, word) or word.upper()
            if face in front.choices:
                return face, declared.name
    return None


def plain_text(field: Field, text: str) -> str:
    """A cell in the parsers' own words, where a person would understand it; else without odd characters alone."""
    # NFC: the same accented letter however it was typed
    text = unicodedata.normalize("NFC", text).translate(_ALIKE)
    text = " ".join(text.split())
    if _TEXT_MARK.match(text):
        text = text[1:].strip()
    plain = _UNDERSTOOD[field.kind](field, text) if field.kind in _UNDERSTOOD else None
    return text if plain is None else plain


def plain_word(text: str) -> str:
    """A text that no declaration is about, without odd characters."""
    return plain_text(_WORD, text)


def plain_number(field: Field, text: str) -> str | None:
    """A number without its unit and its thousands' commas; None where it is no number of the field's unit."""
    if field.unit == "ft" and field.quantity != "roughness":
        feet = feet_of(text)
        if feet is not None:
            return f"{feet:.10g}"
    match = WITH_UNIT.fullmatch(text.translate(_ODD_SIGNS))
    if not match:
        return None
    number, word = match["number"], (match["before"] or "") + (match["behind"] or "")
    if "," in number:
        if not _THOUSANDS.fullmatch(number):
            return None
        number = number.replace(",", "")
    if unit_of(word) == "%" and not field.unit and field.high == 1.0:
        return f"{float(number) / 100.0:.12g}"
    return number if not word or _is_its_unit(field, word) else None


def _is_its_unit(field: Field, word: str) -> bool:
    """Whether a word is a field's unit; of a price its currency too, or what it is a price of."""
    if _unit(word) == _unit(field.unit):
        return True
    (currency, _, one), (given, slash, of) = field.unit.partition("/"), word.partition("/")
    return field.kind == "price" and _unit(given) in ("", _unit(currency)) and (not slash or unit_of(of) == one)


def _unit(word: str) -> str:
    """A unit or currency in its one spelling; a currency that is not known, in small letters."""
    return unit_of(word) or word.strip().casefold()


def plain_size(field: Field, text: str) -> str | None:
    """7 or 8x12 out of 7", 7 in or 8" x 12"."""
    text = text.translate(_ODD_SIGNS).strip()
    match = _LOOSE_PAIR.fullmatch(text)
    if match:
        width, first, height, second = match.groups()
        return f"{width}x{height}" if all(not w or unit_of(w) == field.unit for w in (first, second)) else None
    return plain_number(field, text)


def plain_price(field: Field, text: str) -> str | None:
    return NOT_OFFERED if text in _DASHES else plain_number(field, text)


def plain_choice(field: Field, text: str) -> str | None:
    word = _WORDS.get(re.sub(r"[\s._-]+", "", text.casefold()))
    return word if word in field.choices else None


def plain_flag(field: Field, text: str) -> str | None:
    return _FLAGS.get(text.casefold())


def plain_fittings(field: Field, text: str) -> str | None:
    """The cross of multiplication as *: collar + elbow_90×2."""
    return re.sub(r"\s*\u00d7\s*(?=[0-9]+\s*(?:\+|$))", "*", text)


_UNDERSTOOD: dict[str, Callable[[Field, str], str | None]] = {
    "number": plain_number,
    "size": plain_size,
    "price": plain_price,
    "choice": plain_choice,
    "flag": plain_flag,
    "fittings": plain_fittings,
}


_ERRORS = ("#REF!", "#N/A", "#NAME?", "#VALUE!", "#DIV/0!", "#NULL!", "#NUM!", "#SPILL!", "#CALC!")


def _unfit(field: Field, text: str, *, is_date: bool) -> tuple[str, str] | None:
    """Problem and remedy of a cell that nothing can show or hold, or of a text that a spreadsheet program made.

    Numbers that one made fail by themselves.
    """
    odd = next((c for c in text if not c.isprintable()), None)
    if odd is not None:
        problem = f"the cell holds a character that can't be shown, {printable(odd)}"
        return problem, "Delete it, or save the table again as UTF-8 text"
    most = MAX_NAME if field.kind == "text" and not field.blank else MAX_CELL
    if len(text) > most:
        return f"the cell has {len(text):,} characters; at most {most:,} are read", "Shorten it"
    if field.kind in ("text", "rooms") and text.upper() in _ERRORS:
        return "this is a spreadsheet's error", "Correct the formula, or enter the value"
    if field.kind in ("text", "rooms") and is_date and field.name not in schema.FREE_TEXT:
        problem = "the cell holds a date; spreadsheet programs make one of entries such as 8-10"
        return problem, "Format the cell as text and enter it again"
    return None


def _each_face(table: RawTable, row: Row, said: dict[str, list[tuple[int, str, str]]]) -> list[Row]:
    """The row, or one for each direction where it stands for several: N/NE."""
    field = _SHARED_FACES.get(table.name)
    key = header_key(field.name) if field else ""
    text = row.cells.get(key, "")
    if field is None or not re.search(r"[/,;&]", text):
        return [row]
    faces = [plain_choice(field, part) or part.strip().upper() for part in re.split(r"[/,;&]", text)]
    if len(faces) != len(set(faces)) or any(face not in field.choices for face in faces):
        return [row]
    said.setdefault(key, []).append((row.number, text, " and ".join(faces) + ", a row of each"))
    return [Row(row.number, {**row.cells, key: face}, {**row.written, key: text}) for face in faces]
