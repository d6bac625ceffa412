"""What several sheets need of a study, worked out once, and the words they share."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
import pandas as pd

from tractduct.model.plan import Section
from tractduct.network.airstream import Airstream, airstream
from tractduct.network.variants import Variant
from tractduct.report import Report
from tractduct.units import UnitSystem
from tractduct.writers import tables
from tractduct.writers.book.looks import CENTRE, SHORT, Column, Value, plain


class Facts:
    """A report, and what several sheets need of it."""

    def __init__(self, report: Report) -> None:
        self.report = report
        self.study = report.study
        self.delivery = report.delivery
        self.sections = {s.name: s for s in report.study.tree.sections}

    @property
    def has_set(self) -> bool:
        return self.study.sized is not None

    @property
    def from_blower(self) -> bool:
        """True where the pressure for the ducts is what the blower leaves after the devices."""
        return not self.study.plan.budget_given

    @cached_property
    def airstream(self) -> Airstream:
        variants = self.study.variants
        return airstream(self.study.plan, variants.variants, variants.room_airflow_cfm.sum(axis=1))

    @cached_property
    def paths(self) -> pd.DataFrame:
        return tables.paths(self.study)

    @cached_property
    def worst_by_run(self) -> pd.DataFrame:
        """The row of ``paths`` with the least slack of each run, tightest first."""
        frame = self.paths
        if frame.empty:
            return frame
        slack = frame["slack_pct"].round(9)  # what is a tie but for the last bits is one
        worst = slack.groupby(frame["run"], sort=False).idxmin()
        return frame.loc[slack[worst].sort_values(kind="stable").index].reset_index(drop=True)

    def tightest(self, p: int) -> int:
        """The variant with the least part of its pressure to spare along a run; without a set, the one with the
        lowest friction rate."""
        study = self.study
        live = study.variants.open_run[:, p]
        part = study.by_friction_rate.friction_rate[:, p]
        if study.sized is not None:
            part = (
                1.0
                - study.sized.verification.path_loss_inwc[study.tree.runs[p].name]
                / study.by_friction_rate.path_available_inwc[:, p]
            )
        return int(np.argmin(np.where(live, np.round(part, 12), np.inf)))

    @property
    def units(self) -> UnitSystem:
        return self.study.plan.units

    def money(self, amount: float) -> str:
        """A cost of the study with its unit; without prices, of duct wall."""
        unit = self.study.cost_unit
        return self.units.say(amount, unit, ",.0f") + ("" if unit == "USD" else " of duct wall")

    def size_width(self, least: float) -> float:
        """Width of a column of sizes that holds the longest of the plan with a mark, at least so wide."""
        return max(least, 1.25 + 1.25 * max(len(size.label) for size in self.study.table.sizes))

    def over_least_pct(self) -> float:
        """How much more the set costs than the least possible."""
        best, least = self.study.recommended.cost, self.study.least_cost.cost
        return 100.0 * (best / least - 1.0) if least > 0.0 else 0.0

    def room(self, section: Section) -> str:
        only = f" ({section.season} only)" if section.season else ""
        return tables.room_text(section) + only


def turned(mirrored: bool) -> str:
    return "mirrored" if mirrored else "as drawn"


def named(words: Sequence[str], most: int = 6) -> str:
    """Words in a row, the rest counted."""
    if len(words) <= most:
        return ", ".join(words)
    return ", ".join(words[:most]) + f" and {len(words) - most} more"


def counted(number: int, word: str, plural: str = "") -> str:
    return f"{number} {word if number == 1 else plural or word + 's'}"


def frame_rows(frame: pd.DataFrame, columns: Sequence[str]) -> list[list[Value]]:
    """A DataFrame's columns as rows of plain values; a row of nothing where no column is asked for."""
    if not columns:
        return [[] for _ in range(len(frame))]
    return [list(row) for row in zip(*([plain(v) for v in frame[c].tolist()] for c in columns), strict=True)]


VARIANT_COLUMNS = (
    Column("Front faces", CENTRE, 8),
    Column("Mirrored", SHORT, 10.5),
    Column("Season", SHORT, 10),
    Column("Flex", SHORT, 12),
)


def variant_cells(variant: Variant) -> list[Value]:
    """The four variant columns in words."""
    return [variant.front, turned(variant.mirrored), variant.season, variant.flex or None]


def variant_rows(frame: pd.DataFrame) -> list[list[Value]]:
    """The four variant columns of a DataFrame in words, row by row."""
    columns = (frame[c].tolist() for c in tables.VARIANT_COLUMNS)
    return [[face, turned(m), season, flex or None] for face, m, season, flex in zip(*columns, strict=True)]


def joined(frame: pd.DataFrame, before: Sequence[str], after: Sequence[str]) -> list[list[Value]]:
    """Rows of some columns, the variant in words, and some more columns."""
    parts = frame_rows(frame, before), variant_rows(frame), frame_rows(frame, after)
    return [a + b + c for a, b, c in zip(*parts, strict=True)]
