"""Damper marks: what they deliver by root finding, and whether there is nothing simpler."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import numpy as np
import pytest
from driven_plans import case_of, with_blower, with_devices
from path_root import Paths, Variant
from plan_folder import PlanTables, duct, read_tables, section, small_plan
from random_plans import random_plan
from reference import key

from tractduct.delivery.classes import build_classes
from tractduct.delivery.mark_board import build_board
from tractduct.delivery.mark_model import Manner, MarkModel
from tractduct.delivery.marks import Marks, find_marks, pass_range_cfm
from tractduct.delivery.predict import Drive
from tractduct.inputs.reader import load_plan
from tractduct.model.plan import Tolerance, is_outside
from tractduct.physics.damper import STEP_DEG, blade_loss_coefficients
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.solve import least_cost, recommend

STRONG = {0: 1.2, 500: 1.0, 1500: 0.2, 3000: 0.0}
CONFIGS = Path(__file__).parents[2] / "configs"


def driven(seed: int) -> PlanTables:
    """A random plan with a blower that carries any of them."""
    return with_devices(with_blower(random_plan(seed), {"only": STRONG}), [("coil", "supply", 0.05, 800, None, None)])


def sizes_of(case: Case) -> np.ndarray:
    """(n_section,) the set of least cost; the largest sizes where none holds."""
    index = least_cost(case.problem()).size_index
    if index is not None:
        return index
    return np.argmax(np.where(case.table.shaped & case.table.bounded, case.diameter_in, -1.0), axis=1)


def dampers_of(marks: Marks, variant: Variant) -> dict[str, float]:
    """What the table of a variant's orientation says, by run; inWC/cfm2."""
    (table,) = (t for t in marks.chosen.tables if (variant[0], variant[1]) in t.orientations)
    k = table.seasons.index(variant[2])
    return dict(zip(table.runs, table.inwc_per_cfm2[:, k].tolist(), strict=True))


def compare(case: Case, size_index: np.ndarray, marks: Marks, paths: Paths, drive: Drive, *, rel: float = 2e-4) -> None:
    """Every variant by root finding: runs, rooms outside, the worst distance, the plenum."""
    plan = case.plan
    outside, worst = set(), 0.0
    for v, one in enumerate(case.variants.variants):
        variant = (one.front, one.mirrored, one.season, one.flex)
        other = paths.settle(variant, dampers_of(marks, variant), drive.value)
        assert other["residual"] < 1e-8
        got = marks.chosen.delivered
        for p, run in enumerate(case.tree.runs):
            if run.name in other["runs"]:
                assert got.run_cfm[v, p] == pytest.approx(other["runs"][run.name], rel=rel, abs=0.02)
        for room, cfm in paths.rooms(other).items():
            design = paths.reference.need[(*variant[:3], room)]
            off = abs(cfm - design) / max(plan.tolerance.room_pct / 100.0 * design, plan.tolerance.room_cfm)
            worst = max(worst, off)
            if off > 1.0 + 1e-3:
                outside.add(room)
        if drive is Drive.AIRFLOW and plan.budget_given:
            assert other["supply"] <= plan.supply_inwc * (1.0 + 1e-3)
    assert outside <= {key(room.room) for room in marks.chosen.outside}
    assert worst == pytest.approx(marks.chosen.worst_tolerances, abs=2e-3)


# -- both demos ---------------------------------------------------------------------------------------------------


def test_demo_by_root_finding(demo_folder: Path) -> None:
    """The standard set; no room outside, and the marks are settings of a blade in the run's nominal size."""
    case = build_case(load_plan(demo_folder))
    index = recommend(case.problem(), case.plan.standardize_within_pct)[1].size_index
    assert index is not None
    marks = find_marks(case, index, drive=Drive.AIRFLOW)
    assert marks.rooms_outside_open > 0
    assert not marks.chosen.outside
    assert marks.least_dampers is not None
    assert marks.least_dampers <= len(marks.chosen.runs)
    tables = read_tables(demo_folder)
    compare(case, index, marks, Paths(tables, case.labels(index)), Drive.AIRFLOW)
    ratio = case.air.density_ratio
    for table in marks.chosen.tables:
        for run, angles, coefficients in zip(table.runs, table.angle_deg, table.inwc_per_cfm2, strict=True):
            area = np.pi / 4.0 * (float(case.labels(index)[run]) / 12.0) ** 2
            for angle, coefficient in zip(angles, coefficients, strict=True):
                assert angle % STEP_DEG == 0.0
                blade = blade_loss_coefficients()[int(angle / STEP_DEG)]
                assert coefficient == pytest.approx(float(np.max(ratio)) * blade / (4005.0 * area) ** 2, rel=1e-3)


