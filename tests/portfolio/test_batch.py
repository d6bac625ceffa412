"""Many plans: same bytes however they are run, stopped, killed, or shared between processes and machines."""

from __future__ import annotations

import ctypes
import io
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stdout
from pathlib import Path
from typing import Any, NamedTuple

import openpyxl
import pytest
from filelock import FileLock
from plan_folder import PlanTables, small_plan, with_prices
from test_systems import house

from tractduct import batch
from tractduct.batch import Options, study_bundle
from tractduct.cli import main
from tractduct.files import code_key
from tractduct.portfolio.find import Bundle, find_plans, read_bundle
from tractduct.portfolio.pool import ClusterError

ARGUMENTS = ["--quick", "--no-workbook"]
REPOSITORY = Path(__file__).parents[2]


def turned(seed: int) -> PlanTables:
    """The small plan with other airflow and lengths."""
    plan = with_prices(small_plan())
    plan.config["name"] = f"Plan {seed}"
    for row in plan.tables["airflow"]:
        row["cooling_cfm"] += 3 * seed
    for row in plan.tables["sections"]:
        row["length_ft"] += seed
    return plan


def impossible() -> PlanTables:
    plan = small_plan(pressure={"supply_inwc": 0.0001})
    plan.config["name"] = "No way"
    return plan


def faulty() -> PlanTables:
    plan = small_plan()
    plan.tables["sections"][1]["length_ft"] = "twelve"
    return plan


def four_plans(top: Path) -> Path:
    """Four plans that can be sized, one of them further down."""
    for seed in range(3):
        turned(seed).write(top / f"house {seed}")
    turned(3).write(top / "more" / "House #4")
    return top


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return four_plans(tmp_path / "plans")


@pytest.fixture(scope="module")
def results_of_four(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a batch of the four plans leaves. To be copied."""
    top = tmp_path_factory.mktemp("four")
    with redirect_stdout(io.StringIO()):
        assert run(four_plans(top / "plans"), top / "out", "--jobs", "1") == 0
    return top / "out"


def run(folder: Path, out: Path, *arguments: str) -> int:
    return main(["batch", str(folder), "--out", str(out), *ARGUMENTS, *arguments])


def content(out: Path) -> dict[str, bytes]:
    """Every file that counts as a result."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.name != ".lock"
    }


def outcome(out: Path, name: str) -> dict[str, object]:
    found = json.loads((out / name / "outcome.json").read_text(encoding="utf-8"))
    assert isinstance(found, dict)
    return found


