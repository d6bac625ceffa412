"""Lengths as people write them on a plan: feet and inches, fractions."""

from __future__ import annotations

import re

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
