"""The least cost by going through the sizes of the trunks, where a linear bound leaves few of them.

Once every section that has children has its size, each section at the end of a duct can be chosen alone: the cheapest
size with which its circuits hold in every variant. So only the trunks are gone through, parents first. A start is
dropped as soon as what it must cost by the bound passes the ceiling; and of starts that differ in nothing that later
sections look at, all but the cheapest. Of two ends in one circuit one counts as a trunk. Sections on no end's own line
are aside, as the returns are where circuits join them with the supply: later sections look at the pressure alone that
those leave, so that a start goes that costs more than another and leaves nowhere more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray, each
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN, SizingProblem

_MOST_STARTS = 50_000  # in hand; with more an integer program is no slower
_ROUNDING = 1e-12  # part of a limit: losses are added in another order than where a set is checked


@dataclass(frozen=True, slots=True, eq=False)
class _Starts:
    """Sizes of the sections looked at so far.

    ``size`` (n_start, n_section); ``extra`` (n_start,) what each must cost above the bound; ``cost`` what it does cost;
    ``next_cost`` how much more the next cheapest does that is the same to later sections.
    """

    size: IntArray
    extra: FloatArray
    cost: FloatArray
    next_cost: FloatArray

    def rows(self, rows: IntArray) -> _Starts:
        return each(self, lambda values: values[rows])

    def where(self, keep: BoolArray) -> _Starts:
        """Those of a (n_start,) mask: often all of them."""
        return self if keep.all() else self.rows(np.flatnonzero(keep))

    def with_size(self, section: int, size: IntArray, extra: FloatArray, cost: FloatArray) -> _Starts:
        """Each with a size of one more section, and what that adds."""
        sizes = self.size.copy()
        sizes[:, section] = size
        return _Starts(sizes, self.extra + extra, self.cost + cost, self.next_cost)

    def cheapest_by(self, sections: IntArray) -> _Starts:
        """The cheapest of those that have the same sizes of some sections."""
        if self.cost.size == 1:
            return self
        alike = _alike(self.size[:, sections])[1]
        order = np.lexsort((self.cost, alike))
        first = np.flatnonzero(np.diff(alike[order], prepend=-1))
        best = order[first]
        extra = np.minimum.reduceat(self.extra[order], first)
        others = self.cost[order] - np.repeat(self.cost[best], np.diff(first, append=order.size))
        others[first] = self.next_cost[best]
        return _Starts(self.size[best], extra, self.cost[best], np.minimum.reduceat(others, first))


class Enumeration:
    """The order in which a problem's sections are looked at, and what each looks at; one for all ceilings."""

    def __init__(self, problem: SizingProblem) -> None:
        self._problem = problem
        self._limit = problem.limit_inwc + _ROUNDING * np.maximum(1.0, np.abs(problem.limit_inwc))
        path = problem.path.astype(float)
        self._joined: BoolArray = path.T @ path > 0.0  # by a circuit or as parent and child
        children = np.flatnonzero(problem.parent >= 0)
        self._joined[children, problem.parent[children]] = True
        self._is_end = self._ends()
        on_line = self._is_end.copy()
        for section in range(on_line.size - 1, -1, -1):
            on_line[problem.parent[section]] |= on_line[section] and problem.parent[section] >= 0
        self._aside = ~on_line
        for section, parent in enumerate(problem.parent):
            self._aside[section] &= parent < 0 or self._aside[parent]
        self._order = self._in_order()
        place = np.empty(len(self._order), dtype=np.intp)
        place[self._order] = np.arange(place.size)
        # circuits without an end are looked at once their last section has a size
        without_end = problem.path & ~np.any(problem.path[:, self._is_end], axis=1, keepdims=True)
        self._closes = np.where(without_end, place, -1).max(axis=1)
        looks_at = np.eye(place.size, dtype=bool)
        looks_at[children, problem.parent[children]] = True
        looks_at[self._is_end] |= self._joined[self._is_end]
        for circuit in np.flatnonzero(self._closes >= 0):
            looks_at[self._order[self._closes[circuit]]] |= problem.path[circuit]
        self._place = place
        self._last_use = np.where(looks_at, place[:, None], -1).max(axis=0)
        together = [np.flatnonzero(problem.path[:, end]) for end in np.flatnonzero(self._is_end)]
        self._looked_at_together = [*together, *np.flatnonzero(self._closes >= 0)[:, None]]

    def _ends(self) -> BoolArray:
        """Sections without children of which no circuit has two; those that share with the fewest first."""
        childless = ~np.isin(np.arange(self._problem.parent.size), self._problem.parent)
        shares = self._joined & childless
        is_end = np.zeros(childless.size, dtype=bool)
        for section in np.argsort(shares.sum(axis=1), kind="stable"):
            is_end[section] = bool(childless[section]) and not (shares[section] & is_end).any()
        return is_end

    def _in_order(self) -> list[int]:
        """Ends of one trunk together, each after all trunks that it looks at, and those after their parents."""
        lines: list[tuple[int, ...]] = []  # of each section, from the air handler
        for section, parent in enumerate(self._problem.parent):
            lines.append((*(lines[parent] if parent >= 0 else ()), section))
        order: dict[int, None] = dict.fromkeys(np.flatnonzero(self._aside).tolist())
        for end in sorted(np.flatnonzero(self._is_end).tolist(), key=lambda each: lines[each]):
            for trunk in np.flatnonzero(self._joined[end] & ~self._is_end):
                order.update(dict.fromkeys(lines[trunk]))
            order[end] = None
        for section in range(len(lines)):
            order.update(dict.fromkeys(lines[section]))
        return list(order)

    def least(
        self, extra: FloatArray, spare: float, slack: float, variants: IntArray
    ) -> tuple[IntArray | None, bool] | None:
        """The sizes that cost least, and whether none else costs so little; None where too many would be looked at.

        Parameters
        ----------
        extra : (n_section, n_size)
            What a size costs above the section's least by a linear bound; infinite where not to be used.
        spare : sets whose extras add up to more do not count
        slack : costs that differ by this are equal
        variants : whose limits count

        The sizes are None where no set counts.
        """
        problem, n_section = self._problem, len(extra)
        loss, limit = problem.loss_inwc[variants], self._limit[variants]
        starts = _Starts(np.full((1, n_section), -1, dtype=np.intp), np.zeros(1), np.zeros(1), np.full(1, np.inf))
        for place, section in enumerate(self._order):
            sizes = np.flatnonzero(extra[section] <= spare)
            if self._is_end[section]:
                starts = self._with_end(starts, section, sizes, extra[section, sizes], loss, limit)
            else:
                starts = self._with_trunk(starts, section, sizes, extra[section, sizes])
            for circuit in np.flatnonzero(self._closes == place):
                lost = _lost(loss, starts.size, np.flatnonzero(problem.path[circuit]))
                starts = starts.where(np.all(lost <= limit[:, circuit, None], axis=0))
            starts = starts.where(starts.extra <= spare)
            if not starts.cost.size:
                return None, True
            if self._aside[section] and starts.cost.size > 1:
                starts = starts.rows(self._not_outdone(starts, place, slack, loss, limit))
            if (self._last_use == place).any():
                starts = starts.cheapest_by(np.flatnonzero((self._place <= place) & (self._last_use > place)))
            if starts.cost.size > _MOST_STARTS:
                return None
        return starts.size[0], bool(starts.next_cost[0] > slack)

    def _not_outdone(self, starts: _Starts, place: int, slack: float, loss: FloatArray, limit: FloatArray) -> IntArray:
        """The starts of sections aside than which no other costs less and leaves as much pressure everywhere."""
        is_placed = self._place <= place
        later = self._aside & ~is_placed
        still_seen = np.flatnonzero(self._aside & is_placed & self._joined[later].any(axis=0))
        aside = self._problem.path & self._aside
        left: dict[bytes, FloatArray] = {}  # what each end has, and each circuit without one; alike ones once
        for circuits in self._looked_at_together:
            circuits = circuits[(aside[circuits] <= is_placed).all(axis=1)]
            key = aside[circuits].tobytes() + limit[:, circuits].tobytes()
            if circuits.size and key not in left:
                each = [limit[:, c, None] - _lost(loss, starts.size, np.flatnonzero(aside[c])) for c in circuits]
                left[key] = np.asarray(np.min(each, axis=0))
        everywhere = np.concatenate([starts.size[:, still_seen].T, *left.values()])
        seen_alike = still_seen.size
        kept = np.ones(starts.cost.size, dtype=bool)
        for best in np.argsort(starts.cost, kind="stable"):
            if kept[best]:
                mine = everywhere[:, best, None]
                outdone = starts.cost > starts.cost[best] + slack
                outdone &= (everywhere[:seen_alike] == mine[:seen_alike]).all(axis=0)
                kept &= ~(outdone & (everywhere[seen_alike:] <= mine[seen_alike:]).all(axis=0))
        return np.flatnonzero(kept)

    def _fits(self, starts: _Starts, section: int, sizes: IntArray) -> tuple[BoolArray, FloatArray]:
        """Which of the sizes are no larger than the parent's, and what each costs with it; (n_start, n_size)."""
        problem = self._problem
        cost = np.broadcast_to(problem.cost[section, sizes], (len(starts.size), sizes.size))
        if problem.parent[section] < 0:
            return np.ones(cost.shape, dtype=bool), cost
        of_parent = starts.size[:, problem.parent[section], None]
        if problem.change_cost is not None:
            cost = cost + np.where(sizes != of_parent, problem.change_cost[section, sizes], 0.0)
        return problem.diameter_in[sizes] <= problem.diameter_in[of_parent] + DIAMETER_TOLERANCE_IN, cost

    def _with_trunk(self, starts: _Starts, section: int, sizes: IntArray, extra: FloatArray) -> _Starts:
        """Each start with each of the sizes."""
        fits, cost = self._fits(starts, section, sizes)
        start, of_sizes = np.nonzero(fits)
        return starts.rows(start).with_size(section, sizes[of_sizes], extra[of_sizes], cost[start, of_sizes])

    def _with_end(
        self, starts: _Starts, section: int, sizes: IntArray, extra: FloatArray, loss: FloatArray, limit: FloatArray
    ) -> _Starts:
        """Each start that leaves the end a size, with the cheapest."""
        circuits = np.flatnonzero(self._problem.path[:, section])
        path = self._problem.path[circuits] & ~self._is_end
        in_all = path.any(axis=0) & path.all(axis=0)
        beside = path & ~in_all
        # what is beside the end's own line, such as the returns, differs in few of the starts
        first, unlike = _alike(starts.size[:, beside.any(axis=0)])
        left = np.full((len(loss), len(first)), np.inf)
        for circuit, sections in zip(circuits, beside, strict=True):
            lost = _lost(loss, starts.size[first], np.flatnonzero(sections))
            np.minimum(left, limit[:, circuit, None] - lost, out=left)
        left = left[:, unlike] - _lost(loss, starts.size, np.flatnonzero(in_all))
        fits, cost = self._fits(starts, section, sizes)
        fits &= (loss[:, section, sizes, None] <= left[:, None, :]).all(axis=0).T
        keep: BoolArray = np.any(fits, axis=1)
        starts, fits = starts.where(keep), fits[keep]
        cost = np.where(fits, cost[keep], np.inf)
        best = cost.argmin(axis=1)
        least = cost.min(axis=1)
        more = starts.with_size(section, sizes[best], np.where(fits, extra, np.inf).min(axis=1), least)
        cost[np.arange(best.size), best] = np.inf
        np.minimum(more.next_cost, cost.min(axis=1) - least, out=more.next_cost)
        return more


def _alike(rows: IntArray) -> tuple[IntArray, IntArray]:
    """The first row of each kind, and the kind of each row."""
    if len(rows) == 1:  # often, and sorting takes long to find it out
        return np.zeros(1, dtype=np.intp), np.zeros(1, dtype=np.intp)
    _, first, kind = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    return first, kind.ravel()


def _lost(loss: FloatArray, size: IntArray, sections: IntArray) -> FloatArray:
    """What the sections lose together in their sizes (n_start, n_section); (n_variant, n_start)."""
    lost: FloatArray = loss[:, sections, size[:, sections]].sum(axis=2)
    return lost
