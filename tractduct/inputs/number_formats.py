"""What a workbook's number format shows beside a number: a unit, a currency, per cent, thousands.

The letters of formats are those of ECMA-376 part 1, 18.8.31 (from memory).
"""

from __future__ import annotations

import operator
import re
from dataclasses import dataclass
from functools import lru_cache

# A text in quotes or behind a backslash; a currency; a condition; a colour, a language, a gap or a filling, which show
# no letters; an exponent; digits, also of a fraction; any other letter, which stands for itself.
_TOKEN = re.compile(
    r'"(?P<quoted>[^"]*)"?|\\(?P<escaped>.)|\[\$(?P<currency>[^\]-]*)[^\]]*\]'
    r"|\[(?P<sign>[<>=]+)(?P<than>-?[0-9]+\.?[0-9]*)\]"
    r"|\[[^\]]*\]|[_*].|[eE][-+](?=[0#?])|(?P<digits>General|[0#?]+ ?/ ?[0-9#?]+|[0#?.,@]+)|(?P<letter>.)",
    re.IGNORECASE | re.DOTALL,
)
_SIGNS = {"<": operator.lt, "<=": operator.le, "=": operator.eq, "<>": operator.ne, ">": operator.gt, ">=": operator.ge}
_AROUND = set("()+-\u2212")  # how a number may show its sign, which it keeps anyway
_SCALES = ("", " thousand ", " million ")


@dataclass(slots=True)
class _Part:
    """One part of a format; several, with ; between, are for numbers above, under and at 0, or as conditions say."""

    before: str = ""
    digits: str = ""
    behind: str = ""
    hundreds: int = 0
    sign: str = ""
    than: float = 0.0

    @property
    def thousands(self) -> int:
        """Commas behind all digits leave out three each; one between digits only parts them."""
        return sum(map(len, re.findall(r",+(?=\.|$)", self.digits)))

    def holds(self, value: float) -> bool:
        return self.sign not in _SIGNS or bool(_SIGNS[self.sign](value, self.than))


@lru_cache(maxsize=256)
def _parts(number_format: str) -> tuple[_Part, ...]:
    parts = [_Part()]
    for token in _TOKEN.finditer(number_format):
        part, found = parts[-1], token.groupdict(default="")
        if found["letter"] == ";":
            parts.append(_Part())
            continue
        part.digits += found["digits"]
        part.hundreds += found["letter"] == "%"
        if found["sign"]:
            part.sign, part.than = found["sign"], float(found["than"])
        shown = found["quoted"] + found["escaped"] + found["currency"] + found["letter"].replace("%", "")
        if shown and set(shown) <= _AROUND:
            shown = ""
        if part.digits:
            part.behind += shown
        else:
            part.before += shown
    return tuple(parts)


def as_shown(value: float, text: str, number_format: str) -> str:
    """A number as one would type it to see what the cell shows: ``5%`` where the file holds 0.05.

    ``text`` is the number as the file holds it, and its digits stay, where the format shows fewer of them. A number
    shown in thousands has that in a word, as nobody can tell whether it is meant.
    """
    parts = _parts(number_format)
    if any(part.sign for part in parts):
        part = next((part for part in parts[:3] if part.holds(value)), parts[0])
    else:
        place = 1 if value < 0.0 else 2 if value == 0.0 else 0
        part = parts[place if place < len(parts) else 0]
    if not part.digits:
        return part.before.strip() or text
    if part.hundreds or part.thousands:
        text = f"{value * 100.0**part.hundreds / 1000.0**part.thousands:.12g}"
    scale = _SCALES[min(part.thousands, 2)]
    return f"{part.before}{text}{scale}{'%' * part.hundreds}{part.behind}".strip()
