"""The least factor of large compressed flex reaches every place where compression acts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from delivery.driven_plans import case_of
from openpyxl import load_workbook
from plan_folder import PlanTables, duct, small_plan, study_of, with_prices, written
from reference import Reference, compression_factor, friction_rate
from si_plan import write_si

import tractduct
from tractduct.delivery.predict import installed_ducts
from tractduct.purchasing.compare import compare_flex
from tractduct.report import Report
from tractduct.sizing.case import build_case
from tractduct.sizing.governing import headroom_by_run
from tractduct.sizing.verify import verify_sizes
from tractduct.writers.workbook import write_workbook

ELEVATION_FT = 1200.0  # any site


def large_flex(compression: float = 10, **keys: float) -> PlanTables:
    """The small plan with a 12 in run of compressed flex to the den; one product, plenty of pressure."""
    plan = small_plan(pressure={"supply_inwc": 0.6}, site={"elevation_ft": ELEVATION_FT})
    plan.tables["ducts"] = [row for row in plan.tables["ducts"] if row["kind"] == "rigid"]
    plan.tables["ducts"].append(duct("granite", "flex", 0.003, compression=compression))
    plan.row("sections", "DEN").update(fixed_in=12, length_ft=60)
    plan.row("sections", "T1")["fixed_in"] = 14
    plan.config["compression"] = dict(keys)
    return plan


PLANS = {
    "default": large_flex(),
    "another": large_flex(least_factor_12_in=7),
    "off": large_flex(least_factor_12_in=1),
    "at 4 %": large_flex(compression=4),
}


@pytest.mark.parametrize("name", PLANS)
def test_loss_of_the_search_the_check_and_the_prediction(name: str) -> None:
    """Each section's loss against the reference's loops."""
    reference, study = Reference(PLANS[name]), study_of(PLANS[name])
    assert study.sized is not None
    assert study.size_set["DEN"] == "12"
    case, index, data = study.case, study.sized.size_index, study.case.table.sections
    ducts = installed_ducts(case, index)
    for i, section in enumerate(study.tree.sections):
        size = reference.size[study.size_set[section.name]]
        for v, variant in enumerate(reference.variants):
            expected = pytest.approx(reference.loss(section.name, size, variant), rel=1e-3)
            assert case.table.loss_inwc[v, i, index[i]] == expected
            assert study.sized.verification.loss_inwc[section.name][v] == expected
            rate = reference.rate(section.name, size, variant)
            assert rate * ducts.friction_length_ft[v, i] / 100.0 == expected  # the plan has no loss coefficients
    factor = {"default": 4.0, "another": 7.0, "off": 1 + 5.8 * np.exp(-1.512), "at 4 %": 1 + 2.32 * np.exp(-1.512)}
    den = next(i for i, s in enumerate(study.tree.sections) if s.name == "DEN")
    fittings = data.effective_length_ft[den] - 60.0
    assert ducts.friction_length_ft[0, den] == pytest.approx(60.0 * factor[name] + fittings)


def test_large_by_the_nominal_size() -> None:
    """A 12 in flex of 11.5 in inside counts as large; an 11 in one of 12 in inside does not."""
    plan = large_flex()
    plan.config["sizes"] = {"round_in": [6, 7, 8, 9, 10, 11, 12, 14, 16]}
    plan.tables["inner_diameters"] = [
        {"duct": "granite", "size_in": 12, "inner_diameter_in": 11.5},
        {"duct": "granite", "size_in": 11, "inner_diameter_in": 12.0},
    ]
    for size, inner, factor in ((12, 11.5, 4.0), (11, 12.0, 1.0 + 5.8 * np.exp(-1.512))):
        plan.row("sections", "DEN")["fixed_in"] = size
        with written(plan) as folder:
            case = build_case(tractduct.load_plan(folder))
        den, sections = [s.name for s in case.tree.sections].index("DEN"), case.table.sections
        k = [s.label for s in case.table.sizes].index(str(size))
        rate = friction_rate(float(case.variants.airflow_cfm[0, den]), inner, 0.003, ELEVATION_FT)
        length = 60.0 * factor + sections.effective_length_ft[den] - 60.0
        assert case.table.loss_inwc[0, den, k] == pytest.approx(rate * length / 100.0, rel=1e-3)
        labels = {s.name: "14" for s in case.tree.sections} | {"DEN": str(size)}
        checked = verify_sizes(case.plan, case.variants.variants, labels)
        assert checked.loss_inwc["DEN"][0] == pytest.approx(rate * length / 100.0, rel=1e-3)


def test_in_si_300_mm_counts_as_12_in(tmp_path: Path) -> None:
    plan = large_flex()
    plan.config["sizes"] = {"round_in": [6, 8, 10, 300 / 25.4, 14, 16]}
    plan.row("sections", "DEN")["fixed_in"] = 300 / 25.4
    with written(plan) as folder:
        case = build_case(tractduct.load_plan(write_si(folder, tmp_path / "si")))
    assert [s.label for s in case.table.sizes] == ["152.4", "203.2", "254", "300", "355.6", "406.4"]
    assert case.table.least_compression_factor.tolist() == [1.0, 1.0, 1.0, 4.0, 4.0, 4.0]


def test_headroom_uses_it_too() -> None:
    """How much more air the den's run could carry: its own loss at that airflow uses up what is left, by hand."""
    plan = large_flex()
    plan.config["pressure"]["supply_inwc"] = 0.2
    plan.config["limits"] = {"branch_flex_fpm": 4000, "trunk_rigid_fpm": 4000}
    plan.row("sections", "DEN").update(parent="", length_ft=150)
    plan.row("sections", "T1").pop("fixed_in")
    study = study_of(plan)
    assert study.sized is not None
    found = {h.run: h for h in headroom_by_run(study.case, study.sized.size_index)}["DEN"]
    v = study.variants.variants.index(found.variant)
    den = [s.name for s in study.tree.sections].index("DEN")
    flow = float(study.variants.airflow_cfm[v, den]) + found.extra_cfm
    fittings = float(study.case.table.sections.effective_length_ft[den]) - 150.0
    lost = friction_rate(flow, 12.0, 0.003, ELEVATION_FT) * (150.0 * compression_factor(10, 12.0) + fittings) / 100.0
    assert found.limit == "pressure to DEN"
    assert lost == pytest.approx(0.2, rel=2e-3)


