"""Plans that no size set holds for: what stands in the way and by how much, and ways out that really are."""

from __future__ import annotations

import itertools
import math
import re
from typing import Any

import numpy as np
import pytest
from plan_folder import PlanTables, results_of, section, small_plan, with_prices, written
from reference import Reference

import tractduct
from tractduct.errors import SolverError
from tractduct.one_plan import _confirmed


def long_run(**parts: dict[str, Any]) -> PlanTables:
    """The small plan with a bedroom run that loses too much even in the largest size."""
    plan = small_plan(**parts)
    plan.config["sizes"]["round_in"] = [4, 5, 6, 7]
    plan.config["limits"] = {"trunk_rigid_fpm": 2500, "return_branch_rigid_fpm": 2500}
    plan.config["pressure"] = {"supply_inwc": 0.15, "return_inwc": 0.10}
    plan.row("sections", "BED")["length_ft"] = 200
    return plan


def largest(reference: Reference) -> dict[str, str]:
    return {name: reference.candidates(name)[-1].label for name in reference.sections}


def test_a_pressure_conflict() -> None:
    plan = long_run()
    reference, found = Reference(plan), results_of(plan)
    assert found["status"] == "infeasible"
    assert found["size_set"] == {}
    assert found["cost"] is None
    assert found["distinct_sizes"] == 0
    assert found["by_distinct_sizes"] == []
    (conflict,) = found["conflicts"]
    # Round ducts: the largest size in every section loses least on every path.
    chosen = largest(reference)
    losses = {v: reference.path_loss("BED", chosen, v) for v in reference.variants}
    worst = max(losses, key=lambda v: losses[v])
    assert (conflict["path"], conflict["limit"], conflict["unit"]) == ("BED", "pressure", "inWC")
    told = tuple(conflict["variant"][key] for key in ("front_faces", "mirrored", "season", "flex"))
    assert losses[told] == pytest.approx(losses[worst], rel=1e-6)
    assert conflict["allowed"] == 0.15
    assert conflict["least"] == pytest.approx(losses[worst], rel=1e-5)
    assert conflict["missing"] == pytest.approx(losses[worst] - 0.15, rel=1e-4)
    assert "BED" in conflict["message"]
    assert worst[3] in conflict["message"]
    # The variants are still told, with what they carry and their own sizes.
    assert len(found["variants"]) == len(reference.variants)
    assert found["variants"][0]["sections"]["T1"]["airflow_cfm"] == pytest.approx(230.0)
    assert all(f["rule"] for f in found["findings"])


def test_a_velocity_conflict() -> None:
    """160 cfm in the largest size, 6 in: 160 / 0.19635 ft2 = 815 fpm, 700 allowed in a flex branch."""
    plan = small_plan(sizes={"round_in": [4, 5, 6]}, pressure={"supply_inwc": 3.0, "return_inwc": 3.0})
    plan.config["limits"] = {"trunk_rigid_fpm": 5000, "return_branch_rigid_fpm": 5000}
    plan.tables["airflow"][5]["cooling_cfm"] = 100
    plan.tables["airflow"][4]["cooling_cfm"] = 160  # S, Bed
    found = results_of(plan)
    assert found["status"] == "infeasible"
    (conflict,) = found["conflicts"]
    assert (conflict["section"], conflict["path"], conflict["limit"]) == ("BED", "BED", "velocity")
    assert (conflict["variant"]["front_faces"], conflict["variant"]["season"]) == ("S", "cooling")
    speed = 160.0 / (math.pi / 4.0 * 0.5**2)
    assert conflict["least"] == pytest.approx(speed, rel=1e-6)
    assert conflict["missing"] == pytest.approx(speed - 700.0, rel=1e-6)


def test_every_conflict_is_told() -> None:
    """Two runs at fault: both are named, each with an amount above nothing."""
    plan = long_run()
    plan.row("sections", "DEN")["length_ft"] = 300
    found = results_of(plan)
    assert {c["path"] for c in found["conflicts"]} == {"BED", "DEN"}
    reference = Reference(plan)
    for conflict in found["conflicts"]:
        worst = max(reference.path_loss(conflict["path"], largest(reference), v) for v in reference.variants)
        assert conflict["missing"] == pytest.approx(worst - 0.15, rel=1e-4)


