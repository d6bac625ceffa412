"""Which orientations can share one table of damper marks: the partition into the fewest groups."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray

MOST_ORIENTATIONS = 16  # for which all groups are looked at
_COMPARED = 20_000  # partitions


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Needs:
    """What each orientation wants of each room in each class; (n_orientation, n_class, n_room).

    ``most``, ``least`` design airflow and their tolerances; -inf and inf where an orientation does not care. All
    classes of a mark (``mark_of``, (n_class,)) get the same number for a room from one table. ``total`` (n_mark,) is
    what they add up to whatever the marks; None where totals are free.
    """

    most: FloatArray
    most_tolerance: FloatArray
    least: FloatArray
    least_tolerance: FloatArray
    mark_of: IntArray
    total: FloatArray | None


def groups_that_can(needs: Needs, tolerances: float) -> BoolArray:
    """(2**n_orientation,) bool: whether one table can put all of a group within so many tolerances.

    A group is a number whose bits are its orientations. It can where for each number there is one that suits all, and
    where such numbers can add up to the totals. The empty group can.
    """
    n = len(needs.most)
    if n > MOST_ORIENTATIONS:
        raise ValueError(f"at most {MOST_ORIENTATIONS} orientations, got {n}")
    by_class = (
        np.maximum(needs.most - tolerances * needs.most_tolerance, 0.0),
        needs.least + tolerances * needs.least_tolerance,
    )
    marks = [needs.mark_of == m for m in range(int(needs.mark_of.max()) + 1)]
    low = np.stack([by_class[0][:, mine].max(axis=1) for mine in marks], axis=1)  # (n_orientation, n_mark, n_room)
    high = np.stack([by_class[1][:, mine].min(axis=1) for mine in marks], axis=1)
    # Windows that meet two by two all meet.
    pair = np.all(low[:, None] <= high + 1e-9, axis=(2, 3))
    meets = ((pair & pair.T) @ (1 << np.arange(n))).astype(np.intp)
    fits = np.ones(1, dtype=bool)
    for k in range(n):
        fits = np.concatenate([fits, fits & ((np.arange(1 << k) & ~meets[k]) == 0) & pair[k, k]])
    # Totals matter only where all orientations together do not meet one.
    for m in range(len(marks)) if needs.total is not None else ():
        assert needs.total is not None
        for value, worst, sign in ((low, np.maximum, 1.0), (high, np.minimum, -1.0)):
            most = sign * needs.total[m] + 1e-9 * needs.total[m]
            if sign * worst.reduce(value[:, m], axis=0).sum() <= most:
                continue
            left = np.flatnonzero(fits)
            half = n // 2
            parts = _over_groups(value[:half, m], worst), _over_groups(value[half:, m], worst)
            both = worst(parts[0][left & ((1 << half) - 1)], parts[1][left >> half])
            fits[left] = sign * both.sum(axis=1) <= most
    fits[0] = True
    return np.asarray(fits)


def _over_groups(values: FloatArray, worst: np.ufunc) -> FloatArray:
    """(2**n, n_room) the worst of each group, of values (n, n_room)."""
    found = np.full((1, values.shape[1]), -np.inf if worst is np.maximum else np.inf)
    for own in values:
        found = np.concatenate([found, worst(found, own)])
    return found


def fewest_groups(can: BoolArray, most: int = 3) -> int:
    """How many groups that can there must be for all orientations; ``most + 1`` where more than ``most``."""
    if can[-1]:
        return 1
    covered = can
    for n_group in range(2, most + 1):
        # What one group leaves, the others cover: the rest of a group is as far from the end.
        if np.any(covered & can[::-1]):
            return n_group
        if n_group < most:
            covered = _with_one_more(covered, can)
    return most + 1


def _with_one_more(covered: BoolArray, can: BoolArray) -> BoolArray:
    """(2**n,) what is covered with one group more. A part of a group that can can too, so only the largest count."""
    every = np.arange(len(can))
    largest = can.copy()
    for k in range(len(can).bit_length() - 1):
        largest &= ~(can[every | 1 << k] & ((every >> k & 1) == 0))
    found = covered.copy()
    for group in np.flatnonzero(largest):
        found |= covered[every & ~group]
    return found


def partitions(can: BoolArray, n_group: int) -> IntArray:
    """(n, n_group) ways to split all orientations into two or three groups that can, none empty.

    All of them, or the first ``_COMPARED`` and some more.
    """
    everyone = len(can) - 1
    every = np.arange(len(can))
    rest_can = (can if n_group == 2 else _with_one_more(can, can))[::-1]
    # The group of the first orientation leads, so that each partition turns up once.
    lead = np.flatnonzero(can & rest_can & (every & 1 == 1))
    lead = lead[lead < everyone]
    if n_group == 2:
        return np.column_stack([lead, everyone ^ lead])
    found, n_found = [np.zeros((0, 3), dtype=np.intp)], 0
    for group in lead:
        rest = int(everyone ^ group)
        inside = every[(every & ~rest == 0) & (every & rest & -rest != 0) & can & can[rest & ~every]]
        inside = inside[inside != rest]
        found.append(np.column_stack([np.full(len(inside), group), inside, rest ^ inside]))
        n_found += len(inside)
        if n_found >= _COMPARED:
            break
    return np.concatenate(found)


def best_partition(
    needs: Needs, n_group: int, unlike: FloatArray, steps: Sequence[float]
) -> tuple[tuple[int, ...], float] | None:
    """Of the partitions that can at the smallest of rising ``steps``, in tolerances, the one easiest to tell apart.

    ``unlike`` (n_orientation, n_orientation) says how unlike two orientations are: the least sum within groups counts.
    None where none can at any step.
    """
    at = bisect_left(steps, True, key=lambda t: fewest_groups(groups_that_can(needs, t), n_group) <= n_group)
    if at == len(steps):
        return None
    some = partitions(groups_that_can(needs, steps[at]), n_group)
    if not len(some):
        return None
    spread = np.round(_spread(unlike)[some].sum(axis=1), 9)
    return tuple(some[np.argmin(spread)].tolist()), steps[at]


def _spread(unlike: FloatArray) -> FloatArray:
    """(2**n,) how unlike the members of each group are, all pairs of them together."""
    found = np.zeros(1)
    for k, row in enumerate(unlike):
        more = np.zeros(1)
        for apart in row[:k]:
            more = np.concatenate([more, more + apart])
        found = np.concatenate([found, found + 2.0 * more])
    return found


def members_of(group: int, n: int) -> IntArray:
    """Orientations of a group."""
    return np.array([k for k in range(n) if group >> k & 1], dtype=np.intp)
