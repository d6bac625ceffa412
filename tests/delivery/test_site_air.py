"""The site's air in tables of blowers and devices, in the default pressure and, by season, in the supply ducts."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from driven_plans import (
    AT_SITE,
    HIGH,
    LOW,
    SIZES,
    at_sizes,
    blower_plan,
    case_of,
    ducts_of,
    static_of,
    with_blower,
    with_devices,
)
from plan_folder import PlanTables, small_plan, study_of
from reference import Reference, density_ratio
from si_plan import write_si

import tractduct
from tractduct.delivery.balance import balance
from tractduct.delivery.deliver import deliver
from tractduct.delivery.predict import Drive, predict
from tractduct.findings import Severity
from tractduct.network.airstream import airstream
from tractduct.network.variants import Variant
from tractduct.report import Report
from tractduct.sizing.case import Case
from tractduct.sizing.governing import headroom_by_run
from tractduct.sizing.practice import STANDARD_AIR_HEAT
from tractduct.units import SI
from tractduct.writers.results import results_text
from tractduct.writers.workbook import write_workbook

# US Bureau of Reclamation, Design Guide for HVAC Systems (2006), Table 6a, as printed: "relative density, static
# pressure or Hp correction factor".
TABLE_6A = [(6000, 0.801), (7000, 0.772), (8000, 0.743)]


def at(plan: PlanTables, **site: float) -> PlanTables:
    plan = plan.copy()
    plan.config["site"] = site
    return plan


def static_inwc(case: Case, cfm: float) -> np.ndarray:
    """(n_variant,) what the blower makes at an airflow."""
    rooms = case.variants.room_airflow_cfm.sum(axis=1)
    stream = airstream(case.plan, case.variants.variants, rooms)
    return stream.static_at(np.full(len(rooms), cfm))


# -- altitude -------------------------------------------------------------------------------------------------------


def test_a_catalogue_fan_at_altitude() -> None:
    """1.5 inWC at sea level is 1.248 at 5,000 ft, cfm unchanged (factor 0.832): common fan law, p in proportion to
    density."""
    plan = at(with_blower(blower_plan(), {"one": {100: 1.5, 900: 1.5}}), elevation_ft=5000)
    plan.config["blower"] = {}
    np.testing.assert_allclose(static_inwc(case_of(plan), 320.0), 1.248, atol=0.0005)


@pytest.mark.parametrize(("elevation_ft", "factor"), TABLE_6A)
def test_blower_and_devices_scale_with_density(elevation_ft: float, factor: float) -> None:
    sea, high = (case_of(at(blower_plan(), elevation_ft=z)) for z in (0, elevation_ft))
    for cfm in (230.0, 320.0, 600.0):
        np.testing.assert_allclose(static_inwc(high, cfm) / static_inwc(sea, cfm), factor, atol=0.0005)
    np.testing.assert_allclose(high.budget.total_inwc / sea.budget.total_inwc, factor, atol=0.0005)
    for loaded in (False, True):
        low, up = (predict(case, ducts_of(case), loaded=loaded).airstream.devices for case in (sea, high))
        np.testing.assert_allclose(up.square / low.square, factor, atol=0.0005)


def test_what_is_left_at_7000_ft() -> None:
    """0.539 inWC left for the ducts at sea level are 0.416 at 7,000 ft (0.539 x 0.772), not 0.539."""
    plan = with_blower(blower_plan(), {"one": {0: 0.539, 900: 0.539}})
    plan.config["blower"] = {}
    del plan.tables["devices"]
    np.testing.assert_allclose(case_of(at(plan, elevation_ft=7000)).budget.total_inwc, 0.416, atol=0.0005)


def test_the_operating_airflow_hardly_moves_with_altitude() -> None:
    """Blower, devices and ducts are all in proportion to density, so that only the Reynolds number moves the airflow:
    by less than 0.5 %, and down, as thinner air has the larger friction factor. Rough and smooth runs share it a
    little differently then."""
    sea, high = (case_of(at(blower_plan(), elevation_ft=z)) for z in (0, 7000))
    low, up = (predict(case, ducts_of(case)) for case in (sea, high))
    part = up.total_cfm / low.total_cfm
    assert np.all((part > 0.995) & (part < 1.0))
    np.testing.assert_allclose(up.room_cfm, low.room_cfm, rtol=0.01)
    np.testing.assert_allclose(up.external_static_inwc / low.external_static_inwc, 0.772, rtol=0.01)


def test_warm_air_at_the_air_handler_counts_too() -> None:
    """Ideal gas: 110 F has 529.67 / 569.67 of the density at 70 F."""
    cold, warm = (case_of(at(blower_plan(), air_temperature_f=f)) for f in (70, 110))
    np.testing.assert_allclose(warm.budget.total_inwc, cold.budget.total_inwc * 529.67 / 569.67, rtol=1e-12)


@pytest.mark.parametrize("units", ["ip", "si"])
@pytest.mark.parametrize("typed", [{}, {"supply_inwc": 0.10}, {"return_inwc": 0.05}])
def test_a_typed_pressure_holds_and_a_default_scales(typed: dict[str, float], units: str, tmp_path: Path) -> None:
    """Table 6a at 7,000 ft; what is typed holds at the site, be it the default's own value."""
    plan = at(small_plan(), elevation_ft=7000, heating_supply_air_f=125, cooling_supply_air_f=55)
    plan.config["pressure"] = typed
    folder = plan.write(tmp_path / "ip")
    read = tractduct.load_plan(folder if units == "ip" else write_si(folder, tmp_path / "si"))
    sides = {name.removesuffix("_inwc") for name in typed}
    assert set(read.default_pressure) == {"supply", "return"} - sides
    for side, value in (("supply", 0.10), ("return", 0.05)):
        expected = value if side in sides else 0.772 * value
        assert read.available_inwc(side) == pytest.approx(expected, abs=0.00005)
    assert read.supply_air_f == pytest.approx({"heating": 125.0, "cooling": 55.0}, rel=1e-12)