def test_a_cap_that_can_not_be_met() -> None:
    """Flex and rigid are sizes of their own: two at least, whatever the diameters."""
    plan = small_plan(objective={"max_distinct_sizes": 1, "most_steps_over_own": 99})
    found = results_of(plan)
    assert found["status"] == "infeasible"
    assert found["size_set"] == {}
    (conflict,) = found["conflicts"]
    assert (conflict["limit"], conflict["allowed"]) == ("distinct sizes", 1)
    assert conflict["least"] == 2  # 12 in for all rigid, 7 or more for all flex: worked out below
    plan.config["objective"]["max_distinct_sizes"] = 2
    assert Reference(plan).holds(results_of(plan)["size_set"]) == []


def test_bounds_that_leave_no_size() -> None:
    """A branch of 9 in or more on a trunk of 8 in at most: which path, and an inch too much."""
    plan = small_plan()
    plan.row("sections", "T1")["max_in"] = 8
    plan.row("sections", "BED")["min_in"] = 9
    plan.config["limits"] = {"trunk_rigid_fpm": 5000}
    plan.config["pressure"]["supply_inwc"] = 3.0
    found = results_of(plan)
    assert found["status"] == "infeasible"
    conflict = found["conflicts"][0]
    assert conflict["limit"] == "size"
    assert conflict["section"] in ("BED", "T1")
    assert conflict["path"] == "BED"
    assert conflict["missing"] == pytest.approx(1.0)


def test_a_size_that_no_product_offers() -> None:
    """Every size of one approved product is '-': its sections have no size at all."""
    plan = with_prices(small_plan())
    for row in plan.tables["prices"]:
        if row["duct"] == "granite":
            row["price_per_ft"] = "-"
    found = results_of(plan)
    assert found["status"] == "infeasible"
    assert {c["section"] for c in found["conflicts"] if c["limit"] == "size"} >= {"DEN", "BED"}
    helped = [way for way in found["ways_out"] if way["holds"]]
    assert any("granite" in way["change"] for way in helped)


# ---- rectangular sizes do not stand in one order ----------------------------------------------------------


def crossed(supply_inwc: float, **more: Any) -> PlanTables:
    """A trunk whose loss is all in a fitting: the larger area (30x6) loses less there than the larger
    equivalent diameter (14x12), which its 14 in child needs: 1.30 (14 x 12)^0.625 / 26^0.25 = 14.2 in,
    1.30 (30 x 6)^0.625 / 36^0.25 = 13.6 in."""
    plan = small_plan(pressure={"supply_inwc": supply_inwc}, site={"elevation_ft": 0})
    plan.config["sizes"] = {"round_in": [6, 7, 8, 14], "rectangular_in": [[14, 12], [30, 6]]}
    plan.tables["fittings"].append({"fitting": "gate", "equivalent_length_ft": 0, "loss_coefficient": 5})
    plan.tables["airflow"] = [
        {"front_faces": "N", "room": "Den", "heating_cfm": 600, "cooling_cfm": 600},
        {"front_faces": "N", "room": "Bed", "heating_cfm": 100, "cooling_cfm": 100},
    ]
    plan.tables["sections"] = [
        section("T1", "", "trunk", "galvanised", 1, "gate", shape="rectangular"),
        section("DEN", "T1", "branch", "galvanised", 1, "", "Den", fixed_in=14),
        section("BED", "", "branch", "galvanised", more.get("bed_ft", 5), "", "Bed"),
    ]
    return plan


def test_the_trunk_that_its_child_needs_holds() -> None:
    found = results_of(crossed(0.14))
    assert found["status"] == "optimal"
    assert found["size_set"]["T1"] == "14x12"


def test_the_conflict_of_crossed_sizes() -> None:
    """0.08 inWC is enough for the 30x6 trunk, which can't be used, and not for the 14x12 trunk."""
    plan = crossed(0.080)
    reference, found = Reference(plan), results_of(plan)
    variant = reference.variants[0]
    chosen = {"T1": "14x12", "DEN": "14", "BED": "8"}
    loss = reference.path_loss("DEN", chosen, variant)
    assert reference.path_loss("DEN", {**chosen, "T1": "30x6"}, variant) < 0.080 < loss
    assert found["status"] == "infeasible"
    (conflict,) = found["conflicts"]
    assert (conflict["path"], conflict["limit"]) == ("DEN", "pressure")
    assert conflict["missing"] == pytest.approx(loss - 0.080, abs=0.0011 * loss)  # it is found to 0.1 per cent


def test_what_holds_is_no_conflict() -> None:
    """Only the bedroom's run loses too much: the trunk and its 14 in child have a size each that suits."""
    plan = crossed(0.14, bed_ft=400)
    plan.row("sections", "BED")["max_in"] = 6
    found = results_of(plan)
    assert found["status"] == "infeasible"
    assert {c["path"] or c["section"] for c in found["conflicts"]} == {"BED"}


