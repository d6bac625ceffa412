"""Duct packages against exhaustive search over all partitions."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from plan_folder import PlanTables, written
from surface_plans import demo_orientation, demo_study, random_faces

import tractduct
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.packages import PackageStudy, divide_fronts, group_label
from tractduct.sizing.solve import least_cost
from tractduct.sizing.verify import verify_sizes


def case_of(plan: PlanTables) -> Case:
    with written(plan) as folder:
        return build_case(tractduct.load_plan(folder))


def partitions(items: Sequence[int]) -> Iterator[list[list[int]]]:
    """Every way to divide some items into sets, by putting each in a set there is or in one of its own."""
    if not items:
        yield []
        return
    for rest in partitions(items[1:]):
        for i in range(len(rest)):
            yield [*rest[:i], [items[0], *rest[i]], *rest[i + 1 :]]
        yield [[items[0]], *rest]


def exhaustive(case: Case, groups: Sequence[tuple[str, bool | None]], weight: Sequence[float]) -> dict[int, float]:
    """Least expected cost by number of packages, every set of orientations solved on its own."""

    @functools.cache
    def cost(chosen: tuple[int, ...]) -> float:
        rows = np.any([case.variants.where(front=groups[i][0], mirrored=groups[i][1]) for i in chosen], axis=0)
        return least_cost(case.only(rows).problem()).cost

    total = sum(weight)
    best = dict.fromkeys(range(1, len(groups) + 1), np.inf)
    for division in partitions(range(len(groups))):
        value = sum(cost(tuple(sorted(s))) * sum(weight[i] for i in s) for s in division) / total
        best[len(division)] = min(best[len(division)], value)
    return best


def compare(found: PackageStudy, best: dict[int, float]) -> None:
    for choice in found.choices:
        at_most = min(best[k] for k in range(1, choice.n_package + 1))
        assert choice.expected_cost == pytest.approx(at_most, rel=1e-9)
        assert choice.bound == pytest.approx(at_most, rel=1e-9)
        assert choice.proven
    # what is left out saves nothing over fewer
    listed = {c.n_package: c.expected_cost for c in found.choices}
    for k in best:
        so_far = min(cost for n, cost in listed.items() if n <= k)
        assert min(best[n] for n in best if n <= k) == pytest.approx(so_far, rel=1e-8)


def test_number_of_partitions() -> None:
    """Bell numbers, 1 5 15 52: so that the exhaustive search is one."""
    assert [len(list(partitions(range(n)))) for n in (1, 3, 4, 5)] == [1, 5, 15, 52]


@pytest.mark.parametrize(("seed", "n_face"), [(1, 4), (2, 5), (3, 5), (4, 5), (5, 6)])
def test_against_exhaustive_search(seed: int, n_face: int) -> None:
    case = case_of(random_faces(seed, n_face))
    groups = [(face, None) for face in case.plan.fronts]
    weight = [1.0 + (3 * i + seed) % 4 for i in range(n_face)]
    found = divide_fronts(case, dict(zip(groups, weight, strict=True)), most=n_face)
    assert found is not None
    compare(found, exhaustive(case, groups, weight))
    assert len(found.choices) > 1  # these plans are made so that a second package saves something
    assert found.n_solved < found.n_subset  # the bounds leave some sets unsolved


def test_by_face_and_mirror() -> None:
    plan = random_faces(7, 4)
    for n, row in enumerate(plan.tables["airflow"]):
        row["mirrored"] = n // 3 % 2 == 1
        row["front_faces"] = "N" if n < 6 else "E"
    case = case_of(plan)
    groups = [(face, m) for face in ("N", "E") for m in (False, True)]
    found = divide_fronts(case, by_mirror=True, most=4)
    assert found is not None
    assert list(found.groups) == groups
    compare(found, exhaustive(case, groups, [1.0] * 4))
    assert group_label(groups[0]) != group_label(groups[1])


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_bound_and_promise_with_more_groups_than_are_solved_exactly(seed: int) -> None:
    """The best division lies between the bound and what is found; the bound is not idle."""
    case = case_of(random_faces(seed, 6))
    groups = [(face, None) for face in case.plan.fronts]
    best = exhaustive(case, groups, [1.0] * 6)
    found = divide_fronts(case, most=3, most_exact=3)
    assert found is not None
    for choice in found.choices:
        at_most = min(best[k] for k in range(1, choice.n_package + 1))
        assert choice.bound <= at_most * (1.0 + 1e-9)
        assert choice.expected_cost >= at_most * (1.0 - 1e-9)
        assert choice.bound >= best[6] * (1.0 - 1e-9)  # at least what each on its own costs


def test_each_package_holds_for_its_orientations() -> None:
    study = demo_study()
    found = demo_orientation().packages
    assert found is not None
    for choice in found.choices:
        served = [g for p in choice.packages for g in p.groups]
        assert sorted(served) == sorted(g for g, w in zip(found.groups, found.weight, strict=True) if w > 0)
        assert sum(p.weight for p in choice.packages) == pytest.approx(1.0)
        assert choice.expected_cost == pytest.approx(sum(p.weight * p.cost for p in choice.packages))
        for package in choice.packages:
            faces = {g[0] for g in (*package.groups, *package.also_holds)}
            variants = tuple(v for v in study.variants.variants if v.front in faces)
            assert verify_sizes(study.plan, variants, study.case.labels(package.size_index)).holds
            assert study.case.cost_of(package.size_index) == pytest.approx(package.cost)


def test_savings_of_the_demo() -> None:
    found = demo_orientation().packages
    assert found is not None
    costs = [c.expected_cost for c in found.choices]
    assert [found.saving(k) for k in range(1, len(costs) + 1)] == pytest.approx(
        [0.0, *(a - b for a, b in itertools.pairwise(costs))]
    )
    assert found.everywhere == pytest.approx(demo_study().least_cost.cost)
    assert all(c.proven for c in found.choices)
    # no lot of the demo is nearest to north-east
    assert [g[0] for g, w in zip(found.groups, found.weight, strict=True) if w == 0.0] == ["NE"]


def test_no_package_where_no_set_holds() -> None:
    plan = random_faces(1, 3)
    plan.config["pressure"] = {"supply_inwc": 0.001, "return_inwc": 0.1}
    assert divide_fronts(case_of(plan)) is None
