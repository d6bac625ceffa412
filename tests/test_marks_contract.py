"""Damper keys of results.json against the plan format: recounted here, and by root finding on the path equations."""

from __future__ import annotations

import itertools
import json
from functools import cache
from typing import Any

import pytest
from driven_plans import with_blower, with_devices
from path_root import Paths
from plan_folder import PlanTables, section, small_plan, with_prices, written
from random_plans import random_plan
from reference import Reference, key

from tractduct.inputs.reader import load_plan
from tractduct.report import Report, Wanted, work_out
from tractduct.sizing.verify import verify_sizes
from tractduct.writers.results import results_text

TOLERANCE = (20.0, 25.0)  # the format's defaults: per cent, cfm
Variant = tuple[str, bool, str, str]


def two_runs() -> PlanTables:
    """Mirrored in the table, a room with two runs of which one is shut in heating, strict tolerance."""
    plan = with_prices(small_plan(tolerance={"room_pct": 10, "room_cfm": 6}, dampers={"price": 35}))
    plan.tables["airflow"] = [
        {**row, "mirrored": mirrored, "cooling_cfm": row["cooling_cfm"] + 15 * (mirrored and row["room"] == "Bed")}
        for row in plan.tables["airflow"]
        for mirrored in (False, True)
    ]
    plan.tables["sections"].append(
        section("KIT2", "T1", "branch", "flex", 14, "collar + boot_floor", "Kitchen", season="cooling", share=0.5)
    )
    return plan


def opposed() -> PlanTables:
    """Seasons and fronts that want opposite things of Den and Kitchen."""
    plan = with_prices(small_plan(tolerance={"room_pct": 5, "room_cfm": 5}, dampers={"positions": 1}))
    for row in plan.tables["airflow"]:
        swing = {"Den": 40, "Kitchen": -40}.get(row["room"], 0) * (1 if row["front_faces"] == "N" else -1)
        row["heating_cfm"] += swing // 2
        row["cooling_cfm"] += swing
    return plan


def blown() -> PlanTables:
    return with_prices(with_devices(with_blower(small_plan(), {"only": {0: 1.2, 300: 0.8, 900: 0.1}})))


PLANS = {
    "small": lambda: with_prices(small_plan()),
    "two runs": two_runs,
    "opposed": opposed,
    "blower": blown,
    **{f"random {seed}": lambda seed=seed: with_prices(random_plan(seed)) for seed in (101, 104, 111)},
}
every_plan = pytest.mark.parametrize("name", PLANS)


@cache
def worked(name: str, choose: str = "sizes") -> tuple[PlanTables, Report, dict[str, Any]]:
    plan = PLANS[name]()
    plan.config.setdefault("objective", {})["choose"] = choose
    with written(plan) as folder:
        report = work_out(load_plan(folder), Wanted())
    return plan, report, json.loads(results_text(report))


def variant_of(entry: dict[str, Any]) -> Variant:
    return entry["front_faces"], entry["mirrored"], entry["season"], entry["flex"]


def offs(reference: Reference, plan: PlanTables, entries: list[dict[str, Any]]) -> dict[str, float]:
    """Room -> the largest distance from design in tolerances; designs from the airflow table."""
    given = {"room_pct": TOLERANCE[0], "room_cfm": TOLERANCE[1], **plan.config.get("tolerance", {})}
    pct, least = given["room_pct"], given["room_cfm"]
    worst: dict[str, float] = {}
    for entry in entries:
        for room in reference.rooms:
            design = reference.need[(*variant_of(entry)[:3], room)]
            got = sum(
                values["airflow_cfm"]
                for run, values in entry["runs"].items()
                if reference.side(run) == "supply" and room in reference.rooms_of(run)
            )
            worst[room] = max(worst.get(room, 0.0), abs(got - design) / max(pct / 100.0 * design, least))
    return worst


def outside(worst: dict[str, float]) -> int:
    return sum(off > 1.0 + 1e-7 for off in worst.values())


@every_plan
def test_each_orientation_stands_in_one_table(name: str) -> None:
    plan, _, found = worked(name)
    reference = Reference(plan)
    listed = [(o["front_faces"], o["mirrored"]) for table in found["damper_marks"] for o in table["orientations"]]
    assert sorted(listed) == sorted(itertools.product(reference.faces, reference.mirrored))
    for table in found["damper_marks"]:
        assert table["dampers"] == len(table["runs"])
        assert set(table["runs"]) <= {run for run in reference.runs() if reference.side(run) == "supply"}
        for takes in table["runs"].values():
            assert set(takes) == {f"{season}_inwc_per_cfm2" for season in reference.seasons}
            assert min(takes.values()) >= 0.0
            assert max(takes.values()) > 0.0  # a run that stays wide open has no damper
            assert table["positions"] > 1 or len(set(takes.values())) == 1


@every_plan
def test_what_a_damper_takes_is_coefficient_times_airflow_squared(name: str) -> None:
    """With that in every run's path, root finding gives the airflow that the file says, open and marked."""
    plan, report, found = worked(name)
    assert report.delivery is not None
    paths = Paths(plan, found["size_set"])
    marks = {
        (o["front_faces"], o["mirrored"]): table["runs"]
        for table in found["damper_marks"]
        for o in table["orientations"]
    }
    assert [variant_of(e) for e in found["delivered_marked"]] == [variant_of(e) for e in found["variants"]]
    for kind in ("delivered", "delivered_marked"):
        for entry in found[kind]:
            variant = variant_of(entry)
            takes = marks[variant[:2]] if kind == "delivered_marked" else {}
            dampers = {run: of[f"{variant[2]}_inwc_per_cfm2"] for run, of in takes.items()}
            other = paths.settle(variant, dampers, report.delivery.drive.value)
            assert other["residual"] < 1e-8
            assert set(entry["runs"]) == set(other["runs"])
            for run, cfm in other["runs"].items():
                assert entry["runs"][run]["airflow_cfm"] == pytest.approx(cfm, rel=1e-3, abs=0.05)


