"""Places that can't be written: a clear line and exit code 1, and what was there before is whole."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from conftest import WritePlan
from plan_folder import PlanTables, small_plan
from test_hostile import friction_table

from tractduct.cli import main
from tractduct.errors import OutputError
from tractduct.writers.together import written_together

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="other rules there")

NOBODY = 65534
COMMANDS = ("study", "batch", "fit", "new", "new --long")


def arguments(command: str, source: Path, out: Path | str) -> list[str]:
    name, *more = command.split()
    if name in ("new", "check") or name.startswith("-"):
        given = {"new": [str(out) if more else f"{out}/house.xlsx"], "check": [str(source)]}.get(name, [])
        return [name, *given, *more]
    more += ["--jobs", "1"] if name == "batch" else []
    return [name, str(source / "data.csv" if name == "fit" else source), "--out", str(out), *more]


def undamped() -> PlanTables:
    """The small plan without any damper, so that there is little to search for."""
    return small_plan(dampers={"least_cfm": 1000})


@pytest.fixture
def source(write_plan: WritePlan) -> Path:
    """A plan folder with a friction table beside it, for fit."""
    folder = write_plan(undamped())
    friction_table(folder, "data.csv")
    return folder


def everything(folder: Path) -> dict[str, bytes | None]:
    """What is in a folder, by its path there; None for a folder."""
    paths = {str(path.relative_to(folder)): path for path in folder.rglob("*")}
    return {name: path.read_bytes() if path.is_file() else None for name, path in paths.items()}


def clear(said: str) -> bool:
    """One line that says why, and what to do."""
    return said.count("\n") == 1 and "can't be" in said and "hoose another" in said and "in the program" not in said


def in_a_child(work: Callable[[], int | None]) -> tuple[int, str]:
    """Exit code and stderr of a piece of work in a copy of this process."""
    told, tell = os.pipe()
    child = os.fork()
    if child == 0:
        code = 99
        sys.stdout, sys.stderr = open(os.devnull, "w"), open(tell, "w")  # noqa: SIM115, they end with the process
        try:
            code = work() or 0
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)
    os.close(tell)
    with open(told) as pipe:
        said = pipe.read()
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), said


# -- places that there can't be --------------------------------------------------------------------------

PLACES: dict[str, Callable[[Path], str]] = {
    "a long name": lambda folder: str(folder / ("x" * 400)),
    "below a long name": lambda folder: str(folder / ("x" * 400) / "out"),
    "a long way": lambda folder: str(folder / "/".join(["abcdefgh"] * 600)),
    "a long name below a new folder": lambda folder: str(folder / "new" / ("x" * 400)),
    "below a file": lambda folder: str(folder / "file" / "out"),
    "below a device": lambda folder: "/dev/full/out",
    "a circle of links": lambda folder: str(folder / "circle" / "out"),
}


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("place", PLACES)
def test_a_place_that_there_cannot_be(
    place: str, command: str, source: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("mine")
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    before = everything(tmp_path)
    assert main(arguments(command, source, PLACES[place](tmp_path))) == 1
    assert clear(capsys.readouterr().err)
    after = everything(tmp_path)
    if command == "batch":  # which may leave the empty folder that it made
        after.pop("new", None)
    assert after == before


@pytest.mark.parametrize("command", ["check", "study", "fit"])
@pytest.mark.parametrize("place", PLACES)
def test_input_that_there_cannot_be(
    place: str, command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("mine")
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    main(arguments(command, Path(PLACES[place](tmp_path)), tmp_path / "out"))
    said = "".join(capsys.readouterr())
    assert said
    assert "in the program" not in said
    assert "Traceback" not in said


@pytest.mark.parametrize("command", ["new", "new --long", "fit"])
def test_a_folder_without_permission(command: str, source: Path) -> None:
    """To search, and to write."""
    top = Path(tempfile.mkdtemp())
    try:
        assert main(arguments(command, source, top / "first")) == 0  # all modules are loaded then
        shutil.copytree(source, top / "plan")
        for name, rights in (("shut", 0o600), ("bare", 0o555)):
            (top / name).mkdir()
            (top / name).chmod(rights)
        top.chmod(0o755)
        before = everything(top)
        for out in ("shut/out", "shut", "bare", "bare/out"):

            def work(out: str = out) -> int:
                if os.geteuid() == 0:  # who may do everything
                    os.setgroups([])
                    os.setgid(NOBODY)
                    os.setuid(NOBODY)
                return main(arguments(command, top / "plan", top / out))

            code, said = in_a_child(work)
            assert (code, clear(said)) == (1, True), (out, said)
        assert everything(top) == before
    finally:
        (top / "shut").chmod(0o755)
        shutil.rmtree(top)


# -- a disk that is full ---------------------------------------------------------------------------------


# The system's error for a file that may grow no further is another one than that of a full disk, at the same places.
FULL = """
import resource, tempfile
make = tempfile.mkdtemp
def made(*arguments, **more):
    found = make(*arguments, **more)
    if ".unfinished-" in found:
        resource.setrlimit(resource.RLIMIT_FSIZE, (BYTES, BYTES))
    return found
