"""What the blower leaves for the ducts, worked out by hand, and the sets that are sized by it."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from driven_plans import (
    AT_SITE,
    HIGH,
    LOW,
    SIZES,
    blower_plan,
    case_of,
    devices_inwc,
    ducts_of,
    fixed,
    static_of,
    with_blower,
    with_devices,
)
from plan_folder import PlanTables, small_plan, study_of
from reference import Reference

import tractduct
from tractduct.delivery.balance import balance
from tractduct.delivery.predict import Drive

SPEED = {"heating": LOW, "cooling": HIGH}
# The program follows the curve between the table's points by straight lines over 1/256 of its span; on the steepest
# of these curves that is within 2e-5 inWC.
CHORD = 2e-5


def rooms_cfm(reference: Reference, variant: tuple[str, bool, str, str]) -> float:
    return sum(reference.need[(*variant[:3], room)] for room in reference.rooms)


def left(reference: Reference, variant: tuple[str, bool, str, str], leak: float = 0.0) -> float:
    """The blower's static pressure at its design airflow, less the devices."""
    cfm = rooms_cfm(reference, variant) / (1.0 - leak)
    return static_of(SPEED[variant[2]], cfm) - devices_inwc(cfm, variant[2])


def worst_circuit(reference: Reference, chosen: dict[str, str], variant: tuple[str, bool, str, str]) -> float:
    """The worst supply path and the worst return path together."""
    total = 0.0
    for side in ("supply", "return"):
        runs = [r for r in reference.runs() if reference.side(r) == side and reference.is_open(r, variant)]
        total += max((reference.path_loss(r, chosen, variant) for r in runs), default=0.0)
    return total


def demanding(plan: PlanTables, factor: float = 1.25) -> PlanTables:
    """Devices that leave little."""
    plan = plan.copy()
    for row in plan.tables["devices"]:
        row["loss_inwc"] = round(row["loss_inwc"] * factor, 4)
        if row["loaded_loss_inwc"]:
            row["loaded_loss_inwc"] = row["loss_inwc"] + 0.1
    return plan


def test_what_is_left_by_hand() -> None:
    plan = blower_plan()
    case, reference = case_of(plan), Reference(plan)
    by_hand = [left(reference, variant) for variant in reference.variants]
    np.testing.assert_allclose(case.budget.total_inwc, by_hand, atol=CHORD)
    assert len(set(np.round(by_hand, 6))) == 3  # heating, cooling N, cooling S: no two alike by chance
    assert np.isnan(case.budget.by_side_inwc).all()


def test_leakage_raises_what_the_blower_moves() -> None:
    plan = blower_plan()
    plan.config["leakage"] = {"supply_pct": 8, "return_pct": 3}
    case, reference = case_of(plan), Reference(plan)
    np.testing.assert_allclose(
        case.budget.total_inwc, [left(reference, v, leak=0.08) for v in reference.variants], atol=CHORD
    )
    assert np.all(case.budget.total_inwc < case_of(blower_plan()).budget.total_inwc)


def test_a_loss_in_one_season_only_leaves_the_other_alone() -> None:
    """A coil that counts in cooling only: heating keeps its pressure to the last digit."""
    without = case_of(with_devices(blower_plan(), [("filter", "return", 0.08, 350, None, None)]))
    coil = ("coil", "supply", 0.2, 400, "cooling", None)
    with_coil = case_of(with_devices(blower_plan(), [("filter", "return", 0.08, 350, None, None), coil]))
    cooling = without.variants.where(season="cooling")
    np.testing.assert_array_equal(with_coil.budget.total_inwc[~cooling], without.budget.total_inwc[~cooling])
    cfm = without.variants.room_airflow_cfm[cooling].sum(axis=1)
    fall = without.budget.total_inwc[cooling] - with_coil.budget.total_inwc[cooling]
    np.testing.assert_allclose(fall, AT_SITE * 0.2 * (cfm / 400.0) ** 2, rtol=1e-9)


def test_given_pressure_stays_fixed() -> None:
    """[pressure] in the plan wins over the blower, whatever that is."""
    plain = small_plan()
    driven = with_devices(with_blower(plain))
    assert study_of(driven).size_set == study_of(plain).size_set
    budget, same = case_of(driven).budget, case_of(plain).budget
    np.testing.assert_array_equal(budget.available_inwc, same.available_inwc)
    np.testing.assert_array_equal(budget.by_side_inwc, [[0.14, 0.06]] * 8)


@pytest.mark.parametrize("factor", [1.0, 2.0, 2.6])
def test_the_set_keeps_within_the_blower(factor: float) -> None:
    plan = demanding(blower_plan(), factor)
    reference = Reference(plan)
    devices = [tuple(row.values()) for row in plan.tables["devices"]]
    study = study_of(plan)
    assert study.status == "optimal"
    for variant in reference.variants:
        cfm = rooms_cfm(reference, variant)
        made = static_of(SPEED[variant[2]], cfm) - devices_inwc(cfm, variant[2], devices)
        assert worst_circuit(reference, study.size_set, variant) <= made + CHORD


