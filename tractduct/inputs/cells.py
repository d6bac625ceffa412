"""The text of one cell to a value, by the field's declaration."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable

from tractduct.inputs.limits import LEAST_NUMBER
from tractduct.inputs.schema import Field
from tractduct.inputs.unit_words import unit_of
from tractduct.model.words import key_of

TRUE_WORDS = ("true", "yes", "y", "1")
FALSE_WORDS = ("false", "no", "n", "0")
NOT_OFFERED = "-"


class CellProblem(ValueError):
    """A cell can't be understood or isn't allowed; says what is wrong and what to do."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.problem = problem
        self.remedy = remedy


_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_NOT_FINITE = ("nan", "inf", "infinity")


def nearest(name: str, known: Iterable[str]) -> str:
    """A sentence that helps with a misspelt name: the nearest known one, or all of them where few."""
    known = list(known)
    # A misspelling is sought among few: comparing is slow, and each of many rows may have one.
    few = known if len(known) <= 200 else [k for k in known if key_of(k)[:3] == key_of(name)[:3]][:200]
    close = difflib.get_close_matches(key_of(name)[:200], [key_of(k) for k in few], n=1)
    if close:
        original = next(k for k in known if key_of(k) == close[0])
        return f"Did you mean '{original}'"
    shown = ", ".join(f"'{k}'" for k in known[:12]) + (", ..." if len(known) > 12 else "")
    return f"Known: {shown}" if known else "None is defined yet"


def near_miss(name: str, absent: Iterable[str]) -> str | None:
    """Which of the names that are absent this one may be meant for: a slip of a finger, a word too many or too few."""
    key = re.sub(r"[\W_]+", "", name).casefold()
    for other in absent:
        wanted = other.replace("_", "")
        part = min(len(key), len(wanted)) >= 5 and (key in wanted or wanted in key)
        alike = difflib.SequenceMatcher(None, key[:200], wanted)
        if part or (alike.real_quick_ratio() >= 0.8 and alike.ratio() >= 0.8):
            return other
    return None


def parse_number(field: Field, text: str) -> float:
    """A finite number inside the field's bounds; CellProblem otherwise."""
    wanted = allowed(field)
    if text.strip().casefold().lstrip("+-") in _NOT_FINITE:
        raise CellProblem(f"expected {wanted}, not an endless or undefined one", "Enter the real value")
    if not _NUMBER.fullmatch(text.strip()):
        raise _no_number(field, text.strip())
    value = float(text)
    below = field.low is not None and (value < field.low or (field.above and value == field.low))
    over = field.high is not None and value > field.high
    if below or over or not math.isfinite(value):
        # A negative number or 0 is no slip of units.
        slip = field.hint and value > 0.0
        raise CellProblem(f"expected {wanted}", sentence(field.hint) if slip else "Correct the value")
    if field.whole and not value.is_integer():
        raise CellProblem(f"expected {wanted}", f"Enter a whole number: {field.meaning}")
    if 0.0 < abs(value) < LEAST_NUMBER:
        remedy = "Correct the value" if field.above else "Enter 0, or correct the value"
        raise CellProblem(f"expected {wanted}; this is nearer to 0 than anything that is measured", remedy)
    return value


# A number with a unit before or behind it: $3.20, 12 ft.
WITH_UNIT = re.compile(
    r"(?P<before>[^0-9\s.,+-][^0-9.,+-]*?)?\s*"
    r"(?P<number>[+-]?(?:[0-9][0-9,]*\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(?P<behind>[^0-9\s.,+-].*?)?"
)
_COMMA = re.compile(r"[+-]?[0-9][0-9.]*,[0-9,.]*")


