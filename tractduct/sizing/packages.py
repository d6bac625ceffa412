"""Duct packages: which few size sets, and which orientation gets which, at the least total cost."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.sizing.case import Case
from tractduct.sizing.relaxation import SAME_COST
from tractduct.sizing.solve import Solution

Group = tuple[str, bool | None]  # front face, and mirror; None: as drawn and mirrored together

MOST_EXACT = 10  # groups; more are bounded


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Package:
    """One size set and the orientations that it serves.

    ``weight`` is the part of the mix of houses among them, ``cost`` that of one house. ``also_holds`` are groups
    without a house in the mix in which the set holds too.
    """

    groups: tuple[Group, ...]
    also_holds: tuple[Group, ...]
    weight: float
    size_index: IntArray
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PackageChoice:
    """The best division into at most ``n_package`` packages.

    ``expected_cost`` is of a house, averaged over the mix; no such division costs less than ``bound``.
    """

    n_package: int
    packages: tuple[Package, ...]
    expected_cost: float
    bound: float

    @property
    def proven(self) -> bool:
        return self.expected_cost <= self.bound * (1.0 + 3.0 * SAME_COST)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PackageStudy:
    """What more than one size set saves.

    Attributes
    ----------
    groups, weight : the orientations and their part of the mix, together 1; (n_group,)
    choices : by rising number of packages; numbers with which no set holds, or that save nothing over fewer, are left
        out
    everywhere : least cost of one size set for all groups, those without a house in the mix too
    n_solved : size-set programs solved, of ``n_subset`` sets of orientations
    """

    groups: tuple[Group, ...]
    weight: FloatArray
    choices: tuple[PackageChoice, ...]
    everywhere: float
    n_solved: int
    n_subset: int

    def saving(self, n_package: int) -> float:
        """What this many packages save on a house, against the choice before; 0 for the first."""
        at = next(i for i, c in enumerate(self.choices) if c.n_package == n_package)
        return self.choices[at - 1].expected_cost - self.choices[at].expected_cost if at else 0.0


def group_label(group: Group) -> str:
    """A group in words."""
    face, mirrored = group
    return face if mirrored is None else f"{face} mirrored" if mirrored else f"{face} as drawn"


def divide_fronts(
    case: Case,
    weight: Mapping[Group, float] | None = None,
    *,
    by_mirror: bool = False,
    most: int = 4,
    most_exact: int = MOST_EXACT,
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
) -> PackageStudy | None:
    """Divide the orientations of a case among at most ``most`` size sets at the least expected cost.

    Parameters
    ----------
    weight : group -> number of houses; equal if None. Groups without a house need no package.
    by_mirror : divide by face and mirror, not by face alone
    most_exact : up to this many groups with houses the answer is proven

    Returns
    -------
    PackageStudy, or None where no size set holds in some orientation with houses in the mix.

    Notes
    -----
    Cost of a division = sum over its packages of (part of the mix) x (least cost of a size set that holds in all
    its orientations, every season and flex product). Least costs of sets of orientations are worked out as they are
    needed: a set costs at least what any part of it costs, and exactly that where the part's sizes hold for it too.
    The best division at these lower bounds is taken; while it has a set whose cost is not yet known, that is solved
    and the division taken anew. So the last one is the best of all. With more than ``most_exact`` groups the division
    is built by moving and joining (no promise); its bound: a division of all the groups leaves a division of the
    ``most_exact`` that weigh most, which is solved exactly, and each of the others costs at least its own set.

    Prices are the mean over the approved flex products, whatever flex the lots name.
    """
    groups = [(front, m) for front in case.plan.fronts for m in (case.plan.mirrored if by_mirror else (None,))]
    mix = np.array([1.0 if weight is None else float(weight.get(g, 0.0)) for g in groups])
    if not mix.sum() > 0.0:
        mix = np.ones(len(groups))
    mix = mix / mix.sum()
    served = [g for g, w in zip(groups, mix, strict=True) if w > 0.0]
    costs = _Costs(case, served, mix[mix > 0.0], progress)
    if any(costs.solve(1 << i).size_index is None for i in range(len(served))):
        return None
    heaviest = np.argsort(-costs.weight, kind="stable")[:most_exact]
    exact = _Exact(costs, tuple(sorted(int(i) for i in heaviest)))
    choices: list[PackageChoice] = []
    for k in range(1, min(most, len(served)) + 1):
        bound, best = exact.best(k)
        if len(served) > most_exact:
            bound += sum(costs.weight[i] * costs.bound(1 << i) for i in range(len(served)) if i not in exact.members)
            best = _improved(costs, best, k)
        total = sum(costs.weighted(s) for s in best)
        if not np.isfinite(total) or (choices and total >= choices[-1].expected_cost * (1.0 - 3.0 * SAME_COST)):
            continue
        packages = tuple(_package(case, costs, s, groups, mix) for s in best)
        bound = total if k == 1 else bound  # there is one way only
        choices.append(PackageChoice(n_package=k, packages=packages, expected_cost=total, bound=min(bound, total)))
    if not choices:
        return None
    return PackageStudy(
        groups=tuple(groups),
        weight=mix,
        choices=tuple(choices),
        everywhere=case.only(_any_of(case, groups)).least_cost().cost,
        n_solved=len(costs.known),
        n_subset=(1 << len(served)) - 1,
    )


def _any_of(case: Case, groups: Sequence[Group]) -> BoolArray:
    """(n_variant,) bool: the variants of some groups."""
    return np.asarray(np.any([case.variants.where(front=front, mirrored=m) for front, m in groups], axis=0))


@dataclass(slots=True, eq=False)
class _Costs:
    """Least costs of sets of orientations, bit i of a set for group i, solved when asked for."""

    case: Case
    groups: Sequence[Group]
    weight: FloatArray
    progress: Callable[[str, int, int], None]
    known: dict[int, Solution] = field(default_factory=dict)

    def members(self, chosen: int) -> list[int]:
        return [i for i in range(len(self.groups)) if chosen >> i & 1]

    def share(self, chosen: int) -> float:
        return float(self.weight[self.members(chosen)].sum())

    def bound(self, chosen: int) -> float:
        """The highest cost of a known part; the cost itself where it is known."""
        if chosen in self.known:
            return self.known[chosen].cost
        return max((s.cost for part, s in self.known.items() if part & ~chosen == 0), default=0.0)

    def solve(self, chosen: int) -> Solution:
        if chosen not in self.known:
            case = self.case.only(_any_of(self.case, [self.groups[i] for i in self.members(chosen)]))
            parts = [s for part, s in self.known.items() if part & ~chosen == 0]
            dearest = max(parts, key=lambda s: s.cost, default=None)
            fits = dearest is not None and dearest.size_index is not None and case.problem().holds(dearest.size_index)
            self.known[chosen] = dearest if fits and dearest is not None else case.least_cost()
            self.progress("packages", len(self.known), 0)
        return self.known[chosen]

    def weighted(self, chosen: int) -> float:
        return self.share(chosen) * self.solve(chosen).cost


class _Exact:
    """The best division of some of the groups, proven."""

    def __init__(self, costs: _Costs, members: tuple[int, ...]) -> None:
        self.costs = costs
        self.members = members
        n = len(members)
        sets = np.arange(1 << n)
        # local set -> set of all groups
        self.whole = sum(((sets >> b & 1) << i for b, i in enumerate(members)), np.zeros(1 << n, dtype=np.int64))
        self.share = sum(((sets >> b & 1) * costs.weight[i] for b, i in enumerate(members)), np.zeros(1 << n))
        # parts of each set that hold its lowest member: what the package of that member may be
        self.parts = [np.zeros(0, dtype=np.int64)]
        self.parts += [sets[(sets & ~s == 0) & (sets & (s & -s) != 0)] for s in range(1, 1 << n)]

    def best(self, k: int) -> tuple[float, list[int]]:
        """Least sum of weighted costs over divisions into at most k packages, and one that has it.

        Infinite where none holds.
        """
        while True:
            value, division = self._at_bounds(k)
            unknown = [s for s in division if s not in self.costs.known]
            if not unknown or not np.isfinite(value):
                return value, division
            for s in unknown:
                self.costs.solve(s)

    def _at_bounds(self, k: int) -> tuple[float, list[int]]:
        lowest = np.zeros(len(self.whole))
        for part, solution in self.costs.known.items():
            whole = self.whole & part == part
            lowest[whole] = np.maximum(lowest[whole], solution.cost)
        for part, solution in self.costs.known.items():
            lowest[self.whole == part] = solution.cost
        one = np.where(self.whole > 0, self.share * lowest, 0.0)
        best = [one]
        taken = [np.arange(len(one))]
        for _ in range(1, k):
            value, choice = np.zeros_like(one), np.zeros(len(one), dtype=np.int64)
            for s in range(1, len(one)):
                parts = self.parts[s]
                total = one[parts] + best[-1][s ^ parts]
                at = int(np.argmin(total))
                value[s], choice[s] = total[at], parts[at]
            best.append(value)
            taken.append(choice)
        division = []
        left = len(one) - 1
        for choice in reversed(taken):
            if left:
                division.append(int(self.whole[choice[left]]))
                left ^= int(choice[left])
        return float(best[-1][-1]), division


def _improved(costs: _Costs, start: list[int], k: int) -> list[int]:
    """A division of all groups into at most k packages from one of some of them: add the others, then move each."""

    def total(division: Sequence[int], worth: Callable[[int], float]) -> float:
        return sum(costs.share(s) * worth(s) for s in division)

    def cost(s: int) -> float:
        return costs.solve(s).cost

    def with_group(division: Sequence[int], group: int) -> list[list[int]]:
        rest = [s for s in (s & ~(1 << group) for s in division) if s]
        joined = [[*rest[:i], s | 1 << group, *rest[i + 1 :]] for i, s in enumerate(rest)]
        return [*joined, [*rest, 1 << group]] if len(rest) < k else joined

    division = list(start)
    for i in range(len(costs.groups)):
        if not any(s >> i & 1 for s in division):
            division = min(with_group(division, i), key=lambda d: total(d, cost))
    value = total(division, cost)
    improved = True
    while improved:
        improved = False
        for i in range(len(costs.groups)):
            for other in with_group(division, i):
                less = value * (1.0 - SAME_COST)
                if total(other, costs.bound) < less and total(other, cost) < less:
                    division, value, improved = other, total(other, cost), True
    return sorted(division, key=lambda s: s & -s)


def _package(case: Case, costs: _Costs, chosen: int, groups: Sequence[Group], mix: FloatArray) -> Package:
    solution = costs.solve(chosen)
    size_index = solution.size_index
    assert size_index is not None
    idle = [g for g, w in zip(groups, mix, strict=True) if not w > 0.0]
    also = [g for g in idle if case.only(_any_of(case, [g])).problem().holds(size_index)]
    return Package(
        groups=tuple(costs.groups[i] for i in costs.members(chosen)),
        also_holds=tuple(also),
        weight=costs.share(chosen),
        size_index=size_index,
        cost=solution.cost,
    )
