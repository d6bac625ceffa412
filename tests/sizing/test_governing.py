"""What standardizing costs, against solving each case on its own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchmarks.make_plans import make_plan
from tractduct.inputs.reader import load_plan
from tractduct.sizing.case import build_case
from tractduct.sizing.governing import price_of_standardizing
from tractduct.sizing.solve import least_cost, recommend


@pytest.mark.parametrize("seed", [0, 2, 4])
def test_without_an_orientation_or_a_product_as_if_solved_alone(seed: int, tmp_path: Path) -> None:
    """Some cases reuse the proof of the whole: those must come out as a solve of their own does."""
    case = build_case(load_plan(make_plan(tmp_path / "plan", seed, n_section=20, n_variant=64)))
    standard, _ = recommend(case.problem(), 5.0)
    reused = 0
    for found in price_of_standardizing(case, standard):
        name = found.left_out if found.kept == "all others" else found.kept
        mine = case.variants.where(front=name) if found.kind == "orientation" else case.variants.where(flex=name)
        alone = least_cost(case.only(~mine if found.kept == "all others" else mine).problem())
        assert found.solution.cost == pytest.approx(alone.cost, rel=1e-12)
        np.testing.assert_array_equal(found.solution.size_index, alone.size_index)
        reused += found.solution is standard
    assert reused, "no case reused the proof, so this shows nothing of it"
