"""A plan in SI gives what the same plan in cfm, in and ft gives, and is read and told in its own units."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
import scipy.constants
from conftest import WritePlan
from delivery.driven_plans import blower_plan
from plan_folder import PlanTables, small_plan, toml_text, wide, with_prices, written
from random_plans import random_plan
from si_plan import BTU_PER_H_W, FOOT_M, INCH_OF_WATER_PA, write_si

import tractduct
from tractduct.cli import main
from tractduct.errors import InputFaults
from tractduct.inputs.reader import load_plan
from tractduct.report import Report
from tractduct.units import MEASURES, SI
from tractduct.writers.results import results

CONFIGS = Path(__file__).parents[1] / "configs"
LITRES = 1000.0 * FOOT_M**3 / 60.0
# Name in results.json that a plan in SI adds -> the one that each plan has, and the factor.
ADDED = {
    "airflow_l_s": ("airflow_cfm", LITRES),
    "velocity_m_s": ("velocity_fpm", FOOT_M / 60.0),
    "loss_pa": ("loss_inwc", INCH_OF_WATER_PA),
    "available_pa": ("available_inwc", INCH_OF_WATER_PA),
    "total_effective_length_m": ("total_effective_length_ft", FOOT_M),
    "friction_rate_pa_per_m": ("friction_rate_inwc_per_100ft", INCH_OF_WATER_PA / (100.0 * FOOT_M)),
    "total_l_s": ("total_cfm", LITRES),
    "design_l_s": ("design_cfm", LITRES),
    "external_static_pa": ("external_static_inwc", INCH_OF_WATER_PA),
}


def in_mm(label: str) -> str:
    return "x".join(f"{float(part) * 25.4:g}" for part in label.split("x")) if label else ""


def number(price: float | None) -> float:
    return -1.0 if price is None else price


def both(folder: Path, other: Path, *, quick: bool = False) -> tuple[dict[str, Any], dict[str, Any]]:
    """results.json of a plan and of the same plan in SI, with predicted airflow where there is a blower."""
    found = []
    for where in (folder, write_si(folder, other)):
        plan = load_plan(where)
        study = tractduct.study(plan, quick=quick)
        delivery = tractduct.deliver(study) if plan.equipment.curves and study.size_set else None
        found.append(json.loads(json.dumps(results(Report(study=study, delivery=delivery)))))
    return found[0], found[1]


def same(ip: Any, si: Any, *, size: bool = False, cost_factor: float = 1.0, where: str = "") -> None:
    """Every value of ``ip`` stands in ``si``: sizes in mm, costs by a factor, all else as it is."""
    if isinstance(ip, dict):
        for key, value in ip.items():
            if key in ("findings", "ways_out", "conflicts", "program", "units", "cost_unit", "breaches"):
                continue
            is_size = size or key in ("size_set", "own_size", "stock")
            factor = cost_factor if key in ("cost", "cost_bound", "least_cost", "best_bound", "standard_cost") else 1.0
            same(value, si[key], size=is_size, cost_factor=factor if key != "variants" else 1.0, where=f"{where} {key}")
    elif isinstance(ip, list):
        assert len(ip) == len(si), where
        for n, (one, other) in enumerate(zip(ip, si, strict=True)):
            same(one, other, size=size, cost_factor=cost_factor, where=f"{where} {n}")
    elif isinstance(ip, float):
        assert si == pytest.approx(ip * cost_factor, rel=1e-5, abs=2e-6), where
    elif size and isinstance(ip, str):
        assert si == in_mm(ip), where
    else:
        assert si == ip, where


def added(found: Any) -> int:
    """Count, and check, the numbers that stand once more in SI."""
    if isinstance(found, list):
        return sum(added(inner) for inner in found)
    if not isinstance(found, dict):
        return 0
    count = 0
    for key, value in found.items():
        if key in ADDED and value is not None:
            name, factor = ADDED[key]
            assert value == pytest.approx(found[name] * factor, rel=1e-6, abs=2e-6)
            count += 1
        count += added(value)
    return count


def plans() -> dict[str, PlanTables]:
    found = {f"random {seed}": random_plan(seed) for seed in range(12)}
    found |= {"small": small_plan(), "prices": with_prices(small_plan()), "wide": wide(small_plan())}
    found |= {"blower": blower_plan()}
    return found


PLANS = plans()


@pytest.mark.parametrize("name", PLANS)
def test_the_same_sizes_and_losses(name: str, tmp_path: Path) -> None:
    with written(PLANS[name]) as folder:
        ip, si = both(folder, tmp_path / "si", quick=True)
    assert ip["status"] == si["status"] == "optimal"
    assert (ip["units"], si["units"]) == ("ip", "si")
    priced = ip["cost_unit"] == "USD"
    assert si["cost_unit"] == ("USD" if priced else "m2")
    for part in ("cost", "cost_bound", "least_cost", "best_bound"):
        assert si[part] == pytest.approx(ip[part] * (1.0 if priced else FOOT_M**2), rel=1e-6)
    for part in ("size_set", "distinct_sizes", "variants", "drivers", "driver_reasons"):
        same(ip[part], si[part], size=part == "size_set", where=part)
    if "delivered" in ip:
        same(ip["delivered"], si["delivered"])
    assert added(ip) == 0
    runs = sum(len(v["paths"]) + len(v["sections"]) for v in ip["variants"])
    assert added(si["variants"]) >= 3 * runs


@pytest.mark.parametrize("name", ["brindlecote-2670", "quernby-1180"])
def test_the_demo_plans_in_si(name: str, tmp_path: Path) -> None:
    """Every optional table in use: prices by package, fitting prices, inner diameters, friction tables, surfaces."""
    ip, si = both(CONFIGS / name, tmp_path / "si")
    for part in ("size_set", "cost", "least_cost", "by_distinct_sizes", "variants", "drivers", "standardizing"):
        same(ip[part], si[part], size=part == "size_set", where=part)


def test_everything_that_a_plan_holds_is_turned(tmp_path: Path) -> None:
    """Each number of both demo plans as read, but for what is worked out of labels."""
    for name in ("brindlecote-2670", "quernby-1180"):
        ip, si = load_plan(CONFIGS / name), load_plan(write_si(CONFIGS / name, tmp_path / name))
        for part in (
            "airflow_cfm",
            "elevation_ft",
            "air_temperature_f",
            "supply_inwc",
            "return_inwc",
            "diversity_btuh",
        ):
            assert getattr(si, part) == pytest.approx(getattr(ip, part), rel=1e-12), part
        assert list(si.velocity_limits_fpm.values()) == pytest.approx(list(ip.velocity_limits_fpm.values()), rel=1e-12)
        for one, other in zip(ip.sections, si.sections, strict=True):
            assert (other.length_ft, other.min_in, other.max_in) == pytest.approx(
                (one.length_ft, one.min_in, one.max_in), rel=1e-12
            )
        assert {(d, in_mm(s)): number(p) for (d, s), p in ip.prices.items()} == pytest.approx(
            {key: number(p) for key, p in si.prices.items()}, rel=1e-12
        )
        assert {(d, in_mm(s)): p for (d, s), p in ip.inner_in.items()} == pytest.approx(dict(si.inner_in), rel=1e-12)
        assert si.purchase.box_ft == pytest.approx(ip.purchase.box_ft)
        for one, other in zip(ip.outlines, si.outlines, strict=True):
            assert other.width_ft == pytest.approx(one.width_ft)
        for duct in ip.ducts:
            assert si.ducts[duct].roughness_ft == pytest.approx(
                ip.ducts[duct].roughness_ft,
                rel=1e-6,  # one is fitted to its table
            )


def test_factors_against_scipy() -> None:
    """scipy.constants (CODATA and NIST SP 811) for what it has; the inch of water is from NIST SP 811, from memory."""
    c = scipy.constants
    assert MEASURES["ft"].factor == pytest.approx(c.foot, rel=1e-15)
    assert MEASURES["in"].factor == pytest.approx(1000.0 * c.inch, rel=1e-15)
    assert MEASURES["cfm"].factor == pytest.approx(1000.0 * c.foot**3 / c.minute, rel=1e-15)
    assert MEASURES["fpm"].factor == pytest.approx(c.foot / c.minute, rel=1e-15)
    assert MEASURES["ft2"].factor == pytest.approx(c.foot**2, rel=1e-15)
    assert MEASURES["Btu/h"].factor == pytest.approx(c.Btu_IT / c.hour, rel=1e-15)
    assert MEASURES["tons"].factor == pytest.approx(12_000.0 * c.Btu_IT / c.hour / 1000.0, rel=1e-15)
    for f in (-40.0, 32.0, 70.0, 212.0):
        assert SI.shown(f, "F") == pytest.approx(c.convert_temperature(f, "F", "C"), abs=1e-12)
        assert SI.core(SI.shown(f, "F"), "F") == pytest.approx(f, abs=1e-12)
    assert MEASURES["inWC"].factor == pytest.approx(249.0889, abs=2e-4)
    # a ton of cooling by a watt: BTU_PER_H_W is worked out apart from the program
    assert MEASURES["Btu/h"].factor == BTU_PER_H_W


def si_plan(**parts: Any) -> PlanTables:
    """A small plan as somebody would write it in SI, with standard metric sizes."""
    rooms = [("Den", 40, 55), ("Bed", 30, 35), ("Bath", 12, 10)]
    plan = PlanTables(
        config={
            "name": "Metric",
            "units": "si",
            "site": {"elevation_m": 300, "air_temperature_c": 21},
            "pressure": {"supply_pa": 25, "return_pa": 12},
            "sizes": {"round_mm": [100, 125, 160, 200, 250, 315]},
        },
        tables={
            "airflow": [
                {"front_faces": face, "room": room, "heating_l_s": heating, "cooling_l_s": cooling + more}
                for face, more in (("N", 0), ("W", 6))
                for room, heating, cooling in rooms
            ],
            "sections": [
                {"section": "T", "parent": "", "role": "trunk", "duct": "tin", "length_m": 4, "fittings": "entry"},
                *(
                    {"section": r, "parent": "T", "role": "branch", "duct": "flex", "length_m": 5, "fittings": "boot",
                     "room": r}
                    for r, _, _ in rooms
                ),
            ],
            "fittings": [
                {"fitting": "entry", "equivalent_length_m": 4.5},
                {"fitting": "boot", "equivalent_length_m": 10},
            ],
            "ducts": [
                {"duct": "tin", "kind": "rigid", "roughness_mm": 0.09},
                {"duct": "gull", "kind": "flex", "roughness_mm": 0.9},
            ],
        },
    )  # fmt: skip
    for part, keys in parts.items():
        plan.config.setdefault(part, {}).update(keys)
    return plan


def faults(plan: PlanTables, write_plan: WritePlan) -> str:
    with pytest.raises(InputFaults) as caught:
        load_plan(write_plan(plan))
    return str(caught.value)


def test_a_metric_plan_has_metric_sizes(write_plan: WritePlan) -> None:
    plan = load_plan(write_plan(si_plan()))
    study = tractduct.study(plan)
    assert study.status == "optimal"
    assert set(study.size_set.values()) <= {"100", "125", "160", "200", "250", "315"}
    # The largest airflow of the trunk, 106 + 3 x 6 L/s, at 4.572 m/s needs 186 mm at least.
    assert float(study.size_set["T"]) >= 1000.0 * math.sqrt(0.118 / 4.572 / (math.pi / 4.0))


def test_standard_sizes_where_none_are_given(write_plan: WritePlan) -> None:
    plan = si_plan()
    del plan.config["sizes"]
    labels = [s.label for s in load_plan(write_plan(plan)).sizes]
    assert labels == [str(d) for d in (80, 100, 125, 160, 200, 250, 315, 400, 500)]


def test_cells_may_carry_their_si_unit(write_plan: WritePlan) -> None:
    plan = si_plan()
    plain = load_plan(write_plan(plan))
    plan.row("sections", "T").update(length_m="4 m", fixed_mm="250 mm")
    plan.tables["airflow"][0]["heating_l_s"] = "40 L/s"
    plan.row("ducts", "tin")["roughness_mm"] = "0.09 mm"
    plan.config["pressure"]["supply_pa"] = "25 Pa"
    read = load_plan(write_plan(plan))
    assert read.sections[0].length_ft == plain.sections[0].length_ft
    assert read.airflow_cfm.tolist() == plain.airflow_cfm.tolist()
    assert read.sections[0].fixed == "250"
    assert sum(f.rule == "reading" for f in read.findings) == 5


@pytest.mark.parametrize(
    ("table", "row", "column", "value", "says"),
    [
        ("sections", 0, "length_m", "12 ft", "expected a number of m from 0 to 150; this is in ft.*Enter it in m"),
        ("sections", 0, "length_m", 3660, "expected a number of m from 0 to 150.*millimetres or feet"),
        ("sections", 0, "max_mm", "8 in", "expected a size in mm; this is in in"),
        ("sections", 0, "max_mm", "wide", "a size in mm, such as 160, or width x height, such as 200x300"),
        ("airflow", 0, "heating_l_s", 2000, "a number of L/s from 0 to 940"),
        ("ducts", 0, "roughness_mm", 300, "a number of mm from 0 to 9.1.*metres or feet"),
        ("fittings", 0, "equivalent_length_m", "", "equivalent_length_m"),
    ],
)
def test_what_is_wrong_is_said_in_si(
    table: str, row: int, column: str, value: object, says: str, write_plan: WritePlan
) -> None:
    plan = si_plan()
    plan.tables[table][row][column] = value
    told = faults(plan, write_plan)
    assert f"row {row + 2}, column '{column}'" in told
    with pytest.raises(InputFaults, match=f"(?s){says}"):
        load_plan(write_plan(plan))


def test_unusual_values_are_asked_about_in_si(write_plan: WritePlan) -> None:
    plan = si_plan()
    plan.row("sections", "Bath")["length_m"] = 60
    found = [f for f in load_plan(write_plan(plan)).findings if f.rule == "believable input"]
    assert len(found) == 1
    assert found[0].message == "60 m is outside the usual 0 to 37"
    assert "length_m" in found[0].subject
    assert found[0].advice == "Is this in millimetres or feet?"


def test_names_of_the_other_system_are_not_taken(write_plan: WritePlan) -> None:
    plan = si_plan(pressure={"supply_inwc": 0.1})
    assert "write supply_pa" in faults(plan, write_plan)
    plan = si_plan()
    for row in plan.tables["sections"]:
        row["length_ft"] = row.pop("length_m")
    assert "the column 'length_m' is missing" in faults(plan, write_plan)
    # A second column for the same thing is not read, and that is said.
    plan = si_plan()
    for row in plan.tables["sections"]:
        row["length_ft"] = 99
    read = load_plan(write_plan(plan))
    assert read.sections[0].length_ft == pytest.approx(4 / FOOT_M)
    assert any("length_ft" in f.message and "write length_m" in f.advice for f in read.findings)
    ip = small_plan(pressure={"supply_pa": 25})
    assert 'units = "si" in plan.toml' in faults(ip, write_plan)


@pytest.mark.parametrize("given", ["metric", 1, True, ["si"]])
def test_unknown_units(given: object, write_plan: WritePlan) -> None:
    plan = small_plan()
    plan.config = {"units": given, **plan.config}
    told = faults(plan, write_plan)
    assert "key 'units'" in told
    assert "expected one of ip, si" in told


def test_loads_in_watts(write_plan: WritePlan) -> None:
    plan = si_plan(blower={"heating_l_s": 90, "cooling_l_s": 120})
    for row in plan.tables["airflow"]:
        row["heating_w"], row["sensible_cooling_w"] = 50 * row.pop("heating_l_s"), 20 * row.pop("cooling_l_s")
    read = load_plan(write_plan(plan))
    assert read.airflow_cfm[0, 0].sum(axis=1) == pytest.approx([90 / LITRES, 120 / LITRES])
    plan = si_plan()
    for row in plan.tables["airflow"]:
        row["heating_w"], row["sensible_cooling_w"] = 50 * row.pop("heating_l_s"), 20 * row.pop("cooling_l_s")
    assert "Add heating_l_s to [blower], in L/s for the whole system" in faults(plan, write_plan)


def test_another_currency(write_plan: WritePlan) -> None:
    plan = si_plan()
    plan.config["currency"] = "EUR"
    plan.tables["prices"] = [
        {"duct": duct, "size_mm": size, "price_per_m": size / 20}
        for duct in ("tin", "gull")
        for size in (100, 125, 160, 200, 250, 315)
    ]
    found = results(Report(study=tractduct.study(load_plan(write_plan(plan)))))
    assert found["cost_unit"] == "EUR"
    expected = sum(
        length * float(found["size_set"][s]) / 20
        for s, length in zip(["T", "Den", "Bed", "Bath"], (4, 5, 5, 5), strict=True)
    )
    assert found["cost"] == pytest.approx(expected, rel=1e-6)


def test_conflicts_and_ways_out_in_si(write_plan: WritePlan) -> None:
    plan = si_plan(pressure={"supply_pa": 2.5}, sizes={"round_mm": [100, 125, 160]})
    found = results(Report(study=tractduct.study(load_plan(write_plan(plan)))))
    assert found["status"] == "infeasible"
    conflict = found["conflicts"][0]
    assert (conflict["unit"], conflict["allowed"]) == ("Pa", pytest.approx(2.5))
    assert f"{conflict['least']:.4g} Pa" in conflict["message"]
    text = json.dumps([found["conflicts"], found["ways_out"]])
    assert " Pa" in text
    assert not {"inWC", "fpm", "ft", "in,"} & set(text.replace('"', " ").split())


def test_a_new_plan_in_si(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It runs as it is, in both forms, and says nothing in other units."""
    for form, folder in ([["--long"], tmp_path / "plan"], [[], tmp_path / "house.xlsx"]):
        assert main(["new", str(folder), "--units", "si", *form]) == 0
        capsys.readouterr()
        assert main(["study", str(folder), "--out", str(tmp_path / "out")]) == 0
        told = capsys.readouterr().out.split("Local codes")[0]
        assert "Sizes, mm, with m per lot" in told
        assert not {"cfm", "fpm", "inWC", "ft", "ft2"} & set(told.split())


