"""CSV text that people open in spreadsheets: no text from input acts there as a formula."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from typing import Any

import numpy as np

_ACTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_text(lines: Iterable[Iterable[Any]]) -> str:
    """Lines of cells as CSV; True and False are yes and no, None and NaN are empty."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([_cell(value) for value in line] for line in lines)
    return text.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, float):
        return "" if math.isnan(value) else value
    return harmless(value) if isinstance(value, str) else value


def harmless(text: str) -> str:
    """The text, with an apostrophe before it where a spreadsheet would take it for a formula."""
    return "'" + text if text.lstrip(" ").startswith(_ACTS) else text
