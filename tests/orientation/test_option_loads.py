"""Loads that come and go with options: against the plan that has them drawn in."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from plan_folder import PlanTables, section, written
from surface_plans import broken_down, surface, with_lots

import tractduct
from tractduct.orientation.azimuths import airflow_at
from tractduct.orientation.check import check_findings, check_loads
from tractduct.orientation.lots import lot_results
from tractduct.orientation.sensitivity import house_loads, most_changing
from tractduct.sizing.case import build_case


def loaded(plan: PlanTables) -> tractduct.Plan:
    with written(plan) as folder:
        return tractduct.load_plan(folder)


def gain(room: str, heating: float, cooling: float, note: str, **more: Any) -> dict[str, Any]:
    return {"room": room, "heating_btuh": heating, "sensible_cooling_btuh": cooling, "note": note, **more}


def with_options() -> PlanTables:
    """A bay of glass in place of wall, and a loft with its run; lots with either."""
    plan = with_lots(
        broken_down(), ("1", 98, None, None, None), ("2", 98, None, "yes", None), ("3", 10, None, None, None)
    )
    plan.tables["options"] = [{"option": "bay"}, {"option": "loft"}]
    for name in ("surfaces", "room_gains", "sections"):
        for row in plan.tables[name]:
            row["option"] = None
    for row, options in zip(plan.tables["lots"], ("bay + loft", "Loft", ""), strict=True):
        row["options"] = options
    plan.tables["surfaces"] += [
        {**surface("Den", "glass", "left", 22), "option": "bay"},
        {**surface("Den", "wall", "left", -22, 0), "option": "bay"},
        {**surface("Loft", "roof", None, 210), "option": "loft"},
        {**surface("Bed", "roof", None, -150), "option": "loft"},
    ]
    plan.tables["room_gains"] += [
        gain("Loft", 300, 350, "people", option="loft"),
        gain("Kitchen", -100, -100, "fewer people", option="bay and not loft"),
    ]
    plan.tables["sections"].append(
        section("LOFT", "T1", "branch", "flex", 14, "collar + boot_floor", "Loft", option="loft")
    )
    return plan


def drawn(built: set[str]) -> PlanTables:
    """The same house as somebody would draw it without options."""
    plan = broken_down()
    if "bay" in built:
        plan.tables["surfaces"][0]["area_ft2"] += 22
        plan.tables["surfaces"][1]["area_ft2"] -= 22
    if built == {"bay"}:
        plan.tables["room_gains"].pop()
    if "loft" in built:
        plan.tables["surfaces"] = [r for r in plan.tables["surfaces"] if r["surface"] != "roof"]
        plan.tables["surfaces"].append(surface("Loft", "roof", None, 210))
        plan.tables["room_gains"].append(gain("Loft", 300, 350, "people"))
        plan.tables["sections"].append(section("LOFT", "T1", "branch", "flex", 14, "collar + boot_floor", "Loft"))
    return plan


@pytest.mark.parametrize("built", [(), ("bay",), ("loft",), ("bay", "loft")])
def test_a_house_has_the_airflow_of_the_plan_drawn_for_it(built: tuple[str, ...]) -> None:
    """At the eight fronts and between them; the blower's airflow is shared out again among the rooms that are there."""
    plan, alone = loaded(with_options()), loaded(drawn(set(built)))
    house = plan.of_house(built)
    assert plan.rooms == ("Den", "Bed", "Kitchen", "Loft")
    n = len(alone.rooms)
    np.testing.assert_allclose(house.airflow_cfm[..., :n], alone.airflow_cfm, rtol=1e-12)
    assert not house.airflow_cfm[..., n:].any()
    at = [3.0, 98.0, 200.5]
    np.testing.assert_allclose(airflow_at(house, at, (True,))[..., :n], airflow_at(alone, at, (True,)), rtol=1e-12)


def test_a_lot_has_the_airflow_of_what_it_is_built_with() -> None:
    plan = loaded(with_options())
    results = lot_results(plan, build_case(plan).tree, {})
    for lot, built in zip(results, ({"bay", "loft"}, {"loft"}, set()), strict=True):
        alone = loaded(drawn(built))
        want = airflow_at(alone, [lot.lot.azimuth_deg], (lot.lot.mirrored,))[0, 0]
        np.testing.assert_allclose(lot.room_airflow_cfm[:, : want.shape[1]], want, rtol=1e-12)
        loft = [run.name for run in build_case(plan).tree.runs].index("LOFT")
        assert (lot.run_airflow_cfm[:, loft] > 0.0).all() == ("loft" in built)


def test_the_load_of_every_house_is_that_of_the_plan_drawn_for_it() -> None:
    """And the one whose load the direction changes most is the one that is shown."""
    loads = house_loads(loaded(with_options()))
    assert [load.options for load in loads] == [(), ("loft",), ("bay",), ("bay", "loft")]
    for load in loads:
        (alone,) = house_loads(loaded(drawn(set(load.options))))
        np.testing.assert_allclose(load.cooling_btuh, alone.cooling_btuh, rtol=1e-12)
        np.testing.assert_allclose(load.heating_btuh, alone.heating_btuh, rtol=1e-12)
    shown = most_changing(loads)
    assert shown is not None
    assert shown.change_btuh == max(np.ptp(load.cooling_btuh) for load in loads)
    assert len({round(load.change_btuh) for load in loads}) > 1


CONDITION = {(): None, ("bay",): "bay and not loft", ("loft",): "loft and not bay", ("bay", "loft"): "bay and loft"}


def test_the_airflow_table_is_checked_in_every_house() -> None:
    """A table of what each house's loads give agrees; a cell 8 % off in the house with bay and loft is found there."""
    plan = with_options()
    turned = loaded(plan)
    plan.tables["airflow"] = [
        {
            "front_faces": front, "room": room, "heating_cfm": cfm[i, 0, 0, n], "cooling_cfm": cfm[i, 0, 1, n],
            "option": CONDITION[built],
        }
        for built in CONDITION
        for cfm in [turned.of_house(built).airflow_cfm]
        for i, front in enumerate(turned.fronts)
        for n, room in enumerate(turned.rooms)
        if room != "Loft" or "loft" in built
    ]  # fmt: skip
    read = loaded(plan)
    check = check_loads(read)
    assert check is not None
    assert check.largest_pct < 1e-9
    assert not list(check_findings(read, check))
    (row,) = (
        row
        for row in plan.tables["airflow"]
        if (row["front_faces"], row["room"], row["option"]) == ("E", "Bed", "bay and loft")
    )
    row["cooling_cfm"] *= 1.08
    off = loaded(plan)
    (found,) = check_findings(off, check_loads(off))
    assert found.subject == "room Bed"
    assert "(front E, cooling, with bay + loft)" in found.message
