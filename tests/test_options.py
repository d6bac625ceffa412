"""Options: a plan with them against the separate plans that it stands for, and against every combination of sizes."""

from __future__ import annotations

import itertools
import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_folder import PlanTables, results_of, section, small_plan, study_of, with_prices, written
from reference import key, met, terms
from test_contract import with_options
from test_optimum import check_against_all

import tractduct
from tractduct.delivery.predict import installed_ducts, predict
from tractduct.model.options import Option, count_combinations, every_combination
from tractduct.purchasing.order import make_order
from tractduct.report import Report, Wanted, work_out
from tractduct.writers.lot_sheets import lot_pages
from tractduct.writers.results import results
from tractduct.writers.summary import summary

COMBINATIONS = [[], ["Bonus"], ["Elevation B"], ["Bonus", "elevation b"], ["elevation c"], ["Bonus", "elevation c"]]


def alone(plan: PlanTables, built: list[str]) -> PlanTables:
    """The plan of one house, as somebody would draw it who knows nothing of options."""
    names = tuple(map(key, built))
    plan = plan.copy()
    del plan.tables["options"]
    plan.config.get("variants", {}).pop("options", None)
    plan.tables["sections"] = [r for r in plan.tables["sections"] if met(r.get("option"), names)]
    rows: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in sorted(plan.tables["airflow"], key=lambda r: len(terms(r.get("option")))):
        if met(row.get("option"), names):
            rows[row["front_faces"], row.get("mirrored"), key(row["room"])] = row
    plan.tables["airflow"] = list(rows.values())
    for row in (*plan.tables["sections"], *plan.tables["airflow"]):
        row.pop("option", None)
    return plan


def fixed(plan: PlanTables, sizes: dict[str, str]) -> PlanTables:
    plan = plan.copy()
    for row in plan.tables["sections"]:
        row["fixed_in"] = sizes[row["section"]]
    return plan


def free(plan: PlanTables) -> PlanTables:
    """Without a cap over own sizes: a house alone has own sizes of its own."""
    plan.config["objective"]["most_steps_over_own"] = 99
    return plan


def test_each_house_is_the_plan_that_it_stands_for() -> None:
    """Airflow, velocity, losses and delivered airflow of every variant; no house alone costs more than all together."""
    joint = free(with_options())
    found = results_of(joint)
    case = study_of(joint).case
    delivered = predict(case, installed_ducts(case, study_of(joint).recommended.size_index))
    of_variant = {
        (e["front_faces"], e["season"], e["flex"], tuple(map(key, e["options"]))): (e, cfm)
        for e, cfm in zip(found["variants"], delivered.run_cfm, strict=True)
    }
    assert len(of_variant) == 2 * 2 * 2 * 6
    runs = [run.name for run in delivered.tree.runs]
    for built in COMBINATIONS:
        house = alone(joint, built)
        assert results_of(house, quick=True)["least_cost"] <= found["least_cost"] * (1 + 1e-9)
        study = study_of(fixed(house, found["size_set"]), quick=True)
        assert study.status == "optimal"
        got = predict(study.case, installed_ducts(study.case, study.recommended.size_index))
        for v, e in enumerate(results(Report(study=study))["variants"]):
            same, cfm = of_variant[e["front_faces"], e["season"], e["flex"], tuple(sorted(map(key, built)))]
            assert set(same["sections"]) == set(e["sections"])
            for name, values in e["sections"].items():
                for what in ("airflow_cfm", "velocity_fpm", "loss_inwc"):
                    assert same["sections"][name][what] == pytest.approx(values[what], abs=1e-6), (built, name, what)
            assert {run: p["loss_inwc"] for run, p in same["paths"].items()} == pytest.approx(
                {run: p["loss_inwc"] for run, p in e["paths"].items()}, abs=1e-7
            )
            shown = {run: cfm[p] for p, run in enumerate(runs) if np.isfinite(cfm[p])}
            by_run = {run.name: flow for run, flow in zip(got.tree.runs, got.run_cfm[v], strict=True)}
            assert shown == pytest.approx({run: flow for run, flow in by_run.items() if np.isfinite(flow)}, rel=1e-7)


@pytest.mark.parametrize("seed", range(6))
def test_a_set_holds_where_it_holds_in_every_house(seed: int) -> None:
    """Sizes given at random: the plan is feasible exactly where each house alone is."""
    rng = random.Random(seed)
    joint = free(with_options())
    joint.config["pressure"]["supply_inwc"] = 0.2
    sizes = {row["section"]: str(rng.choice([7, 8, 9])) for row in joint.tables["sections"]}
    sizes |= {"T1": "14", "TB": "9", "RET": "14"}
    of_houses = [results_of(fixed(alone(joint, b), sizes), quick=True)["status"] == "optimal" for b in COMBINATIONS]
    assert (results_of(fixed(joint, sizes), quick=True)["status"] == "optimal") == all(of_houses)


