"""Classes of variants against every variant for itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from driven_plans import SIZES, at_sizes, blower_plan, case_of, with_blower, with_devices
from path_root import Paths
from plan_folder import PlanTables, duct, small_plan
from random_plans import random_plan

import tractduct
from tractduct.delivery.classes import TOTALS_ALIKE, Classes, build_classes
from tractduct.delivery.predict import Delivered, Drive, installed_ducts, predict
from tractduct.inputs.reader import load_plan
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.solve import least_cost

STRONG = {0: 1.2, 500: 1.0, 1500: 0.2, 3000: 0.0}


def driven(seed: int) -> PlanTables:
    """A random plan with a blower that carries any of them."""
    return with_devices(with_blower(random_plan(seed), {"only": STRONG}), [("coil", "supply", 0.05, 800, None, None)])


def some_sizes(case: Case, rng: np.random.Generator) -> np.ndarray:
    """(n_section,) any sizes of the right shape."""
    return np.array([rng.choice(np.flatnonzero(row)) for row in case.table.shaped & case.table.bounded])


def per_variant(classes: Classes, values: np.ndarray) -> np.ndarray:
    """(n_variant, ...) out of (n_class, ...)."""
    return values[classes.of_variant] * classes.scale.reshape(-1, *[1] * (values.ndim - 1))


@pytest.mark.parametrize("drive", list(Drive))
@pytest.mark.parametrize("seed", range(10))
def test_random_candidates_get_what_every_variant_gets(seed: int, drive: Drive) -> None:
    """Every candidate, each with dampers of its own, by the ordinary prediction of all variants."""
    case = case_of(driven(seed))
    rng = np.random.default_rng(seed)
    classes = build_classes(case, drive)
    sizes = np.array([some_sizes(case, rng) for _ in range(4)])
    marks = rng.choice([0.0, 1e-6, 5e-6], (4, len(case.plan.seasons), len(case.tree.run_section)))
    got = classes.simulate(sizes, marks[:, classes.season])
    season = [case.plan.seasons.index(v.season) for v in case.variants.variants]
    for k in range(4):
        damper = np.zeros(case.variants.airflow_cfm.shape)
        damper[:, case.tree.run_section] = marks[k, season]
        whole = predict(case, installed_ducts(case, sizes[k], dampers=damper), drive=drive)
        np.testing.assert_allclose(per_variant(classes, got.room_cfm[k]), whole.room_cfm, rtol=2e-3, atol=0.1)
        np.testing.assert_allclose(
            got.supply_inwc[k, classes.of_variant],
            whole.solution.supply_inwc,
            rtol=2.1 * TOTALS_ALIKE if drive is Drive.AIRFLOW else 1e-9,
        )
        assert np.all(got.supply_inwc[k, classes.of_variant] >= whole.solution.supply_inwc * (1 - 1e-9))


@pytest.mark.parametrize("drive", ["airflow", "pressure", "blower"])
def test_a_class_by_root_finding(drive: str) -> None:
    plan = blower_plan()
    plan.config["pressure"] = {"supply_inwc": 0.14, "return_inwc": 0.06}
    case = case_of(plan)
    classes = build_classes(case, Drive(drive))
    paths = Paths(plan, {name: str(size) for name, size in SIZES.items()})
    damper = {"DEN": 3e-6, "KIT": 1e-6}
    by_path = np.array([damper.get(run.name, 0.0) for run in case.tree.runs])
    got = classes.simulate(at_sizes(case), by_path)
    for c, variant in enumerate(classes.case.variants.variants):
        key = (variant.front, variant.mirrored, variant.season, variant.flex)
        other = paths.settle(key, damper, drive)
        assert other["residual"] < 1e-9
        for p, run in enumerate(case.tree.runs):
            assert got.run_cfm[0, c, p] == pytest.approx(other["runs"][run.name], rel=1e-5)
        assert got.supply_inwc[0, c] == pytest.approx(other["supply"], rel=1e-5)
        assert got.return_inwc[0, c] == pytest.approx(other["back"], rel=1e-5)


def test_demo_takes_a_tenth_of_the_simulations(demo_folder: Path) -> None:
    """At a held airflow, on the set of least cost: 96 variants in at most 9 classes; the difference in cfm."""
    case = build_case(load_plan(demo_folder))
    index = least_cost(case.problem()).size_index
    assert index is not None
    classes = build_classes(case, Drive.AIRFLOW)
    assert classes.n_class * 10 <= len(case.variants.variants)
    got = classes.simulate(index)
    whole = predict(case, installed_ducts(case, index), drive=Drive.AIRFLOW)
    assert np.abs(per_variant(classes, got.room_cfm[0]) - whole.room_cfm).max() < 0.01


@pytest.mark.parametrize("drive", list(Drive))
@pytest.mark.parametrize("seed", [1, 4, 7])
def test_windows_by_every_variant(seed: int, drive: Drive) -> None:
    """The worst distance of a class is that of its worst variant, at any airflow; by a plain loop."""
    plan = driven(seed)
    plan.config["tolerance"] = {"room_pct": 20, "room_cfm": 12}
    case = case_of(plan)
    classes = build_classes(case, drive)
    rng = np.random.default_rng(seed)
    keep = rng.random(len(case.variants.variants)) < 0.7
    for mask in (None, keep):
        windows = classes.windows(mask)
        room = classes.case.variants.room_airflow_cfm * rng.uniform(0.6, 1.5, (1, len(case.plan.rooms)))
        worst = np.full(room.shape, -np.inf)
        for v, design in enumerate(case.variants.room_airflow_cfm):
            if mask is None or mask[v]:
                c = classes.of_variant[v]
                off = np.abs(room[c] * classes.scale[v] - design) / np.maximum(0.2 * design, 12.0)
                worst[c] = np.maximum(worst[c], off)
        # Within a class whose totals are merely alike the extreme design may change places with its neighbour.
        exact = np.all(classes.scale == 1.0)
        np.testing.assert_allclose(windows.off(room), worst, rtol=1e-9 if exact else 0.0, atol=0.0 if exact else 0.05)
        low, high = windows.low_cfm(1.0), windows.high_cfm(1.0)
        fits = np.isfinite(low) & (low <= high)
        for room in (low, high):
            assert np.all(windows.off(np.where(fits, room, 0.0))[fits] <= 1.0 + 1e-9)


def test_a_friction_table_makes_every_variant_a_class() -> None:
    """But for variants of the same airflow. The correction differs with the airflow, so the air does too."""
    folder = Path(__file__).parents[2] / "configs" / "quernby-1180"
    case = build_case(load_plan(folder))
    assert any(d.correction is not None for d in case.plan.ducts.values())
    index = least_cost(case.problem()).size_index
    assert index is not None
    for drive in (Drive.AIRFLOW, Drive.PRESSURE):
        classes = build_classes(case, drive)
        got = classes.simulate(index)
        whole: Delivered = predict(case, installed_ducts(case, index), drive=drive)
        np.testing.assert_allclose(per_variant(classes, got.room_cfm[0]), whole.room_cfm, rtol=1e-3)


def test_a_guess_from_close_by() -> None:
    """Two Newton steps from the open dampers' airflow are within 0.1 % of the settled airflow for a small change."""
    case = case_of(small_plan())
    classes = build_classes(case)
    start = classes.simulate(at_sizes(case))
    damper = np.full(len(case.tree.run_section), 2e-7)
    guess = classes.simulate(at_sizes(case), damper, start_cfm=start.section_cfm, most_steps=2)
    whole = classes.simulate(at_sizes(case), damper)
    np.testing.assert_allclose(guess.run_cfm, whole.run_cfm, rtol=1e-3)
    assert not np.allclose(start.run_cfm, whole.run_cfm, rtol=1e-3)


