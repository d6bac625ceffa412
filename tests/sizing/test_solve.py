"""The solver against exhaustive search on small problems and against another solver on larger ones."""

from __future__ import annotations

import dataclasses
import itertools
import math
import time
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmarks.cpsat import cpsat_front
from benchmarks.plans import synthetic_plan, with_circuits
from tractduct.sizing import enumeration, highs, relaxation, solve
from tractduct.sizing.program import HOLDS_TOLERANCE, SizingProblem
from tractduct.sizing.solve import Solution, least_cost, least_costs, recommend, recommended, trade_off_of

SMALL = settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])  # eleven tests draw from the same
SAME = 1e-9


@st.composite
def small_problems(draw: st.DrawFn) -> SizingProblem:
    """Up to 5 sections and 4 sizes: any tree, losses in any order, costs with ties, shut runs, change costs."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n_section, n_size = draw(st.integers(1, 5)), draw(st.integers(2, 4))
    n_variant, n_group = draw(st.integers(1, 4)), draw(st.integers(1, 3))
    monotone, tied = draw(st.booleans()), draw(st.booleans())
    tightness = draw(st.sampled_from([0.7, 1.2, 1.6, 2.0]))
    parent = np.array([rng.integers(-1, s) if s else -1 for s in range(n_section)], dtype=np.intp)
    line = np.eye(n_section, dtype=bool)
    for section, above in enumerate(parent):
        if above >= 0:
            line[section] |= line[above]
    path = line[~np.isin(np.arange(n_section), parent)]
    joined = draw(st.sampled_from(["", "supply and return", "any"])) if len(path) > 1 else ""
    if joined == "supply and return":
        half = len(path) // 2
        path = np.array([supply | back for supply in path[:half] for back in path[half:]])
    elif joined:  # some two paths each, so that some have no limit
        pairs = list(itertools.combinations(range(len(path)), 2))
        path = np.array([path[a] | path[b] for a, b in pairs if rng.uniform() < 0.6 or (a, b) == pairs[-1]])
    loss = rng.integers(1, 9, (n_variant, n_section, n_size)) / 100.0
    diameter = np.sort(rng.choice([4.0, 5.0, 6.0, 6.0, 7.0], n_size, replace=True))
    if monotone:
        loss = np.sort(loss, axis=2)[:, :, ::-1]
    cost = rng.integers(*((0, 4) if tied else (1, 200)), (n_section, n_size)).astype(float)
    available = np.round(rng.uniform(0.5, 1.5, (n_variant, len(path))) * tightness * 0.045 * path.sum(axis=1), 2)
    available[rng.uniform(size=available.shape) < 0.1] = np.inf
    allowed = rng.uniform(size=(n_section, n_size)) < 0.9
    change_cost = None
    if draw(st.booleans()):
        change_cost = rng.integers(*((0, 3) if tied else (0, 150)), (n_section, n_size)).astype(float)
        change_cost[rng.uniform(size=change_cost.shape) < 0.2] = 0.0
        change_cost[~allowed] = np.nan
    # what is not allowed has no meaning, so it must not matter
    loss[:, ~allowed] = np.nan
    cost[~allowed] = np.nan
    return SizingProblem(
        loss_inwc=loss,
        cost=cost,
        allowed=allowed,
        diameter_in=diameter,
        parent=parent,
        stock_group=np.unique(rng.integers(0, n_group, n_section), return_inverse=True)[1].astype(np.intp),
        path=path,
        available_inwc=available,
        change_cost=change_cost,
    )


def cost_by_definition(problem: SizingProblem, sizes: tuple[int, ...]) -> float:
    """Section by section: its cost, and its change cost where its parent's size is another."""
    cost = 0.0
    for section, (size, parent) in enumerate(zip(sizes, problem.parent, strict=True)):
        cost += problem.cost[section, size]
        if problem.change_cost is not None and parent >= 0 and sizes[section] != sizes[parent]:
            cost += problem.change_cost[section, size]
    return float(cost)


