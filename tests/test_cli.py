"""The command line as a user meets it: output, files, exit codes."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
import sys
from contextlib import redirect_stdout
from pathlib import Path
from typing import NamedTuple

import numpy as np
import openpyxl
import pytest
from plan_folder import small_plan

from tractduct.cli import main
from tractduct.sizing.highs import Optimum

DEMO = Path(__file__).parents[1] / "configs" / "brindlecote-2670"


@pytest.fixture
def starter(tmp_path: Path) -> Path:
    assert main(["new", str(tmp_path / "plan"), "--long"]) == 0
    return tmp_path / "plan"


class Studied(NamedTuple):
    """The starter plan, what a study of it left, and what it printed. For reading only."""

    plan: Path
    out: Path
    printed: str


@pytest.fixture(scope="module")
def studied(tmp_path_factory: pytest.TempPathFactory) -> Studied:
    top = tmp_path_factory.mktemp("studied")
    with redirect_stdout(io.StringIO()) as printed:
        assert main(["new", str(top / "plan"), "--long"]) == 0
        assert main(["study", str(top / "plan"), "--out", str(top / "out")]) == 0
    return Studied(top / "plan", top / "out", printed.getvalue())


@pytest.fixture(scope="module")
def again(studied: Studied, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a second study of it leaves where no folder is named; the plan is given by its plan.toml."""
    top = tmp_path_factory.mktemp("again")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(top)
        assert main(["study", str(studied.plan / "plan.toml")]) == 0
    return top / "reports" / "first-plan"


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_study_leaves_results_workbook_and_pictures(studied):
    names = {path.suffix for path in studied.out.iterdir()}
    assert {".json", ".xlsx", ".png"} <= names
    found = json.loads((studied.out / "results.json").read_text(encoding="utf-8"))
    assert found["status"] == "optimal"
    assert f"{found['cost']:,.2f} USD per lot with {found['distinct_sizes']} sizes to stock" in studied.printed
    assert set(re.findall(r"(\S+) \(\d+\)", studied.printed)) == set(found["size_set"].values())


def test_study_takes_plan_toml_too(studied, again):
    assert (again / "results.json").read_bytes() == (studied.out / "results.json").read_bytes()


def test_new_writes_a_workbook_that_is_a_plan_by_itself(tmp_path, capsys):
    assert main(["new", str(tmp_path / "My house")]) == 0
    assert f"Try it: tractduct study {tmp_path / 'My house.xlsx'}" in capsys.readouterr().out
    assert main(["study", str(tmp_path / "My house.xlsx"), "--out", str(tmp_path / "out")]) == 0
    assert "Build this size set" in capsys.readouterr().out
    assert main(["new", str(tmp_path / "My house.xlsx")]) == 2
    assert "there is something of this name already" in capsys.readouterr().err
    assert main(["new", str(tmp_path)]) == 0
    assert (tmp_path / "house.xlsx").is_file()


def test_default_folder_is_reports_and_the_plans_name_and_the_same_input_gives_the_same_bytes_and_cells(studied, again):
    for name in ("results.json", *(path.name for path in studied.out.glob("*.png"))):
        assert (again / name).read_bytes() == (studied.out / name).read_bytes()
    books = [openpyxl.load_workbook(out / "first-plan.xlsx") for out in (studied.out, again)]
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
    assert "velocity in " in printed
    assert "Trunk A" in printed
    found = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert found["status"] == "infeasible"
    assert found["size_set"] == {}
    assert found["conflicts"]


def test_new_refuses_a_folder_that_holds_something(starter, capsys):
    before = {p.name: p.read_bytes() for p in starter.iterdir()}
    assert main(["new", str(starter), "--long"]) == 2
    assert "there is something of this name already" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in starter.iterdir()} == before


def test_a_folder_that_cannot_be_made_is_said_plainly(starter, tmp_path, capsys):
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    assert main(["study", str(starter), "--out", str(tmp_path / "file" / "out")]) == 1
    assert "can't be made" in capsys.readouterr().err


def test_an_earlier_result_stays_when_writing_fails(studied, tmp_path, monkeypatch, capsys):
    out = tmp_path / "out"
    shutil.copytree(studied.out, out)
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device", str(out / "x.xlsx"))

    monkeypatch.setattr("tractduct.writers.output.write_workbook", full)
    assert main(["study", str(studied.plan), "--out", str(out)]) == 1
    assert "No space left" in capsys.readouterr().err
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before


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
    nothing = Optimum(status="stopped", x=np.zeros(0), row_price=np.zeros(0), column_price=np.zeros(0))
    monkeypatch.setattr("tractduct.sizing.relaxation.integer_program", lambda *_, **__: nothing)


