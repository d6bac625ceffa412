"""Balancing: damper settings of each variant, and distances in tolerances."""

from __future__ import annotations

import numpy as np
import pytest
from driven_plans import AT_SITE, SIZES, at_sizes, case_of, ducts_of, with_blower, with_devices
from plan_folder import section, small_plan
from random_plans import random_plan

from tractduct.delivery.balance import balance, tolerances_off
from tractduct.delivery.flow import SizedDucts
from tractduct.delivery.predict import Drive, installed_ducts, predict
from tractduct.sizing.case import Case

EVERYWHERE = ("small", *range(8))


def sized(which: str | int) -> tuple[Case, np.ndarray]:
    """A plan's case and sizes (n_section,): the small plan's, or a random one's largest."""
    if which == "small":
        case = case_of(small_plan())
        return case, at_sizes(case)
    case = case_of(random_plan(int(which) + 40))
    diameter = np.where(case.table.shaped & case.table.bounded, case.diameter_in, -1.0)
    return case, np.argmax(diameter, axis=1)


def sides(case: Case) -> list[np.ndarray]:
    is_return = np.array([run.side == "return" for run in case.tree.runs])
    return [np.flatnonzero(is_return == k) for k in (False, True) if (is_return == k).any()]


# -- each variant for itself ------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", EVERYWHERE)
def test_dampers(which: str | int) -> None:
    """One run a side stays wide open, no damper helps the air along, and all paths of a side lose the same.

    Path losses at design airflow come from the sizing's own table. No lower plenum pressure works: the wide open
    run takes all of it already.
    """
    case, index = sized(which)
    got = balance(case, installed_ducts(case, index), drive=Drive.AIRFLOW)
    is_open = case.variants.open_run
    lost = case.path_loss_inwc(index)
    assert np.isnan(got.damper_inwc[~is_open]).all()
    assert got.damper_inwc[is_open].min() >= 0.0
    for k, members in enumerate(sides(case)):
        for v in range(len(is_open)):
            live = members[is_open[v, members]]
            if not live.size:
                continue
            assert got.wide_open[v, k] in live
            assert got.damper_inwc[v, got.wide_open[v, k]] == 0.0
            assert got.coefficient[v, case.tree.run_section[got.wide_open[v, k]]] == 0.0
            plenum = got.plenum_inwc[v, k]
            assert plenum == pytest.approx(lost[v, live].max(), rel=1e-9)
            np.testing.assert_allclose(lost[v, live] + got.damper_inwc[v, live], plenum, rtol=1e-9)


@pytest.mark.parametrize("which", EVERYWHERE)
def test_balancing_then_solving_gives_design_airflow_back(which: str | int) -> None:
    case, index = sized(which)
    ducts = installed_ducts(case, index)
    got = balance(case, ducts, drive=Drive.AIRFLOW)
    assert got.possible.all()
    np.testing.assert_allclose(got.after.run_cfm, got.after.run_design_cfm, rtol=1e-8)
    np.testing.assert_allclose(got.after.room_cfm, case.variants.room_airflow_cfm, rtol=1e-8)
    np.testing.assert_allclose(got.after.external_static_inwc, got.needed_inwc, rtol=1e-8)
    # Held at what the plenums need, the air is the same.
    solution = got.after.solution
    np.testing.assert_allclose(solution.supply_inwc, got.plenum_inwc[:, 0], rtol=1e-8)
    np.testing.assert_allclose(solution.return_inwc, got.plenum_inwc[:, 1], rtol=1e-8, atol=1e-12)
    # The readings before are those without dampers.
    np.testing.assert_array_equal(got.before.run_cfm, predict(case, ducts, drive=Drive.AIRFLOW).run_cfm)


def test_leaky_ducts_balance_too() -> None:
    """The returns then carry what the blower draws through them: (1 - 5 %) of rooms / (1 - 8 %)."""
    plan = with_devices(small_plan(leakage={"supply_pct": 8, "return_pct": 5}))
    case = case_of(plan)
    got = balance(case, ducts_of(case), drive=Drive.AIRFLOW)
    rooms = case.variants.room_airflow_cfm.sum(axis=1)
    np.testing.assert_allclose(got.after.room_cfm, case.variants.room_airflow_cfm, rtol=1e-8)
    np.testing.assert_allclose(got.after.total_cfm, rooms / 0.92, rtol=1e-9)
    back = [p for p, run in enumerate(case.tree.runs) if run.side == "return"]
    np.testing.assert_allclose(got.after.run_cfm[:, back].sum(axis=1), rooms * 0.95 / 0.92, rtol=1e-8)
    np.testing.assert_allclose(got.after.external_static_inwc, got.needed_inwc, rtol=1e-8)


def flat(static: float) -> dict[float, float]:
    """A table of one pressure, as the small plan's site has it."""
    return {0: static / AT_SITE, 2000: static / AT_SITE}