def all_sets(problem: SizingProblem, usable: np.ndarray | None = None) -> list[tuple[float, int, tuple[int, ...]]]:
    """(cost, distinct sizes, sizes) of every set that holds by the definition, the preferred first."""
    sets = []
    offered = problem.allowed if usable is None else problem.allowed & usable[problem.stock_group]
    for sizes in itertools.product(*(np.flatnonzero(row) for row in offered)):
        diameter = [problem.diameter_in[k] for k in sizes]
        if any(p >= 0 and diameter[s] > diameter[p] + 1e-9 for s, p in enumerate(problem.parent)):
            continue
        holds = all(
            sum(problem.loss_inwc[v, s, sizes[s]] for s in np.flatnonzero(on_path))
            <= problem.available_inwc[v, q] * (1 + HOLDS_TOLERANCE)
            for v in range(len(problem.loss_inwc))
            for q, on_path in enumerate(problem.path)
        )
        if holds:
            distinct = len(set(zip(problem.stock_group.tolist(), sizes, strict=True)))
            sets.append((cost_by_definition(problem, sizes), distinct, tuple(int(k) for k in sizes)))
    return sorted(sets)


def front_of(sets: list[tuple[float, int, tuple[int, ...]]]) -> list[tuple[float, int, tuple[int, ...]]]:
    """First choice at each number of distinct sizes that buys a lower cost than any fewer."""
    front: list[tuple[float, int, tuple[int, ...]]] = []
    for number in sorted({distinct for _, distinct, _ in sets}):
        best = min(entry for entry in sets if entry[1] == number)
        if not front or best[0] < front[-1][0] * (1 - SAME):
            front.append(best)
    return front


def as_entry(solution: Solution) -> tuple[float, int, tuple[int, ...]]:
    assert solution.size_index is not None
    return solution.cost, solution.distinct_sizes, tuple(solution.size_index.tolist())


def assert_optimal(solution: Solution, expected: tuple[float, int, tuple[int, ...]]) -> None:
    """The very set that the stated order prefers, proven."""
    assert solution.status == "optimal"
    assert solution.bound == pytest.approx(expected[0], rel=SAME)
    assert as_entry(solution) == expected


def assert_infeasible(solution: Solution) -> None:
    assert (solution.status, solution.size_index, solution.bound) == ("infeasible", None, np.inf)


@SMALL
@given(small_problems(), st.sampled_from([0, 1, 3, 50_000]))
def test_least_cost_is_the_first_of_all_sets(problem: SizingProblem, most_starts: int) -> None:
    """Whether the sizes of the trunks are gone through, or are too many for that."""
    sets = all_sets(problem)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(relaxation, "_TRUNKS_FROM", 0.0)
        patch.setattr(enumeration, "_MOST_STARTS", most_starts)
        solution = least_cost(problem)
    if sets:
        assert_optimal(solution, sets[0])
    else:
        assert_infeasible(solution)


@SMALL
@given(small_problems(), st.integers(0, 4))
def test_least_cost_within_a_cap(problem: SizingProblem, cap: int) -> None:
    sets = [entry for entry in all_sets(problem) if entry[1] <= cap]
    solution = least_cost(problem, max_distinct=cap)
    if sets:
        assert_optimal(solution, sets[0])
    else:
        assert_infeasible(solution)


@SMALL
@given(small_problems(), st.integers(0, 2**32 - 1))
def test_least_cost_of_some_stock(problem: SizingProblem, seed: int) -> None:
    rng = np.random.default_rng(seed)
    usable = rng.uniform(size=(problem.stock_group.max() + 1, problem.diameter_in.size)) < 0.8
    sets = all_sets(problem, usable)
    if not sets:
        assert_infeasible(least_cost(problem, usable=usable))
        return
    assert_optimal(least_cost(problem, usable=usable), sets[0])