def tiny(seed: int) -> PlanTables:
    """Three or four sections, one of them an option's, three sizes; elevations change what a room needs."""
    rng = random.Random(seed)
    plan = small_plan(
        pressure={"supply_inwc": rng.choice([0.1, 0.14, 0.2])},
        sizes={"round_in": rng.choice([[5, 6, 7], [6, 7, 8, 9], [7, 8, 10]])},
        objective={"standardize_within_pct": rng.choice([0, 5, 20]), "most_steps_over_own": rng.choice([1, 2, 99])},
        variants={"flex": ["granite"], "front_faces": ["N"]},
    )
    plan.tables["options"] = [
        {"option": "bay"},
        {"option": "b", "group": "elevation"},
        {"option": "c", "group": "elevation"},
    ]
    rows = [
        {"front_faces": "N", "room": room, "heating_cfm": rng.randint(30, 90), "cooling_cfm": rng.randint(40, 110)}
        for room in ("Den", "Bed")
    ]
    rows.append({**rows[0], "cooling_cfm": rng.randint(60, 140), "option": "c"})
    rows.append(
        {**rows[1], "heating_cfm": rng.randint(60, 120), "option": rng.choice(["b", "not bay", "c and not bay"])}
    )
    rows.append({"front_faces": "N", "room": "Bay", "heating_cfm": 50, "cooling_cfm": 60, "option": "bay"})
    plan.tables["airflow"] = [{"option": None, **row} for row in rows]
    plan.tables["sections"] = [
        section("T1", "", "trunk", "galvanised", 8, "elbow_90", option=None),
        section("DEN", "T1", "branch", "flex", 12, "collar + boot_floor", "Den"),
        section("BED", rng.choice(["", "T1"]), "branch", "flex", 20, "collar", "Bed"),
        section("BAY", "T1", "branch", "galvanised", 9, "collar", "Bay", option="bay"),
    ]
    return with_prices(plan)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_one_set_for_all_houses_is_that_of_all_combinations(seed: int) -> None:
    """Least cost and recommendation by exhaustive search over sizes, with the reference's own arithmetic."""
    check_against_all(tiny(seed))


def test_options_that_change_nothing_change_nothing() -> None:
    """An option that no row names: every variant twice, and the same answers."""
    plan = with_prices(small_plan())
    found = results_of(plan)
    plan.tables["options"] = [{"option": "shutters", "group": None, "meaning": "blue ones"}]
    twice = results_of(plan)
    for name in ("status", "size_set", "cost", "least_cost", "distinct_sizes", "by_distinct_sizes", "driver_reasons"):
        assert twice[name] == found[name]
    for entry, first, second in zip(found["variants"], twice["variants"][::2], twice["variants"][1::2], strict=True):
        assert {**entry, "options": []} == first
        assert {**entry, "options": ["shutters"]} == second
    assert twice["options"] == [
        {
            "option": "shutters",
            "group": "",
            "meaning": "blue ones",
            "sections": [],
            "drives": [],
            "covering_cost": 0.0,
            "own_package_saves_with": 0.0,
            "own_package_saves_without": 0.0,
        }
    ]


def test_groups_against_enumeration() -> None:
    """Every subset of the names but those with two of one group."""
    groups = {
        "bay": "",
        "b": "elevation",
        "c": "elevation",
        "d": "elevation",
        "loft": "",
        "two": "garage",
        "three": "garage",
    }
    options = [Option(name=name, group=group) for name, group in groups.items()]

    def possible(names: tuple[str, ...]) -> bool:
        held = [groups[name] for name in names if groups[name]]
        return len(set(held)) == len(held)

    subsets = [s for n in range(len(groups) + 1) for s in itertools.combinations(groups, n) if possible(s)]
    found = list(every_combination(options))
    assert sorted(found) == sorted(subsets)
    assert found[0] == ()
    assert count_combinations(options) == len(subsets) == 2 * 4 * 2 * 3


def test_what_covering_an_option_costs() -> None:
    """Against the least cost of the plan that lists the other houses alone, on the sections that they have."""
    plan = free(with_options())
    found = results_of(plan)
    prices = {e["option"]: e for e in found["options"]}
    chosen = {e["section"]: e for e in plan.tables["sections"]}
    standard = study_of(plan).case.labels(study_of(plan).least_cost.size_index)
    price = {(key(r["duct"]), str(r["size_in"])): r["price_per_ft"] for r in plan.tables["prices"]}

    def cost(sizes: dict[str, str], names: list[str]) -> float:
        flex = ["meadow", "granite"]
        ducts = {n: flex if chosen[n]["duct"] == "flex" else [chosen[n]["duct"]] for n in names}
        return sum(chosen[n]["length_ft"] * sum(price[d, sizes[n]] for d in ducts[n]) / len(ducts[n]) for n in names)

    for name in ("Bonus", "elevation c"):
        for with_it, what in ((False, "covering_cost"), (True, "own_package_saves_with")):
            some = plan.copy()
            some.config["variants"]["options"] = [b for b in COMBINATIONS if (name in b) == with_it]
            other = results_of(some, quick=True)
            names = list(other["size_set"])
            assert prices[name][what] == pytest.approx(cost(standard, names) - other["least_cost"], abs=1e-4)
    assert prices["Bonus"]["sections"] == ["TB", "BON", "BON2", "RET2"]
    sizes = found["size_set"]
    for house in found["houses"]:
        names = [n for n, row in chosen.items() if met(row["option"], tuple(map(key, house["options"])))]
        assert house["cost"] == pytest.approx(cost(sizes, names), abs=1e-4)
    dear = max(found["options"], key=lambda e: e["covering_cost"])
    assert f"{dear['option']} {dear['covering_cost']:,.2f} USD" in summary(Report(study=study_of(plan)))


