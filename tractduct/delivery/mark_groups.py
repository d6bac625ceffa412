"""Which orientations can share one table of damper marks: the partition into the fewest groups."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

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
    n, _, n_room = needs.most.shape
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
            both = np.full((1, n_room), -np.inf * sign)
            for own in value[:, m]:
                both = np.concatenate([both, worst(both, own)])
            fits &= sign * both.sum(axis=1) <= most
    fits[0] = True
    return np.asarray(fits)


def fewest_groups(can: BoolArray, most: int = 3) -> int:
    """How many groups that can there must be for all orientations; ``most + 1`` where more than ``most``."""
    covered = can
    for n_group in range(1, most + 1):
        if covered[-1]:
            return n_group
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


def partitions(can: BoolArray, n_group: int) -> Iterator[tuple[int, ...]]:
    """Every way to split all orientations into two or three groups that can, none empty."""
    everyone = len(can) - 1
    every = np.arange(len(can))
    rest_can = (can if n_group == 2 else _with_one_more(can, can))[everyone ^ every]
    # The group of the first orientation leads, so that each partition turns up once.
    for group in np.flatnonzero(can & rest_can & (every & 1 == 1)):
        rest = int(everyone ^ group)
        if n_group == 2:
            if rest:
                yield int(group), rest
            continue
        inside = every[(every & ~rest == 0) & (every & rest & -rest != 0) & can & can[rest & ~every]]
        yield from ((int(group), int(second), int(rest ^ second)) for second in inside if rest ^ second)


def best_partition(
    needs: Needs, n_group: int, unlike: FloatArray, steps: Iterable[float]
) -> tuple[tuple[int, ...], float] | None:
    """Of the partitions that can at the smallest of ``steps`` tolerances, the one easiest to tell apart.

    ``unlike`` (n_orientation, n_orientation) says how unlike two orientations are: the least sum within groups counts,
    among the first ``_COMPARED``. None where none can at any step.
    """
    for tolerances in steps:
        can = groups_that_can(needs, tolerances)
        if fewest_groups(can, n_group) > n_group:
            continue
        inside = (np.arange(len(can))[:, None] >> np.arange(len(unlike))) & 1
        spread = np.einsum("gi,ij,gj->g", inside, unlike, inside, optimize=True)
        some = islice(partitions(can, n_group), _COMPARED)
        found = min(some, key=lambda groups: (round(float(sum(spread[list(groups)])), 9), groups), default=None)
        if found is not None:
            return found, tolerances
    return None


def members_of(group: int, n: int) -> IntArray:
    """Orientations of a group."""
    return np.array([k for k in range(n) if group >> k & 1], dtype=np.intp)