@SMALL
@given(small_problems(), st.integers(0, 2**32 - 1))
def test_least_costs_of_several_stocks_are_those_of_each_alone(problem: SizingProblem, seed: int) -> None:
    rng = np.random.default_rng(seed)
    stocks = [rng.uniform(size=(problem.stock_group.max() + 1, problem.diameter_in.size)) < 0.8 for _ in range(3)]
    expected = [(all_sets(problem, usable) or [(np.inf,)])[0][0] for usable in (None, *stocks)]
    assert least_costs(problem, [None, *stocks]) == pytest.approx(expected, rel=1e-12)


@SMALL
@given(small_problems())
def test_the_sets_that_hold_are_told_from_the_others(problem: SizingProblem) -> None:
    holding = {sizes for _, _, sizes in all_sets(problem)}
    for sizes in itertools.product(range(problem.diameter_in.size), repeat=problem.parent.size):
        diameter = [problem.diameter_in[k] for k in sizes]
        if all(p < 0 or diameter[s] <= diameter[p] + 1e-9 for s, p in enumerate(problem.parent)):
            assert problem.holds(np.array(sizes)) == (sizes in holding)


@SMALL
@given(small_problems())
def test_only_what_matters_is_in_the_key(problem: SizingProblem) -> None:
    other_nothing = np.where(problem.allowed, problem.loss_inwc, 7.0)
    assert dataclasses.replace(problem, loss_inwc=other_nothing).key() == problem.key()
    dearer, further = problem.cost + 1.0, problem.loss_inwc + 1.0
    changed = [
        dataclasses.replace(problem, cost=dearer),
        dataclasses.replace(problem, loss_inwc=further),
        dataclasses.replace(problem, available_inwc=problem.available_inwc + 1.0),
        dataclasses.replace(problem, allowed=~problem.allowed),
        dataclasses.replace(problem, path=~problem.path),
        dataclasses.replace(problem, diameter_in=problem.diameter_in + 1.0),
        dataclasses.replace(problem, change_cost=np.ones_like(problem.cost)),
    ]
    keys = [one.key() for one in changed]
    same = [~problem.allowed.any(), ~problem.allowed.any(), np.isinf(problem.available_inwc).all()] + 4 * [False]
    assert [key == problem.key() for key in keys] == same


@SMALL
@given(small_problems(), st.none() | st.integers(0, 4))
def test_front(problem: SizingProblem, cap: int | None) -> None:
    sets = all_sets(problem)
    expected = front_of([entry for entry in sets if cap is None or entry[1] <= cap])
    steps: list[tuple[int, int]] = []
    front = trade_off_of(problem, max_distinct=cap, on_step=lambda done, total: steps.append((done, total)))
    assert front.status == ("optimal" if expected else "infeasible")
    assert len(front.entries) == len(expected)
    for entry, one in zip(front.entries, expected, strict=True):
        assert_optimal(entry, one)
    if sets:
        assert_optimal(front.least_cost, sets[0])
    assert [done for done, _ in steps] == list(range(1, len(steps) + 1))
    assert not steps or steps[-1][0] == steps[-1][1]


@SMALL
@given(small_problems(), st.sampled_from([0.0, 5.0, 30.0, 100.0]), st.none() | st.integers(0, 4))
def test_recommendation(problem: SizingProblem, within_pct: float, cap: int | None) -> None:
    sets = all_sets(problem)
    least, solution = recommend(problem, within_pct, max_distinct=cap)
    if not sets:
        assert_infeasible(least)
        assert_infeasible(solution)
        return
    assert_optimal(least, sets[0])
    expected = front_of([entry for entry in sets if cap is None or entry[1] <= cap])
    if not expected:
        assert_infeasible(solution)
        return
    ceiling = sets[0][0] * (1 + within_pct / 100) * (1 + SAME)
    within = [entry for entry in expected if entry[0] <= ceiling]
    assert_optimal(solution, within[0] if within else expected[-1])
    assert as_entry(recommended(trade_off_of(problem, max_distinct=cap), within_pct)) == as_entry(solution)