def test_a_fit_in_si(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same table in both units gives the same roughness and derate."""
    from products.test_fit_command import data_sheet, saved

    rows = data_sheet()
    metric = [
        {
            "size_mm": row["size_in"] * 25.4,
            "airflow_l_s": row["airflow_cfm"] * LITRES,
            "friction_rate_pa_per_m": row["friction_rate_inwc_per_100ft"] * INCH_OF_WATER_PA / (100 * FOOT_M),
        }
        for row in rows
    ]
    found = []
    for name, table in (("ip", rows), ("si", metric)):
        assert main(["fit", saved(tmp_path, table, f"{name}.csv"), "--out", str(tmp_path)]) == 0
        head, row = (tmp_path / f"{name}-duct.csv").read_text(encoding="utf-8").splitlines()
        found.append(dict(zip(head.split(","), row.split(","), strict=True)))
    ip, si = found
    assert float(si["roughness_mm"]) == pytest.approx(float(ip["roughness_ft"]) * 1000 * FOOT_M, rel=2e-3)
    assert si["airflow_derate_pct"] == ip["airflow_derate_pct"]
    assert " mm " in capsys.readouterr().out


def test_toml_of_the_si_plan_is_what_it_says(tmp_path: Path) -> None:
    """The converter of these tests keeps a plan's parts: what it forgets would be compared with nothing."""
    si = tomllib.loads((write_si(CONFIGS / "brindlecote-2670", tmp_path / "si") / "plan.toml").read_text("utf-8"))
    ip = tomllib.loads((CONFIGS / "brindlecote-2670" / "plan.toml").read_text("utf-8"))
    assert set(si) == {*ip, "units"}
    assert all(len(si[part]) >= len(ip[part]) for part in ip if isinstance(ip[part], dict))
    assert toml_text({"name": "x"}).strip() == 'name = "x"'