@every_plan
def test_rooms_outside_are_recounted(name: str) -> None:
    plan, _, found = worked(name)
    reference = Reference(plan)
    assert found["rooms_outside_open"] == outside(offs(reference, plan, found["delivered"]))
    for table in found["damper_marks"]:
        mine = [(o["front_faces"], o["mirrored"]) for o in table["orientations"]]
        worst = offs(reference, plan, [e for e in found["delivered_marked"] if variant_of(e)[:2] in mine])
        assert table["rooms_outside"] == outside(worst)
        assert table["worst_tolerances"] == pytest.approx(max(worst.values()), abs=1e-5)
    named = {key(room["room"]) for room in found["rooms_outside_marked"]}
    assert named == {r for r, off in offs(reference, plan, found["delivered_marked"]).items() if off > 1.0 + 1e-7}
    built = {run for table in found["damper_marks"] for run in table["runs"]}
    assert found["damper_cost"] == pytest.approx(plan.config.get("dampers", {}).get("price", 20) * len(built))


@every_plan
def test_sizes_and_dampers_together(name: str) -> None:
    """Every set holds, twice checked; its cost by hand; fewer rooms outside or less duct for more dampers."""
    plan, report, found = worked(name)
    reference, study = Reference(plan), report.study
    entries = found["by_dampers"]
    assert entries
    price = plan.config.get("dampers", {}).get("price", 20)
    for entry in entries:
        assert reference.holds(entry["size_set"]) == []
        assert verify_sizes(study.plan, study.variants.variants, entry["size_set"]).holds
        assert entry["duct_cost"] == pytest.approx(reference.cost(entry["size_set"]), rel=1e-6)
        assert entry["cost"] == pytest.approx(entry["duct_cost"] + price * entry["dampers"], rel=1e-9)
        assert entry["distinct_sizes"] == reference.distinct(entry["size_set"])
        assert entry["best_bound"] == pytest.approx(found["least_cost"], abs=2e-6)
        assert entry["duct_cost"] >= found["least_cost"] * (1.0 - 1e-9)
        assert entry["positions"] in ((1, 2) if plan.config.get("dampers", {}).get("positions", 2) == 2 else (1,))
        assert entry["dampers"] or entry["positions"] == 1
        assert entry["rooms_outside"] == 0 or entry["worst_tolerances"] > 1.0
    for fewer, more in itertools.pairwise(entries):
        assert fewer["dampers"] < more["dampers"]
        assert (more["rooms_outside"], more["duct_cost"]) < (fewer["rooms_outside"], fewer["duct_cost"])


@every_plan
def test_an_entry_without_dampers_by_root_finding(name: str) -> None:
    """Nothing but sizes: its rooms outside and the worst of them, worked out again."""
    plan, report, found = worked(name)
    assert report.delivery is not None
    first = found["by_dampers"][0]
    if first["dampers"]:
        assert first["rooms_outside"] == 0  # then no set without dampers does better than one with them
        return
    paths = Paths(plan, first["size_set"])
    entries = []
    for variant in paths.reference.variants:
        got = paths.settle(variant, {}, report.delivery.drive.value)["runs"]
        face, mirrored, season, flex = variant
        runs = {run: {"airflow_cfm": cfm} for run, cfm in got.items()}
        entries.append({"front_faces": face, "mirrored": mirrored, "season": season, "flex": flex, "runs": runs})
    worst = offs(paths.reference, plan, entries)
    assert first["worst_tolerances"] == pytest.approx(max(worst.values()), rel=2e-3, abs=2e-3)
    certain = {room for room, off in worst.items() if abs(off - 1.0) > 3e-3}
    assert sum(worst[room] > 1.0 for room in certain) <= first["rooms_outside"]
    assert first["rooms_outside"] <= sum(worst[room] > 1.0 or room not in certain for room in worst)


@pytest.mark.parametrize("name", ["small", "two runs", "opposed"])
def test_chosen_by_dampers(name: str) -> None:
    """The entry with the fewest rooms outside, then the least total; never called optimal; bound by the least cost."""
    _, _, plain = worked(name)
    plan, report, found = worked(name, "dampers")
    reference = Reference(plan)
    assert found["status"] == "feasible"
    best = min(
        found["by_dampers"], key=lambda e: (e["rooms_outside"], round(e["cost"], 6), e["distinct_sizes"], e["dampers"])
    )
    assert found["size_set"] == best["size_set"]
    assert found["cost"] == pytest.approx(reference.cost(best["size_set"]), rel=1e-6)
    assert found["distinct_sizes"] == best["distinct_sizes"]
    assert found["least_cost"] == plain["least_cost"]
    assert found["cost_bound"] == pytest.approx(found["least_cost"], abs=2e-6)
    assert found["by_dampers"] == plain["by_dampers"]
    assert plain["status"] == "optimal"
    # The marks of its own set are no worse than what it was chosen for.
    marked = offs(reference, plan, found["delivered_marked"])
    assert outside(marked) <= best["rooms_outside"]
    assert report.study.status == "feasible"


def test_the_same_plan_gives_the_same_text() -> None:
    plan, report, _ = worked("two runs")
    with written(plan) as folder:
        again = work_out(load_plan(folder), Wanted())
    assert results_text(again) == results_text(report)
