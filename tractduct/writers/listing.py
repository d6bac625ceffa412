"""One specification a list: its rows; and made from them its CSV file, the cells of a sheet, a DataFrame."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import numpy as np

from tractduct.model.options import Built
from tractduct.one_plan import Study
from tractduct.units import MEASURES, UnitSystem
from tractduct.writers.book.looks import SHORT, TEXT, Column, Look, Value, plain, size_value
from tractduct.writers.csv_text import csv_text

if TYPE_CHECKING:
    import pandas as pd

T = TypeVar("T")
Row = Sequence[Any]  # as a list's function yields it
Rows = list[dict[str, Any]]  # the same by the keys of the columns
Columns = Column | Callable[[Study], Iterable[Column]]

COST = "cost"  # the unit of a cost: the plan's money, or the area of duct wall
_ENDINGS = {f"_{m.ending}": m.name for m in MEASURES.values() if m.ending and m.name not in ("roughness", "size")}
_ENDINGS |= {"_pct": "%", "_deg": "°"}


def col(
    key: str,
    header: str = "",
    meaning: str = "",
    look: Look = SHORT,
    width: float = 10.0,
    *,
    unit: str | None = None,
    show: Callable[[Any], Value] | None = None,
    without: str = "",
) -> Column:
    """A column of a list. The ending of its key says its unit, where ``unit`` does not."""
    if unit is None:
        ending = max((e for e in _ENDINGS if key.endswith(e)), key=len, default="")
        unit = _ENDINGS.get(ending, "")
    return Column(header or key.replace("_", " "), look, width, unit, key, meaning or header, show, without)


def turned(mirrored: Any) -> str:
    return "mirrored" if mirrored else "as drawn"


def face_text(front: str, mirrored: bool) -> str:
    return f"{front}, mirrored" if mirrored else front


def size_cell(label: Any) -> Value:
    return size_value(str(label)) if label else None


FRONT = col("front_faces", "Front", "compass point that the front faces", Look(align="center"), 8)


def options_column(study: Study) -> list[Column]:
    """The column of what a house is built with; none where the plan has no options. ``options_of`` has its value."""
    meaning = "what the house is built with, joined by +; empty: none"
    found = col("options", "Options", meaning, TEXT, 26, show=lambda v: v or "none")
    return [found] if study.plan.options else []


def options_of(study: Study, built: Built) -> tuple[str, ...]:
    """The value of ``options_column`` as a part of a row."""
    return (" + ".join(built),) if study.plan.options else ()


MIRRORED = col("mirrored", "Mirrored", "the plan swapped left for right", width=10.5, show=turned)
SEASON = col("season", "Season", "heating or cooling")
VARIANT = (
    FRONT,
    MIRRORED,
    SEASON,
    col("flex", "Flex", "the flex product installed", width=12),
    options_column,
)


class Listing(Generic[T]):
    """A list of its subject (a study, a delivery, ...) in the core's units: ``rows``, or called a DataFrame of them.

    ``name`` is that of its CSV file, ``about`` says what its rows are.
    """

    def __init__(self, name: str, columns: Sequence[Columns], make: Callable[[T], Iterable[Row]]) -> None:
        self.name, self._columns, self._make = name, columns, make
        self.about = " ".join((make.__doc__ or "").split())
        known = "; ".join(f"{c.key}: {c.meaning}" for c in columns if isinstance(c, Column))
        self.__doc__ = f"{self.about}\n\nColumns: {known}."

    def rows(self, subject: T) -> Rows:
        """Each row by the keys of its columns."""
        keys = [c.key for c in self.columns(subject)]
        return [dict(zip(keys, row, strict=True)) for row in self._make(subject)]

    def __call__(self, subject: T) -> pd.DataFrame:
        import pandas as pd  # for Python users alone: no command waits for it

        return pd.DataFrame(self.rows(subject), columns=[c.key for c in self.columns(subject)])

    def columns(self, subject: T, keys: Iterable[str] = ()) -> list[Column]:
        """What each column is called and means, or each of those with some keys, in the order of these.

        Costs are in the unit of the study.
        """
        study = _study(subject)
        found: list[Column] = []
        for one in self._columns:
            found += [one] if isinstance(one, Column) else one(study)
        found = [replace(c, unit=study.cost_unit) if c.unit == COST else c for c in found]
        known = {c.key: c for c in found}
        return [known[key] for key in keys] or found

    def csv(self, subject: T) -> str:
        """The list in the plan's units; no text acts as a formula. Empty where it has no rows."""
        rows, units = self.rows(subject), _units(subject)
        if not rows:
            return ""
        columns = self.columns(subject)
        written = [_written([row[c.key] for row in rows], c.unit, units) for c in columns]
        return csv_text([[units.name_of(c.key, c.unit) for c in columns], *zip(*written, strict=True)])

    def documented(self, subject: T) -> list[tuple[str, str, str, str]]:
        """File, column, unit and meaning of each column, as ``csv`` has them."""
        units = _units(subject)
        return [
            (f"{self.name}.csv", units.name_of(c.key, c.unit), units.unit(c.unit), c.meaning)
            for c in self.columns(subject)
        ]


def listing(name: str, *columns: Columns) -> Callable[[Callable[[T], Iterable[Row]]], Listing[T]]:
    """Make a list of a function that yields its rows; the function's docstring says what they are."""
    return lambda make: Listing(name, columns, make)


def cells(rows: Rows, columns: Sequence[Column]) -> list[list[Value]]:
    """Rows of a list as cells of a sheet, in the core's units."""
    return [[(c.show or plain)(row[c.key]) for c in columns] for row in rows]


def _study(subject: Any) -> Study:
    found: Study = getattr(subject, "study", subject)
    return found


def _units(subject: Any) -> UnitSystem:
    return _study(subject).plan.units


def _written(values: list[Any], unit: str, units: UnitSystem) -> list[Any]:
    """A column in the plan's units. Where it has numbers alone all are of one kind, whole or with up to 6 decimals."""
    if any(isinstance(value, (str, bool, np.bool_)) for value in values):
        return values
    numbers = np.array([math.nan if value is None else value for value in values])
    if unit in MEASURES:
        numbers = units.shown(numbers.astype(float), unit)
    return list(numbers.round(6).tolist())
