"""Units as people write them behind a number."""

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
