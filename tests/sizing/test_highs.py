"""Nothing that the solver writes past Python's standard output reaches whoever reads it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from plan_folder import small_plan

from tractduct.sizing import highs

# A solver that writes as C does, once through C's buffer and once straight to the descriptor, then goes on.
CHATTY = """
import ctypes, os, sys
from tractduct.cli import main
from tractduct.sizing import highs

c = ctypes.CDLL("ucrtbase" if sys.platform == "win32" else None)
real, calls = highs.milp, []

def chatty(*arguments, **more):
    calls.append(1)
    c.puts(b"stray by C")
    os.write(1, b"stray by descriptor\\n")
    return real(*arguments, **more)

highs.milp = chatty
print("before")
code = main(["study", *sys.argv[1:]])
print("after", len(calls) > 0)
sys.exit(code)
"""


def test_standard_output_holds_the_programs_own_lines_alone(tmp_path: Path) -> None:
    folder = small_plan(dampers={"least_cfm": 1000}).write(tmp_path / "plan")  # nothing to search for
    where = [str(folder), "--only", "order", "--out", str(tmp_path / "out")]
    plain, chatty = (
        subprocess.run([sys.executable, *how, *where], capture_output=True, text=True, check=True, timeout=120).stdout
        for how in (["-m", "tractduct", "study"], ["-c", CHATTY])
    )
    assert "Build this size set" in plain
    assert chatty == "before\n" + plain + "after True\n"


def test_a_process_without_standard_output_still_solves(tmp_path: Path) -> None:
    small_plan().write(tmp_path / "p")
    code = "import os, tractduct; os.close(1); os._exit(tractduct.study('p').status != 'optimal')"
    assert subprocess.run([sys.executable, "-c", code], cwd=tmp_path, timeout=120).returncode == 0


def test_output_comes_back_after_an_error(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(cost: list[float]) -> None:
        os.write(1, b"stray")
        raise RuntimeError("broken")

    monkeypatch.setattr(highs, "milp", breaks)
    with pytest.raises(RuntimeError, match="broken"):
        highs.integer_program([1.0])
    os.write(1, b"own")
    assert capfd.readouterr().out == "own"


def test_output_comes_back_when_the_last_thread_is_out(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    inside, leave = threading.Barrier(3), threading.Event()

    def waits(cost: list[float]) -> None:
        inside.wait(30)
        if cost:
            leave.wait(30)
        os.write(1, b"stray")

    monkeypatch.setattr(highs, "milp", waits)
    threads = [threading.Thread(target=highs.integer_program, args=(cost,)) for cost in ([], [1.0])]
    for thread in threads:
        thread.start()
    inside.wait(30)
    threads[0].join(30)
    leave.set()
    threads[1].join(30)
    os.write(1, b"own")
    assert capfd.readouterr().out == "own"