def test_above_2000_ft_the_load_calculation_is_asked_for() -> None:
    """1.08 Btu/h for each cfm and F for standard air, times the density."""
    found = {
        z: [f for f in study_of(at(small_plan(), elevation_ft=z)).findings if f.rule == "altitude"]
        for z in (0, 2000, 2001, 7000)
    }
    assert [len(found[z]) for z in (0, 2000, 2001, 7000)] == [0, 0, 1, 1]
    (high,) = found[7000]
    assert high.severity is Severity.CAUTION
    for words in ("7,000 ft", "actual cfm at the air handler", f"{1.08 * 0.772:.2f} Btu/h", "1.08"):
        assert words in high.message
    for words in ("load calculation", "hood", "coil"):
        assert words in high.advice


def test_what_standard_air_carries_in_si() -> None:
    """0.075 lb/ft3 are 1.201 kg/m3; dry air has 1.006 kJ/(kg K) (any thermodynamics text): 1.21 W a L/s and K."""
    assert pytest.approx(1.201 * 1.006, abs=0.005) == 1.21
    assert SI.say(STANDARD_AIR_HEAT, "Btu/h for each cfm and F", ".2f") == "1.21 W for each L/s and C"


def test_the_sheets_say_which_airflow_and_what_was_scaled(tmp_path: Path) -> None:
    found = deliver(study_of(at(blower_plan(), elevation_ft=7000)))
    write_workbook(Report(study=found.study, delivery=found), tmp_path / "high.xlsx")
    book = openpyxl.load_workbook(tmp_path / "high.xlsx")

    def words(name: str) -> str:
        return "\n".join(str(c.value) for row in book[name].iter_rows() for c in row if c.value is not None)

    for name in ("Answer", "Basis", "Delivered"):
        assert "actual cfm at the air handler" in words(name), name
        assert "0.772" in words(name), name
    plain = small_plan(site={"elevation_ft": 7000, "heating_supply_air_f": 120})
    del plain.config["pressure"]["return_inwc"]
    write_workbook(Report(study=study_of(plain)), tmp_path / "plain.xlsx")
    book = openpyxl.load_workbook(tmp_path / "plain.xlsx")
    for name in ("Answer", "Basis", "Pencil check"):
        assert "the program's default, 0.05 x 0.772 for the density here" in words(name), name
        assert "set in the plan, for the site's air" in words(name), name
    assert "Supply air, heating, F\n120" in words("Basis")


# -- air of a season ----------------------------------------------------------------------------------------------