@SMALL
@given(small_problems())
def test_every_way_of_counting_gives_the_same_front(problem: SizingProblem) -> None:
    entries = [as_entry(entry) for entry in trade_off_of(problem).entries]
    for module, name in (
        (solve, "_MOST_SIZES_IN_TABLE"),
        (solve, "_MOST_STOCK_SETS"),
        (solve, "_FEW_STOCK_SETS"),
        (relaxation, "_TRUNKS_FROM"),
    ):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(module, name, 0)
            assert [as_entry(entry) for entry in trade_off_of(problem).entries] == entries


@SMALL
@given(small_problems(), st.integers(0, 2**32 - 1))
def test_the_order_of_variants_and_paths_does_not_matter(problem: SizingProblem, seed: int) -> None:
    rng = np.random.default_rng(seed)
    variants = rng.permutation(len(problem.loss_inwc))
    paths = rng.permutation(len(problem.path))
    shuffled = dataclasses.replace(
        problem,
        loss_inwc=problem.loss_inwc[variants],
        available_inwc=problem.available_inwc[np.ix_(variants, paths)],
        path=problem.path[paths],
    )
    assert [as_entry(e) for e in trade_off_of(shuffled).entries] == [as_entry(e) for e in trade_off_of(problem).entries]


@SMALL
@given(small_problems())
def test_adding_a_variant_never_lowers_the_least_cost(problem: SizingProblem) -> None:
    fewer = dataclasses.replace(problem, loss_inwc=problem.loss_inwc[:-1], available_inwc=problem.available_inwc[:-1])
    if len(fewer.loss_inwc):
        assert least_cost(problem).cost >= least_cost(fewer).cost * (1 - SAME)


@SMALL
@given(small_problems(), st.sampled_from([1e-6, 0.37, 1e6]))
def test_scaling_costs_scales_the_cost(problem: SizingProblem, factor: float) -> None:
    change_cost = None if problem.change_cost is None else problem.change_cost * factor
    scaled = least_cost(dataclasses.replace(problem, cost=problem.cost * factor, change_cost=change_cost))
    plain = least_cost(problem)
    assert scaled.status == plain.status
    assert scaled.cost == pytest.approx(plain.cost * factor, rel=SAME)


def with_change_cost(problem: SizingProblem, seed: int) -> SizingProblem:
    """Reducers and take-offs that cost 4 to 30 dollars, more the larger they are, in whole cents."""
    rng = np.random.default_rng(seed)
    dollars = (3.0 + problem.diameter_in) * rng.uniform(0.6, 1.4, problem.cost.shape)
    return dataclasses.replace(problem, change_cost=np.round(dollars, 2))


@pytest.mark.parametrize(
    ("n_section", "n_variant", "groups", "seed", "change_cost"),
    [
        (16, 32, 1, 0, False),
        (16, 32, 3, 1, False),
        (24, 64, 2, 2, False),
        (32, 96, 2, 3, False),
        (32, 64, 1, 4, False),
        (16, 32, 1, 5, True),
        (24, 64, 3, 6, True),
        (32, 96, 2, 7, True),
    ],
)
def test_front_agrees_with_another_solver(
    n_section: int, n_variant: int, groups: int, seed: int, change_cost: bool
) -> None:
    problem = synthetic_plan(n_section, n_variant, groups, seed)
    if change_cost:
        problem = with_change_cost(problem, seed)
    front = trade_off_of(problem)
    assert front.status == "optimal"
    assert [(e.distinct_sizes, round(100 * e.cost)) for e in reversed(front.entries)] == cpsat_front(problem)
    for entry in front.entries:
        assert entry.size_index is not None
        assert not (problem.over_limit_inwc(entry.size_index) > 0).any()
    least, solution = recommend(problem, 5.0)
    assert as_entry(least) == as_entry(front.entries[-1])
    assert as_entry(solution) == as_entry(recommended(front, 5.0))


