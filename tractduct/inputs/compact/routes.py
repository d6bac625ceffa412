"""The way of a duct as people write it: its legs, and the bends between them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tractduct.inputs.cells import CellProblem, parse_number
from tractduct.inputs.schema import Field
from tractduct.inputs.spelling import plain_text

# (x, y, height) of one foot, seen from the street.
WAYS = {"f": (0, -1, 0), "b": (0, 1, 0), "l": (-1, 0, 0), "r": (1, 0, 0), "u": (0, 0, 1), "d": (0, 0, -1)}
_WAY = re.compile(r"(front|back|left|right|up|down|[fblrud])\s*(?=[0-9.])", re.IGNORECASE)
_ALONG = re.compile(r"@\s*(\S+)\s+(.*)")  # @6 b8 r4: from 6 ft along what it hangs on
_ANGLE = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*(?:\u00b0|deg(?:rees)?\.?)", re.IGNORECASE)
_COMMON_ANGLES = ("45", "90", "135")
SHARPEST_DEG = 157.5
_EXAMPLE = "Write 14, 8+6 with a right angle between, 8+45deg+6, or the way that it runs: b8 r6 u2"


@dataclass(frozen=True, slots=True)
class Route:
    """``length`` in the plan's unit; ``bends_deg`` between its legs.

    ``legs`` (n_leg, 3) are their vectors, right, back and up, where the way they run is known; they start ``along``
    what the section hangs on, at its end where that is None.
    """

    length: float
    bends_deg: tuple[float, ...] = ()
    legs: NDArray[np.float64] | None = None
    along: float | None = None


def parse_route(field: Field, text: str) -> Route:
    """A route; CellProblem where it can't be read, or may be read two ways. ``field`` declares a length."""
    at = _ALONG.fullmatch(text)
    if at and _WAY.match(at[2]):
        return replace(_by_ways(field, at[2]), along=_length(field, at[1]))
    if _WAY.match(text):
        return _by_ways(field, text)
    lengths: list[float] = []
    bends: list[float] = []
    angle: float | None = None
    parts = [part.strip() for part in text.split("+")]
    for n, part in enumerate(parts):
        turned = _ANGLE.fullmatch(part)
        inner = 0 < n < len(parts) - 1
        if turned and inner and angle is None:
            angle = float(turned[1])
            continue
        if turned or not part:
            raise CellProblem("a bend stands between two lengths", _EXAMPLE)
        if part in _COMMON_ANGLES and inner and angle is None:
            remedy = f"Write {part}deg for a bend, {part} {field.unit} for a length"
            raise CellProblem(f"{part} may be a length or a bend", remedy)
        lengths.append(_length(field, part))
        if len(lengths) > 1:
            bends.append(90.0 if angle is None else angle)
        angle = None
    if any(bend > SHARPEST_DEG for bend in bends):
        raise CellProblem(f"a bend of more than {SHARPEST_DEG:g} degrees turns back", "Correct the bend")
    return Route(_whole(field, sum(lengths)), tuple(bends))


def _by_ways(field: Field, text: str) -> Route:
    pieces = _WAY.split(text)
    if pieces[0].strip():
        raise CellProblem("its first leg does not say which way it runs", _EXAMPLE)
    ways = [way[0].casefold() for way in pieces[1::2]]
    lengths = [_length(field, piece.strip(" ,;+")) for piece in pieces[2::2]]
    legs = np.array([WAYS[way] for way in ways], dtype=float) * np.array(lengths)[:, None]
    return Route(_whole(field, sum(lengths)), bends_of(legs), legs)


def bends_of(legs: NDArray[np.float64]) -> tuple[float, ...]:
    """Degrees between one leg and the next; CellProblem where it turns back. Legs of no length are passed over."""
    size = np.linalg.norm(legs, axis=1)
    along = legs[size > 0.0] / size[size > 0.0, None]
    cosine = np.clip((along[1:] * along[:-1]).sum(axis=1), -1.0, 1.0)
    bends = tuple(float(bend) for bend in np.degrees(np.arccos(cosine)))
    if any(bend > SHARPEST_DEG for bend in bends):
        raise CellProblem("the route turns back on itself", "Correct the way that one of its legs runs")
    return tuple(bend for bend in bends if bend > 1e-6)


def count_bends(bends_deg: Sequence[float]) -> tuple[int, int]:
    """Bends of 90 and of 45 degrees for these: below 22.5 none, to 67.5 a 45, to 112.5 a 90, beyond both."""
    right = sum(bend >= 67.5 for bend in bends_deg)
    half = sum(22.5 <= bend < 67.5 or bend >= 112.5 for bend in bends_deg)
    return right, half


def _length(field: Field, text: str) -> float:
    return parse_number(field, plain_text(field, text))


def _whole(field: Field, length: float) -> float:
    """The length of all legs, inside the bounds of a section's."""
    return parse_number(field, f"{length:.10g}")