def season_plan(**site: float) -> PlanTables:
    plan = blower_plan()
    plan.config["site"] = {"elevation_ft": 500, **site}
    plan.tables["fittings"].append({"fitting": "vane", "equivalent_length_ft": None, "loss_coefficient": 0.8})
    plan.row("sections", "BED")["fittings"] = "collar + vane + boot_floor"
    plan.row("sections", "RET")["fittings"] = "return_box + vane"
    return plan


SEASON = {"heating_supply_air_f": 130.0, "cooling_supply_air_f": 54.0, "air_temperature_f": 73.0}


LABELS = {name: str(size) for name, size in SIZES.items()}


def key_of(variant: Variant) -> tuple[str, bool, str, str]:
    return variant.front, variant.mirrored, variant.season, variant.flex


def lost(reference: Reference, flows: dict[str, float], variant: Variant, run: str) -> float:
    """What a run's way loses at any airflow of its sections, each with the air that it carries."""
    reference._flow = {(name, *key_of(variant)[:3]): cfm for name, cfm in flows.items()}
    return reference.path_loss(run, LABELS, key_of(variant))


@pytest.mark.parametrize("drive", list(Drive))
def test_delivered_airflow_takes_the_plenums_pressure_in_the_air_of_its_season(drive: Drive) -> None:
    plan = season_plan(**SEASON)
    case = case_of(plan)
    got = predict(case, ducts_of(case), drive=drive)
    names = [s.name for s in case.tree.sections]
    for v, variant in enumerate(got.variants.variants):
        flows = dict(zip(names, got.solution.airflow_cfm[v].tolist(), strict=True))
        for run in ("DEN", "BED", "KIT", "RET"):
            plenum = (got.solution.return_inwc if run == "RET" else got.solution.supply_inwc)[v]
            # The second route has its viscosity from another publication: within 0.1 %.
            assert lost(Reference(plan), flows, variant, run) == pytest.approx(plenum, rel=1e-3)


def test_how_much_more_air_a_run_could_carry_in_the_air_of_its_season() -> None:
    """With that much more along its way the run named has lost all that there is; little pressure, so that it ends."""
    plan = season_plan(**SEASON)
    plan.config["pressure"] = {"supply_inwc": 0.08, "return_inwc": 0.05}
    case, by_pressure = case_of(plan), 0
    for found in headroom_by_run(case, at_sizes(case)):
        limit, _, blocked = found.limit.rpartition(" ")
        if limit != "pressure to":
            continue
        reference = Reference(plan)
        flows = {name: reference.airflow(name, key_of(found.variant)) for name in SIZES}
        flows |= {name: flows[name] + found.extra_cfm for name in reference.way(found.run)}
        available = reference.available[reference.side(blocked)]
        assert lost(reference, flows, found.variant, blocked) == pytest.approx(available, rel=1e-3)
        by_pressure += 1
    assert by_pressure >= 3


def test_only_the_supply_ducts_and_only_that_season_change() -> None:
    """Held airflow: warm air in heating changes the supply's losses in heating, by about its density; nothing else."""
    plain, warm = (case_of(season_plan(**site)) for site in ({}, {"heating_supply_air_f": 130}))
    heating = plain.variants.where(season="heating")
    back = plain.tree.index("RET")
    changed = plain.table.loss_inwc != warm.table.loss_inwc
    assert not changed[~heating].any()
    assert not changed[:, back].any()
    supply = np.delete(np.arange(len(plain.tree.sections)), back)
    part = (warm.table.loss_inwc / plain.table.loss_inwc)[np.ix_(heating, supply)]
    thinner = density_ratio(0.0, 130.0)  # the laminar part, if any, follows the viscosity and not the density
    assert np.all((part > thinner) & (part < 1.0))
    np.testing.assert_array_equal(plain.budget.total_inwc, warm.budget.total_inwc)
    np.testing.assert_array_equal(plain.variants.airflow_cfm, warm.variants.airflow_cfm)


def test_a_season_air_like_the_site_is_no_change() -> None:
    """Every number; a finding doubts 70 F in heating."""
    sites = ({}, {"heating_supply_air_f": 70, "cooling_supply_air_f": 70})
    one, other = (json.loads(results_text(Report(study=study_of(season_plan(**site))))) for site in sites)
    doubted = [f for f in other.pop("findings") if f not in one["findings"]]
    del one["findings"]
    assert one == other
    assert ["heating_supply_air_f" in f["subject"] + f["message"] for f in doubted] == [True]