@pytest.mark.parametrize("joined", [False, True])
@pytest.mark.parametrize("reducer", [0.0, 4.0])
def test_going_through_trunks_and_the_integer_program_agree(
    monkeypatch: pytest.MonkeyPatch, reducer: float, joined: bool
) -> None:
    """Where there are too many sets to try them all; without the integer program, too, the first time."""
    problem = synthetic_plan(24, 64, 2, seed=3)
    problem = dataclasses.replace(problem, change_cost=np.full_like(problem.cost, reducer))
    problem = with_circuits(problem) if joined else problem
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(relaxation, "_TRUNKS_FROM", 0.0)
        patch.setattr(relaxation, "integer_program", None)
        through_trunks = least_cost(problem)
    monkeypatch.setattr(relaxation, "_TRUNKS_FROM", np.inf)
    assert as_entry(least_cost(problem)) == as_entry(through_trunks)


@pytest.mark.parametrize("reducer", [0.0, 1.0])
def test_whole_dollar_prices_tie_and_the_first_set_is_taken(reducer: float) -> None:
    """Equal prices for many swaps of sizes: variants in another order lead the solver another way."""
    problem = synthetic_plan(16, 32, 2, seed=5)
    problem = dataclasses.replace(
        problem, cost=np.round(problem.cost / 10.0), change_cost=np.full_like(problem.cost, reducer)
    )
    backwards = dataclasses.replace(
        problem, loss_inwc=problem.loss_inwc[::-1], available_inwc=problem.available_inwc[::-1]
    )
    front = [as_entry(entry) for entry in trade_off_of(problem).entries]
    assert front == [as_entry(entry) for entry in trade_off_of(problem).entries]
    assert front == [as_entry(entry) for entry in trade_off_of(backwards).entries]


@SMALL
@given(small_problems(), st.integers(0, 2**32 - 1))
def test_cost_of_is_the_cost_by_definition(problem: SizingProblem, seed: int) -> None:
    rng = np.random.default_rng(seed)
    size_index = rng.integers(0, problem.diameter_in.size, problem.parent.size)
    expected = cost_by_definition(problem, tuple(size_index.tolist()))
    assert problem.cost_of(size_index) == pytest.approx(expected, rel=1e-12, nan_ok=True)


@SMALL
@given(small_problems())
def test_a_change_cost_that_every_set_pays_or_none_does_is_linear(problem: SizingProblem) -> None:
    """A section that can't have its parent's size always changes; change costs of 0 are none."""
    ones = np.ones_like(problem.cost)
    free = dataclasses.replace(problem, change_cost=0.0 * ones)
    plain = dataclasses.replace(problem, change_cost=None)
    assert [as_entry(e) for e in trade_off_of(free).entries] == [as_entry(e) for e in trade_off_of(plain).entries]
    # Each size twice: sections at an even depth of the tree have the first of the two, at an odd one the second.
    depth = np.zeros(problem.parent.size, dtype=int)
    for section, parent in enumerate(problem.parent):
        depth[section] = depth[parent] + 1 if parent >= 0 else 0
    odd = (depth % 2 == 1)[:, None]
    apart = dataclasses.replace(
        problem,
        loss_inwc=np.tile(problem.loss_inwc, 2),
        cost=np.tile(problem.cost, 2),
        allowed=np.hstack([problem.allowed & ~odd, problem.allowed & odd]),
        diameter_in=np.tile(problem.diameter_in, 2),
        change_cost=np.tile(7.0 * ones, 2),
    )
    dearer = dataclasses.replace(
        apart, change_cost=None, cost=apart.cost + np.where(problem.parent >= 0, 7.0, 0.0)[:, None]
    )
    assert [as_entry(e) for e in trade_off_of(apart).entries] == [as_entry(e) for e in trade_off_of(dearer).entries]