def test_the_least_loss_is_the_least_of_all_sets() -> None:
    """Against every combination on a path of rectangular sections of crossed sizes."""
    plan = crossed(0.02)
    plan.config["sizes"]["rectangular_in"] = [[14, 12], [30, 6], [10, 10], [24, 7]]
    plan.row("sections", "DEN").update(shape="rectangular", fixed_in=None, length_ft=60)
    reference, found = Reference(plan), results_of(plan)
    least = min(
        reference.path_loss("DEN", chosen, reference.variants[0])
        for pair in itertools.product(["14x12", "30x6", "10x10", "24x7"], repeat=2)
        for chosen in [{"T1": pair[0], "DEN": pair[1], "BED": "8"}]
        if not reference.larger_than_parent(chosen)
    )
    assert least > 0.02
    (conflict,) = [c for c in found["conflicts"] if c["path"] == "DEN"]
    assert conflict["least"] == pytest.approx(least, rel=1.1e-3)


# ---- ways out ----------------------------------------------------------------------------------------------


def apply(plan: PlanTables, way: dict[str, Any]) -> PlanTables | None:
    """The plan with a way out applied by hand from its words; None where the words are of another kind."""
    if way["kind"].endswith(" and more"):
        one, _, two = way["change"].partition(", and ")
        changed = apply(plan, {"kind": "", "change": one})
        return None if changed is None else apply(changed, {"kind": "", "change": two[0].upper() + two[1:]})
    plan = plan.copy()
    words = way["change"]
    if found := re.fullmatch(r"Shorten (.+) from ([\d.]+) to ([\d.]+) ft", words):
        row = plan.row("sections", found[1])
        assert float(row["length_ft"]) == float(found[2])
        row["length_ft"] = float(found[3])
    elif found := re.fullmatch(r"Halve the length of (.+)", words):
        for name in found[1].split(", "):
            plan.row("sections", name)["length_ft"] /= 2
    elif found := re.fullmatch(r"Do not approve (.+)", words):
        flex = [row["duct"] for row in plan.tables["ducts"] if row["kind"] == "flex"]
        plan.config.setdefault("variants", {})["flex"] = [name for name in flex if name != found[1]]
    elif found := re.fullmatch(r"Make (\S+) of (.+)", words):
        plan.row("sections", found[1])["duct"] = found[2]
    elif found := re.fullmatch(r"Allow ([\d.]+) and ([\d.]+) in round duct", words):
        plan.config["sizes"]["round_in"] += [float(found[1]), float(found[2])]
    elif found := re.fullmatch(r"Lift the size bounds of (.+)", words):
        for name in found[1].split(", "):
            plan.row("sections", name).update(max_in=None, fixed_in=None)
    elif found := re.fullmatch(r"Give (\S+) a second run of the same length and fittings beside it", words):
        plan.tables["sections"].append({**plan.row("sections", found[1]), "section": found[1] + "-2"})
    elif found := re.fullmatch(r"Run the blower at speed (\w+) in (\w+)(?: and (\w+))?", words):
        plan.config["blower"] |= {f"{season}_speed": found[1] for season in found.groups()[1:] if season}
    elif found := re.fullmatch(
        r"Give (\w+) twice the filter area: ([\d.]+) instead of ([\d.]+) inWC at \d+ cfm", words
    ):
        row = plan.row("devices", found[1])
        # Half the velocity: a quarter of the loss where that goes with its square.
        assert float(found[2]) == pytest.approx(row["loss_inwc"] / 4, abs=0.0006)
        row.update(loss_inwc=row["loss_inwc"] / 4, loaded_loss_inwc=row["loaded_loss_inwc"] / 4)
    elif words == "Stock as many distinct sizes as it takes":
        plan.config["objective"]["max_distinct_sizes"] = 0
    elif words.startswith("Make available") and "pressure" in plan.config:
        for pressure, side in re.findall(r"([\d.]+) inWC to the (\w+) ducts", words):
            plan.config["pressure"][f"{side}_inwc"] = float(pressure)
    else:
        return None
    return plan