def _no_number(field: Field, text: str) -> CellProblem:
    """What is wrong with a number that can't be read: another unit, a comma, or simply no number."""
    parted = WITH_UNIT.fullmatch(text)
    unit = unit_of((parted["before"] or "") + (parted["behind"] or "")) if parted else None
    wanted = allowed(field)
    if unit and not field.unit:
        return CellProblem(f"expected {wanted}, without a unit; this is in {unit}", "Enter the plain number")
    if unit and unit != field.unit:
        return CellProblem(f"expected {wanted}; this is in {unit}", f"Enter it in {field.unit}, or as a plain number")
    if _COMMA.fullmatch(text) or (parted and "," in parted["number"]):
        remedy = "Write decimals with a point, such as 1.5, and thousands without a comma"
        return CellProblem(f"expected {wanted}; a comma may part thousands or decimals", remedy)
    return CellProblem(f"expected {wanted}", "Retype it as a plain number")


def sentence(hint: str) -> str:
    """A hint as the start of a sentence."""
    return hint[:1].upper() + hint[1:]


def allowed(field: Field) -> str:
    """The field's bounds in words: 'a number of ft from 0 to 500'."""
    number = "a whole number" if field.whole else f"a number of {field.unit}" if field.unit else "a number"
    if field.low is None:
        return number
    start = f"above {field.low:g}" if field.above else f"from {field.low:g}"
    return f"{number} {start}" + (f" to {field.high:g}" if field.high is not None else "")


def choice_of(field: Field, text: str) -> str | None:
    """Which of the field's choices a word is, whatever its case; None where it is none."""
    return next((choice for choice in field.choices if choice.casefold() == text.strip().casefold()), None)


def parse_choice(field: Field, text: str) -> str:
    """The same; CellProblem where it is none."""
    found = choice_of(field, text)
    if found is None:
        raise CellProblem(f"expected one of {', '.join(field.choices)}", "Pick one of them")
    return found


def flag_of(text: str) -> bool | None:
    """Yes or no; None where a word is neither."""
    word = text.strip().casefold()
    return True if word in TRUE_WORDS else False if word in FALSE_WORDS else None


def parse_flag(text: str) -> bool:
    """The same; CellProblem where it is neither."""
    found = flag_of(text)
    if found is None:
        raise CellProblem("expected true or false", "Enter true or false")
    return found


_RECTANGULAR = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*[xX]\s*([0-9]+(?:\.[0-9]+)?)\s*")


def parse_size(text: str, unit: str, most: float) -> float | tuple[float, float]:
    """A round size in in or mm, or (width, height) of a rectangular one, up to ``most``; CellProblem otherwise."""
    match = _RECTANGULAR.fullmatch(text)
    if match:
        width, height = float(match[1]), float(match[2])
        if 0.0 < width <= most and 0.0 < height <= most:
            return width, height
    value = float(text) if _NUMBER.fullmatch(text.strip()) else math.nan
    parted = WITH_UNIT.fullmatch(text.strip())
    other = unit_of(parted["behind"] or "") if parted else None
    of, example, pair = ("inches", "7", "8x12") if unit == "in" else (unit, "160", "200x300")
    if other and other != unit:
        raise CellProblem(f"expected a size in {of}; this is in {other}", f"Enter it in {of}")
    if not (math.isfinite(value) and value >= LEAST_NUMBER):
        problem = f"expected a size in {of}, such as {example}, or width x height, such as {pair}"
        raise CellProblem(problem, "Retype the size")
    if value > most:
        raise CellProblem(f"expected a size in {of}, at most {most:g}", "Is this in another unit?")
    return value


def parse_fittings(text: str) -> list[tuple[str, int]]:
    """Names with counts out of 'collar + elbow_90*2'; CellProblem where a part is empty or a count is odd."""
    parts: list[tuple[str, int]] = []
    for part in text.split("+"):
        name, star, count = part.partition("*")
        if not name.strip():
            raise CellProblem("a fitting's name is missing beside a + or *", "Write 'collar + elbow_90*2'")
        if star and not re.fullmatch("0*[1-9][0-9]{0,2}", count.strip()):
            problem = f"the count of '{name.strip()}' must be a whole number from 1 to 999"
            raise CellProblem(problem, "Write 'elbow_90*2'")
        parts.append((name.strip(), int(count) if star else 1))
    return parts


def parse_rooms(text: str) -> tuple[str, ...]:
    """Room names out of 'Den; Bed 2', or ('*',)."""
    return tuple(name.strip() for name in text.split(";") if name.strip())