def test_lots_buy_what_they_are_built_with() -> None:
    """Feet by hand: two lots with the bonus room (18 + 9 + 8 ft of flex more), one with elevation C (14 ft)."""
    study = study_of(with_options())
    houses = {("meadow", ("Bonus",)): 2, ("meadow", ("elevation c",)): 1}
    order = make_order(study, {"meadow": 3}, ("BON",), houses)
    assert sum(x.feet for x in order.ducts if x.duct == "meadow") == 3 * (12 + 20) + 2 * (18 + 9 + 8) + 14
    assert sum(x.count for x in order.fittings if x.fitting == "balancing damper") == 2
    assert sum(x.feet for x in make_order(study, {"meadow": 1}).ducts if x.duct == "meadow") == 12 + 20


def sold() -> PlanTables:
    """The plan with two lots, and rooms that may be off by a little more."""
    plan = with_options()
    plan.config["tolerance"] = {"room_pct": 22, "room_cfm": 27}
    plan.tables["lots"] = [
        {"lot": "1", "front_faces": "N", "options": None},
        {"lot": "2", "front_faces": "N", "options": "bonus + elevation b"},
    ]
    return plan


@pytest.fixture(scope="module")
def report() -> Report:
    with written(sold()) as folder:
        return work_out(tractduct.load_plan(folder), Wanted())


def test_one_mark_table_serves_every_house(report: Report) -> None:
    """Marks put into each house alone give what the plan says, and no room is outside but those that it tells."""
    plan, found = sold(), results(report)
    del plan.tables["lots"]
    outside = {row["room"] for row in found["rooms_outside_marked"]}
    room_of = {
        row["section"]: key(row["room"]) for row in plan.tables["sections"] if row["side"] is None and row["room"]
    }
    for built in COMBINATIONS:
        study = study_of(fixed(alone(plan, built), found["size_set"]), quick=True)
        tree, variants = study.tree, study.variants
        coefficient = np.zeros(variants.airflow_cfm.shape)
        for v, variant in enumerate(variants.variants):
            (table,) = [
                t
                for t in found["damper_marks"]
                if {"front_faces": variant.front, "mirrored": variant.mirrored} in t["orientations"]
            ]
            for run, takes in table["runs"].items():
                if run in {s.name for s in tree.sections}:
                    coefficient[v, tree.index(run)] = takes[f"{variant.season}_inwc_per_cfm2"]
        ducts = installed_ducts(study.case, study.recommended.size_index, dampers=coefficient)
        got = predict(study.case, ducts)
        for v, variant in enumerate(variants.variants):
            entry = next(
                e
                for e in found["delivered_marked"]
                if (e["front_faces"], e["season"], e["flex"]) == (variant.front, variant.season, variant.flex)
                and set(map(key, e["options"])) == set(map(key, built))
            )
            for run, cfm in zip(tree.runs, got.run_cfm[v], strict=True):
                assert entry["runs"][run.name]["airflow_cfm"] == pytest.approx(cfm, rel=1e-6)
            for n, room in enumerate(study.plan.rooms):
                runs = [run.name for run in tree.runs if room_of.get(run.name) == key(room)]
                air = sum(entry["runs"][run]["airflow_cfm"] for run in runs)
                design = variants.room_airflow_cfm[v, n]
                assert abs(air - design) <= max(0.22 * design, 27) + 1e-4 or room in outside
    assert len(found["damper_marks"]) == 1


def test_the_pages_of_a_lot_list_what_it_is_built_of(report: Report) -> None:
    """A crew builds no trunk of an option that the buyer did not take."""
    assert report.delivery is not None
    assert report.lots is not None
    pages = {page.name: page for page in lot_pages(report.delivery, report.lots)}
    always = {"T1", "DEN", "BED", "KIT", "RET"}
    for lot, more in (("1", set()), ("2", {"TB", "BON", "RET2"})):
        page = pages[lot]
        assert {row[0] for row in page.build.rows} == always | more
        assert page.balance is not None
        assert {row[0] for row in page.balance.rows} == (always | more) - {"T1", "TB"}
        assert ("with Bonus + elevation b" in page.subtitle) == bool(more)
