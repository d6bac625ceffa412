"""Bad blower, device and equipment input: one clear line each, and which side a blower misses the system on."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from conftest import WritePlan
from plan_folder import PlanTables, small_plan

import tractduct
from tractduct.delivery.deliver import Delivery, deliver
from tractduct.delivery.predict import Drive
from tractduct.errors import Fault, InputFaults

Change = Callable[[PlanTables], Any]

# Invented; the small plan needs 230 cfm in heating and up to 320 in cooling.
LOW = [(0, 0.60), (200, 0.55), (300, 0.45), (450, 0.20), (700, 0.0)]
HIGH = [(0, 0.80), (300, 0.70), (500, 0.50), (800, 0.15), (900, 0.0)]


def driven_plan() -> PlanTables:
    """The small plan without [pressure], with two speeds, a coil in cooling and a filter."""
    plan = small_plan(blower={"heating_speed": "low", "cooling_speed": "high"})
    del plan.config["pressure"]
    plan.tables["blower"] = [
        {"speed": speed, "airflow_cfm": q, "external_static_inwc": p}
        for speed, rows in (("low", LOW), ("high", HIGH))
        for q, p in rows
    ]
    plan.tables["devices"] = [
        {"device": "coil", "side": "supply", "loss_inwc": 0.2, "at_cfm": 400, "season": "cooling"},
        {"device": "filter", "side": "return", "loss_inwc": 0.08, "at_cfm": 350, "loaded_loss_inwc": 0.2},
    ]
    return plan


def curve(*points: tuple[Any, Any], speed: str = "low") -> Change:
    """Replaces the whole table by one speed, used in both seasons."""

    def change(plan: PlanTables) -> None:
        plan.tables["blower"] = [{"speed": speed, "airflow_cfm": q, "external_static_inwc": p} for q, p in points]
        plan.config["blower"] = {}

    return change


def put(table: str, row: int, column: str, value: Any) -> Change:
    """One cell; rows as a text editor counts them, 1 for the header."""
    return lambda plan: plan.tables[table][row - 2].update({column: value})


def keys(part: str, **values: Any) -> Change:
    return lambda plan: plan.config.setdefault(part, {}).update(values)


@dataclass(frozen=True, kw_only=True)
class Bad:
    """A change to the plan and the one fault that it must bring; ``says`` and ``remedy`` are patterns."""

    change: Change
    file: str
    says: str
    remedy: str
    row: int | None = None
    column: str | None = None
    value: str | None = None


READING = {
    "one point": Bad(
        change=curve((300, 0.5)),
        file="blower.csv",
        row=2,
        column="speed",
        value="low",
        says="one point; a curve needs at least two",
        remedy="Add rows",
    ),
    "one point of the second speed": Bad(
        change=lambda plan: plan.tables["blower"].__delitem__(slice(6, None)),
        file="blower.csv",
        row=7,
        column="speed",
        value="high",
        says="one point",
        remedy="Add rows",
    ),
    "airflow out of order": Bad(
        change=put("blower", 4, "airflow_cfm", 150),
        file="blower.csv",
        row=4,
        column="airflow_cfm",
        value="150",
        says="must rise from row to row; the row before has 200 cfm",
        remedy="in order",
    ),
    "the same airflow twice": Bad(
        change=put("blower", 4, "airflow_cfm", 200),
        file="blower.csv",
        row=4,
        column="airflow_cfm",
        value="200",
        says="must rise",
        remedy="duplicates",
    ),
    "negative airflow": Bad(
        change=put("blower", 2, "airflow_cfm", -5),
        file="blower.csv",
        row=2,
        column="airflow_cfm",
        value="-5",
        says="expected a number of cfm from 0",
        remedy="Correct",
    ),
    "negative static pressure": Bad(
        change=put("blower", 6, "external_static_inwc", -0.1),
        file="blower.csv",
        row=6,
        column="external_static_inwc",
        value="-0.1",
        says="from 0",
        remedy="Correct",
    ),
    "static pressure is not a number": Bad(
        change=put("blower", 3, "external_static_inwc", "nan"),
        file="blower.csv",
        row=3,
        column="external_static_inwc",
        value="nan",
        says="expected a number of inWC",
        remedy="Enter",
    ),
    "static pressure in pascals": Bad(
        change=put("blower", 3, "external_static_inwc", 125),
        file="blower.csv",
        row=3,
        column="external_static_inwc",
        value="125",
        says="expected a number of inWC from 0 to 10",
        remedy="pascals",
    ),
    "endless airflow": Bad(
        change=put("blower", 11, "airflow_cfm", "inf"),
        file="blower.csv",
        row=11,
        column="airflow_cfm",
        value="inf",
        says="expected a number of cfm",
        remedy="Enter",
    ),
    "empty airflow": Bad(
        change=put("blower", 3, "airflow_cfm", None),
        file="blower.csv",
        row=3,
        column="airflow_cfm",
        says="empty",
        remedy="Enter",
    ),
    "empty speed": Bad(
        change=put("blower", 2, "speed", None),
        file="blower.csv",
        row=2,
        column="speed",
        says="empty",
        remedy="Enter the name",
    ),
    "unknown speed": Bad(
        change=keys("blower", cooling_speed="hihg"),
        file="plan.toml",
        column="[blower] cooling_speed",
        value="hihg",
        says="no speed of this name",
        remedy="'high'",
    ),
    "several speeds and none named": Bad(
        change=lambda plan: plan.config["blower"].pop("heating_speed"),
        file="plan.toml",
        column="[blower] heating_speed",
        says="several speeds",
        remedy="Add heating_speed",
    ),
    "no tonnage": Bad(
        change=keys("blower", capacity_tons=0),
        file="plan.toml",
        column="[blower] capacity_tons",
        value="0",
        says="above 0",
        remedy=".",
    ),
    "negative tonnage": Bad(
        change=keys("blower", capacity_tons=-2.0),
        file="plan.toml",
        column="[blower] capacity_tons",
        value="-2.0",
        says="above 0",
        remedy=".",
    ),
    "no rated static pressure": Bad(
        change=keys("blower", rated_static_inwc=0),
        file="plan.toml",
        column="[blower] rated_static_inwc",
        value="0",
        says="above 0",
        remedy=".",
    ),
    "heating airflow in words": Bad(
        change=keys("blower", least_heating_cfm="plenty"),
        file="plan.toml",
        column="[blower] least_heating_cfm",
        value="plenty",
        says="expected a number",
        remedy=".",
    ),
    "loaded below clean": Bad(
        change=put("devices", 3, "loaded_loss_inwc", 0.05),
        file="devices.csv",
        row=3,
        column="loaded_loss_inwc",
        value="0.05",
        says="can't lose less than a clean one, 0.08 inWC",
        remedy="Swap or correct",
    ),
    "negative loss": Bad(
        change=put("devices", 2, "loss_inwc", -0.2),
        file="devices.csv",
        row=2,
        column="loss_inwc",
        value="-0.2",
        says="from 0",
        remedy="Correct",
    ),
    "loss is not a number": Bad(
        change=put("devices", 2, "loss_inwc", "NaN"),
        file="devices.csv",
        row=2,
        column="loss_inwc",
        value="NaN",
        says="expected a number of inWC",
        remedy="Enter",
    ),
    "loss at no airflow": Bad(
        change=put("devices", 2, "at_cfm", 0),
        file="devices.csv",
        row=2,
        column="at_cfm",
        value="0",
        says="above 0",
        remedy="Correct",
    ),
    "an exponent under 1": Bad(
        change=put("devices", 3, "exponent", 0.7),
        file="devices.csv",
        row=3,
        column="exponent",
        value="0.7",
        says="from 1 to 3",
        remedy="half the exponent",
    ),
    "unknown season": Bad(
        change=put("devices", 2, "season", "summer"),
        file="devices.csv",
        row=2,
        column="season",
        value="summer",
        says="heating, cooling",
        remedy="Pick",
    ),
    "a device twice": Bad(
        change=put("devices", 3, "device", " COIL"),
        file="devices.csv",
        row=3,
        column="device",
        value="COIL",
        says="already in row 2",
        remedy="own name",
    ),
    "leakage above what is believable": Bad(
        change=keys("leakage", supply_pct=80),
        file="plan.toml",
        column="[leakage] supply_pct",
        value="80",
        says="from 0 to 50",
        remedy=".",
    ),
}

# At the study: what the table leaves at design airflow.
STUDYING = {
    "a device takes more than the blower makes": Bad(
        change=put("devices", 2, "loss_inwc", 1.5),
        file="devices",
        row=2,
        column="loss_inwc",
        value=r"0\.9\d\d|1\.0\d\d",  # 1.5 x (320 / 400)^2 and a clean filter
        says="take more in cooling than the .* inWC that the blower makes at 320 cfm",
        remedy="higher speed",
    ),
    "the table does not reach the design airflow": Bad(
        change=curve((0, 0.8), (310, 0.5)),
        file="blower",
        row=3,
        column="airflow_cfm",
        value="0 to 310",
        says="'low' does not reach the cooling design airflow of 320 cfm",
        remedy="Add rows",
    ),
    "the table begins above the design airflow": Bad(
        change=curve((240, 0.8), (900, 0.5)),
        file="blower",
        row=2,
        column="airflow_cfm",
        value="240 to 900",
        says="'low' does not reach the heating design airflow of 230 cfm",
        remedy="Add rows",
    ),
}


def told(fault: Fault, bad: Bad) -> None:
    """One line, all its parts, and nothing of the program in it."""
    text = str(fault)
    assert "\n" not in text
    assert not re.search(r"Traceback|np\.float|array\(|Error\b", text)
    assert re.fullmatch(re.escape(bad.file) + r"(\.csv)?", fault.file)
    assert (fault.row, fault.column) == (bad.row, bad.column)
    if bad.value is not None:
        assert fault.value is not None
        assert fault.value == bad.value or re.fullmatch(bad.value, fault.value)
    assert re.search(bad.says, fault.problem)
    assert re.search(bad.remedy, fault.remedy)


def changed(bad: Bad) -> PlanTables:
    plan = driven_plan()
    bad.change(plan)
    return plan


def test_the_plan_itself_is_good(write_plan: WritePlan) -> None:
    study = tractduct.study(write_plan(driven_plan()))
    assert study.status == "optimal"
    assert deliver(study).drive is Drive.BLOWER


@pytest.mark.parametrize("name", READING)
def test_refused_when_read(name: str, write_plan: WritePlan) -> None:
    with pytest.raises(InputFaults) as refused:
        tractduct.load_plan(write_plan(changed(READING[name])))
    (fault,) = refused.value.faults
    told(fault, READING[name])


@pytest.mark.parametrize("name", STUDYING)
def test_refused_when_studied(name: str, write_plan: WritePlan) -> None:
    with pytest.raises(InputFaults) as refused:
        tractduct.study(write_plan(changed(STUDYING[name])))
    (fault,) = refused.value.faults
    told(fault, STUDYING[name])


def test_all_faults_at_once(write_plan: WritePlan) -> None:
    """Faults of both tables and of plan.toml in one go, each told once."""
    plan = driven_plan()
    for name in ("airflow out of order", "loaded below clean", "no tonnage", "unknown speed"):
        READING[name].change(plan)
    with pytest.raises(InputFaults) as refused:
        tractduct.load_plan(write_plan(plan))
    places = {(f.file, f.row, f.column) for f in refused.value.faults}
    assert places == {
        ("blower.csv", 4, "airflow_cfm"),
        ("devices.csv", 3, "loaded_loss_inwc"),
        ("plan.toml", None, "[blower] capacity_tons"),
        ("plan.toml", None, "[blower] cooling_speed"),
    }


# -- never meeting the system's curve: [pressure] is given, so that the study does not ask the blower ---------------


def given_pressure(change: Change) -> PlanTables:
    plan = driven_plan()
    plan.config["pressure"] = {"supply_inwc": 0.14, "return_inwc": 0.06}
    change(plan)
    return plan


def two_speeds(low: list[tuple[float, float]], high: list[tuple[float, float]]) -> Change:
    def change(plan: PlanTables) -> None:
        plan.tables["blower"] = [
            {"speed": speed, "airflow_cfm": q, "external_static_inwc": p}
            for speed, rows in (("low", low), ("high", high))
            for q, p in rows
        ]

    return change


NEVER = {
    # name: table, speed, what its remedy must ask for
    "ends too early": (curve((0, 0.8), (100, 0.7), (200, 0.6)), "low", "Add rows of more airflow"),
    "begins too late": (curve((900, 0.02), (1000, 0.01)), "low", "Add rows of less airflow"),
    "low speed ends before the high one": (
        two_speeds([(0, 0.8), (100, 0.7), (200, 0.6)], HIGH),
        "low",
        "Add rows of more airflow",
    ),
    "high speed begins after the low one": (
        two_speeds(LOW, [(900, 0.02), (1000, 0.01)]),
        "high",
        "Add rows of less airflow",
    ),
    "low speed begins after the high one": (
        two_speeds([(800, 0.02), (1000, 0.01)], HIGH),
        "low",
        "Add rows of less airflow",
    ),
}


@pytest.mark.parametrize("name", NEVER)
def test_a_blower_that_never_meets_the_system(name: str, write_plan: WritePlan) -> None:
    """Told with the speed and the side: where the table must go on."""
    change, speed, remedy = NEVER[name]
    study = tractduct.study(write_plan(given_pressure(change)))
    with pytest.raises(InputFaults) as refused:
        deliver(study)
    (fault,) = refused.value.faults
    assert "\n" not in str(fault)
    assert fault.file.startswith("blower")
    assert fault.column == "airflow_cfm"
    assert f"speed '{speed}'" in fault.problem
    assert fault.remedy.startswith(remedy)


def test_readings_where_nothing_settles_are_no_numbers(write_plan: WritePlan) -> None:
    """The cooling table begins at 300 cfm, front N's very design airflow, so that with one damper setting the two may
    miss each other. What is not settled is told, or not a number: never an airflow that passes for a prediction."""
    change = two_speeds([(0, 0.8), (400, 0.7), (900, 0.4)], [(300, 0.6), (650, 0.5), (900, 0.0)])
    got = delivered_or_told(write_plan(given_pressure(change)))
    if isinstance(got, str):
        assert "blower" in got
    else:
        settled(got)


def delivered_or_told(folder: Path) -> Delivery | str:
    """What is delivered, or the faults' text."""
    try:
        return deliver(tractduct.study(folder))
    except InputFaults as refused:
        return str(refused)


