"""Balancing: damper settings of each variant, and one setting for both seasons."""

from __future__ import annotations

import numpy as np
import pytest
from driven_plans import AT_SITE, HIGH, SIZES, at_sizes, blower_plan, case_of, ducts_of, with_blower, with_devices
from plan_folder import PlanTables, section, small_plan
from random_plans import random_plan
from scipy.optimize import differential_evolution, minimize

from tractduct.delivery.balance import Balance, balance, one_setting, tolerances_off
from tractduct.delivery.flow import SizedDucts, section_loss_inwc, with_dampers
from tractduct.delivery.predict import Delivered, Drive, default_drive, installed_ducts, predict
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


# -- one setting for both seasons ---------------------------------------------------------------------------------


def three_rooms(seed: int) -> PlanTables:
    """One orientation, one flex product, three rooms of random airflow."""
    rng = np.random.default_rng(seed)
    plan = small_plan(variants={"front_faces": ["N"], "flex": ["meadow"]})
    plan.tables["airflow"] = [
        {
            "front_faces": "N",
            "room": room,
            "heating_cfm": int(rng.integers(40, 160)),
            "cooling_cfm": int(rng.integers(40, 200)),
        }
        for room in ("Den", "Bed", "Kitchen")
    ]
    return plan


def worst(found: Delivered) -> float:
    """The worst room's distance in tolerances, by the defaults: the greater of 20 % and 25 cfm."""
    allowed = np.maximum(0.20 * found.room_design_cfm, 25.0)
    return float(np.max(np.abs(found.room_cfm - found.room_design_cfm) / allowed))


def at_both(case: Case, ducts: SizedDucts, coefficient: np.ndarray, drive: Drive) -> Delivered:
    """Both seasons with one setting (n_section,)."""
    return predict(case, with_dampers(ducts, np.tile(coefficient, (2, 1))), drive=drive, strict=False)


def best_found(case: Case, ducts: SizedDucts, drive: Drive) -> float:
    """The least worst deviation over three dampers, by a global search and a local one."""
    runs = [i for i, s in enumerate(case.tree.sections) if s.is_run and s.side != "return"]

    def off(log_coefficient: np.ndarray) -> float:
        coefficient = np.zeros(len(case.tree.sections))
        coefficient[runs] = np.exp(np.minimum(log_coefficient, 0.0))
        return worst(at_both(case, ducts, coefficient, drive))

    rough = differential_evolution(off, [(-18.0, -7.0)] * 3, seed=1, maxiter=25, popsize=8, polish=False)
    fine = minimize(off, rough.x, method="Nelder-Mead", options={"xatol": 1e-5, "fatol": 1e-7, "maxiter": 600})
    return min(rough.fun, fine.fun)


def settings_of(plan: PlanTables) -> tuple[Case, SizedDucts, Balance, Drive]:
    case = case_of(plan)
    ducts, drive = ducts_of(case), default_drive(case.plan)
    return case, ducts, balance(case, ducts, drive=drive), drive


BLOWERS = {"held": None, "blower": {"only": {0: 0.8, 300: 0.7, 600: 0.4, 900: 0.0}}}


@pytest.mark.parametrize("driven", BLOWERS)
def test_one_setting_is_no_worse_than_either_seasons(driven: str) -> None:
    for seed in range(12):
        plan = three_rooms(seed)
        plan = with_blower(plan, BLOWERS[driven]) if BLOWERS[driven] else plan
        case, ducts, own, drive = settings_of(plan)
        one = one_setting(case, ducts, own, drive=drive)
        assert one is not None
        assert one.worst[0] == pytest.approx(worst(one.delivered), rel=1e-9)
        for season in range(2):
            other = worst(at_both(case, ducts, own.coefficient[season], drive))
            assert one.worst[0] <= other * (1.0 + 1e-9)


@pytest.mark.parametrize(("driven", "seed"), [("held", 0), ("held", 2), ("blower", 1), ("blower", 7)])
def test_one_setting_is_near_the_best(driven: str, seed: int) -> None:
    """Within 5 % of the least worst deviation that a search over all three dampers finds."""
    plan = three_rooms(seed)
    plan = with_blower(plan, BLOWERS[driven]) if BLOWERS[driven] else plan
    case, ducts, own, drive = settings_of(plan)
    one = one_setting(case, ducts, own, drive=drive)
    assert one is not None
    assert one.worst[0] <= 1.05 * best_found(case, ducts, drive)


def test_one_setting_is_one_setting() -> None:
    """Each orientation and flex product keeps one coefficient a run: found again from pressures and airflow."""
    plan = blower_plan()
    case = case_of(plan)
    ducts, drive = ducts_of(case), Drive.BLOWER
    one = one_setting(case, ducts, balance(case, ducts, drive=drive), drive=drive)
    assert one is not None
    names = case.variants.variants
    for pair in one.variants:
        assert {names[v].season for v in pair} == {"heating", "cooling"}
        assert len({(names[v].front, names[v].mirrored, names[v].flex) for v in pair}) == 1
    solution = one.delivered.solution
    lost = section_loss_inwc(ducts, solution.airflow_cfm, case.air) @ case.tree.path.T.astype(float)
    for p, run in enumerate(case.tree.runs):
        if run.side != "return":
            taken = (solution.supply_inwc - lost[:, p]) / one.delivered.run_cfm[:, p] ** 2
            np.testing.assert_allclose(taken[one.variants[:, 0]], taken[one.variants[:, 1]], rtol=1e-6, atol=1e-10)


def test_one_setting_goes_by_the_plans_own_drive() -> None:
    """Not saying what drives the air is to say what drives it by default."""
    case = case_of(with_blower(three_rooms(3), {"only": HIGH}))
    ducts = ducts_of(case)
    own = balance(case, ducts)
    said, unsaid = (one_setting(case, ducts, own, drive=drive) for drive in (Drive.BLOWER, None))
    assert said is not None
    assert unsaid is not None
    np.testing.assert_allclose(unsaid.delivered.room_cfm, said.delivered.room_cfm, rtol=1e-9)


def test_one_setting_needs_two_seasons() -> None:
    case = case_of(small_plan(variants={"seasons": ["cooling"]}))
    ducts = ducts_of(case)
    assert one_setting(case, ducts, balance(case, ducts)) is None


def test_distance_in_tolerances() -> None:
    """The greater of a part and a fixed airflow; the plan may set both."""
    case = case_of(small_plan(tolerance={"room_pct": 10, "room_cfm": 5}))
    found = predict(case, ducts_of(case))
    by_hand = np.abs(found.room_cfm - found.room_design_cfm) / np.maximum(0.1 * found.room_design_cfm, 5.0)
    np.testing.assert_allclose(tolerances_off(found, case.plan.tolerance), by_hand, rtol=1e-12)
    np.testing.assert_array_equal(found.room_within(case.plan.tolerance), by_hand <= 1.0)
