"""The size-set program: which standard size each section gets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from hashlib import blake2b
from typing import TypeVar

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray

Amount = TypeVar("Amount", float, FloatArray)

HOLDS_TOLERANCE = 1e-9  # part of a limit, for the rounding of floating-point numbers and nothing else
DIAMETER_TOLERANCE_IN = 1e-9  # a child this much larger than its parent still passes for equal


def highest_allowed(limit: Amount) -> Amount:
    """What a loss or a velocity may come to that may be "at most" a limit. The one rule, wherever a limit is tested.

    A limit is met exactly where the amount differs from it by less than this adds. It is a thousandth of what the
    solver lets pass, so whether a set holds is always worked out again and never left to the solver.
    """
    return limit * (1.0 + HOLDS_TOLERANCE)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SizingProblem:
    """Everything the choice of sizes depends on, as arrays; no ducts, no files.

    Axes: ``n_variant``, ``n_section``, ``n_size`` (all standard sizes, whatever their shape), ``n_path``.

    Attributes
    ----------
    loss_inwc : (n_variant, n_section, n_size)
        Pressure lost by a section at its airflow in a variant. Meaningless where not allowed.
    cost : (n_section, n_size)
        Cost of a section in a size; finite where allowed, at least 0.
    allowed : (n_section, n_size) bool
        The size is of the section's shape, on sale, within its bounds, and keeps its velocity limit in
        every variant.
    diameter_in : (n_size,)
        Equivalent diameter: no section may be larger than its parent.
    parent : (n_section,) int
        Index of the section on the air handler's side, -1 at the air handler. A parent comes before its
        children.
    stock_group : (n_section,) int, from 0
        Sections of one duct kind and shape. Distinct sizes are pairs (group, size).
    path : (n_path, n_section) bool
        Sections from the air handler to a register or grille.
    available_inwc : (n_variant, n_path)
        What a path may lose in a variant; ``inf`` where its run is shut.
    change_cost : (n_section, n_size), or None for nothing
        Added to the cost of a section in a size if its parent has another: the price of the fitting between
        them. Finite where allowed, at least 0. A size is the same whatever duct it is made of; a section without
        parent never pays.
    """

    loss_inwc: FloatArray
    cost: FloatArray
    allowed: BoolArray
    diameter_in: FloatArray
    parent: IntArray
    stock_group: IntArray
    path: BoolArray
    available_inwc: FloatArray
    change_cost: FloatArray | None = None

    def cost_of(self, size_index: IntArray) -> float:
        """Cost of a size set, changes of size along the ducts included."""
        return float(self.costs_of(size_index[None])[0])

    def costs_of(self, size_index: IntArray) -> FloatArray:
        """(n,) the same of sets (n, n_section)."""
        section = np.arange(self.parent.size)
        cost: FloatArray = self.cost[section, size_index].sum(axis=1)
        if self.change_cost is not None:
            changes = (self.parent >= 0) & (size_index != size_index[:, self.parent])
            cost += np.where(changes, self.change_cost[section, size_index], 0.0).sum(axis=1)
        return cost

    @property
    def limit_inwc(self) -> FloatArray:
        """The most that a path may lose in a variant, tolerance included; (n_variant, n_path)."""
        return highest_allowed(self.available_inwc)

    def over_limit_inwc(self, size_index: IntArray) -> FloatArray:
        """What each path of a size set loses above its limit; (n_variant, n_path), above 0 where broken."""
        loss = self.loss_inwc[:, np.arange(self.parent.size), size_index]
        over: FloatArray = loss @ self.path.T.astype(float) - self.limit_inwc
        return over

    def holds(self, size_index: IntArray) -> bool:
        """Whether a size set that keeps its order along the tree keeps every other limit."""
        allowed = self.allowed[np.arange(self.parent.size), size_index]
        return bool(allowed.all() and np.all(self.over_limit_inwc(size_index) <= 0.0))

    def key(self) -> bytes:
        """The same for problems that ask the same."""
        loss, cost = np.where(self.allowed, self.loss_inwc, 0.0), np.where(self.allowed, self.cost, 0.0)
        change = np.zeros(0) if self.change_cost is None else self.change_cost
        digest = blake2b(repr(loss.shape).encode())
        of_tree = self.allowed, self.diameter_in, self.parent, self.stock_group, self.path
        for part in (loss, cost, change, self.available_inwc, *of_tree):
            digest.update(part.tobytes())
        return digest.digest()

    def distinct_sizes(self, size_index: IntArray) -> int:
        """Number of pairs of stock group and size in a size set."""
        return int(np.unique(self.stock_group * self.diameter_in.size + size_index).size)

    def unlike_variants(self) -> IntArray:
        """The first of each lot of variants that ask the same of every section and path."""
        loss = np.where(self.allowed, self.loss_inwc, 0.0)
        first: dict[bytes, int] = {}
        for v, available in enumerate(self.available_inwc):
            first.setdefault(loss[v].tobytes() + available.tobytes(), v)
        return np.array(list(first.values()), dtype=np.intp)

    def of_variants(self, rows: IntArray) -> SizingProblem:
        """The same for some variants alone."""
        return replace(self, loss_inwc=self.loss_inwc[rows], available_inwc=self.available_inwc[rows])

    def of_sections(self, keep: BoolArray) -> SizingProblem:
        """The same without some sections (n_section,), as where a house has not got them: nor what is beyond them."""
        place = np.append(np.cumsum(keep) - 1, -1)
        return replace(
            self,
            loss_inwc=self.loss_inwc[:, keep],
            cost=self.cost[keep],
            allowed=self.allowed[keep],
            parent=place[self.parent[keep]],
            stock_group=self.stock_group[keep],
            path=self.path[:, keep],
            change_cost=None if self.change_cost is None else self.change_cost[keep],
        )

    def tightened(self, usable: BoolArray | None = None) -> BoolArray:
        """The allowed sizes that some size set may still hold with; (n_section, n_size) bool.

        ``usable``: (n_group, n_size) stock that may be used, all of it if None. Out goes a size larger than
        all of its parent's or smaller than all of some child's, and one with which a path is over its limit
        even if its other sections lose the least they can. A section left without sizes means that no set
        holds; a section that keeps some proves nothing.
        """
        allowed = self.allowed.copy() if usable is None else self.allowed & usable[self.stock_group]
        diameter = self.diameter_in
        limit = self.limit_inwc
        while True:
            before = np.count_nonzero(allowed)
            for child, parent in enumerate(self.parent):
                if parent >= 0:
                    largest = diameter[allowed[parent]].max(initial=-np.inf)
                    allowed[child] &= diameter <= largest + DIAMETER_TOLERANCE_IN
            for child, parent in reversed(list(enumerate(self.parent))):
                if parent >= 0:
                    smallest = diameter[allowed[child]].min(initial=np.inf)
                    allowed[parent] &= diameter >= smallest - DIAMETER_TOLERANCE_IN
            if not allowed.any(axis=1).all():
                return allowed
            least = np.min(self.loss_inwc, axis=2, where=allowed, initial=np.inf)
            room = np.full(least.shape, np.inf)  # what each section may lose above its least, by its tightest path
            for on_path, path_limit in zip(self.path, limit.T, strict=True):
                spare = path_limit - least[:, on_path].sum(axis=1)
                # the recheck adds losses in another order, so a size right at the limit is kept
                at_limit = spare + 1e-12 * np.maximum(1.0, np.abs(path_limit))
                room[:, on_path] = np.minimum(room[:, on_path], at_limit[:, None])
            allowed &= (self.loss_inwc - least[:, :, None] <= room[:, :, None]).all(axis=0)
            if np.count_nonzero(allowed) == before:
                return allowed