@contextmanager
def counted(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """The names of the plans that are studied meanwhile, in this process."""
    studied: list[str] = []

    def noted(bundle: Bundle, options: Options) -> object:
        studied.append(bundle.name)
        return study_bundle(bundle, options)

    with monkeypatch.context() as patch:
        patch.setattr(batch, "study_bundle", noted)
        yield studied


def test_processes_give_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    assert run(folder, tmp_path / "one", "--jobs", "1", "--predict") == 0
    assert run(folder, tmp_path / "two", "--jobs", "2", "--predict") == 0
    found = content(tmp_path / "one")
    assert found == content(tmp_path / "two")
    assert sorted(found) == [
        f"{plan}/{file}"
        for plan in ("house-0", "house-1", "house-2", "more-house-4")
        for file in ("outcome.json", "results.json")
    ]
    results = json.loads(found["house-1/results.json"])
    assert results["status"] == "optimal"
    assert len(results["delivered"]) == len(results["variants"])


def test_a_failing_plan_does_not_stop_the_others(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    impossible().write(folder / "a")
    out = tmp_path / "out"
    assert run(folder, out, "--jobs", "2") == 3
    faulty().write(folder / "b")
    assert run(folder, out, "--jobs", "2") == 2
    said = capsys.readouterr().out
    assert "6 plans: 4 sized, 1 no set holds, 1 faults in the input." in said
    assert "a: no set holds: pressure to" in said
    assert "b: faults in the input: sections.csv, row 3, column 'length_ft': got 'twelve'" in said
    assert outcome(out, "a")["reasons"]
    assert outcome(out, "a")["remedies"]
    assert outcome(out, "house-0")["state"] == "sized"


def two_systems() -> PlanTables:
    """Downstairs and upstairs, with prices."""
    plan = with_prices(house())
    plan.config["name"] = "Two storeys"
    return plan


def test_a_plan_with_two_systems_is_one_of_the_plans(folder: Path, tmp_path: Path) -> None:
    """A row with all of it: cost and sizes are those of the study of the whole, air and findings by system."""
    two_systems().write(folder / "two")
    out, studied = tmp_path / "out", tmp_path / "studied"
    assert main(["batch", str(folder), "--out", str(out), "--jobs", "1", "--predict", "--stock"]) == 0
    assert main(["study", str(folder / "two"), "--out", str(studied), "--only", "plan"]) == 0
    whole = json.loads((studied / "results.json").read_text(encoding="utf-8"))
    systems = [json.loads((studied / name / "results.json").read_text(encoding="utf-8")) for name in ("down", "up")]
    mine = outcome(out, "two")
    assert (mine["state"], mine["plan"], mine["status"]) == ("sized", "Two storeys", "optimal")
    for key in ("cost", "least_cost", "size_set", "distinct_sizes"):
        assert mine[key] == whole[key]
    assert mine["sections"] == len(whole["size_set"])
    assert sum(size["sections"] for size in mine["stock"]) == len(whole["size_set"])
    assert len(mine["stock"]) == whole["distinct_sizes"]
    assert mine["rooms_outside_open"] == sum(one["rooms_outside_open"] for one in systems)
    assert sum(mine["dampers"].values()) == sum(table["dampers"] for one in systems for table in one["damper_marks"])
    assert {f["subject"].partition(",")[0] for f in mine["findings"]} <= {"down", "Up"}
    book = openpyxl.load_workbook(out / "all-plans.xlsx")
    (row,) = [r for r in book.worksheets[0].values if r[0] == "Two storeys"]
    assert mine["cost"] in row
    stock = json.loads((out / "stock.json").read_text(encoding="utf-8"))
    assert stock["least_cost"] == pytest.approx(
        sum(o["lots"] * o["least_cost"] for o in (outcome(out, p.name) for p in out.iterdir() if p.is_dir()))
    )


def test_two_systems_quickly_or_with_workbooks(tmp_path: Path) -> None:
    """The same cost and sizes; each system's files lie in a folder of its own, and count as done."""
    two_systems().write(tmp_path / "plans" / "two")
    quick, whole = tmp_path / "quick", tmp_path / "whole"
    assert run(tmp_path / "plans", quick, "--predict") == 0
    assert len(json.loads(content(quick)["two/results.json"])["delivered"]) > 0
    arguments = ["batch", str(tmp_path / "plans"), "--out", str(whole), "--workbooks", "--jobs", "1"]
    assert main(arguments) == 0
    files = content(whole)
    assert {"two/results.json", "two/up/results.json", "two/down/data/columns.csv"} <= set(files)
    for key in ("cost", "size_set", "state"):
        assert outcome(quick, "two")[key] == outcome(whole, "two")[key]
    with pytest.MonkeyPatch.context() as patch, counted(patch) as studied:
        assert main(arguments) == 0
    assert studied == []
    assert content(whole) == files


def test_two_systems_of_which_one_has_no_set(tmp_path: Path) -> None:
    plan = two_systems()
    plan.config["pressure"]["up"]["supply_inwc"] = 0.001
    plan.write(tmp_path / "plans" / "two")
    assert run(tmp_path / "plans", tmp_path / "out") == 3
    mine = outcome(tmp_path / "out", "two")
    assert (mine["state"], mine["cost"], mine["stock"], mine["size_set"]) == ("no set holds", None, [], {})
    assert mine["reasons"]
    assert all(reason.startswith("Up: ") for reason in mine["reasons"])


def test_an_unexpected_error_is_listed_and_tried_again(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    with monkeypatch.context() as patch:

        def broken(*_: object, **__: object) -> None:
            raise ZeroDivisionError("the sky fell")

        patch.setattr(batch, "load_plan", broken)
        assert run(folder, out, "--jobs", "1") == 1
    assert "  house 0: unexpected error: ZeroDivisionError: the sky fell\n" in capsys.readouterr().out
    with counted(monkeypatch) as studied:
        assert run(folder, out, "--jobs", "1") == 0
    assert len(studied) == 4


def test_a_changed_plan_alone_is_studied_again(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    run(folder, out, "--jobs", "1")
    before = content(out)
    with counted(monkeypatch) as studied:
        assert run(folder, out, "--jobs", "1") == 0
    assert studied == []
    turned(7).write(folder / "house 1")
    with counted(monkeypatch) as studied:
        run(folder, out, "--jobs", "1")
    assert studied == ["house-1"]
    after = content(out)
    assert {name for name in after if after[name] != before[name]} == {"house-1/outcome.json", "house-1/results.json"}
    with counted(monkeypatch) as studied:
        run(folder, out, "--jobs", "1", "--predict")  # other options, other results
        run(folder, out, "--jobs", "1", "--predict", "--fresh")
    assert len(studied) == 8


def test_a_damaged_result_is_made_again(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    run(folder, out, "--jobs", "1")
    before = content(out)
    (out / "house-0" / "results.json").write_bytes(b"{}")
    (out / "house-1" / "outcome.json").write_bytes(before["house-1/outcome.json"][:100])
    (out / "house-2" / "results.json").unlink()
    with counted(monkeypatch) as studied:
        run(folder, out, "--jobs", "1")
    assert sorted(studied) == ["house-0", "house-1", "house-2"]
    assert content(out) == before


def test_a_result_takes_no_file_away_that_is_not_its_own(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(folder, out, "--jobs", "1")
    (out / "house-0" / "remarks.txt").write_text("mine", encoding="utf-8")
    run(folder, out, "--jobs", "1", "--fresh")
    assert (out / "house-0" / "remarks.txt").read_text(encoding="utf-8") == "mine"


# --- results that are not what the program wrote -----------------------------------------------------------------


def damaged(folder: Path, out: Path, change: Callable[[dict[str, Any]], object]) -> str:
    """What a batch says that finds its first result changed by hand."""
    path = out / "house-0" / "outcome.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    changed = change(document)
    text = changed if isinstance(changed, str) else json.dumps(document if changed is None else changed)
    path.write_text(text, encoding="utf-8")
    said = io.StringIO()
    with redirect_stdout(said):
        assert run(folder, out, "--jobs", "1") == 0
    return said.getvalue()


def outside(name: str) -> Callable[[dict[str, Any]], object]:
    return lambda document: document["files"].update({name: "0" * 64})


@pytest.mark.parametrize("up", ["../{}", "..\\{}", "{}", "sub/../../{}"])
def test_a_file_outside_the_folder_is_never_touched(
    up: str, folder: Path, results_of_four: Path, tmp_path: Path
) -> None:
    """A run in which the plan has changed takes away what the earlier result left, and that alone."""
    out = shutil.copytree(results_of_four, tmp_path / "out")
    precious = out / "precious.txt"
    precious.write_text("mine", encoding="utf-8")
    (out / "house-0" / "sub").mkdir()
    turned(9).write(folder / "house 0")
    said = damaged(folder, out, outside(up.format(precious if up == "{}" else precious.name)))
    assert precious.read_text(encoding="utf-8") == "mine"
    assert "could not be used and were made again: 1, such as house-0/outcome.json: its 'files' names" in said


def test_a_plans_results_are_not_written_through_a_link(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "house-1").symlink_to(elsewhere)
    assert run(folder, tmp_path / "out", "--jobs", "1") == 1
    assert "house-1: it can't be written (it is a link to another place; remove it)" in capsys.readouterr().err
    assert list(elsewhere.iterdir()) == []


NESTED = "[" * 200_000 + "]" * 200_000
SHAPES: dict[str, tuple[Callable[[dict[str, Any]], object], str]] = {
    "deep": (lambda d: json.dumps(d)[:-1] + f', "more": {NESTED}}}', "it is nested too deeply"),
    "a list": (lambda d: [d], "it is [{"),
    "one key more": (lambda d: d.update(more=1), "it has a 'more' too many"),
    "one key less": (lambda d: d.pop("stock") and None, "it has no 'stock'"),
    "a word for a list": (lambda d: d.update(stock="none"), "its 'stock' is \"none\", which does not belong there"),
    "a number for a word": (lambda d: d.update(plan=7), "its 'plan' is 7, which"),
    "yes for a number": (lambda d: d.update(lots=True), "its 'lots' is true, which"),
    "not a number": (lambda d: d.update(cost=float("nan")), "its 'cost' is NaN, which"),
    "beyond all numbers": (lambda d: d.update(lots=10**400), "its 'lots' is 1000"),
    "another plan's": (lambda d: d.update(name="house-1"), "it is of 'house-1'"),
    "half a letter": (lambda d: d.update(plan="\ud800"), "its 'plan' is"),
    "another state": (lambda d: d.update(state="done"), "'done' is not a valid State"),
    "no size": (lambda d: d["stock"][0].update(size="wide"), "its 'stock' has the size 'wide'"),
}


@pytest.mark.parametrize("how", SHAPES)
def test_a_result_of_another_shape_is_made_again(how: str, folder: Path, results_of_four: Path, tmp_path: Path) -> None:
    change, why = SHAPES[how]
    out = shutil.copytree(results_of_four, tmp_path / "out")
    said = damaged(folder, out, change)
    assert f"made again: 1, such as house-0/outcome.json: {why}" in said
    assert "Traceback" not in said
    assert outcome(out, "house-0")["state"] == "sized"
    with redirect_stdout(io.StringIO()) as clean:
        assert run(folder, out, "--jobs", "1") == 0
    assert "made again" not in clean.getvalue()


# --- stopped in the middle ---------------------------------------------------------------------------------------


def command(folder: Path, out: Path, *arguments: str) -> list[str]:
    return [sys.executable, "-m", "tractduct", "batch", str(folder), "--out", str(out), *ARGUMENTS, *arguments]


class Street(NamedTuple):
    """Twenty-four plans, the results of a batch of them that nothing disturbs, and how long that took."""

    folder: Path
    whole: dict[str, bytes]
    took_s: float


@pytest.fixture(scope="module")
def street(tmp_path_factory: pytest.TempPathFactory) -> Street:
    top = tmp_path_factory.mktemp("street")
    for seed in range(24):
        turned(seed).write(top / "plans" / f"house {seed}")
    start = time.monotonic()
    with redirect_stdout(io.StringIO()):
        assert run(top / "plans", top / "whole", "--jobs", "1") == 0
    return Street(top / "plans", content(top / "whole"), time.monotonic() - start)


# The child forks once everything is imported, so that 20 of them start at once.
STARTED = """
import os, sys
import tractduct.batch, tractduct.portfolio.find, tractduct.portfolio.store, tractduct.cli
print("ready", flush=True)
while sys.stdin.readline():
    child = os.fork()
    if not child:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os._exit(tractduct.cli.main(sys.argv[1:]))
    print(child, flush=True)
    print(os.waitpid(child, 0)[1], flush=True)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here")
def test_killed_at_random_moments_nothing_is_lost(street: Street, tmp_path: Path) -> None:
    out = tmp_path / "out"
    moments = random.Random(6)
    arguments = command(street.folder, out, "--jobs", "1")[3:]
    with subprocess.Popen(
        [sys.executable, "-c", STARTED, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as starter:
        assert starter.stdin
        assert starter.stdout
        assert starter.stdout.readline() == "ready\n"
        killed = 0
        for _ in range(20):
            starter.stdin.write("\n")
            starter.stdin.flush()
            child = int(starter.stdout.readline())
            time.sleep(moments.uniform(0.0, street.took_s / 10))
            os.kill(child, signal.SIGKILL)
            killed += int(starter.stdout.readline()) == signal.SIGKILL
            for name, data in content(out).items():  # whatever has its name already is whole
                if ".unfinished" not in name:
                    assert data == street.whole[name]
        starter.stdin.close()
    assert killed >= 10
    (out / ".unfinished-all-plans.xlsx").write_bytes(b"half")
    (out / "house-0" / ".unfinished").mkdir(exist_ok=True, parents=True)
    assert run(street.folder, out, "--jobs", "2") == 0
    assert content(out) == street.whole
    assert not list(out.rglob(".unfinished*"))


# Runs the program, and sends a signal once something has been done so many times: not a moment earlier or later.
AT_A_MOMENT = """
import os, sys
from pkgutil import resolve_name
import tractduct.__main__
owner, method, times, send, *sys.argv[1:] = sys.argv[1:]
owner, left = resolve_name(owner), [int(times)]
real = getattr(owner, method)

def noted(*arguments, **named):
    answer = real(*arguments, **named)
    left[0] -= 1
    if left[0] == 0:
        eval(send)
    return answer

setattr(owner, method, noted)
tractduct.__main__.run()
"""
MOMENTS = {
    "the folder is locked": ("tractduct.portfolio.store:Store", "__enter__", 1, 0),
    "the tracker of resources is half started": ("multiprocessing.util", "spawnv_passfds", 1, 0),
    "a process is half started": ("multiprocessing.util", "spawnv_passfds", 2, 0),
    "the first process starts": ("tractduct.portfolio.pool:_Process", "__init__", 1, 0),
    "both processes start": ("tractduct.portfolio.pool:_Process", "__init__", 2, 0),
    "three plans are done": ("tractduct.portfolio.store:Store", "save", 3, 3),
}


def at_a_moment(moment: str, send: str, folder: Path, out: Path, *arguments: str) -> tuple[int, str, str]:
    owner, method, times, _ = MOMENTS[moment]
    what = [owner, method, str(times), send, *command(folder, out, *arguments)[3:]]
    ended = subprocess.run(
        [sys.executable, "-c", AT_A_MOMENT, *what], capture_output=True, text=True, check=False, timeout=300,
        start_new_session=True,
    )  # fmt: skip
    return ended.returncode, ended.stdout, ended.stderr


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups here")
@pytest.mark.parametrize("moment", MOMENTS)
def test_stopped_from_the_keyboard(moment: str, street: Street, tmp_path: Path) -> None:
    """A terminal sends the interrupt to the workers too."""
    out = tmp_path / "out"
    ended = at_a_moment(moment, "os.killpg(0, 2)", street.folder, out, "--jobs", "2")
    assert ended == (1, "", "Stopped. What was done stays; the same command goes on from there.\n")
    done = content(out)
    assert len({name.partition("/")[0] for name in done}) == MOMENTS[moment][3]
    assert done.items() <= street.whole.items()
    if done:  # and goes on
        assert run(street.folder, out, "--jobs", "2") == 0
        assert content(out) == street.whole


def wait_for(what: Callable[[], object], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.02)


def test_two_runs_at_once(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    out.mkdir()
    with FileLock(out / ".lock"):
        assert run(folder, out) == 2
    assert capsys.readouterr().err == (
        f"{out}: another run is writing its results there. Wait for it, or choose another folder with --out.\n"
    )
    assert content(out) == {}
    assert run(folder, out, "--jobs", "1") == 0


@contextmanager
def small_disk(place: Path, kilobytes: int) -> Iterator[None]:
    """A disk of that size mounted at the place."""
    place.mkdir()
    if sys.platform != "linux":
        pytest.skip("no small disk can be made here")
    c = ctypes.CDLL(None, use_errno=True)
    if c.mount(b"none", os.fsencode(place), b"tmpfs", 0, f"size={kilobytes}k".encode()):
        pytest.skip(f"no small disk may be mounted here: {os.strerror(ctypes.get_errno())}")
    try:
        yield
    finally:
        c.umount2(os.fsencode(place), 0)


def test_the_disk_is_full(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = tmp_path / "whole"
    run(folder, whole, "--jobs", "1")
    size = sum(len(data) for data in content(whole).values())
    capsys.readouterr()
    with small_disk(tmp_path / "disk", int(0.7 * size / 1024)):
        out = tmp_path / "disk" / "out"
        assert run(folder, out, "--jobs", "1") == 1
        said = capsys.readouterr()
        assert "it can't be written (No space left on device)" in said.err
        assert said.err.count("\n") == 1
        there = content(out)
        assert "house-0/outcome.json" in there
        assert there.items() <= content(whole).items()


# --- which plans -------------------------------------------------------------------------------------------------


def test_each_plan_once_with_names_of_its_own(folder: Path) -> None:
    turned(1).write(folder / "House_1")
    turned(1).write(folder / "house-1")
    turned(1).write(folder / ".hidden")
    (folder / "more" / "again").symlink_to(folder, target_is_directory=True)
    places = find_plans([folder, folder / "more", folder / "house 0" / "plan.toml"])
    assert [place.below for place in places] == ["House_1", "house 0", "house 1", "house 2", "house-1", "more/House #4"]
    names = [place.name for place in places]
    assert len(set(names)) == 6
    assert names[1] == "house-0"
    assert names[2].startswith("house-1-")
    assert names[4].startswith("house-1-")


def test_a_folder_without_plans_is_a_fault(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["batch", str(tmp_path), str(tmp_path / "nowhere")]) == 2
    said = capsys.readouterr().err
    assert "no plan.toml is in it or in any folder below. Give the folder that holds the plans." in said
    assert "nowhere: no such folder" in said


def test_the_key_is_of_contents_and_names(folder: Path) -> None:
    place = find_plans([folder])[0]
    key = read_bundle(place, "").key
    assert read_bundle(place, "x").key != key
    (place.folder / "remarks.txt").write_text("not read by a study", encoding="utf-8")
    assert read_bundle(place, "").key == key
    (place.folder / "prices.csv").rename(place.folder / "price.csv")
    assert read_bundle(place, "").key != key


def test_other_code_of_the_same_version_makes_every_plan_again(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The package copied, then one number of one correlation changed, as a developer would."""
    copy = tmp_path / "copy" / "tractduct"
    shutil.copytree(Path(batch.__file__).parent, copy, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr("tractduct.files.__file__", str(copy / "files.py"))
    out = tmp_path / "out"
    code_key.cache_clear()
    run(folder, out, "--jobs", "1")
    with counted(monkeypatch) as studied:
        code_key.cache_clear()
        run(folder, out, "--jobs", "1")
        assert studied == []
        changed = copy / "physics" / "friction.py"
        changed.write_text(changed.read_text(encoding="utf-8").replace("64", "63"), encoding="utf-8")
        code_key.cache_clear()
        run(folder, out, "--jobs", "1")
    code_key.cache_clear()
    assert len(studied) == 4


def test_a_worker_with_other_code_is_refused(folder: Path) -> None:
    bundle = read_bundle(find_plans([folder])[0], "")
    with pytest.raises(ClusterError, match="other code"):
        study_bundle(bundle, Options(quick=True, code="0" * 64))


def test_tables_in_inner_folders_and_a_workbook(tmp_path: Path) -> None:
    top = tmp_path / "plans"
    plan = small_plan()
    plan.config["tables"] = {"sections": "duct/sections.csv"}
    plan.write(top / "one")
    (top / "one" / "duct").mkdir()
    (top / "one" / "sections.csv").rename(top / "one" / "duct" / "sections.csv")
    small_plan().write(top / "two", "xlsx")
    out = tmp_path / "out"
    assert run(top, out, "--jobs", "1") == 0
    one, two = (json.loads((out / name / "results.json").read_text(encoding="utf-8")) for name in ("one", "two"))
    assert one == two


def test_dampers_and_the_sizes_of_the_stock_list(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Dampers stand with the sizes that each plan takes; the terminal says which sizes to carry."""
    plan = small_plan()
    plan.config["tolerance"] = {"room_pct": 5, "room_cfm": 5}
    plan.tables["lots"] = [{"lot": str(n), "front_faces": "N"} for n in range(3)]
    plan.write(tmp_path / "plans" / "one")
    out = tmp_path / "out"
    assert main(["batch", str(tmp_path / "plans"), "--out", str(out), "--predict", "--stock", "--jobs", "1"]) == 0
    found = json.loads((out / "one" / "results.json").read_text(encoding="utf-8"))
    runs = {run for table in found["damper_marks"] for run in table["runs"]}
    dampers = Counter(found["size_set"][run] for run in runs)
    assert dampers
    sheet = openpyxl.load_workbook(out / "all-plans.xlsx")["Sizes by plan"]
    rows = [[cell.value for cell in row] for row in sheet.iter_rows()]
    head = next(row for row in rows if row[0] == "Plan")
    values = dict(zip(head, rows[rows.index(head) + 1], strict=True))
    in_all = dict(zip(head, rows[rows.index(head) + 2], strict=True))
    for size, number in dampers.items():
        assert (values[f"{size} in damper"], in_all[f"{size} in damper"]) == (number, 3 * number)
    told = capsys.readouterr().out
    line = next(line for line in told.splitlines() if "that cost at most 2 % over the least" in line)
    sizes = {f"{size} in" for size in found["size_set"].values()}
    assert {part.strip().rpartition(" ")[0] for part in line.partition("least: ")[2].rstrip(".").split(",")} <= sizes


def test_the_workbook_of_all_plans(folder: Path, tmp_path: Path) -> None:
    plan = turned(9)
    plan.config["name"] = "=1+1"
    plan.write(folder / "formula")
    impossible().write(folder / "a")
    for out in (tmp_path / "one", tmp_path / "two"):
        assert main(["batch", str(folder), "--out", str(out), "--quick", "--predict", "--stock", "--jobs", "1"]) == 3
    assert content(tmp_path / "one") == content(tmp_path / "two")
    book = openpyxl.load_workbook(tmp_path / "one" / "all-plans.xlsx")
    assert book.sheetnames == ["All plans", "Not sized", "Sizes by plan", "Stock list", "Worst rooms", "Warnings"]
    cells = {cell.value: cell for row in book["All plans"].iter_rows() for cell in row if cell.value is not None}
    assert cells["=1+1"].data_type == "s"
    assert "No way" in cells
    assert "no set holds" in cells
    results = json.loads((tmp_path / "one" / "house-0" / "results.json").read_text(encoding="utf-8"))
    assert any(isinstance(value, float) and value == pytest.approx(results["cost"]) for value in cells)


@contextmanager
def as_nobody(folder: Path) -> Iterator[None]:
    """Without the rights of a superuser, who may read anything; the folder is nobody's then."""
    if not hasattr(os, "seteuid"):
        pytest.skip("no users here")
    if os.geteuid():
        yield
        return
    for path in (folder, *folder.parents):
        if path != Path(path.root):
            path.chmod(path.stat().st_mode | 0o055)
    os.chown(folder, 65534, 65534)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.mark.parametrize("mode", [0o000, 0o400, 0o100])
def test_a_folder_that_may_not_be_read_is_one_row(mode: int, folder: Path) -> None:
    locked = turned(8).write(folder / "locked")
    locked.chmod(mode)
    with as_nobody(locked):
        locked.chmod(mode)
        places = find_plans([folder])
        bundles = {place.below: read_bundle(place, "") for place in places}
        locked.chmod(0o755)
    assert list(bundles) == ["house 0", "house 1", "house 2", "locked", "more/House #4"]
    found = study_bundle(bundles["locked"], Options(quick=True)).outcome
    assert found.state == "faults in the input"
    (reason,) = found.reasons
    assert reason.startswith(str(locked))
    assert reason.endswith(": it can't be read (Permission denied). Check who may read and open it.")
    assert study_bundle(bundles["house 0"], Options(quick=True)).outcome.state == "sized"


def test_results_among_the_plans_are_not_read_as_plans(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    top = tmp_path / "plans"
    for seed in range(2):
        turned(seed).write(top / f"house-{seed}")
    before = content(top)
    arguments = ["batch", str(top), "--out", str(top), "--quick", "--workbooks", "--jobs", "1"]
    assert main(arguments) == 0
    first = content(top)
    assert len(list(top.glob("*/results.json"))) == 2
    assert before.items() <= first.items()
    assert {path.name for path in (top / "house-0").iterdir()} == {name[8:] for name in before if "house-0/" in name}
    with counted(monkeypatch) as studied:
        assert main(arguments) == 0
    assert studied == []
    assert content(top) == first


# --- a cluster ---------------------------------------------------------------------------------------------------


def tool(*arguments: str) -> subprocess.Popen[str]:
    environment = {**os.environ, "PYTHONWARNINGS": "ignore"}
    return subprocess.Popen(
        [sys.executable, "-m", "distributed.cli." + arguments[0], *arguments[1:]],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    )


@contextmanager
def cluster(workers: int, scratch: Path) -> Iterator[tuple[str, list[subprocess.Popen[str]]]]:
    """A scheduler and workers, each a process of its own, as they would be on machines of their own."""
    pytest.importorskip("distributed")
    file = scratch / "scheduler.json"
    started = [
        tool("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(file))
    ]
    try:
        wait_for(file.exists)
        address = json.loads(file.read_text(encoding="utf-8"))["address"]
        started += [
            tool(
                "dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard",
                "--local-directory", str(scratch / f"worker{n}"),
            )
            for n in range(workers)
        ]  # fmt: skip
        yield address, started[1:]
    finally:
        for process in reversed(started):
            process.kill()
            process.communicate()


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning", "ignore::UserWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_cluster_that_loses_a_worker(street: Street, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with cluster(2, tmp_path) as (address, workers):
        wait_for_workers(address, 2)
        kill = f"os.kill({workers[0].pid}, 9)"
        code, said, errors = at_a_moment("three plans are done", kill, street.folder, out, "--dask", address)
    assert code == 0, errors
    assert "24 plans: 24 sized." in said
    assert content(out) == street.whole


def wait_for_workers(address: str, number: int) -> None:
    from distributed import Client

    with Client(address, timeout=30) as client:
        client.wait_for_workers(number, timeout=60)


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_a_cluster_that_is_not_there(folder: Path, tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    ended = subprocess.run(
        command(folder, tmp_path / "out", "--dask", "tcp://127.0.0.1:9"), capture_output=True, text=True, check=False
    )
    assert ended.returncode == 1
    assert ended.stderr.startswith("tcp://127.0.0.1:9: no Dask scheduler answers there")
    assert ended.stderr.count("\n") == 1
