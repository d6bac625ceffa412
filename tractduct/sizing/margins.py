"""By how much each limit holds: the tightest of each sort, from what the independent check worked out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from tractduct.arrays import FloatArray, IntArray
from tractduct.network.variants import Variant
from tractduct.sizing.case import Case
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN, highest_allowed
from tractduct.sizing.verify import Verification

PRESSURE, VELOCITY, SIZE = "pressure", "velocity", "size"


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """The tightest limit of one sort, by the part of the limit that is left.

    Attributes
    ----------
    limit : pressure, velocity, or size against the parent's
    of : whose limit it is: a side; side, role and kind; empty for sizes
    place, variant : the run or section, and where it is tightest; None for a size, which is the same in all
    amount, allowed : both in ``unit``; of a size the section's and its parent's equivalent diameter
    limits, exact : limits of this sort, each variant counted, and how many of them are met exactly
    """

    limit: str
    of: str
    place: str
    variant: Variant | None
    amount: float
    allowed: float
    unit: str
    limits: int
    exact: int

    @property
    def left(self) -> float:
        """What is left of the limit; below 0 by rounding alone, where it is met exactly."""
        return self.allowed - self.amount

    @property
    def left_pct(self) -> float:
        return 100.0 * self.left / self.allowed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Margins:
    """``tightest``: one of each sort that the plan has; ``velocity_fpm``: section -> what is left, (n_variant,)."""

    tightest: tuple[Margin, ...]
    velocity_fpm: Mapping[str, FloatArray]

    @property
    def exact(self) -> int:
        """Limits of pressure and velocity, each variant counted, that are met exactly."""
        return sum(m.exact for m in self.tightest if m.limit != SIZE)

    def closest(self, limit: str) -> Margin | None:
        """The tightest of all of a sort."""
        return min((m for m in self.tightest if m.limit == limit), key=lambda m: round(m.left_pct, 9), default=None)


def margins_of(case: Case, checked: Verification, size_index: IntArray, available_inwc: FloatArray) -> Margins:
    """The margins of a size set that was checked. ``available_inwc``: (n_variant, n_path)."""
    plan, sections = case.plan, case.tree.sections
    return Margins(
        tightest=(*_pressures(case, checked, available_inwc), *_velocities(case, checked), *_sizes(case, size_index)),
        velocity_fpm={s.name: plan.velocity_limit_fpm(s) - checked.velocity_fpm[s.name] for s in sections},
    )


def _pressures(case: Case, checked: Verification, available_inwc: FloatArray) -> Iterator[Margin]:
    for side in ("supply", "return"):
        mine = [p for p, run in enumerate(case.tree.runs) if run.side == side]
        names = [case.tree.runs[p].name for p in mine]
        if names:
            loss = np.column_stack([checked.path_loss_inwc[name] for name in names])
            yield from _tightest(case, PRESSURE, side, names, loss, available_inwc[:, mine], "inWC")


def _velocities(case: Case, checked: Verification) -> Iterator[Margin]:
    groups: dict[str, list[int]] = {}
    for i, s in enumerate(case.tree.sections):
        groups.setdefault(f"{s.side} {s.role} {s.kind}", []).append(i)
    for of, members in sorted(groups.items(), key=lambda group: (group[0].startswith("return"), group[0])):
        sections = [case.tree.sections[i] for i in members]
        names = [s.name for s in sections]
        speed = np.column_stack([checked.velocity_fpm[name] for name in names])
        limit = np.broadcast_to([case.plan.velocity_limit_fpm(s) for s in sections], speed.shape)
        yield from _tightest(case, VELOCITY, of, names, speed, limit, "fpm")


def _tightest(
    case: Case, limit: str, of: str, names: list[str], amount: FloatArray, allowed: FloatArray, unit: str
) -> Iterator[Margin]:
    """Of amounts (n_variant, n_name); NaN where there is no limit to meet. Nothing where none has one.

    Of sizes, which are the same in all variants, (1, n_name).
    """
    live = np.isfinite(amount)
    if not live.any():
        return
    # Rounded, so that machines agree on which of two equal ones it is.
    left = np.where(live, np.round(1.0 - amount / allowed, 12), np.inf)
    v, n = np.unravel_index(int(np.argmin(left)), left.shape)
    alike = DIAMETER_TOLERANCE_IN if limit == SIZE else highest_allowed(allowed) - allowed
    exact = live & (np.abs(amount - allowed) <= alike)
    yield Margin(
        limit=limit,
        of=of,
        place=names[n],
        variant=None if limit == SIZE else case.variants.variants[v],
        amount=float(amount[v, n]),
        allowed=float(allowed[v, n]),
        unit=unit,
        limits=int(np.count_nonzero(live)),
        exact=int(np.count_nonzero(exact)),
    )


def _sizes(case: Case, size_index: IntArray) -> Iterator[Margin]:
    own, parent = case.diameter_in[size_index], case.tree.parent
    children = np.flatnonzero(parent >= 0)
    names = [case.tree.sections[child].name for child in children]
    yield from _tightest(case, SIZE, "", names, own[None, children], own[None, parent[children]], "in")