def test_variants_may_be_picked() -> None:
    """Rows of a case, repeated and out of order, keep the air of their season."""
    case = case_of(season_plan(**SEASON))
    rows = np.array([6, 0, 3, 3])
    some = predict(case.rows(rows), ducts_of(case.rows(rows))).room_cfm
    np.testing.assert_allclose(some, predict(case, ducts_of(case)).room_cfm[rows], rtol=1e-9)


# -- a device's exponent --------------------------------------------------------------------------------------------

BENT = [("coil", "supply", 0.20, 400, "cooling", None), ("filter", "return", 0.08, 350, None, 0.20)]
EXPONENTS = {"coil": 1.8, "filter": 1.4}


def bent_plan(exponents: dict[str, float | None] | None = None) -> PlanTables:
    plan = with_devices(blower_plan(), BENT)
    for row in plan.tables["devices"]:
        row["exponent"] = (exponents or EXPONENTS).get(row["device"])
    return plan


def by_hand(cfm: float, season: str, loaded: bool = False) -> float:
    """loss_at x (Q / Q_at)^exponent, in the site's air."""
    filtered = (0.20 if loaded else 0.08) * (cfm / 350.0) ** 1.4
    return AT_SITE * (filtered + (0.20 * (cfm / 400.0) ** 1.8 if season == "cooling" else 0.0))


def test_a_filter_used_below_its_airflow() -> None:
    """0.20 inWC at 1200 cfm used at 900: 0.1125 as a square, 0.1376 to the power of 1.3, 0.1299 to that of 1.5."""
    plan = with_devices(blower_plan(), [("filter", "return", 0.20, 1200, None, None)])
    plan.config["site"] = {}
    for exponent, loss in ((None, 0.1125), (1.3, 0.1376), (1.5, 0.1299)):
        plan.tables["devices"][0]["exponent"] = exponent
        case = case_of(plan)
        stream = airstream(case.plan, case.variants.variants, np.full(len(case.variants.variants), 900.0))
        np.testing.assert_allclose(stream.devices.at(stream.design_cfm), loss, atol=0.00005)


def test_an_exponent_in_the_budget() -> None:
    case = case_of(bent_plan())
    for v, variant in enumerate(case.variants.variants):
        cfm = case.variants.room_airflow_cfm[v].sum()
        left = static_of(LOW if variant.season == "heating" else HIGH, cfm) - by_hand(cfm, variant.season)
        assert case.budget.total_inwc[v] == pytest.approx(left, abs=2e-5)


@pytest.mark.parametrize("drive", [Drive.BLOWER, Drive.AIRFLOW])
@pytest.mark.parametrize("loaded", [False, True])
def test_an_exponent_in_the_prediction(drive: Drive, loaded: bool) -> None:
    """Where it settles, ducts and devices by hand take what the blower's table makes; both kinds of blower."""
    case = case_of(bent_plan())
    got = predict(case, ducts_of(case), drive=drive, loaded=loaded)
    assert got.solution.settled.all()
    for v, variant in enumerate(case.variants.variants):
        moved, found = float(got.total_cfm[v]), got.solution
        taken = float(found.supply_inwc[v] + found.return_inwc[v]) + by_hand(moved, variant.season, loaded)
        assert got.external_static_inwc[v] == pytest.approx(taken, rel=1e-9)
        if drive is Drive.BLOWER:
            made = static_of(LOW if variant.season == "heating" else HIGH, moved)
            assert taken == pytest.approx(made, abs=2e-5)  # the program's chord of the curve, see test_budget.py


def test_a_blower_that_just_makes_what_a_balanced_house_takes() -> None:
    """One flat pressure, the need of one variant by hand and by balancing: every room gets its design airflow."""
    case = case_of(bent_plan())
    ducts = ducts_of(case)
    needed = balance(case, ducts, drive=Drive.AIRFLOW).needed_inwc
    v = int(np.argmax(needed))
    plan = with_blower(bent_plan(), {"one": dict.fromkeys((0, 2000), needed[v] / AT_SITE)})
    plan.config["blower"] = {}
    got = balance(case_of(plan), ducts)
    assert got.possible.all()
    np.testing.assert_allclose(got.after.room_cfm[v], case.variants.room_airflow_cfm[v], rtol=1e-7)


def test_an_exponent_of_2_is_the_default() -> None:
    text = [results_text(Report(study=study_of(bent_plan({"coil": e, "filter": e})))) for e in (None, 2)]
    assert text[0] == text[1]
