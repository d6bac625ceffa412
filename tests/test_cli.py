"""The command line as a user meets it: output, files, exit codes."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest
from plan_folder import small_plan
from scipy.optimize import OptimizeResult

from tractduct.cli import main

DEMO = Path(__file__).parents[1] / "configs" / "brindlecote-2670"


@pytest.fixture
def starter(tmp_path: Path) -> Path:
    assert main(["new", str(tmp_path / "plan")]) == 0
    return tmp_path / "plan"


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_study_leaves_results_workbook_and_pictures(starter, tmp_path, capsys):
    assert main(["study", str(starter), "--out", str(tmp_path / "out")]) == 0
    names = {path.suffix for path in (tmp_path / "out").iterdir()}
    assert {".json", ".xlsx", ".png"} <= names
    found = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert found["status"] == "optimal"
    printed = capsys.readouterr().out
    assert f"{found['cost']:,.2f} USD with {found['distinct_sizes']} sizes to stock" in printed
    for section, size in found["size_set"].items():
        line = next(line for line in printed.splitlines() if section in line and " ft " in line)
        assert line.split()[0] == size


def test_study_takes_plan_toml_and_a_workbook_alike(starter, tmp_path):
    assert main(["new", str(tmp_path / "book"), "--workbook"]) == 0
    for plan, out in ((starter, "a"), (starter / "plan.toml", "b"), (tmp_path / "book", "c")):
        assert main(["study", str(plan), "--out", str(tmp_path / out)]) == 0
    results = [(tmp_path / out / "results.json").read_bytes() for out in "abc"]
    assert results[0] == results[1] == results[2]


def test_workbook_without_tables_named_in_plan_toml(tmp_path):
    main(["new", str(tmp_path / "book"), "--workbook"])
    text = (tmp_path / "book" / "plan.toml").read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if "tables.xlsx" not in line]
    (tmp_path / "book" / "plan.toml").write_text("\n".join(kept), encoding="utf-8")
    assert main(["check", str(tmp_path / "book")]) == 0


def test_default_folder_is_reports_and_the_plans_name(starter, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["study", str(starter)]) == 0
    assert (tmp_path / "reports" / "first-plan" / "results.json").is_file()


def test_same_input_gives_the_same_bytes_and_cells(starter, tmp_path):
    for out in ("a", "b"):
        assert main(["study", str(starter), "--out", str(tmp_path / out)]) == 0
    first, second = ((tmp_path / out / "results.json").read_bytes() for out in "ab")
    assert first == second
    books = [openpyxl.load_workbook(tmp_path / out / "first-plan.xlsx") for out in "ab"]
    for sheet in books[0].worksheets:
        other = books[1][sheet.title]
        assert [[c.value for c in row] for row in sheet] == [[c.value for c in row] for row in other]


def test_all_faults_at_once_exit_2_and_nothing_written(starter, tmp_path, capsys):
    change(starter / "sections.csv", "Trunk A,,,trunk", "Trunk A,,,trunck")
    change(starter / "ducts.csv", "0.0003", "O.0003")
    change(starter / "airflow.csv", "N,no,Bath,35,25", "N,no,Bath,-35,25")
    for command in (["check", str(starter)], ["study", str(starter), "--out", str(tmp_path / "out")]):
        assert main(command) == 2
        lines = capsys.readouterr().err.splitlines()
        assert any(
            line.startswith("sections.csv, row 2, column 'role': got 'trunck': expected one of trunk, branch")
            for line in lines
        )
        assert any(line.startswith("ducts.csv, row 2, column 'roughness_ft': got 'O.0003'") for line in lines)
        assert any(line.startswith("airflow.csv, row 5, column 'heating_cfm': got '-35'") for line in lines)
        assert lines[-1] == "3 faults in the input; nothing was written."
    assert not (tmp_path / "out").exists()


def test_no_set_holds_exit_3_with_ways_out(starter, tmp_path, capsys):
    change(starter / "plan.toml", "supply_inwc = 0.10", "supply_inwc = 0.01")
    change(starter / "plan.toml", "round_in = [4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18]", "round_in = [4, 5, 6, 7]")
    assert main(["study", str(starter), "--out", str(tmp_path / "out")]) == 3
    printed = capsys.readouterr().out
    assert "No size set holds in every variant." in printed
    assert "velocity in Trunk A" in printed
    found = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert found["status"] == "infeasible"
    assert found["size_set"] == {}
    assert found["conflicts"]


def test_new_refuses_a_folder_that_holds_something(starter, capsys):
    before = {p.name: p.read_bytes() for p in starter.iterdir()}
    assert main(["new", str(starter)]) == 2
    assert "there is something of this name already" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in starter.iterdir()} == before


def test_template_workbook_has_a_note_on_each_column_and_lists(tmp_path):
    main(["new", str(tmp_path / "book"), "--workbook"])
    book = openpyxl.load_workbook(tmp_path / "book" / "tables.xlsx")
    assert book.sheetnames == ["airflow", "sections", "fittings", "ducts", "prices"]
    for sheet in book.worksheets:
        for cell in sheet[1]:
            assert cell.comment is not None, (sheet.title, cell.value)
            assert cell.comment.text
    lists = [v for v in book["sections"].data_validations.dataValidation if v.type == "list"]
    assert any(v.formula1 == '"trunk,branch"' for v in lists)
    assert any("ducts!" in v.formula1 for v in lists)


def test_a_folder_that_cannot_be_made_is_said_plainly(starter, tmp_path, capsys):
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    assert main(["study", str(starter), "--out", str(tmp_path / "file" / "out")]) == 1
    assert "can't be made" in capsys.readouterr().err


def test_an_earlier_result_stays_when_writing_fails(starter, tmp_path, monkeypatch, capsys):
    out = tmp_path / "out"
    assert main(["study", str(starter), "--out", str(out)]) == 0
    before = {p.name: p.read_bytes() for p in out.iterdir()}

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device", str(out / "x.xlsx"))

    monkeypatch.setattr("tractduct.writers.output.write_workbook", full)
    assert main(["study", str(starter), "--out", str(out)]) == 1
    assert "No space left" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before


def test_the_unexpected_shows_no_traceback(starter, monkeypatch, capsys):
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("boom")

    monkeypatch.setattr("tractduct.inputs.reader.load_plan", broken)
    assert main(["check", str(starter)]) == 1
    message = capsys.readouterr().err
    assert "Something unexpected went wrong (RuntimeError: boom)" in message
    assert "Traceback" not in message


def test_time_limit_must_be_a_number_above_0(capsys):
    for text in ("0", "-1", "soon", "nan"):
        with pytest.raises(SystemExit) as stop:
            main(["study", "anything", "--seconds", text])
        assert stop.value.code == 2
        assert "must be a number of seconds above 0" in capsys.readouterr().err


@pytest.fixture
def no_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """A solver whose time is over before it has found anything."""
    nothing = OptimizeResult(status=1, x=None, mip_dual_bound=None, message="time is over")
    monkeypatch.setattr("tractduct.sizing.relaxation.integer_program", lambda *_, **__: nothing)


@pytest.mark.usefixtures("no_time")
@pytest.mark.parametrize("command", ["study", "deliver", "lots", "buy"])
def test_no_set_found_in_time_is_an_error_and_never_called_infeasible(command, tmp_path, capsys):
    assert main([command, str(DEMO), "--out", str(tmp_path / "out"), "--seconds", "1e-9"]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert "Brindlecote 2670: no size set was found in 1e-09 seconds, and it is not proven that none holds" in said.err
    assert "Allow more time with --seconds" in said.err
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("no_time")
def test_a_batch_says_which_plan_had_no_time(tmp_path, capsys):
    arguments = ["--quick", "--no-workbook", "--jobs", "1", "--seconds", "1e-9", "--out", str(tmp_path / "out")]
    assert main(["batch", str(DEMO), *arguments]) == 1
    said = capsys.readouterr().out
    assert "1 plans: 1 time ran out" in said
    assert "no size set was found" in said
    assert [path.name for path in (tmp_path / "out" / "brindlecote-2670").iterdir()] == ["outcome.json"]


def test_as_a_module_every_command_has_help_and_an_example():
    for command in ([], ["study"], ["deliver"], ["buy"], ["fit"], ["check"], ["new"]):
        done = subprocess.run(
            [sys.executable, "-m", "tractduct", *command, "--help"], capture_output=True, text=True, check=True
        )
        if command:
            assert f"Example: tractduct {command[0]}" in done.stdout


def test_demo_checks_out_with_96_variants(tmp_path, capsys):
    shutil.copytree(DEMO, tmp_path / "demo")
    assert main(["check", str(tmp_path / "demo")]) == 0
    assert "96 variants" in capsys.readouterr().out


def findings(text: str) -> set[str]:
    return {line.strip() for line in text.splitlines() if line.strip().startswith(("warning:", "caution:", "note:"))}


def test_check_says_of_lots_what_lots_says(tmp_path, capsys):
    """A mirrored lot, and one between fronts that are no neighbours, of a plan that has no airflow there."""
    plan = small_plan()
    plan.tables["lots"] = [
        {"lot": "1", "front_faces": "N", "azimuth_deg": None, "mirrored": None},
        {"lot": "2", "front_faces": "S", "azimuth_deg": None, "mirrored": "yes"},
        {"lot": "3", "front_faces": None, "azimuth_deg": 100, "mirrored": None},
    ]
    folder = str(plan.write(tmp_path / "plan"))
    assert main(["check", folder]) == 0
    said = findings(capsys.readouterr().out)
    assert {line.split(":")[1].strip() for line in said if "no airflow for it" in line} == {"lot 2", "lot 3"}
    assert main(["lots", folder, "--out", str(tmp_path / "out")]) == 0
    studied = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))["findings"]
    assert {f["message"] for f in studied if f["rule"] == "lot"} == {
        line.split(": ", 2)[2].split(". ")[0] for line in said if ": lot " in line
    }


def test_check_refuses_a_blower_that_the_study_would_refuse(tmp_path, capsys):
    """300 cfm in cooling, and a table that ends at 200."""
    plan = small_plan()
    del plan.config["pressure"]
    plan.tables["blower"] = [
        {"speed": "only", "airflow_cfm": cfm, "external_static_inwc": static} for cfm, static in ((0, 0.6), (200, 0.5))
    ]
    folder = str(plan.write(tmp_path / "plan"))
    for command in (["study", folder, "--out", str(tmp_path / "out")], ["check", folder]):
        assert main(command) == 2
        assert "does not reach the cooling design airflow of 320 cfm" in capsys.readouterr().err
