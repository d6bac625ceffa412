"""Kinds of arrays, and structures that hold nothing but arrays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

Arrays = TypeVar("Arrays")  # a dataclass whose fields are all arrays


def each(of: Arrays, change: Callable[[NDArray[Any]], NDArray[Any]]) -> Arrays:
    """The same structure with each of its arrays changed alike, such as to some of their rows."""
    return type(of)(**{f.name: change(getattr(of, f.name)) for f in fields(of)})  # type: ignore[arg-type]


def one_after_another(parts: Sequence[Arrays]) -> Arrays:
    """Structures of one kind as one, the arrays joined along their first axis."""
    names = [f.name for f in fields(parts[0])]  # type: ignore[arg-type]
    return type(parts[0])(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})