def test_quernby_by_root_finding() -> None:
    """Inner diameters by product; what the friction tables are fitted by, and correct, is the program's own here."""
    folder = CONFIGS / "quernby-1180"
    case = build_case(load_plan(folder))
    index = recommend(case.problem(), case.plan.standardize_within_pct)[1].size_index
    assert index is not None
    marks = find_marks(case, index, drive=Drive.AIRFLOW)
    assert not marks.chosen.outside
    with (folder / "inner_diameters.csv").open(encoding="utf-8", newline="") as lines:
        inner = {(key(r["duct"]), r["size_in"]): float(r["inner_diameter_in"]) for r in csv.DictReader(lines)}
    correction = {
        (s.name, (v.front, v.mirrored, v.season, v.flex)): float(case.table.ducts.correction[k, i, index[i]])
        for k, v in enumerate(case.variants.variants)
        for i, s in enumerate(case.tree.sections)
    }
    tables = read_tables(folder)
    for row in tables.tables["ducts"]:
        fitted = case.plan.ducts[row["duct"]]
        row.update(roughness_ft=fitted.roughness_ft, airflow_derate_pct=fitted.airflow_derate_pct)
    paths = Paths(tables, case.labels(index), inner, correction)
    compare(case, index, marks, paths, Drive.AIRFLOW)


# -- random plans -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("drive", list(Drive))
@pytest.mark.parametrize("seed", range(10))
def test_random_plans_by_root_finding(seed: int, drive: Drive) -> None:
    plan = driven(seed + 200)
    case = case_of(plan)
    index = sizes_of(case)
    marks = find_marks(case, index, drive=drive)
    compare(case, index, marks, Paths(plan, case.labels(index)), drive)
    assert len(marks.chosen.outside) <= marks.rooms_outside_open