def test_what_the_plenum_may_hold() -> None:
    """By side where the plan gives it, both together where the blower's table does; none where it is not held."""
    given = case_of(small_plan())
    classes = build_classes(given, Drive.AIRFLOW)
    np.testing.assert_array_equal(classes.supply_limit_inwc, 0.14)
    assert np.isinf(classes.ducts_limit_inwc).all()
    assert np.isinf(build_classes(given, Drive.PRESSURE).supply_limit_inwc).all()
    left = case_of(blower_plan())
    classes = build_classes(left, Drive.AIRFLOW)
    assert np.isinf(classes.supply_limit_inwc).all()
    for c in range(classes.n_class):
        least = left.budget.total_inwc[classes.of_variant == c].min()
        assert classes.ducts_limit_inwc[c] == least
    got = classes.simulate(at_sizes(left))
    there = classes.there_inwc(got.return_inwc)
    np.testing.assert_allclose(there[0], classes.ducts_limit_inwc - got.return_inwc[0])


def test_batches_do_not_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    case = case_of(small_plan())
    classes = build_classes(case)
    rng = np.random.default_rng(3)
    marks = rng.uniform(0, 1e-6, (7, 1, len(case.tree.run_section)))
    whole = classes.simulate(at_sizes(case), marks)
    monkeypatch.setattr("tractduct.delivery.classes._NUMBERS_AT_ONCE", 1)
    single = classes.simulate(at_sizes(case), marks)
    np.testing.assert_allclose(whole.section_cfm, single.section_cfm, rtol=1e-9)
    assert whole.room_cfm.shape == single.room_cfm.shape == (7, classes.n_class, len(case.plan.rooms))


def test_a_run_that_loses_nothing_is_refused() -> None:
    plan = small_plan()
    plan.row("sections", "DEN").update(length_ft=0, fittings="")
    with pytest.raises(tractduct.InputFaults, match="DEN"):
        build_classes(case_of(plan))


def test_products_of_one_name_do_not_mix() -> None:
    """A third product makes a third of the classes each season."""
    plan = small_plan()
    before = build_classes(case_of(plan)).n_class
    plan.tables["ducts"].append(duct("slate", "flex", 0.002))
    assert build_classes(case_of(plan)).n_class == before // 2 * 3