@pytest.mark.parametrize("factor", [2.5, 2.7])
def test_the_optimum_against_every_set(factor: float) -> None:
    """All sets of five sizes: the cheapest that holds costs what the study's least-cost set costs."""
    plan = demanding(blower_plan(), factor)
    plan.config["sizes"] = {"round_in": [6, 7, 8, 10, 12]}
    reference = Reference(plan)
    devices = [tuple(row.values()) for row in plan.tables["devices"]]
    names = list(reference.sections)
    tables = []
    for variant in reference.variants:
        cfm = rooms_cfm(reference, variant)
        made = static_of(SPEED[variant[2]], cfm) - devices_inwc(cfm, variant[2], devices)
        loss = {n: {s.label: reference.loss(n, s, variant) for s in reference.sizes} for n in names}
        slow = {
            n: {s.label: reference.velocity(n, s, variant) <= reference.velocity_limit(n) for s in reference.sizes}
            for n in names
        }
        tables.append((made, loss, slow))
    ways = {run: reference.way(run) for run in reference.runs()}
    best, near = math.inf, math.inf
    for labels in itertools.product([s.label for s in reference.sizes], repeat=len(names)):
        chosen = dict(zip(names, labels, strict=True))
        if reference.larger_than_parent(chosen):
            continue
        cost = reference.cost(chosen)
        if cost >= best:
            continue
        spare = math.inf
        for made, loss, slow in tables:
            if not all(slow[n][chosen[n]] for n in names):
                spare = -math.inf
                break
            of = {run: sum(loss[n][chosen[n]] for n in way) for run, way in ways.items()}
            spare = min(spare, made - max(of[r] for r in ways if r != "RET") - of["RET"])
        if abs(spare) < 2.0 * CHORD:
            near = min(near, cost)
        elif spare > 0.0:
            best = cost
    assert near >= best, "a set is too close to the limit to tell; change the plan"
    study = study_of(plan)
    assert study.least_cost.cost == pytest.approx(best, rel=1e-9)
    velocity_only = study_of(small_plan(sizes=plan.config["sizes"], pressure={"supply_inwc": 3.0, "return_inwc": 3.0}))
    assert velocity_only.least_cost.cost < best  # pressure decides, not velocity


def test_the_losses_decide_the_split() -> None:
    """A long return takes what a short supply leaves: no fixed ratio could hold this set."""
    plan = demanding(blower_plan(), 2.3)
    plan.row("sections", "RET").update(length_ft=120, fittings="return_box*4")
    plan = fixed(plan, RET=10)
    study, reference = study_of(plan), Reference(plan)
    assert study.status == "optimal"
    variant = ("S", False, "cooling", "granite")
    back = reference.path_loss("RET", study.size_set, variant)
    total = study.case.budget.total_inwc[reference.variants.index(variant)]
    assert 0.5 * total < back < worst_circuit(reference, study.size_set, variant) <= total + CHORD


def test_without_returns_all_is_the_supplys_and_a_finding_says_so() -> None:
    """No return is drawn: what the blower leaves is all for the supply ducts, with a warning."""
    plan = blower_plan()
    plan.tables["sections"] = [row for row in plan.tables["sections"] if row["side"] != "return"]
    reference = Reference(plan)
    np.testing.assert_allclose(
        case_of(plan).budget.total_inwc, [left(reference, v) for v in reference.variants], atol=CHORD
    )
    assert any(f.rule == "return air" and "no return ducts" in f.message for f in study_of(plan).findings)


def needed(plan: PlanTables, sizes: dict[str, object]) -> np.ndarray:
    """What each variant needs at design airflow, by balancing."""
    case = case_of(plan)
    return balance(case, ducts_of(case, sizes), drive=Drive.AIRFLOW).needed_inwc


@pytest.mark.parametrize("leak", [{}, {"supply_pct": 10}, {"return_pct": 20}])
def test_what_is_sized_can_be_balanced(leak: dict[str, float]) -> None:
    """A blower of one pressure that just makes the need of given sizes: the study takes it, balancing too. A little
    less: neither takes it."""
    plan = small_plan()
    plan.config["leakage"] = leak
    plan = with_devices(fixed(plan, **SIZES))
    most = needed(plan, SIZES).max()
    del plan.config["pressure"]
    for part, holds in ((1.001, True), (0.999, False)):
        driven = with_blower(plan, {"only": dict.fromkeys((0, 2000), most * part / AT_SITE)})
        case = case_of(driven)
        assert bool(balance(case, ducts_of(case)).possible.all()) is holds
        assert (study_of(driven).status == "optimal") is holds


def test_returns_that_are_shut_in_a_season() -> None:
    """The only return is open in cooling alone. Either the plan is refused with the return's name, or the supply paths
    still keep within the blower in heating: never unlimited there."""
    plan = blower_plan()
    plan.row("sections", "RET")["season"] = "cooling"
    for row in plan.tables["airflow"]:
        row["heating_cfm"] *= 2
    try:
        case = case_of(plan)
    except tractduct.InputFaults as refused:
        told = str(refused)
    else:
        told = ""
    if told:
        assert "RET" in told
        return
    heating = case.variants.where(season="heating")
    assert np.isfinite(case.budget.available_inwc[heating]).any(axis=1).all()