def test_flex_left_compressed_in_the_comparison() -> None:
    """The set breaks its pressure at 10 % and holds at 4 %; without the least factor it holds at 10 % too."""
    plan = with_prices(large_flex(compression=0))
    plan.row("sections", "DEN").update(parent="", length_ft=150)
    plan.row("sections", "T1").pop("fixed_in")
    reference = Reference(plan)
    flow = max(reference.airflow("DEN", v) for v in reference.variants)
    fittings = reference.effective_length("DEN") - 150.0

    def lost(factor: float) -> float:
        return friction_rate(flow, 12.0, 0.003, ELEVATION_FT) * (150.0 * factor + fittings) / 100.0

    plan.config["pressure"]["supply_inwc"] = round((lost(compression_factor(10, 12.0, large=1.0)) + lost(4.0)) / 2, 4)
    for keys, holds in (({}, [True, False]), ({"least_factor_12_in": 1}, [True, True])):
        plan.config["compression"] = keys
        plan.config["limits"] = {"branch_flex_fpm": 4000, "trunk_rigid_fpm": 4000, "branch_rigid_fpm": 4000}
        for name in ("BED", "KIT"):
            plan.row("sections", name)["fixed_in"] = 10
        case = case_of(plan)
        comparison = compare_flex(case)
        assert comparison is not None
        assert [c.holds for c in comparison.alone[0].compressed[:2]] == holds


def test_the_pencil_check_shows_the_factor(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    write_workbook(Report(study=study_of(large_flex())), path)
    sheet = load_workbook(path)["Pencil check"]
    rows = [[cell.value for cell in row] for row in sheet.iter_rows()]
    head = next(row for row in rows if any(str(value).startswith("Compres") for value in row))
    column = next(n for n, value in enumerate(head) if str(value).startswith("Compres"))
    assert 4 in [row[column] for row in rows[rows.index(head) :] if row[0] == "DEN"]