@pytest.mark.parametrize(("reducer", "expected"), [(2.0, (12.0, 2, (1, 0))), (6.0, (14.0, 1, (1, 1)))])
def test_a_dear_reducer_is_not_bought(reducer: float, expected: tuple[float, int, tuple[int, ...]]) -> None:
    """Trunk 8 in at 7, branch 6 in at 3 and a reducer, or 8 in at 7 without one; 6 in throughout is too tight."""
    problem = SizingProblem(
        loss_inwc=np.array([[[0.09, 0.02], [0.04, 0.01]]]),
        cost=np.array([[3.0, 7.0], [3.0, 7.0]]),
        allowed=np.ones((2, 2), dtype=bool),
        diameter_in=np.array([6.0, 8.0]),
        parent=np.array([-1, 0], dtype=np.intp),
        stock_group=np.zeros(2, dtype=np.intp),
        path=np.ones((1, 2), dtype=bool),
        available_inwc=np.array([[0.1]]),
        change_cost=np.full((2, 2), reducer),
    )
    assert_optimal(least_cost(problem), expected)


@pytest.mark.parametrize(("over", "cheap_holds"), [(1e-8, False), (1e-10, True)])
def test_a_set_that_holds_by_rounding_only_is_refused(over: float, cheap_holds: bool) -> None:
    """1e-8 of the limit is within the solver's own tolerance, but not within HOLDS_TOLERANCE."""
    problem = SizingProblem(
        loss_inwc=np.array([[[0.06 * (1 + over), 0.01], [0.04 * (1 + over), 0.01]]]),
        cost=np.array([[1.0, 5.0], [1.0, 3.0]]),
        allowed=np.ones((2, 2), dtype=bool),
        diameter_in=np.array([6.0, 6.0]),
        parent=np.array([-1, 0], dtype=np.intp),
        stock_group=np.zeros(2, dtype=np.intp),
        path=np.ones((1, 2), dtype=bool),
        available_inwc=np.array([[0.1]]),
    )
    assert_optimal(least_cost(problem), (2.0, 1, (0, 0)) if cheap_holds else (4.0, 2, (0, 1)))


class _StepClock:
    """A clock on which every look costs a second: time runs out at a chosen point of the work."""

    def __init__(self) -> None:
        self.looks = 0

    def __call__(self) -> float:
        self.looks += 1
        return float(self.looks)


@pytest.fixture
def step_clock(monkeypatch: pytest.MonkeyPatch) -> _StepClock:
    clock = _StepClock()
    monkeypatch.setattr(relaxation, "time", type("_Time", (), {"monotonic": clock}))
    return clock


def assert_honest(solution: Solution, optimum: float) -> None:
    """Proven only if it is the optimum; a bound below it and a cost above it otherwise."""
    assert solution.bound <= optimum * (1 + SAME)
    assert (solution.status in ("optimal", "feasible")) == (solution.size_index is not None)
    if solution.size_index is not None:
        assert solution.cost >= optimum * (1 - SAME)
    if solution.status == "optimal":
        assert solution.cost == pytest.approx(optimum, rel=SAME)


@pytest.mark.parametrize("change_cost", [False, True])
def test_wherever_time_runs_out_the_answer_stays_honest(step_clock: _StepClock, change_cost: bool) -> None:
    problem = synthetic_plan(16, 32, 2, seed=2)
    if change_cost:
        problem = with_change_cost(problem, seed=2)
    truth = trade_off_of(problem)
    costs = {entry.distinct_sizes: entry.cost for entry in truth.entries}
    optimum = truth.least_cost.cost
    cap = truth.entries[-2].distinct_sizes
    seen = set()
    for limit_s in range(0, 160, 16):  # any of them, of small problems: the test of a stopped search
        solution = least_cost(problem, time_limit_s=limit_s)
        assert_honest(solution, optimum)
        capped = least_cost(problem, max_distinct=cap, time_limit_s=limit_s)
        assert_honest(capped, costs[cap])
        front = trade_off_of(problem, time_limit_s=limit_s)
        assert_honest(front.least_cost, optimum)
        for entry in front.entries:
            assert_honest(entry, min(cost for n, cost in costs.items() if n <= entry.distinct_sizes))
        if front.status == "optimal":
            assert [as_entry(e) for e in front.entries] == [as_entry(e) for e in truth.entries]
        least, best = recommend(problem, 5.0, time_limit_s=limit_s)
        assert_honest(least, optimum)
        if best.status == "optimal":
            assert as_entry(best) == as_entry(recommended(truth, 5.0))
        seen |= {solution.status, capped.status, front.status, best.status}
    assert seen == {"unknown", "feasible", "optimal"}


