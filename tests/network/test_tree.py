"""The duct tree: parents, paths, and each run's part of its rooms' airflow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import WritePlan
from plan_folder import PlanTables, section, written
from random_plans import random_plan

import tractduct
from tractduct.network.tree import DuctTree, build_tree, run_shares


def tree_of(plan: PlanTables) -> tuple[tractduct.Plan, DuctTree]:
    with written(plan) as folder:
        read = tractduct.load_plan(folder)
    return read, build_tree(read.sections)


def shares(tree: DuctTree, rooms: tuple[str, ...], season: str) -> dict[str, dict[str, float]]:
    found = run_shares(tree, rooms, season)
    return {
        run.name: {room: float(found[p, n]) for n, room in enumerate(rooms) if found[p, n]}
        for p, run in enumerate(tree.runs)
    }


def test_the_small_plan(plan: PlanTables, write_plan: WritePlan) -> None:
    tree = build_tree(tractduct.load_plan(write_plan(plan)).sections)
    assert [s.name for s in tree.sections] == ["T1", "DEN", "BED", "KIT", "RET"]
    assert tree.parent.tolist() == [-1, 0, 0, 0, -1]
    assert [run.name for run in tree.runs] == ["DEN", "BED", "KIT", "RET"]
    assert [[tree.sections[i].name for i in tree.walk(p)] for p in range(4)] == [
        ["T1", "DEN"],
        ["T1", "BED"],
        ["T1", "KIT"],
        ["RET"],
    ]
    assert [tree.sections[i].name for i in tree.children(0)] == ["DEN", "BED", "KIT"]


def test_rows_in_any_order(plan: PlanTables, write_plan: WritePlan) -> None:
    """Children above their parents in the table: the tree has parents first."""
    plan.tables["sections"].reverse()
    tree = build_tree(tractduct.load_plan(write_plan(plan)).sections)
    assert all(parent < child for child, parent in enumerate(tree.parent))
    assert {s.name for s in tree.sections} == {"T1", "DEN", "BED", "KIT", "RET"}


def test_children_before_parents_are_refused(plan: PlanTables, write_plan: WritePlan) -> None:
    sections = tractduct.load_plan(write_plan(plan)).sections
    with pytest.raises(ValueError, match="parent"):
        build_tree(sections[::-1])


def test_a_section_that_is_not_there(plan: PlanTables, write_plan: WritePlan) -> None:
    tree = build_tree(tractduct.load_plan(write_plan(plan)).sections)
    assert tree.index("BED") == 2
    with pytest.raises(KeyError):
        tree.index("bed, upper")


@pytest.mark.parametrize("seed", range(200, 220))
def test_parts_add_up_to_one(seed: int) -> None:
    """Over the open supply runs of each room, and over its open returns where it has any."""
    plan, tree = tree_of(random_plan(seed))
    supply = np.array([run.side == "supply" for run in tree.runs])
    for season in plan.seasons:
        share = run_shares(tree, plan.rooms, season)
        assert (share >= 0.0).all()
        np.testing.assert_allclose(share[supply].sum(axis=0), 1.0)
        returned = share[~supply].sum(axis=0)
        assert all(total == pytest.approx(1.0) or total == 0.0 for total in returned)
        shut = [p for p, run in enumerate(tree.runs) if run.season not in ("", season)]
        assert not share[shut].any()


def test_shares_are_relative_to_the_open_runs(plan: PlanTables) -> None:
    """Weights 3, 1 and, in cooling only, 4: 3/4 and 1/4 in heating, 3/8, 1/8 and 4/8 in cooling."""
    plan.tables["sections"][1]["share"] = 3
    plan.tables["sections"] += [
        section("DEN2", "T1", "branch", "flex", 5, "collar", "Den", share=1),
        section("DEN3", "T1", "branch", "flex", 5, "collar", "Den", share=4, season="cooling"),
    ]
    read, tree = tree_of(plan)
    heating, cooling = (shares(tree, read.rooms, season) for season in ("heating", "cooling"))
    assert (heating["DEN"], heating["DEN2"], heating["DEN3"]) == ({"Den": 0.75}, {"Den": 0.25}, {})
    assert (cooling["DEN"], cooling["DEN2"], cooling["DEN3"]) == (
        {"Den": 0.375},
        {"Den": 0.125},
        {"Den": 0.5},
    )


def test_equal_parts_by_default(plan: PlanTables) -> None:
    plan.tables["sections"].append(section("DEN2", "", "branch", "flex", 50, "collar", "Den"))
    read, tree = tree_of(plan)
    found = shares(tree, read.rooms, "heating")
    assert (found["DEN"], found["DEN2"]) == ({"Den": 0.5}, {"Den": 0.5})


def test_returns_of_several_rooms(plan: PlanTables) -> None:
    """Den in one return, Bed in two, Kitchen in one; the one of all rooms takes its part of each."""
    plan.tables["sections"][-1:] = [
        section("R1", "", "branch", "flex", 8, "collar", "Den; Bed", side="return"),
        section("R2", "", "branch", "flex", 8, "collar", "bed;Kitchen", side="return"),
        section("R3", "", "branch", "flex", 8, "collar", "*", side="return", season="cooling"),
    ]
    read, tree = tree_of(plan)
    heating, cooling = (shares(tree, read.rooms, season) for season in ("heating", "cooling"))
    assert heating["R1"] == {"Den": 1.0, "Bed": 0.5}
    assert heating["R2"] == {"Bed": 0.5, "Kitchen": 1.0}
    assert heating["R3"] == {}
    assert cooling["R1"] == {"Den": 0.5, "Bed": pytest.approx(1 / 3)}
    assert cooling["R3"] == {"Den": 0.5, "Bed": pytest.approx(1 / 3), "Kitchen": 0.5}


def test_a_room_that_no_run_serves_has_no_part(plan: PlanTables) -> None:
    read, tree = tree_of(plan)
    found = run_shares(tree, (*read.rooms, "Attic"), "heating")
    assert found[:, :-1].any()
    assert found[:, -1].tolist()[:3] == [0.0, 0.0, 0.0]


def test_a_section_on_itself_is_refused(plan: PlanTables, write_plan: WritePlan) -> None:
    first, *others = tractduct.load_plan(write_plan(plan)).sections
    with pytest.raises(ValueError, match="before its children"):
        build_tree([replace(first, parent=first.name), *others])
