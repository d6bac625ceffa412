"""Losses of candidate sizes at the edge of what a section may be."""

from __future__ import annotations

import numpy as np
from conftest import WritePlan
from plan_folder import small_plan

import tractduct


def test_a_section_without_length_or_fittings_loses_nothing(write_plan: WritePlan) -> None:
    """No length to part into straight and fittings, so nothing is divided by it; its velocity limit stays."""
    plan = small_plan()
    plan.row("sections", "T1").update(length_ft=0, fittings="")
    study = tractduct.study(tractduct.load_plan(write_plan(plan)))
    at = next(i for i, s in enumerate(study.tree.sections) if s.name == "T1")
    assert study.status == "optimal"
    np.testing.assert_array_equal(study.table.loss_inwc[:, at], 0.0)
    assert study.table.sections.straight_part[at] == 1.0
    # Continuity, Q = V A: the smallest size that its limit allows at its largest airflow, or larger for a child's sake.
    flow, limit = study.variants.airflow_cfm[:, at].max(), study.table.sections.velocity_limit_fpm[at]
    least_in = 12.0 * np.sqrt(flow / limit / (np.pi / 4.0))
    assert float(study.size_set["T1"]) >= least_in
