"""What each section carries in each variant."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from plan_folder import PlanTables, section, small_plan, written
from random_plans import random_plan

import tractduct
from tractduct.network.tree import DuctTree, build_tree
from tractduct.network.variants import Variant, VariantSet, expand_variants


def expand(plan: PlanTables) -> tuple[tractduct.Plan, DuctTree, VariantSet]:
    with written(plan) as folder:
        read = tractduct.load_plan(folder)
    tree = build_tree(read.sections)
    return read, tree, expand_variants(read, tree)


@pytest.mark.parametrize("seed", range(300, 320))
def test_flow_is_conserved(seed: int) -> None:
    """At every section what comes in goes on into its children and out of its own register."""
    read, tree, found = expand(random_plan(seed))
    own = np.zeros_like(found.airflow_cfm)
    own[:, tree.run_section] = found.run_airflow_cfm
    for i in range(len(tree.sections)):
        beyond = found.airflow_cfm[:, tree.children(i)].sum(axis=1)
        np.testing.assert_allclose(found.airflow_cfm[:, i], own[:, i] + beyond, atol=1e-9)
    roots = [i for i, p in enumerate(tree.parent) if p < 0]
    needed = found.room_airflow_cfm.sum(axis=1)
    for side in ("supply", "return"):
        at = [i for i in roots if tree.sections[i].side == side]
        carried = found.airflow_cfm[:, at].sum(axis=1)
        if side == "supply":
            np.testing.assert_allclose(carried, needed)
        else:
            assert (carried <= needed + 1e-9).all()
    assert (found.airflow_cfm >= 0.0).all()
    assert not found.run_airflow_cfm[~found.open_run].any()
    assert read.rooms


@pytest.mark.parametrize("seed", range(300, 306))
def test_every_combination_once(seed: int) -> None:
    read, _, found = expand(random_plan(seed))
    told = [(v.front, v.mirrored, v.season, v.flex) for v in found.variants]
    wanted = itertools.product(read.fronts, read.mirrored, read.seasons, read.flex)
    assert sorted(told) == sorted(wanted)


def test_flex_does_not_change_the_airflow() -> None:
    _, _, found = expand(small_plan())
    meadow, granite = (found.airflow_cfm[found.where(flex=flex)] for flex in ("meadow", "granite"))
    np.testing.assert_array_equal(meadow, granite)


def test_peaks_are_not_added_up() -> None:
    """The trunk of the small plan: 60 + 80 + 90 in heating; 90 + 70 + 140 in cooling, 20 more to the south."""
    _, tree, found = expand(small_plan())
    trunk = tree.index("T1")
    flow = {(v.front, v.season): found.airflow_cfm[n, trunk] for n, v in enumerate(found.variants)}
    assert flow == pytest.approx(
        {("N", "heating"): 230, ("S", "heating"): 230, ("N", "cooling"): 300, ("S", "cooling"): 320}
    )


def test_a_seasonal_run() -> None:
    """100 cfm: one run takes all of it in heating and half in cooling, when the other is open."""
    plan = small_plan()
    plan.tables["airflow"] = [
        {"front_faces": "N", "room": room, "heating_cfm": 100, "cooling_cfm": 100} for room in ("Den", "Bed", "Kitchen")
    ]
    plan.tables["sections"].append(section("DEN2", "", "branch", "flex", 5, "collar", "Den", season="cooling"))
    _, tree, found = expand(plan)
    for n, variant in enumerate(found.variants):
        flows = {name: found.airflow_cfm[n, tree.index(name)] for name in ("DEN", "DEN2", "T1", "RET")}
        if variant.season == "heating":
            assert flows == pytest.approx({"DEN": 100, "DEN2": 0, "T1": 300, "RET": 300})
        else:
            assert flows == pytest.approx({"DEN": 50, "DEN2": 50, "T1": 250, "RET": 300})
        assert found.open_run[n].tolist() == [True, True, True, True, variant.season == "cooling"]


def test_mirrored_airflow_is_that_of_its_rows() -> None:
    plan = small_plan()
    for row in list(plan.tables["airflow"]):
        row["mirrored"] = False
        plan.tables["airflow"].append({**row, "mirrored": True, "heating_cfm": row["heating_cfm"] + 7})
    _, tree, found = expand(plan)
    trunk = tree.index("T1")
    straight, turned = (found.airflow_cfm[found.where(mirrored=m, season="heating"), trunk] for m in (False, True))
    assert straight == pytest.approx(230.0)
    assert turned == pytest.approx(230.0 + 3 * 7)


def test_loads_are_shared_out_by_the_blower() -> None:
    """2000 + 3000 + 5000 Btu/h of 300 cfm in heating; 1 : 1 : 2 of 400 cfm in cooling."""
    plan = small_plan()
    plan.config["blower"] = {"heating_cfm": 300, "cooling_cfm": 400}
    loads = {"Den": (2000, 4000), "Bed": (3000, 4000), "Kitchen": (5000, 8000)}
    plan.tables["airflow"] = [
        {"front_faces": "N", "room": room, "heating_btuh": h, "sensible_cooling_btuh": c}
        for room, (h, c) in loads.items()
    ]
    _, tree, found = expand(plan)
    runs = [tree.index(name) for name in ("DEN", "BED", "KIT")]
    assert found.airflow_cfm[found.where(season="heating")][0, runs] == pytest.approx([60, 90, 150])
    assert found.airflow_cfm[found.where(season="cooling")][0, runs] == pytest.approx([100, 100, 200])


def test_a_choice_of_variants() -> None:
    plan = small_plan(variants={"front_faces": ["S"], "seasons": ["cooling"], "flex": ["granite"]})
    _, tree, found = expand(plan)
    (only,) = found.variants
    assert (only.front, only.season, only.flex, only.mirrored) == ("S", "cooling", "granite", False)
    assert found.airflow_cfm[0, tree.index("DEN")] == 110.0


def test_a_variant_in_words() -> None:
    assert str(Variant("NE", True, "heating", "granite")) == "front NE, mirrored, heating, granite"
    assert str(Variant("N", False, "cooling", "")) == "front N, cooling"


def test_variants_are_found_by_each_of_their_words() -> None:
    _, _, found = expand(random_plan(301))
    for word in ("front", "mirrored", "season", "flex"):
        values = [getattr(v, word) for v in found.variants]
        for value in set(values):
            chosen = found.where(**{word: value})
            assert chosen.tolist() == [v == value for v in values]


def test_rows_of_variants_may_repeat() -> None:
    _, _, found = expand(small_plan())
    rows = np.array([2, 0, 2])
    some = found.rows(rows)
    assert some.variants == tuple(found.variants[i] for i in rows)
    for name in ("airflow_cfm", "run_airflow_cfm", "room_airflow_cfm", "open_run"):
        np.testing.assert_array_equal(getattr(some, name), getattr(found, name)[rows])
