"""Units as people write them behind a number, and lengths as they write them on a plan: feet and inches, fractions."""

from __future__ import annotations

import re

# The unit as the schema writes it -> what people write for it, without case, spaces, dots and hyphens.
_WORDS: dict[str, tuple[str, ...]] = {
    "ft": ("ft", "foot", "feet", "'"),
    "in": ("in", "inch", "inches", '"', "''"),
    "ft2": ("ft2", "sqft", "sf", "squarefeet", "squarefoot"),
    "cfm": ("cfm", "ft3/min", "cuft/min"),
    "fpm": ("fpm", "ft/min", "feetperminute"),
    "inWC": ("inwc", "iwc", "inwg", "iwg", "inh2o", '"wc', '"wg', "wc", "wg", "inchwc", "incheswc"),
    "inWC/100 ft": ("inwc/100ft", "iwc/100ft", "inwg/100ft", "inh2o/100ft"),
    "%": ("%", "pct", "percent"),
    "Btu/h": ("btu/h", "btuh", "btu/hr"),
    "Btu/h ft2": ("btu/hft2", "btuh/ft2", "btu/h/ft2", "btu/hrft2", "btu/hr/ft2", "btuhft2"),
    "F": ("f", "°f", "degf", "degreesf", "fahrenheit"),
    "degrees": ("°", "deg", "degree", "degrees"),
    "tons": ("ton", "tons"),
    "USD": ("usd", "$"),
    "USD/ft": ("usd/ft", "$/ft", "/ft", "perft", "perfoot"),
    "m": ("m", "metre", "metres", "meter", "meters"),
    "cm": ("cm",),
    "mm": ("mm",),
    "m2": ("m2", "sqm"),
    "Pa": ("pa", "pascal", "pascals"),
    "kPa": ("kpa",),
    "Pa/m": ("pa/m",),
    "W/m2": ("w/m2",),
    "USD/m": ("usd/m", "$/m"),
    "L/s": ("l/s", "lps"),
    "m3/h": ("m3/h", "cmh"),
    "m3/s": ("m3/s",),
    "m/s": ("m/s", "mps"),
    "C": ("c", "°c", "degc", "degreesc", "celsius"),
    "W": ("w", "watt", "watts"),
    "kW": ("kw",),
    "lb": ("lb", "lbs"),
    "EUR": ("eur", "€"),
    "GBP": ("gbp", "£"),
}
_UNIT = {word: unit for unit, words in _WORDS.items() for word in words}


def unit_of(word: str) -> str | None:
    """The unit that a word stands for, as the schema writes it; None where it stands for none that is known."""
    return _UNIT.get(re.sub(r"[\s._-]+", "", word.casefold()).replace("²", "2").replace("³", "3"))


_FRACTION = r"[0-9]{1,2}/(?:2|4|8|16|32)"
_INCHES = rf"(?:[0-9]{{1,4}}\s+{_FRACTION}|[0-9]{{1,4}}-{_FRACTION}|{_FRACTION}|[0-9]{{1,4}}(?:\.[0-9]+)?)"
_FOOT, _INCH = r"(?:'|ft\b\.?|feet\b|foot\b)", r"(?:\"|''|in\b\.?|inch\b|inches\b)"
_FEET_AND_INCHES = re.compile(rf"([0-9]{{1,4}})\s*{_FOOT}\s*-?\s*({_INCHES})\s*{_INCH}", re.IGNORECASE)
_ONLY_INCHES = re.compile(rf"({_INCHES})\s*{_INCH}", re.IGNORECASE)
_FEET_IN_PARTS = re.compile(rf"([0-9]{{1,4}}\s+{_FRACTION})\s*{_FOOT}?", re.IGNORECASE)


def feet_of(text: str) -> float | None:
    """Feet out of 12'6", 12'-6", 12 ft 6 1/2 in, 150 in or 12 1/2; None for anything else.

    That is, too, for what may be read two ways (12-6, 12/6, 12'6) or can't be meant (12'14", an improper fraction).
    """
    text = " ".join(text.split())
    both = _FEET_AND_INCHES.fullmatch(text)
    if both:
        inches = _with_fraction(both[2])
        return None if inches is None or inches >= 12.0 else float(both[1]) + inches / 12.0
    alone = _ONLY_INCHES.fullmatch(text)
    if alone:
        inches = _with_fraction(alone[1])
        return None if inches is None else inches / 12.0
    parts = _FEET_IN_PARTS.fullmatch(text)
    return _with_fraction(parts[1]) if parts else None


def _with_fraction(text: str) -> float | None:
    """A number, or a whole one with a fraction behind it; None where that fraction is not below 1."""
    total = 0.0
    for part in re.split(r"[\s-]+", text):
        above, _, below = part.partition("/")
        if below and int(above) >= int(below):
            return None
        total += float(above) / float(below or 1)
    return total