tempfile.mkdtemp = made
"""


@pytest.mark.parametrize(("command", "room"), [
    ("fit", 0), ("fit", 300), ("new --long", 0), ("new --long", 600), ("new", 0), ("new", 5_000),
])  # fmt: skip
def test_a_disk_that_is_full(command: str, room: int, source: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert main(arguments(command, source, out if command == "fit" else tmp_path / "other")) == 0
    before = everything(tmp_path)

    def work() -> int:
        exec(FULL.replace("BYTES", str(room)), {})
        return main(arguments(command, source, out))

    code, said = in_a_child(work)
    assert (code, clear(said)) == (1, True), said
    assert everything(tmp_path) == before


def test_a_disk_that_is_full_halfway(source: Path, tmp_path: Path) -> None:
    """Pictures are written and the workbook is not; an earlier result stays."""
    out = tmp_path / "out"
    assert main(["study", str(source), "--out", str(out)]) == 0
    assert max(len(data or b"") for name, data in everything(out).items() if name.endswith(".png")) > 25_000
    (out / "mine.txt").write_text("mine")
    before = everything(tmp_path)
    code, told, said = run_apart("study", source, out, before=FULL.replace("BYTES", "25_000"))
    assert (code, told) == (1, "")
    assert clear(said), said
    assert everything(tmp_path) == before


# -- one after another takes its place -------------------------------------------------------------------

FILES = ("a.txt", "b.txt", "new.txt", "last.txt")


def write(folder: Path, text: str, names: tuple[str, ...] = FILES) -> None:
    with written_together(folder, last="last.txt") as beside:
        for name in names:
            (beside / name).write_text(text)


def killed(folder: Path, text: str, moves: int) -> bool:
    """Write the files in a process that ends by itself after so many moves; whether it came so far."""

    def work() -> None:
        move, left = os.replace, [moves]

        def counted(*places: Path) -> None:
            left[0] -= 1
            if left[0] < 0:
                os._exit(9)
            move(*places)

        os.replace = counted  # type: ignore[assignment]
        write(folder, text)

    return in_a_child(work)[0] == 9


def texts(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in folder.iterdir() if path.is_file()}


def test_a_run_that_is_killed_at_any_place(tmp_path: Path) -> None:
    """Where the file that is put last is there, all are of one run; the next run leaves nothing of the killed one."""
    out, here = tmp_path / "out", tmp_path / "copy"
    write(out, "first", tuple(name for name in FILES if name != "new.txt"))
    (out / ".unfinished-notes").mkdir()
    (out / ".unfinished-notes" / "x").write_text("mine")
    (out / "mine.txt").write_text("mine")
    ends = []
    for moves in range(9):
        shutil.rmtree(here, ignore_errors=True)
        shutil.copytree(out, here)
        ends.append(killed(here, "second", moves))
        found = texts(here)
        assert found.pop("mine.txt") == "mine"
        assert "last.txt" not in found or set(found.values()) in ({"first"}, {"second"})
        write(here, "third")
        assert texts(here) == {**dict.fromkeys(FILES, "third"), "mine.txt": "mine"}
        assert [path.name for path in here.iterdir() if path.is_dir()] == [".unfinished-notes"]
    assert ends == [True] * 7 + [False] * 2


@pytest.mark.parametrize("error", [PermissionError(13, "Permission denied"), KeyboardInterrupt()], ids=repr)
def test_a_move_that_fails_takes_all_of_them_back(
    error: BaseException, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, move = tmp_path / "out", os.replace
    write(out, "first", tuple(name for name in FILES if name != "new.txt"))
    before = everything(tmp_path)
    for moves in range(7):
        left = [moves]

        def failing(source: Path, target: Path, left: list[int] = left) -> None:
            left[0] -= 1
            if left[0] == -1:
                raise error
            move(source, target)

        monkeypatch.setattr(os, "replace", failing)
        with pytest.raises(KeyboardInterrupt if isinstance(error, KeyboardInterrupt) else OutputError):
            write(out, "second")
        monkeypatch.undo()
        assert everything(tmp_path) == before


def test_a_run_beside_another_one(tmp_path: Path) -> None:
    """What another process still writes is no leftover."""
    with written_together(tmp_path, last="last.txt") as beside:
        (beside / "a.txt").write_text("mine")
        assert in_a_child(lambda: write(tmp_path, "other")) == (0, "")
        assert (beside / "a.txt").read_text() == "mine"
    assert texts(tmp_path) == {**dict.fromkeys(FILES, "other"), "a.txt": "mine"}


def test_a_folder_in_the_place_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "b.txt").mkdir()
    (tmp_path / "b.txt" / "mine").write_text("mine")
    (tmp_path / "a.txt").write_text("first")
    before = everything(tmp_path)
    with pytest.raises(OutputError, match=r"b\.txt: it can't be written \(Is a directory\)"):
        write(tmp_path, "second")
    assert everything(tmp_path) == before


def test_new_after_a_run_that_was_killed(tmp_path: Path) -> None:
    """What that left does not make the folder one that holds something."""
    assert killed(tmp_path / "plan", "x", 0)
    assert [path.name[:12] for path in (tmp_path / "plan").iterdir()] == [".unfinished-"]
    assert main(["new", str(tmp_path / "plan"), "--long"]) == 0
    assert main(["check", str(tmp_path / "plan")]) == 0


# -- what is said ----------------------------------------------------------------------------------------


def run_apart(command: str, source: Path, out: Path, *, before: str = "", **how: Any) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of a command in a process of its own."""
    code = f"{before}\nimport sys; from tractduct.cli import main; sys.exit(main())"
    how = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **how}
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments(command, source, out)], text=True, check=False, timeout=300, **how
    )
    return done.returncode, done.stdout or "", done.stderr or ""