def settled(got: Delivery) -> None:
    readings = [got.open_dampers, got.compressed, got.balanced.before, got.balanced.after, got.marks.chosen.delivered]
    for found in readings:
        loose = ~found.solution.settled
        carried = found.room_cfm[loose]
        assert not ((carried > 0.0) & (carried < float("inf"))).any()


# -- odd but not wrong, or wrong elsewhere --------------------------------------------------------------------------


def test_a_run_that_loses_nothing(write_plan: WritePlan) -> None:
    """No length and no fittings: it would take all the air. Told by its name, not as the blower's fault."""
    plan = small_plan()
    plan.row("sections", "DEN").update(length_ft=0, fittings="")
    with pytest.raises(InputFaults, match="DEN") as refused:
        deliver(tractduct.study(write_plan(plan)))
    (fault,) = refused.value.faults
    assert (fault.file, fault.row, fault.column, fault.value) == ("sections.csv", 3, "length_ft", "0")


def test_a_season_without_airflow(write_plan: WritePlan) -> None:
    """Nothing is needed in heating: refused with the column's name, or delivered without a warning."""
    plan = small_plan()
    for row in plan.tables["airflow"]:
        row["heating_cfm"] = 0
    got = delivered_or_told(write_plan(plan))
    if isinstance(got, str):
        assert "heating_cfm" in got
        return
    cooling = got.study.variants.where(season="cooling")
    assert (got.balanced.after.room_cfm[cooling] > 0.0).all()


