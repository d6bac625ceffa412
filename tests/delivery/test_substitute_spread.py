"""Another flex product in the same sizes; and what building tolerances do: both by a second route."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from driven_plans import (
    AT_SITE,
    DEVICES,
    SIZES,
    at_sizes,
    blower_plan,
    case_of,
    ducts_of,
    fixed,
    with_blower,
    with_devices,
)
from plan_folder import PlanTables, duct, section, small_plan, with_prices

from tractduct.delivery.balance import balance
from tractduct.delivery.predict import Drive, installed_ducts, predict
from tractduct.delivery.robust import SEED, Spread, building_spread
from tractduct.delivery.substitute import Substitution, substitutions_of
from tractduct.sizing.case import Case
from tractduct.sizing.verify import verify_sizes

# -- substitution ----------------------------------------------------------------------------------------------


def substitutions(plan: PlanTables, drive: Drive | None = None) -> tuple[Case, dict[tuple[str, str], Substitution]]:
    case = case_of(plan)
    return case, {(s.designed, s.installed): s for s in substitutions_of(case, drive=drive)}


def tight_plan() -> PlanTables:
    """Little pressure, so that a rougher product needs larger ducts."""
    return with_prices(small_plan(pressure={"supply_inwc": 0.08, "return_inwc": 0.03}))


def labels(case: Case, size_index: np.ndarray) -> dict[str, object]:
    return {s.name: case.table.sizes[k].label for s, k in zip(case.tree.sections, size_index, strict=True)}


@pytest.mark.parametrize("drive", [Drive.AIRFLOW, Drive.PRESSURE, Drive.BLOWER])
def test_delivered_is_a_plan_with_that_product_in_those_sizes(drive: Drive) -> None:
    """The second route: a plan of its own with the installed product alone and the sizes given."""
    plan = with_devices(with_blower(tight_plan(), {"only": {0: 0.6, 300: 0.5, 600: 0.2, 900: 0.0}}))
    case, found = substitutions(plan, drive)
    assert set(found) == {("meadow", "granite"), ("granite", "meadow")}
    for (designed, installed), one in found.items():
        sizes = labels(case, one.sized.size_index)
        for product, got in ((designed, one.expected), (installed, one.delivered)):
            alone = fixed(plan, **sizes)
            alone.config["variants"] = {"flex": [product]}
            other = case_of(alone)
            expected = predict(other, ducts_of(other, sizes), drive=drive)
            np.testing.assert_allclose(got.room_cfm, expected.room_cfm, rtol=1e-9)
            np.testing.assert_allclose(got.total_cfm, expected.total_cfm, rtol=1e-9)
            assert [v.flex for v in got.variants.variants] == [product] * len(other.variants.variants)


def test_sized_is_the_set_for_the_designed_product_alone() -> None:
    plan = tight_plan()
    case, found = substitutions(plan)
    for (designed, _), one in found.items():
        mine = tuple(v for v in case.variants.variants if v.flex == designed)
        assert verify_sizes(case.plan, mine, case.labels(one.sized.size_index)).holds


def test_raised_sizes_make_the_set_hold() -> None:
    """Before, the installed product breaks a limit; with the raised sizes it breaks none, and none is smaller."""
    case, found = substitutions(tight_plan())
    one = found["meadow", "granite"]
    mine = tuple(v for v in case.variants.variants if v.flex == "granite")
    before, after = case.labels(one.sized.size_index), case.labels(one.recovery.size_index)
    assert one.raised
    assert not verify_sizes(case.plan, mine, before).holds
    assert verify_sizes(case.plan, mine, after).holds
    assert one.raised == {s: (before[s], after[s]) for s in before if before[s] != after[s]}
    assert all(float(new) > float(old) for old, new in one.raised.values())
    # The extra cost by hand: length x (price after - price before) of granite, or of the section's own duct.
    price = case.plan.prices
    by_hand = 0.0
    for s in case.tree.sections:
        product = case.plan.duct_of(s, "granite").name
        by_hand += s.length_ft * (price[product, after[s.name]] - price[product, before[s.name]])
    assert one.extra_cost == pytest.approx(by_hand, rel=1e-9)
    assert by_hand > 0.0


def test_a_smoother_product_needs_nothing_raised() -> None:
    _, found = substitutions(tight_plan())
    assert found["granite", "meadow"].raised == {}
    assert found["granite", "meadow"].extra_cost == pytest.approx(0.0, abs=1e-9)


def test_a_rougher_product_delivers_no_more() -> None:
    """At held pressure: the whole never more; and no run more where each run has the plenum to itself.

    (On a shared trunk a rigid run may gain what the flex beside it loses.)
    """
    _, found = substitutions(tight_plan(), Drive.PRESSURE)
    one = found["meadow", "granite"]
    assert np.all(one.delivered.total_cfm < one.expected.total_cfm)
    plan = tight_plan()
    plan.tables["sections"] = [
        section(name, "", "branch", "flex", 8.0 + 6.0 * k, "collar + boot_floor", room)
        for k, (name, room) in enumerate({"DEN": "Den", "BED": "Bed", "KIT": "Kitchen"}.items())
    ]
    _, found = substitutions(plan, Drive.PRESSURE)
    one = found["meadow", "granite"]
    assert np.all(one.delivered.run_cfm < one.expected.run_cfm)


def test_a_product_that_moves_ten_per_cent_less_loses_ten_per_cent() -> None:
    """Plan sized for a product, another of the same roughness derated by 10 % installed, friction alone, held
    pressure: every room loses 10 % of its air (common practice: such a product loses 10 % of the room's air)."""
    plan = small_plan()
    plan.tables["ducts"] = [duct("galvanised", "rigid", 0.0003), duct("a", "flex", 0.001), duct("b", "flex", 0.001, 10)]
    plan.tables["sections"] = [
        section(name, "", "branch", "flex", 30, "collar", room)
        for name, room in {"DEN": "Den", "BED": "Bed", "KIT": "Kitchen"}.items()
    ]
    _, found = substitutions(plan, Drive.PRESSURE)
    one = found["a", "b"]
    np.testing.assert_allclose(one.delivered.room_cfm, 0.9 * one.expected.room_cfm, rtol=1e-9)


def test_one_product_has_no_substitute() -> None:
    assert substitutions_of(case_of(small_plan(variants={"flex": ["meadow"]}))) == ()


def test_a_product_that_nothing_holds_for_is_left_out() -> None:
    """Granite as designed is left out; installed in meadow's sizes it has no recovery, and says so by an empty one."""
    plan = tight_plan()
    plan.row("ducts", "granite")["airflow_derate_pct"] = 60
    plan.row("sections", "BED")["max_in"] = 7
    _, found = substitutions(plan)
    assert set(found) == {("meadow", "granite")}
    one = found["meadow", "granite"]
    assert one.recovery.status == "infeasible"
    assert one.raised == {}
    assert np.isnan(one.extra_cost)


# -- spread ----------------------------------------------------------------------------------------------------------


def spread_of(plan: PlanTables, drive: Drive | None = None, builds: int = 40) -> tuple[Case, Spread]:
    case = case_of(plan)
    dampers = balance(case, ducts_of(case), drive=drive).coefficient
    return case, building_spread(case, at_sizes(case), dampers, builds=builds, drive=drive)


def test_spread_is_seeded() -> None:
    _, one = spread_of(blower_plan())
    _, other = spread_of(blower_plan())
    for name in ("low", "middle", "high", "total_low", "total_high", "within_pct"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


@pytest.mark.parametrize("drive", [Drive.AIRFLOW, Drive.PRESSURE, Drive.BLOWER])
def test_spread_is_in_order(drive: Drive) -> None:
    case, got = spread_of(blower_plan(), drive)
    assert got.low.shape == (2, 3)
    assert np.all(got.low <= got.middle)
    assert np.all(got.middle <= got.high)
    assert np.all((got.within_pct >= 0.0) & (got.within_pct <= 100.0))
    assert got.builds == 40
    if drive is Drive.AIRFLOW:
        np.testing.assert_allclose([got.total_low, got.total_high], 100.0, rtol=1e-9)
    else:
        assert np.all(got.total_low < got.total_high)
    assert case.plan.seasons == ("heating", "cooling")


def test_spread_lies_between_the_best_and_the_worst_build() -> None:
    """Shortest, stretched and clean moves the most air; longest, squeezed and loaded the least: friction only rises
    with length and compression, so the whole system's airflow has these bounds."""
    case, got = spread_of(blower_plan())
    dampers = balance(case, ducts_of(case)).coefficient
    ends = []
    for length, squeezed, loaded in ((1.1, 15.0, True), (0.9, 0.0, False)):
        ducts = installed_ducts(case, at_sizes(case), compression_pct=squeezed, length_factor=length)
        found = predict(case, replace(ducts, damper_inwc_per_cfm2=dampers), loaded=loaded)
        ends.append(100.0 * found.total_cfm / found.airstream.design_cfm)
    for k, season in enumerate(case.plan.seasons):
        mine = case.variants.where(season=season)
        assert ends[0][mine].min() < got.total_low[k] < got.total_high[k] < ends[1][mine].max()


def test_spread_by_a_second_draw() -> None:
    """5th, 50th and 95th percentile against a loop over builds with a seed of its own, one prediction a build.

    240 builds of 4 variants on either side: percentiles of such samples agree within about 1 % of design.
    """
    plan = blower_plan()
    case, got = spread_of(plan, builds=240)
    dampers = balance(case, ducts_of(case)).coefficient
    rng = np.random.default_rng(SEED + 1)
    shape = (len(case.variants.variants), len(case.tree.sections))
    parts, totals = [], []
    for _ in range(240):
        ducts = installed_ducts(
            case,
            at_sizes(case),
            compression_pct=15.0 * rng.random(shape),
            length_factor=1.0 + 0.2 * (rng.random(shape) - 0.5),
        )
        found = predict(case, replace(ducts, damper_inwc_per_cfm2=dampers), loaded=rng.random(shape[0]))
        parts.append(100.0 * found.room_cfm / case.variants.room_airflow_cfm)
        totals.append(100.0 * found.total_cfm / case.variants.room_airflow_cfm.sum(axis=1))
    part, total = np.array(parts), np.array(totals)
    for k, season in enumerate(case.plan.seasons):
        mine = case.variants.where(season=season)
        for name, q in (("low", 5), ("middle", 50), ("high", 95)):
            other = np.percentile(part[:, mine].reshape(-1, 3), q, axis=0)
            np.testing.assert_allclose(getattr(got, name)[k], other, atol=1.5)
        np.testing.assert_allclose(
            [got.total_low[k], got.total_high[k]], np.percentile(total[:, mine], [5, 95]), atol=1.5
        )


def test_spread_of_a_room_that_needs_nothing() -> None:
    plan = small_plan()
    for row in plan.tables["airflow"]:
        if row["room"] == "Den":
            row["heating_cfm"] = 0
    _, got = spread_of(plan)
    assert np.isnan(got.low[0, 0])
    assert np.isfinite(got.low[0, 1:]).all()
    assert np.isfinite(got.low[1]).all()


# -- what drives a prediction, at the level of a plan -----------------------------------------------------------------


def test_a_loaded_filter_takes_air() -> None:
    """Devices by hand: the filter alone changes, from 0.08 to 0.20 inWC at 350 cfm."""
    case = case_of(blower_plan())
    clean, loaded = (predict(case, ducts_of(case), loaded=state) for state in (False, True))
    assert np.all(loaded.total_cfm < clean.total_cfm)
    change = loaded.airstream.devices.square - clean.airstream.devices.square
    np.testing.assert_allclose(change, AT_SITE * (0.20 - 0.08) / 350.0**2, rtol=1e-9)


def test_a_device_of_one_season_counts_in_it_alone() -> None:
    case = case_of(blower_plan())
    stream = predict(case, ducts_of(case)).airstream
    always = sum(loss / at**2 for _, _, loss, at, season, _ in DEVICES if season is None)
    coil = 0.20 / 400.0**2
    expected = AT_SITE * np.where(case.variants.where(season="cooling"), always + coil, always)
    np.testing.assert_allclose(stream.devices.square, expected, rtol=1e-12)


def test_more_compression_less_air() -> None:
    case = case_of(small_plan())
    moved = [
        predict(case, installed_ducts(case, at_sizes(case), compression_pct=pct), drive=Drive.PRESSURE).total_cfm
        for pct in (0.0, 4.0, 15.0)
    ]
    assert np.all(moved[0] > moved[1])
    assert np.all(moved[1] > moved[2])
    assert set(SIZES) == {s.name for s in case.tree.sections}
