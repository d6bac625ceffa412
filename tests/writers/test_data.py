"""The lists as CSV files: against the DataFrames, against other arithmetic, in both units, and safe to open."""

from __future__ import annotations

import csv
import io
from functools import cache

import numpy as np
import pandas as pd
import pytest
from plan_folder import PlanTables, small_plan, study_of, with_prices, written
from si_cells import UNITS
from si_plan import write_si

import tractduct
from tractduct import delivery_tables, orientation_tables, tables
from tractduct.delivery.deliver import deliver
from tractduct.orientation import study_orientation
from tractduct.report import Report
from tractduct.sizing.verify import verify_sizes
from tractduct.writers.data import COLUMNS_FILE, data_files
from tractduct.writers.listing import Listing

LISTS = (*tables.LISTS, *delivery_tables.LISTS, *orientation_tables.LISTS, tables.findings)


@cache
def report(si: bool = False) -> Report:
    """The small plan with all that is listed, in either unit."""
    with written(with_prices(small_plan())) as folder:
        study = tractduct.study(write_si(folder, folder.parent / "si") if si else folder)
    return Report(study=study, delivery=deliver(study), orientation=study_orientation(study))


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_each_list_has_a_name_of_its_own_and_says_what_it_is() -> None:
    assert len({one.name for one in LISTS}) == len(LISTS)
    for one in LISTS:
        assert len(one.about) > 20, one.name
        assert one.about in str(one.__doc__)


@pytest.mark.parametrize("si", [False, True])
def test_every_column_of_every_file_is_explained(si: bool) -> None:
    files = data_files(report(si))
    explained: dict[str, list[str]] = {}
    for row in rows_of(files[COLUMNS_FILE]):
        explained.setdefault(row["file"], []).append(row["column"])
        assert row["meaning"]
    assert set(explained) == set(files) - {COLUMNS_FILE}
    for name, columns in explained.items():
        assert rows_of(files[name])
        assert list(rows_of(files[name])[0]) == columns


def test_in_si_each_number_is_the_other_one_times_its_unit() -> None:
    """By the units that columns.csv gives; factors of ``si_plan``."""
    ip, si = data_files(report()), data_files(report(True))
    assert set(ip) == set(si)
    units = {(r["file"], r["column"]): r["unit"] for r in rows_of(ip[COLUMNS_FILE])}
    other = {(r["file"], r["column"]): r["unit"] for r in rows_of(si[COLUMNS_FILE])}
    turned = 0
    for name in (
        "runs_all_variants.csv",
        "rooms_all_variants.csv",
        "lengths.csv",
        "airflow_by_front.csv",
        "system.csv",
    ):
        for one, two in zip(rows_of(ip[name]), rows_of(si[name]), strict=True):
            for (column, value), (renamed, shown) in zip(one.items(), two.items(), strict=True):
                unit = units[name, column]
                if unit in UNITS and value:
                    assert other[name, renamed] == UNITS[unit][0]
                    wanted = float(value) * UNITS[unit][1]
                    assert float(shown) == pytest.approx(wanted, rel=2e-3, abs=2e-6 * max(1.0, UNITS[unit][1]))
                    turned += renamed != column
    assert turned > 100


def test_all_variants_against_the_independent_check() -> None:
    s = report().study
    checked = verify_sizes(s.plan, s.variants.variants, s.size_set)
    frame = tables.paths(s)
    assert len(frame) == int(s.variants.open_run.sum())
    number = {(v.front, v.mirrored, v.season, v.flex): n for n, v in enumerate(s.variants.variants)}
    for row in frame.to_dict("records"):
        v = number[row["front_faces"], row["mirrored"], row["season"], row["flex"]]
        assert row["loss_inwc"] == pytest.approx(checked.path_loss_inwc[row["run"]][v], rel=1e-9)
        assert row["margin_inwc"] == pytest.approx(row["available_inwc"] - row["loss_inwc"], abs=1e-12)
        speed = checked.velocity_fpm[row["fastest_section"]][v]
        assert row["velocity_fpm"] == pytest.approx(speed, rel=1e-9)


def test_a_file_holds_what_the_frame_holds() -> None:
    """Read back with another reader."""
    files = data_files(report())
    subjects: list[tuple[Listing[object], object]] = [
        (tables.paths, report().study), (delivery_tables.rooms, report().delivery),
        (orientation_tables.degrees, report().orientation),
    ]  # type: ignore[list-item]  # fmt: skip
    for one, subject in subjects:
        frame, back = one(subject), pd.read_csv(io.StringIO(files[f"{one.name}.csv"]))
        assert list(back.columns) == list(frame.columns)
        for name in frame:
            if frame[name].dtype.kind == "f":
                np.testing.assert_allclose(back[name], frame[name], atol=5.1e-7, rtol=0)


def hostile() -> PlanTables:
    plan = small_plan()
    for table in ("airflow", "sections"):
        for row in plan.tables[table]:
            row["room"] = {"Den": "=1+1", "Bed": "@SUM(A1)"}.get(row["room"], row["room"])
    for row in plan.tables["fittings"]:
        row["source"] = "-2+3"
    return plan


def test_no_text_acts_when_a_spreadsheet_opens_the_file() -> None:
    files = data_files(Report(study=study_of(hostile())))
    seen = 0
    for text in files.values():
        for row in csv.reader(io.StringIO(text)):
            for cell in row:
                if cell[:1] in ("=", "@", "+") or (cell[:1] == "-" and cell != "-"):
                    float(cell)  # a number below 0
                seen += cell.startswith("'")
    assert seen > 10


def test_the_same_report_gives_the_same_files() -> None:
    assert data_files(report()) == data_files(report())
