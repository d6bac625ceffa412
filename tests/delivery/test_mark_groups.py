"""Groups of orientations against all partitions."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from tractduct.delivery.mark_groups import (
    MOST_ORIENTATIONS,
    Needs,
    best_partition,
    fewest_groups,
    groups_that_can,
    members_of,
    partitions,
)


def some_needs(seed: int, n: int, *, held: bool) -> Needs:
    """Orientations around a few kinds of house, in classes of two marks; every class of one total where held."""
    rng = np.random.default_rng(seed)
    kinds = rng.uniform(60.0, 160.0, (int(rng.integers(1, 5)), 4))
    design = kinds[rng.integers(0, len(kinds), n)][:, None, :] * rng.uniform(0.93, 1.07, (n, 3, 4))
    if held:
        design *= 400.0 / design.sum(axis=2, keepdims=True)
    tolerance = np.maximum(0.15 * design, rng.choice([5.0, 10.0]))
    most = design * rng.uniform(1.0, 1.03, design.shape)
    return Needs(
        most=most,
        most_tolerance=tolerance,
        least=design,
        least_tolerance=tolerance,
        mark_of=np.array([0, 1, 1]),
        total=np.array([400.0, 400.0]) if held else None,
    )


def fits(needs: Needs, members: list[int], t: float) -> bool:
    """One orientation after another, one room after another."""
    for mark in (0, 1):
        lows, highs = [], []
        for room in range(needs.most.shape[2]):
            low, high = 0.0, np.inf
            for o in members:
                for c in range(3):
                    if needs.mark_of[c] == mark:
                        low = max(low, needs.most[o, c, room] - t * needs.most_tolerance[o, c, room])
                        high = min(high, needs.least[o, c, room] + t * needs.least_tolerance[o, c, room])
            lows.append(low)
            highs.append(high)
            if low > high + 1e-9:
                return False
        if needs.total is not None and not sum(lows) <= needs.total[mark] * (1 + 1e-9):
            return False
        if needs.total is not None and not sum(highs) >= needs.total[mark] * (1 - 1e-9):
            return False
    return True


def all_partitions(items: list[int]) -> Iterator[list[list[int]]]:
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for smaller in all_partitions(rest):
        for k in range(len(smaller)):
            yield [*smaller[:k], [first, *smaller[k]], *smaller[k + 1 :]]
        yield [[first], *smaller]


def as_sets(groups: tuple[int, ...], n: int) -> frozenset[frozenset[int]]:
    return frozenset(frozenset(members_of(g, n).tolist()) for g in groups)


@pytest.mark.parametrize("held", [True, False])
@pytest.mark.parametrize("seed", range(12))
def test_against_all_partitions(seed: int, held: bool) -> None:
    n = 3 + seed % 5
    needs = some_needs(seed, n, held=held)
    can = groups_that_can(needs, 1.0)
    for group in range(1, 2**n):
        assert can[group] == fits(needs, members_of(group, n).tolist(), 1.0), group
    whole = [
        frozenset(map(frozenset, split))
        for split in all_partitions(list(range(n)))
        if all(can[sum(1 << k for k in g)] for g in split)
    ]
    fewest = min((len(split) for split in whole), default=4)
    assert fewest_groups(can) == min(fewest, 4)
    for n_group in (2, 3):
        found = [as_sets(groups, n) for groups in partitions(can, n_group)]
        assert len(found) == len(set(found))
        assert set(found) == {split for split in whole if len(split) == n_group}


@pytest.mark.parametrize("seed", range(8))
def test_the_easiest_to_tell_apart_at_the_least_distance(seed: int) -> None:
    n = 6
    needs = some_needs(seed, n, held=False)
    place = np.arange(n)
    unlike = np.abs(place[:, None] - place).astype(float)
    steps = [0.4, 0.6, 0.8, 1.0, 3.0]
    found = best_partition(needs, 2, unlike, steps)

    def spread(split: list[list[int]]) -> float:
        return sum(unlike[a, b] for group in split for a in group for b in group)

    for t in steps:
        splits = [s for s in all_partitions(list(range(n))) if len(s) == 2 and all(fits(needs, g, t) for g in s)]
        if splits:
            assert found is not None
            assert found[1] == t
            chosen = [members_of(g, n).tolist() for g in found[0]]
            assert all(fits(needs, g, t) for g in chosen)
            assert spread(chosen) == pytest.approx(min(map(spread, splits)))
            return
    assert found is None


def test_too_many_orientations() -> None:
    with pytest.raises(ValueError, match="at most 16"):
        groups_that_can(some_needs(0, MOST_ORIENTATIONS + 1, held=False), 1.0)
