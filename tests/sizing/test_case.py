"""What a case remembers of its problems, against asking each of them anew."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchmarks.make_plans import make_plan
from tractduct.inputs.reader import load_plan
from tractduct.sizing import case as case_module
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.solve import Solution, least_cost, recommend


@pytest.fixture
def case(tmp_path: Path) -> Case:
    return build_case(load_plan(make_plan(tmp_path / "plan", 1, n_section=20, n_variant=64)))


def assert_same(one: Solution, other: Solution) -> None:
    assert (one.status, one.cost, one.distinct_sizes) == (other.status, other.cost, other.distinct_sizes)
    np.testing.assert_array_equal(one.size_index, other.size_index)


def test_answers_are_those_of_a_search_of_its_own(case: Case) -> None:
    for part in (case, case.only(case.variants.where(flex=case.plan.flex[0])), case.priced_for(case.plan.flex[:1])):
        expected = recommend(part.problem(), case.plan.standardize_within_pct)
        for _ in range(2):
            assert_same(part.least_cost(), expected[0])
            for got, wanted in zip(part.recommended(), expected, strict=True):
                assert_same(got, wanted)


def test_the_recommended_set_is_taken_from_the_front(case: Case) -> None:
    expected = recommend(case.problem(), case.plan.standardize_within_pct)
    case.trade_off(lambda done, total: None)
    assert case.answers.recommended, "the front says nothing of the recommended set"
    for got, wanted in zip(case.recommended(), expected, strict=True):
        assert_same(got, wanted)


def test_the_same_variants_are_solved_once(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def counted(problem: object) -> Solution:
        asked.append(problem)
        return least_cost(problem)  # type: ignore[arg-type]

    monkeypatch.setattr(case_module, "least_cost", counted)
    mine = case.variants.where(front=case.plan.fronts[0])
    case.only(mine).least_cost()
    case.rows(np.flatnonzero(mine)).least_cost()
    assert len(asked) == 1
    case.only(~mine).least_cost()
    assert len(asked) == 2