def check_ways(plan: PlanTables) -> dict[str, set[bool]]:
    """Each way that can be applied by hand holds, or does not, as told, at the cost told. By kind."""
    found = results_of(plan)
    assert found["status"] == "infeasible"
    assert found["ways_out"]
    checked: dict[str, set[bool]] = {}
    for way in found["ways_out"]:
        changed = apply(plan, way)
        if changed is None:
            continue
        again = results_of(changed)
        assert (again["status"] == "optimal") == way["holds"], way["change"]
        if way["holds"]:
            assert again["least_cost"] == pytest.approx(way["cost"], rel=1e-6), way["change"]
            if "blower" not in changed.tables:  # of which it knows nothing
                assert Reference(changed).holds(again["size_set"]) == []
        else:
            assert way["cost"] is None
        checked.setdefault(way["kind"], set()).add(way["holds"])
    return checked


def test_ways_out_of_a_pressure_conflict() -> None:
    checked = check_ways(long_run())
    assert {kind for kind, held in checked.items() if True in held} >= {"more pressure", "shorter run"}
    assert len(checked) >= 5


def test_ways_out_of_two_conflicts() -> None:
    plan = long_run()
    plan.row("sections", "DEN")["length_ft"] = 300
    checked = check_ways(plan)
    assert any(True in held for held in checked.values())
    assert any(False in held for held in checked.values())


def test_ways_out_with_prices() -> None:
    checked = check_ways(with_prices(long_run()))
    assert sum(True in held for held in checked.values()) >= 2


def test_ways_out_of_a_bound() -> None:
    """The run is held at 4 in: the bound is the thing to lift."""
    plan = small_plan()
    plan.row("sections", "BED")["fixed_in"] = 4
    checked = check_ways(plan)
    assert True in checked["larger size"]


def test_ways_out_of_a_cap() -> None:
    assert True in check_ways(small_plan(objective={"max_distinct_sizes": 1}))["more sizes"]


def test_ways_out_where_the_return_is_too_long() -> None:
    """The return is the one at fault: the pressure to raise is the return's."""
    plan = small_plan()
    plan.row("sections", "RET")["length_ft"] = 200
    plan.config["pressure"]["return_inwc"] = 0.01
    found = results_of(plan)
    assert {c["path"] for c in found["conflicts"]} == {"RET"}
    pressure = [w for w in found["ways_out"] if w["kind"] == "more pressure"]
    assert pressure
    assert "return ducts" in pressure[0]["change"]
    assert "supply" not in pressure[0]["change"]
    check_ways(plan)


def test_ways_out_of_a_weak_blower() -> None:
    """Another speed or a filter of twice the area gives the ducts what they need."""
    plan = small_plan()
    del plan.config["pressure"]
    plan.tables["blower"] = [
        {"speed": speed, "airflow_cfm": cfm, "external_static_inwc": static}
        for speed, points in {"low": ((100, 0.22), (400, 0.12)), "high": ((100, 0.5), (400, 0.4))}.items()
        for cfm, static in points
    ]
    plan.config["blower"] = {"heating_speed": "low", "cooling_speed": "low"}
    plan.tables["devices"] = [
        {"device": "filter", "side": "return", "loss_inwc": 0.145, "at_cfm": 320, "loaded_loss_inwc": 0.2}
    ]
    checked = check_ways(plan)
    assert checked["another speed"] == {True}
    assert checked["larger filter"] == {True}


def test_pairs_where_no_change_helps_alone() -> None:
    """A run held at too small a size, and too many distinct sizes for the cap: each needs its own change."""
    plan = small_plan(objective={"max_distinct_sizes": 1})
    plan.row("sections", "BED")["fixed_in"] = 4
    found = results_of(plan)["ways_out"]
    assert not [w for w in found if w["holds"] and "and more" not in w["kind"]]
    assert [w for w in found if w["holds"] and "and more" in w["kind"]]
    assert any(True in held for kind, held in check_ways(plan).items() if kind.endswith("and more"))


def test_more_pressure_is_a_way_out_of_crossed_sizes() -> None:
    """0.14 inWC does (test above), so that more pressure must be among the ways that hold."""
    found = results_of(crossed(0.080))
    assert any(w["kind"] == "more pressure" and w["holds"] for w in found["ways_out"])


def test_nothing_is_delivered_without_a_size_set() -> None:
    with written(long_run()) as folder:
        found = tractduct.study(folder, quick=True)
    with pytest.raises(ValueError, match="no size set holds"):
        tractduct.deliver(found)


def test_a_size_set_that_the_independent_check_refuses_is_never_reported() -> None:
    """As if the solver had handed over the smallest size everywhere."""
    with written(small_plan()) as folder:
        case = tractduct.study(folder, quick=True).case
    with pytest.raises(SolverError, match="independent check refuses"):
        _confirmed(case, np.zeros(len(case.tree.sections), dtype=np.intp))