@pytest.mark.parametrize("command", ["study", "new", "--help", "--version", "check"])
def test_output_that_cannot_be_shown(
    command: str, source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with open("/dev/full", "w") as full:
        monkeypatch.setattr(sys, "stdout", full)
        assert main(arguments(command, source, tmp_path / "out")) == 1
        monkeypatch.undo()
    says = "What was found can't be shown (No space left on device). Send the output to another place\n"
    assert capsys.readouterr().err == says
    assert not list(tmp_path.rglob(".unfinished-*"))


def test_neither_output_nor_faults_can_be_shown(source: Path, tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        assert run_apart("check", source, tmp_path, stdout=full, stderr=full)[0] == 1
        (source / "ducts.csv").unlink()
        assert run_apart("check", source, tmp_path, stdout=full, stderr=full)[0] == 2


@pytest.fixture(scope="module")
def with_all_open(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes | None]]:
    """A plan, and what its order leaves where no stream is closed."""
    top = tmp_path_factory.mktemp("open")
    folder = undamped().write(top / "plan")
    assert run_apart("study --only order", folder, top / "out")[0] == 0
    return folder, everything(top / "out")


@pytest.mark.parametrize("closed", [(2,), (0, 1, 2)], ids=str)
def test_closed_streams(
    closed: tuple[int, ...], with_all_open: tuple[Path, dict[str, bytes | None]], tmp_path: Path
) -> None:
    """What the program opens next must not be taken for them."""
    folder, whole = with_all_open

    def close() -> None:
        for n in closed:
            os.close(n)

    how = {name: None for n, name in ((1, "stdout"), (2, "stderr")) if n in closed}
    code, told, _ = run_apart("study --only order", folder, tmp_path / "out", preexec_fn=close, **how)
    assert (code, bool(told)) == (0, 1 not in closed)
    assert everything(tmp_path / "out") == whole