def stopped_early(nodes: int) -> Callable[..., highs.Optimum]:
    """The solver, cut off after so many nodes as if time had run out."""
    return lambda *program, **more: highs.integer_program(*program, **{**more, "most_nodes": nodes})


@SMALL
@given(small_problems(), st.integers(0, 60), st.sampled_from([0, 1, 1000]), st.none() | st.integers(1, 4))
def test_a_stopped_search_claims_nothing_that_all_sets_deny(
    problem: SizingProblem, limit_s: int, nodes: int, cap: int | None
) -> None:
    """Bounds are below, costs are those of sets that hold, `optimal` and `infeasible` are true, nothing is missing."""
    sets = all_sets(problem)
    held = {sizes for _, _, sizes in sets}
    capped = [entry for entry in sets if cap is None or entry[1] <= cap]

    def check(solution: Solution, among: list[tuple[float, int, tuple[int, ...]]]) -> None:
        optimum = among[0][0] if among else math.inf
        assert solution.bound <= optimum * (1 + SAME)
        assert solution.status != "infeasible" or not among
        assert (solution.status in ("optimal", "feasible")) == (solution.size_index is not None)
        if solution.size_index is not None:
            assert tuple(solution.size_index.tolist()) in held
            assert solution.cost >= max(optimum, solution.bound) * (1 - SAME)
        if solution.status == "optimal":
            assert solution.cost == pytest.approx(optimum, rel=SAME)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(relaxation, "time", type("_Time", (), {"monotonic": _StepClock()}))
        patch.setattr(relaxation, "integer_program", stopped_early(nodes))
        least = least_cost(problem, max_distinct=cap, time_limit_s=limit_s)
        front = trade_off_of(problem, max_distinct=cap, time_limit_s=limit_s)
        _, best = recommend(problem, 5.0, max_distinct=cap, time_limit_s=limit_s)
    check(least, capped)
    check(front.least_cost, sets)
    for entry in front.entries:
        check(entry, [one for one in sets if one[1] <= entry.distinct_sizes])
    if best.size_index is not None:
        assert tuple(best.size_index.tolist()) in held
    assert best.status != "infeasible" or not capped
    told = {entry.distinct_sizes for entry in front.entries} | {number for number, _ in front.open_numbers}
    for number, bound in front.open_numbers:
        assert front.status in ("feasible", "unknown")
        assert all(cost >= bound * (1 - SAME) for cost, distinct, _ in capped if distinct == number)
    # A number of sizes that is not told of saves nothing over fewer, or no set has it.
    if front.least_cost.status == "optimal":
        assert {number for _, number, _ in front_of(capped)} <= told


def test_a_real_time_limit_is_kept() -> None:
    problem = synthetic_plan(40, 160, 2, seed=0)
    start = time.monotonic()
    front = trade_off_of(problem, time_limit_s=0.1)
    assert front.status in ("unknown", "feasible")
    assert time.monotonic() - start < 5.0


def test_a_front_without_entries_has_no_recommendation() -> None:
    problem = synthetic_plan(16, 32, 2, seed=0)
    with pytest.raises(ValueError, match="no size set to recommend"):
        recommended(trade_off_of(problem, max_distinct=1), 5.0)
