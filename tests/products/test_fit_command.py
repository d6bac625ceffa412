"""tractduct fit as a user meets it: what it prints and writes, and what it says to a bad table."""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import pytest
from reference import friction_rate

from tractduct.cli import main

ROUGHNESS_FT, DERATE_PCT = 0.002, 6.0
Row = dict[str, object]


def data_sheet(sizes: tuple[int, ...] = (5, 6, 8, 10)) -> list[Row]:
    """A table of a known product, its friction by `fluids`, printed with four digits."""
    rows: list[Row] = []
    for size in sizes:
        for fpm in (250, 400, 600, 800):
            cfm = round(fpm * math.pi / 4 * (size / 12) ** 2)
            rate = friction_rate(cfm / (1 - DERATE_PCT / 100), size, ROUGHNESS_FT)
            rows.append({"size_in": size, "airflow_cfm": cfm, "friction_rate_inwc_per_100ft": float(f"{rate:.4g}")})
    return rows


def saved(folder: Path, rows: list[Row], name: str = "sheet.csv") -> str:
    with (folder / name).open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return str(folder / name)


def fitted(folder: Path, name: str) -> dict[str, str]:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    return row


def test_a_known_product_is_found_and_written(tmp_path, capsys):
    table = saved(tmp_path, data_sheet())
    assert main(["fit", table, "--name", "Lark 2", "--out", str(tmp_path / "out")]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith("Lark 2: 16 rows, sizes 5, 6, 8, 10 in\n")
    assert "roughness       0.002 ft   (95 %: " in printed
    assert "airflow derate  6.0 %   (95 %: " in printed
    assert "does not serve all sizes" not in printed
    assert "rows that fit badly" not in printed
    row = fitted(tmp_path / "out", "lark-2-duct.csv")
    assert row["duct"] == "Lark 2"
    assert row["kind"] == "flex"
    assert float(row["roughness_ft"]) == pytest.approx(ROUGHNESS_FT, rel=0.01)
    assert float(row["airflow_derate_pct"]) == pytest.approx(DERATE_PCT, abs=0.1)
    assert row["source"] == "fitted to sheet.csv"
    assert (tmp_path / "out" / "lark-2-fit.png").read_bytes().startswith(b"\x89PNG")


def test_the_same_table_gives_the_same_files(tmp_path, capsys):
    table = saved(tmp_path, data_sheet())
    for out in "ab":
        assert main(["fit", table, "--out", str(tmp_path / out)]) == 0
    for name in ("sheet-duct.csv", "sheet-fit.png"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_a_row_gone_wrong_is_named_by_its_line(tmp_path, capsys):
    rows = data_sheet()
    rows[9]["friction_rate_inwc_per_100ft"] = 1.5 * float(str(rows[9]["friction_rate_inwc_per_100ft"]))
    assert main(["fit", saved(tmp_path, rows), "--out", str(tmp_path)]) == 0
    # row 0 of the list stands in line 2 of the file; the fit reads a third too low there: 1 / 1.5
    assert "rows that fit badly: 11 (-33" in capsys.readouterr().out


def test_measured_losses_over_a_length_serve_too(tmp_path, capsys):
    rows = [
        {
            "size_in": row["size_in"],
            "airflow_cfm": row["airflow_cfm"],
            "loss_inwc": float(str(row["friction_rate_inwc_per_100ft"])) * 0.4,
            "length_ft": 40,
        }
        for row in data_sheet()
    ]
    assert main(["fit", saved(tmp_path, rows), "--out", str(tmp_path)]) == 0
    assert float(fitted(tmp_path, "sheet-duct.csv")["roughness_ft"]) == pytest.approx(ROUGHNESS_FT, rel=0.01)


def test_one_size_only_is_told_apart_only_with_a_derate(tmp_path, capsys):
    table = saved(tmp_path, data_sheet((7,)))
    assert main(["fit", table, "--out", str(tmp_path / "out")]) == 2
    message = capsys.readouterr().err
    assert "one size only, so its derate and its roughness can't be told apart" in message
    assert "give the derate" in message
    assert not (tmp_path / "out").exists()
    assert main(["fit", table, "--derate", str(DERATE_PCT), "--out", str(tmp_path / "out")]) == 0
    assert "airflow derate  6.0 %   (as given)" in capsys.readouterr().out
    found = fitted(tmp_path / "out", "sheet-duct.csv")
    assert float(found["roughness_ft"]) == pytest.approx(ROUGHNESS_FT, rel=0.01)


def without(rows: list[Row], column: str) -> list[Row]:
    return [{k: v for k, v in row.items() if k != column} for row in rows]


def changed(row: int, column: str, value: object) -> list[Row]:
    """The data sheet with one cell replaced; ``row`` as a text editor counts it."""
    rows = data_sheet()
    rows[row - 2][column] = value
    return rows


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        pytest.param(data_sheet()[:3], "has 3 rows; a fit needs at least 4", id="too few rows"),
        pytest.param(
            changed(4, "friction_rate_inwc_per_100ft", 0.001),
            r"sheet.csv, row 4, .*got '0.001': 82 cfm in 5 in can't lose less than 55 cfm does",
            id="more air that loses less",
        ),
        pytest.param(without(data_sheet(), "airflow_cfm"), "the column 'airflow_cfm' is missing", id="no airflow"),
        pytest.param(without(data_sheet(), "size_in"), "the column 'size_in' is missing", id="no size"),
        pytest.param(
            without(data_sheet(), "friction_rate_inwc_per_100ft"),
            "sheet.csv, row 2.*neither a friction rate nor a loss_inwc with its length_ft",
            id="no friction",
        ),
        pytest.param(
            changed(5, "airflow_cfm", "about 90"),
            "sheet.csv, row 5, column 'airflow_cfm': got 'about 90'",
            id="not a number",
        ),
        pytest.param(
            changed(6, "friction_rate_inwc_per_100ft", -0.2),
            "sheet.csv, row 6, column 'friction_rate_inwc_per_100ft': got '-0.2'",
            id="a gain",
        ),
    ],
)
def test_a_bad_table_is_told_in_a_line_and_nothing_is_written(rows, says, tmp_path, capsys):
    assert main(["fit", saved(tmp_path, rows), "--out", str(tmp_path / "out")]) == 2
    message = capsys.readouterr().err
    assert re.search(says, message), message
    assert "nothing was written" in message
    assert not (tmp_path / "out").exists()


def test_a_table_that_is_not_there(tmp_path, capsys):
    assert main(["fit", str(tmp_path / "none.csv"), "--out", str(tmp_path)]) == 2
    assert "none.csv" in capsys.readouterr().err


def test_a_name_that_acts_is_harmless_in_the_row(tmp_path, capsys):
    assert main(["fit", saved(tmp_path, data_sheet()), "--name", "=1+1", "--out", str(tmp_path)]) == 0
    (row,) = tmp_path.glob("*-duct.csv")
    assert fitted(tmp_path, row.name)["duct"] == "'=1+1"
