"""stub"""

from __future__ import annotations
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class StockSize:
    """A size of one kind and shape of duct."""

    kind: str
    shape: str
    size: str

    @property
    def order(self) -> tuple[bool, bool, float, str]:
        return (self.kind != "flex", self.shape != "round", 0.0, self.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class StockEntry:
    sizes: tuple[StockSize, ...]
    cost: float
    bound: float
    proven: bool
    worst_plan: str
    worst_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StockList:
    entries: tuple[StockEntry, ...]
    least_cost: float
    cost_unit: str
    why_empty: str = ""
