"""The files of a run belong together: nothing of another input is left, nothing of a person's is lost."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from plan_folder import PlanTables, small_plan, study_of, with_prices

from tractduct.cli import main
from tractduct.report import Report
from tractduct.writers.output import earlier_files


def run(plan: PlanTables, tmp_path: Path, *more: str) -> dict[str, Any]:
    folder = plan.write(tmp_path / "plan")
    assert main(["study", str(folder), "--out", str(tmp_path / "out"), *more]) in (0, 3)
    found: dict[str, Any] = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    return found


def left(tmp_path: Path) -> set[str]:
    out = tmp_path / "out"
    return {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}


@pytest.fixture
def plan() -> PlanTables:
    return with_prices(small_plan())


def test_results_name_the_files_that_belong_together(plan: PlanTables, tmp_path: Path) -> None:
    found = run(plan, tmp_path, "--date", "2026-04-01")
    assert set(found["files"]) == left(tmp_path)
    assert found["made_from"]["date"] == "2026-04-01"
    first = found["made_from"]["input"]
    plan.tables["sections"][0]["length_ft"] += 1
    assert run(plan, tmp_path)["made_from"]["input"] != first


def test_one_readers_files_alone_stand_beside_those_of_the_same_input(
    plan: PlanTables, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = run(plan, tmp_path)
    before = {name: (tmp_path / "out" / name).read_bytes() for name in whole["files"]}
    (tmp_path / "out" / "purchase.csv").unlink()
    capsys.readouterr()
    again = run(plan, tmp_path, "--only", "order")
    assert "Removed" not in capsys.readouterr().out
    assert again["files"] == whole["files"]
    assert {name: (tmp_path / "out" / name).read_bytes() for name in whole["files"]} == before


def test_files_of_another_input_do_not_stay(
    plan: PlanTables, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(plan, tmp_path)
    mine = tmp_path / "out" / "my notes.xlsx"
    mine.write_bytes(b"mine")
    plan.tables["sections"][0]["length_ft"] += 1
    capsys.readouterr()
    found = run(plan, tmp_path, "--only", "order")
    said = " ".join(capsys.readouterr().out.split())
    assert "Removed, as made from other input or options: " in said
    assert "test-plan.xlsx" in said.partition("Removed")[2]
    assert left(tmp_path) == {*found["files"], "my notes.xlsx"}
    assert not (tmp_path / "out" / "test-plan.xlsx").exists()
    assert mine.read_bytes() == b"mine"


def test_only_files_that_a_run_makes_are_removed(plan: PlanTables, tmp_path: Path) -> None:
    """A results.json may name anything: what a person writes into, or what lies elsewhere, stays."""
    named = ["../plan/plan.toml", "test-plan-readings.xlsx", "notes.txt", "a/b/c.csv", 7]
    out = tmp_path / "out"
    (out / "a" / "b").mkdir(parents=True)
    for place in ("test-plan-readings.xlsx", "notes.txt", "a/b/c.csv"):
        (out / place).write_text("mine")
    (out / "results.json").write_text(json.dumps({"files": named, "made_from": None}))
    run(plan, tmp_path, "--only", "order")
    assert (tmp_path / "plan" / "plan.toml").is_file()
    assert {"notes.txt", "a/b/c.csv"} <= left(tmp_path)
    assert (out / "test-plan-readings.xlsx").is_file()


@pytest.mark.parametrize("text", ["", "[]", "{", '{"files": 3}', '{"files": {}}', '{"files": [{}]}', "[" * 100_000])
def test_a_damaged_earlier_result_is_no_hindrance(text: str, plan: PlanTables, tmp_path: Path) -> None:
    (tmp_path / "results.json").write_text(text)
    assert earlier_files(Report(study=study_of(plan)), tmp_path)[0] == []


def test_the_demo_is_told_in_25_lines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    demo = Path(__file__).parent.parent / "configs" / "brindlecote-2670"
    assert main(["study", str(demo), "--out", str(tmp_path / "out")]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 25
    assert max(map(len, lines)) <= 120
    assert "All 16 rooms are within tolerance" in lines[1]
    findings = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))["findings"]
    assert len(findings) <= 8
    causes = [(f["rule"], f["advice"]) for f in findings]
    assert len(causes) == len(set(causes))


def test_a_proof_is_offered_for_small_plans(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No entry with every room right costs less than the bound, which is at least the ducts' least cost."""
    plan = with_prices(small_plan())
    found = run(plan, tmp_path, "--only", "order", "--prove")
    proof = found["by_dampers_proof"]
    assert proof["to_the_end"]
    right = [entry["cost"] for entry in found["by_dampers"] if not entry["rooms_outside"]]
    assert found["least_cost"] * (1 - 1e-9) <= proof["bound"] <= min(right) * (1 + 1e-9)
    said = " ".join(capsys.readouterr().out.split())
    assert "Chosen by dampers instead" not in said or "proven that none with every room right costs over" in said