@pytest.mark.usefixtures("no_time")
def test_no_set_found_in_time_is_an_error_and_never_called_infeasible(tmp_path, capsys):
    assert main(["study", str(DEMO), "--out", str(tmp_path / "out"), "--seconds", "1e-9"]) == 1
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


def test_every_command_has_help_and_an_example(capsys):
    for command in ("study", "batch", "fit", "check", "airflow", "new"):
        with pytest.raises(SystemExit) as ended:
            main([command, "--help"])
        assert ended.value.code == 0
        assert f"Example: tractduct {command} " in " ".join(capsys.readouterr().out.split())


# --- as a process of its own -------------------------------------------------------------------------------------

LIGHT = """
import sys, tractduct.__main__
try:
    tractduct.__main__.run()
finally:
    heavy = {"numpy", "scipy", "pandas", "openpyxl", "matplotlib", "tqdm", "multiprocessing"} & sys.modules.keys()
    print(*sorted(heavy), file=sys.stderr)
"""


@pytest.mark.parametrize("arguments", [["--version"], ["batch", "--help"], ["study"], ["study", "x", "--seconds", "0"]])
def test_answers_that_need_no_libraries_import_none(arguments: list[str]) -> None:
    ended = subprocess.run([sys.executable, "-c", LIGHT, *arguments], capture_output=True, text=True, check=False)
    assert ended.returncode == (0 if arguments[-1].startswith("--") else 2)
    assert ended.stderr.splitlines()[-1] == ""


def test_a_study_makes_no_dataframes(studied: Studied, tmp_path: Path) -> None:
    """They are for Python users: loading pandas and making them took a twentieth of its time."""
    command = ["study", str(studied.plan), "--out", str(tmp_path / "out")]
    ended = subprocess.run([sys.executable, "-c", LIGHT, *command], capture_output=True, text=True, check=False)
    assert ended.returncode == 0
    libraries = ended.stderr.splitlines()[-1].split()
    assert "openpyxl" in libraries
    assert "pandas" not in libraries


INTERRUPTED = """
import os, signal, sys, tractduct.__main__
signal.signal(signal.SIGINT, signal.default_int_handler)  # a job in the background ignores it

class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == module:
            sys.meta_path.remove(self)
            os.kill(os.getpid(), signal.SIGINT)

module = sys.argv.pop(1)
sys.modules.pop(module, None)
sys.meta_path.insert(0, Finder())
tractduct.__main__.run()
"""


@pytest.mark.skipif(os.name == "nt", reason="no interrupt by number there")
@pytest.mark.parametrize(
    ("module", "said"),
    [
        ("tractduct.cli", "Stopped; nothing was written."),
        ("argparse", "Stopped; nothing was written."),
        ("numpy._core._multiarray_umath", "Stopped; nothing was written."),
        ("tractduct.batch", "Stopped; nothing was written."),
        ("highspy", "Stopped; nothing was written."),
        # in the middle of the work: it waits until the import is over, and is then as any other
        ("tractduct.writers.output", "Stopped. What was done stays; the same command goes on from there."),
    ],
)
def test_an_interrupt_while_modules_load_is_one_line(module: str, said: str, studied: Studied, tmp_path: Path) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    command = ["batch", str(studied.plan), "--out", str(tmp_path / "out"), "--jobs", "1", "--workbooks"]
    ended = subprocess.run(
        [sys.executable, "-c", INTERRUPTED, module, *command],
        capture_output=True, text=True, check=False, env={**os.environ, "TMPDIR": str(scratch)},
    )  # fmt: skip
    assert (ended.returncode, ended.stdout, ended.stderr) == (1, "", said + "\n")
    assert list(scratch.iterdir()) == []


def test_demo_checks_out_with_96_variants(tmp_path, capsys):
    shutil.copytree(DEMO, tmp_path / "demo")
    assert main(["check", str(tmp_path / "demo")]) == 0
    assert "96 variants" in capsys.readouterr().out


def findings(text: str) -> set[str]:
    return {line.strip() for line in text.splitlines() if line.strip().startswith(("warning:", "caution:", "note:"))}


def test_check_says_of_lots_what_study_says(tmp_path, capsys):
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
    assert [line for line in said if "lot 2: the plan has no airflow for it" in line and "The same at lot 3" in line]
    assert main(["study", folder, "--out", str(tmp_path / "out")]) == 0
    studied = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))["findings"]
    assert {f["message"] for f in studied if f["rule"] == "lot"} == {
        line.split(": ", 2)[2].split(". Add ")[0] for line in said if ": lot " in line
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