@pytest.mark.parametrize(("part", "possible"), [(1.0 + 1e-6, True), (1.0 - 1e-6, False)])
def test_possible_where_the_blower_makes_what_is_needed(part: float, possible: bool) -> None:
    """A blower of one pressure at a hair's breadth of the most demanding variant's need."""
    ducts = ducts_of(case_of(small_plan()))
    needed = balance(case_of(small_plan()), ducts, drive=Drive.AIRFLOW).needed_inwc
    case = case_of(with_blower(small_plan(), {"only": flat(needed.max() * part)}))
    got = balance(case, ducts)
    np.testing.assert_allclose(got.needed_inwc, needed, rtol=1e-12)
    assert bool(got.possible[np.argmax(needed)]) is possible
    assert got.possible[np.argmin(needed)]


def test_blower_that_makes_exactly_what_is_needed_gives_design_airflow() -> None:
    case = case_of(small_plan())
    ducts = ducts_of(case)
    needed = balance(case, ducts, drive=Drive.AIRFLOW).needed_inwc
    for v in (0, len(needed) - 1):
        driven = case_of(with_blower(small_plan(), {"only": flat(needed[v])})).rows(np.array([v]))
        one = SizedDucts(
            **{name: np.broadcast_to(getattr(ducts, name), (len(needed), 5))[[v]] for name in SizedDucts.__slots__}
        )
        got = balance(driven, one)
        assert got.possible.all()
        np.testing.assert_allclose(got.after.room_cfm, driven.variants.room_airflow_cfm, rtol=1e-8)


def test_surplus_and_deficit_of_the_blower() -> None:
    """More pressure than needed: every room at or above design; less: the system below design."""
    plan = small_plan()
    ducts = ducts_of(case_of(plan))
    strong = balance(case_of(with_blower(plan, {"only": flat(1.0)})), ducts)
    assert strong.possible.all()
    assert np.all(strong.after.room_cfm > strong.after.room_design_cfm)
    weak = balance(case_of(with_blower(plan, {"only": flat(0.02)})), ducts)
    assert not weak.possible.any()
    assert np.all(weak.after.total_cfm < weak.after.airstream.design_cfm)


def test_possible_at_held_pressure() -> None:
    """Plenums held at what the plan makes available: possible where each needs no more."""
    plan = small_plan()
    case = case_of(plan)
    got = balance(case, ducts_of(case), drive=Drive.PRESSURE)
    enough = (got.plenum_inwc[:, 0] <= 0.14) & (got.plenum_inwc[:, 1] <= 0.06)
    assert enough.any()
    np.testing.assert_array_equal(got.possible, enough)


def test_a_room_that_needs_nothing_in_a_season() -> None:
    """Every room gets its design airflow, one of 0 cfm too: its damper is shut in that season."""
    plan = small_plan()
    for row in plan.tables["airflow"]:
        if row["room"] == "Den":
            row["heating_cfm"] = 0
    case = case_of(plan)
    got = balance(case, ducts_of(case), drive=Drive.AIRFLOW)
    # 1 cfm: a shut damper may leak a little
    np.testing.assert_allclose(got.after.room_cfm, case.variants.room_airflow_cfm, atol=1.0)


def test_a_second_run_shut_in_heating() -> None:
    """The shut run has no damper setting then, and its room gets its air by the other."""
    plan = small_plan()
    plan.tables["sections"].insert(
        4, section("KIT2", "T1", "branch", "flex", 14, "collar + boot_floor", "Kitchen", season="cooling")
    )
    case = case_of(plan)
    got = balance(case, ducts_of(case, {**SIZES, "KIT2": 6}), drive=Drive.AIRFLOW)
    run = [r.name for r in case.tree.runs].index("KIT2")
    heating = case.variants.where(season="heating")
    assert np.isnan(got.damper_inwc[heating, run]).all()
    assert np.isfinite(got.damper_inwc[~heating, run]).all()
    assert np.isnan(got.after.run_cfm[heating, run]).all()
    np.testing.assert_allclose(got.after.room_cfm, case.variants.room_airflow_cfm, rtol=1e-8)


def test_distance_in_tolerances() -> None:
    """The greater of a part and a fixed airflow; the plan may set both."""
    case = case_of(small_plan(tolerance={"room_pct": 10, "room_cfm": 5}))
    found = predict(case, ducts_of(case))
    by_hand = np.abs(found.room_cfm - found.room_design_cfm) / np.maximum(0.1 * found.room_design_cfm, 5.0)
    np.testing.assert_allclose(tolerances_off(found, case.plan.tolerance), by_hand, rtol=1e-12)
    np.testing.assert_array_equal(found.room_within(case.plan.tolerance), by_hand <= 1.0)