def test_a_blower_drive_needs_a_table(write_plan: WritePlan) -> None:
    study = tractduct.study(write_plan(small_plan()))
    with pytest.raises(ValueError, match="no blower table"):
        deliver(study, drive=Drive.BLOWER)


def test_held_airflow_needs_no_crossing(write_plan: WritePlan) -> None:
    """A constant-airflow blower moves its design airflow, though its table would end before."""
    plan = given_pressure(curve((0, 0.8), (100, 0.7), (200, 0.6)))
    plan.config["blower"] = {"held_airflow": True}
    got = deliver(tractduct.study(write_plan(plan)))
    assert got.drive is Drive.AIRFLOW
    design = got.study.variants.room_airflow_cfm.sum(axis=1)
    assert got.open_dampers.total_cfm == pytest.approx(design)


def test_airflow_over_the_coil(write_plan: WritePlan) -> None:
    """300 cfm in all and 1 ton: below 350 (California Title 24 alternative test) a finding; at 0.8 tons none."""
    for tons, few in ((1.0, True), (0.8, False)):
        plan = small_plan(site={"elevation_ft": 0}, blower={"capacity_tons": tons})
        found = deliver(tractduct.study(write_plan(plan))).findings
        told_few = [f for f in found if f.rule == "airflow over the coil"]
        assert bool(told_few) is few
        if few:
            assert "300.0 cfm a ton of standard air, under 350" in told_few[0].message  # front N needs 300 in cooling


@pytest.mark.parametrize(("pct", "told"), [(None, False), (30.0, False), (31.0, True)])
def test_flex_compressed_beyond_what_was_measured_is_said(pct: float | None, told: bool, write_plan: WritePlan) -> None:
    found = deliver(tractduct.study(write_plan(small_plan())), compressed_pct=pct)
    assert found.compressed_pct == (pct or 15.0)
    assert any("measured up to 30 %" in f.message and f.subject == "system" for f in found.findings) is told