@pytest.mark.parametrize("drive", list(Drive))
@pytest.mark.parametrize("seed", range(6))
def test_nothing_is_further_open_than_the_least(seed: int, drive: Drive) -> None:
    """Every table within tolerance, by trying all of some settings, has each run at least as far closed as proven, and
    as many dampers; where it is proven impossible there is none."""
    case = case_of(driven(seed + 40))
    classes = build_classes(case, drive)
    index = sizes_of(case)
    supply = np.array([run.side != "return" for run in case.tree.runs])
    board = build_board(classes, index, may=supply, by_season=False).within(0.8)
    least = board.least()
    some = (0, 3, 5, 7, 9, 11, 14) if supply.sum() <= 4 else (0, 5, 8, 11) if supply.sum() <= 6 else (0, 8)
    settings = np.zeros((len(some) ** supply.sum(), 1, len(supply)), dtype=int)
    settings[:, 0, supply] = list(itertools.product(some, repeat=int(supply.sum())))
    settings = settings[:: max(1, len(settings) // 4000)]
    within = board.off(board.simulate(board.coefficients(settings))).max(axis=(1, 2)) <= 0.8
    for good in settings[within]:
        assert least.possible
        assert np.all(good >= least.settings)
        assert np.any(good > 0, axis=0).sum() >= least.dampers


def test_nothing_is_proven_where_a_blower_rises() -> None:
    """On the rising part of its curve a damper that closes takes pressure from all other rooms."""
    hump = {0: 0.3, 600: 0.6, 1500: 0.2, 3000: 0.0}
    plan = with_blower(two_of_many(), {"only": hump})
    case = case_of(plan)
    index = sizes_of(case)
    for drive in (Drive.BLOWER, Drive.AIRFLOW):
        board = build_board(build_classes(case, drive), index, may=np.ones(5, dtype=bool), by_season=False)
        least = board.within(0.0).least()
        assert least.possible == (drive is Drive.BLOWER)
        assert (least.dampers == 0) == (drive is Drive.BLOWER)


def two_of_many() -> PlanTables:
    """Five rooms on a trunk, two of them far too near: with all open they get too much."""
    plan = small_plan()
    plan.config["pressure"] = {"supply_inwc": 0.5, "return_inwc": 0.1}
    plan.config["tolerance"] = {"room_pct": 12, "room_cfm": 4}
    rooms = {"A": (60, 80), "B": (60, 80), "C": (70, 90), "D": (70, 90), "E": (60, 80)}
    length = {"A": 4, "B": 40, "C": 44, "D": 6, "E": 38}
    plan.tables["airflow"] = [
        {"front_faces": "N", "room": room, "heating_cfm": heating, "cooling_cfm": cooling}
        for room, (heating, cooling) in rooms.items()
    ]
    plan.tables["sections"] = [
        section("T", "", "trunk", "galvanised", 6, ""),
        *(section(f"R{r}", "T", "branch", "galvanised", length[r], "collar", r) for r in rooms),
    ]
    return plan


@pytest.mark.parametrize("shift", range(6))
def test_fewest_dampers_by_exhaustive_search(shift: int) -> None:
    """All sets of runs with all settings, on small plans; and no room is right with fewer."""
    plan = two_of_many()
    for n, row in enumerate(plan.tables["sections"][1:]):
        row["length_ft"] = [4, 40, 44, 6, 38, 20, 12][(n + shift) % 7]
    plan.config["dampers"] = {"positions": 1}
    case = case_of(plan)
    index = np.array([[s.label for s in case.table.sizes].index("10" if n == 0 else "6") for n in range(6)])
    marks = find_marks(case, index, drive=Drive.AIRFLOW, aim=1.0)
    board = build_board(build_classes(case, Drive.AIRFLOW), index, may=np.ones(5, dtype=bool), by_season=False)
    fewest = None
    for count in range(4):
        for runs in itertools.combinations(range(5), count):
            tried = np.zeros((14**count, 1, 5), dtype=int)
            tried[:, 0, list(runs)] = list(itertools.product(range(1, 15), repeat=count))
            if np.any(board.off(board.simulate(board.coefficients(tried))).max(axis=(1, 2)) <= 1.0):
                fewest = count
                break
        if fewest is not None:
            break
    assert fewest is not None
    assert not marks.chosen.outside
    assert len(marks.chosen.runs) == fewest
    assert marks.least_dampers is not None
    assert marks.least_dampers <= fewest


# -- kinds of plans -----------------------------------------------------------------------------------------------


def check(plan: PlanTables, drive: Drive = Drive.AIRFLOW, **dampers: object) -> Marks:
    """The marks, held against the airflow worked out another way; ``dampers`` are set in the plan."""
    plan.config["dampers"] = plan.config.get("dampers", {}) | dampers
    case = case_of(plan)
    index = sizes_of(case)
    marks = find_marks(case, index, drive=drive)
    compare(case, index, marks, Paths(plan, case.labels(index)), drive)
    return marks


def test_a_run_with_no_airflow_in_a_season() -> None:
    plan = small_plan()
    for row in plan.tables["airflow"]:
        if row["room"] == "Den":
            row["heating_cfm"] = 0
    marks = check(plan)
    assert not marks.chosen.outside
    assert "DEN" in marks.chosen.runs


@pytest.mark.parametrize("season", [None, "cooling"])
def test_a_room_with_three_runs(season: str | None) -> None:
    plan = small_plan()
    for n in (2, 3):
        plan.tables["sections"].append(
            section(f"KIT{n}", "T1", "branch", "flex", 9, "collar + boot_floor", "Kitchen", season=season)
        )
    check(plan)


def test_one_season_and_one_variant() -> None:
    plan = small_plan(variants={"seasons": ["cooling"]})
    marks = check(plan)
    assert marks.chosen.positions == 1
    assert marks.one_alone is None
    one = small_plan(variants={"seasons": ["cooling"], "front_faces": ["N"], "flex": ["meadow"]})
    assert not check(one).chosen.outside


def test_640_variants() -> None:
    """8 fronts, mirrored or not, 2 seasons, 20 products."""
    plan = small_plan()
    plan.tables["airflow"] = [
        {
            "front_faces": face,
            "mirrored": mirrored,
            "room": room,
            "heating_cfm": heating,
            "cooling_cfm": cooling + 3 * (n % 4) * (room == "Den") + 2 * mirrored,
        }
        for n, face in enumerate(("N", "NE", "E", "SE", "S", "SW", "W", "NW"))
        for mirrored in (False, True)
        for room, (heating, cooling) in {"Den": (60, 90), "Bed": (80, 70), "Kitchen": (90, 140)}.items()
    ]
    plan.tables["ducts"] = [row for row in plan.tables["ducts"] if row["kind"] == "rigid"]
    plan.tables["ducts"] += [duct(f"f{n}", "flex", 0.001 + 0.0001 * n, derate=n % 5) for n in range(20)]
    case = case_of(plan)
    assert len(case.variants.variants) == 640
    marks = find_marks(case, sizes_of(case), drive=Drive.AIRFLOW)
    assert not marks.chosen.outside
    assert len(marks.chosen.tables[0].orientations) == 16


def test_the_same_twice(demo_folder: Path) -> None:
    found = []
    for _ in range(2):
        case = build_case(load_plan(demo_folder))
        found.append(find_marks(case, sizes_of(case), drive=Drive.AIRFLOW))
    first, second = (one.chosen for one in found)
    np.testing.assert_array_equal(first.coefficient, second.coefficient)
    np.testing.assert_array_equal(first.delivered.room_cfm, second.delivered.room_cfm)
    assert [t.orientations for t in first.tables] == [t.orientations for t in second.tables]


def test_small_runs_have_none() -> None:
    """No damper in a run whose design airflow never reaches so much."""
    plan = two_of_many()
    marks = check(plan, least_cfm=85.0)
    assert set(marks.chosen.runs) <= {"RC", "RD"}


def seasons_apart() -> PlanTables:
    """Two rooms that change places between the seasons, in equal runs: one mark all year cannot suit both."""
    plan = small_plan(variants={"front_faces": ["N"]})
    plan.config["tolerance"] = {"room_pct": 10, "room_cfm": 5}
    plan.tables["airflow"] = [
        {"front_faces": "N", "room": "Den", "heating_cfm": 60, "cooling_cfm": 120},
        {"front_faces": "N", "room": "Bed", "heating_cfm": 120, "cooling_cfm": 60},
    ]
    plan.tables["sections"] = [
        section("DEN", "", "branch", "galvanised", 20, "collar", "Den", fixed_in=6),
        section("BED", "", "branch", "galvanised", 20, "collar", "Bed", fixed_in=6),
    ]
    plan.config["pressure"] = {"supply_inwc": 0.6, "return_inwc": 0.1}
    return plan


def test_one_mark_a_season_where_one_does_not_do_it() -> None:
    """And what one alone gives: by symmetry 90 cfm at best, 30 off and 18 beyond the tolerance of 12 of 120 or 6."""
    marks = check(seasons_apart())
    assert not marks.chosen.outside
    assert marks.chosen.positions == 2
    assert marks.one_alone is not None
    assert {r.room for r in marks.one_alone.outside} & {"Den", "Bed"}
    assert marks.one_impossible
    only = check(seasons_apart(), positions=1)
    assert only.one_alone is None
    assert only.chosen.positions == 1
    assert only.chosen.outside


def fronts_apart() -> PlanTables:
    """The same between fronts instead of seasons."""
    plan = seasons_apart()
    plan.config["variants"] = {"front_faces": ["N", "E", "S", "W"], "seasons": ["cooling"]}
    plan.tables["airflow"] = [
        {"front_faces": face, "room": room, "heating_cfm": 60, "cooling_cfm": 120 if (face in "NE") == first else 60}
        for face in ("N", "E", "S", "W")
        for room, first in (("Den", True), ("Bed", False))
    ]
    return plan


def test_two_tables_where_fronts_disagree() -> None:
    marks = check(fronts_apart())
    assert not marks.chosen.outside
    assert {tuple(sorted(f for f, _ in t.orientations)) for t in marks.chosen.tables} == {("E", "N"), ("S", "W")}
    assert marks.least_tables == 2
    assert marks.one_impossible


def test_what_the_hood_may_read() -> None:
    """Two runs of a room share its tolerance as they share its airflow: 140 cfm +- 28 in parts of 1 to 3."""
    plan = small_plan(variants={"front_faces": ["N"]})
    plan.row("sections", "KIT")["share"] = 1
    plan.tables["sections"].append(
        section("KIT2", "T1", "branch", "galvanised", 9, "collar + boot_floor", "Kitchen", share=3)
    )
    case = case_of(plan)
    marks = find_marks(case, sizes_of(case), drive=Drive.AIRFLOW)
    low, high = pass_range_cfm(case.plan, marks.chosen.delivered)
    v = int(np.flatnonzero(case.variants.where(season="cooling"))[0])
    names = [run.name for run in case.tree.runs]
    for name, part in (("KIT", 0.25), ("KIT2", 0.75)):
        p = names.index(name)
        assert low[v, p] == pytest.approx(part * 112.0)
        assert high[v, p] == pytest.approx(part * 168.0)
    assert np.isnan(low[v, names.index("RET")])
    bed = names.index("BED")
    assert (low[v, bed], high[v, bed]) == (pytest.approx(45.0), pytest.approx(95.0))


# -- the model that settings are chosen by ------------------------------------------------------------------------


@pytest.mark.parametrize("drive", list(Drive))
def test_the_model_against_the_simulation(drive: Drive) -> None:
    """Each setting of each damper, and all of them at once: rooms and the plenum as if they had been settled."""
    plan = driven(203)
    case = case_of(plan)
    index = sizes_of(case)
    supply = np.array([run.side != "return" for run in case.tree.runs])
    board = build_board(build_classes(case, drive), index, may=supply, by_season=True)
    rng = np.random.default_rng(5)
    at = board.place(np.where(supply, rng.integers(2, 6, board.shape), 0))
    models = MarkModel.around(board, at, Manner(margin=0.0, damper=0.0, worth=0.0, kept=1))
    for m, model in enumerate(models):
        rows = np.repeat(at.settings[m][None], 2 * supply.sum(), axis=0)
        for n, run in enumerate(np.flatnonzero(supply)):
            rows[2 * n : 2 * n + 2, run] += (1, -1)
        settings = np.repeat(at.settings[None], len(rows), axis=0)
        settings[:, m] = rows
        got = board.simulate(board.coefficients(settings))
        tried = model.tried(rows, model.plenum_inwc[None])
        room = tried.run_cfm @ board.classes.serves.T
        assert room == pytest.approx(got.room_cfm[:, model.mine], rel=0.04, abs=2.0)
        assert tried.pressure == pytest.approx(got.supply_inwc[:, model.mine], rel=0.06)


@pytest.mark.parametrize("seed", range(4))
def test_every_group_of_variants_wants_what_its_own_mask_says(seed: int) -> None:
    case = case_of(driven(seed))
    classes = build_classes(case, Drive.AIRFLOW)
    group = np.random.default_rng(seed).integers(-1, 3, len(case.variants.variants))
    for k, windows in enumerate(classes.windows_of(group, 3)):
        alone = classes.windows(group == k)
        for name in ("most_cfm", "most_tolerance_cfm", "least_cfm", "least_tolerance_cfm"):
            np.testing.assert_array_equal(getattr(windows, name), getattr(alone, name))
        low, per_low, high, per_high = windows.lines
        room = np.full(low.shape, 70.0)
        lines = np.maximum(low - room * per_low, room * per_high - high)
        assert lines == pytest.approx(windows.off(room), abs=1e-12)


def test_a_tie_of_rounding_is_within() -> None:
    """20 % of 50 L/s, off by 10 L/s, all turned to cfm on their own; a hundredth more is outside."""
    per = 2.118880003
    tolerance = Tolerance(room_pct=20.0, room_cfm=5 * per, system_pct=10.0)
    for design in np.arange(1, 400) / 7.0:
        off = 0.2 * (design * per) if 0.2 * design > 5 else 5 * per
        delivered = np.array([[design * per + off, design * per - off]])
        distance = np.abs(delivered - design * per) / tolerance.of_room_cfm(design * per)
        assert not is_outside(distance).any()
        assert is_outside(distance * 1.0001).all()
    assert is_outside(np.nan)
