"""Nothing that the solver writes past Python's standard output reaches whoever reads it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from plan_folder import small_plan
from scipy.optimize import linprog

from tractduct.sizing import highs

# A solver that writes as C does, once through C's buffer and once straight to the descriptor, then goes on.
CHATTY = """
import ctypes, os, sys
from tractduct.cli import main
from tractduct.sizing import highs

c = ctypes.CDLL("ucrtbase" if sys.platform == "win32" else None)
calls = []

class Chatty(highs.Highs):
    def run(self):
        calls.append(1)
        c.puts(b"stray by C")
        os.write(1, b"stray by descriptor\\n")
        return super().run()

highs.Highs = Chatty
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
    def breaks() -> None:
        os.write(1, b"stray")
        raise RuntimeError("broken")

    monkeypatch.setattr(highs, "Highs", breaks)
    with pytest.raises(RuntimeError, match="broken"):
        cheapest()
    os.write(1, b"own")
    assert capfd.readouterr().out == "own"


def test_output_comes_back_when_the_last_thread_is_out(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    inside, leave = threading.Barrier(3), threading.Event()

    class Waits(highs.Highs):
        def passModel(self, model: highs.HighsLp) -> None:  # noqa: N802
            inside.wait(30)
            if model.col_cost_[0] > 1.0:
                leave.wait(30)
            os.write(1, b"stray")
            super().passModel(model)

    monkeypatch.setattr(highs, "Highs", Waits)
    threads = [threading.Thread(target=cheapest, args=(cost,)) for cost in (1.0, 2.0)]
    for thread in threads:
        thread.start()
    inside.wait(30)
    threads[0].join(30)
    leave.set()
    threads[1].join(30)
    os.write(1, b"own")
    assert capfd.readouterr().out == "own"


def cheapest(cost: float = 1.0) -> highs.Optimum:
    """3 pieces or more at a cost each."""
    return highs.integer_program(np.array([cost]), np.array([[1.0]]), 2.5, np.inf, whole=np.array([True]), high=np.inf)


def test_whole_numbers_and_a_bound() -> None:
    """The knapsack of Dantzig's form worked out by hand: of 5, 4 and 3 for 10, 40 and 30, at most 7: the last two."""
    worth, weight = np.array([10.0, 40.0, 30.0]), np.array([[5.0, 4.0, 3.0]])
    found = highs.integer_program(-worth, weight, -np.inf, 7.0, whole=np.ones(3, dtype=bool))
    assert (found.status, found.x.round(9).tolist(), found.objective, found.bound) == ("optimal", [0, 1, 1], -70, -70)
    linear = highs.linear_program(-worth, weight, -np.inf, 9.5, high=1.0)
    assert linear.objective == pytest.approx(-75.0)  # half of the first besides
    assert linear.row_price == pytest.approx([-2.0])
    assert linear.column_price == pytest.approx([0.0, -32.0, -24.0])


def test_none_and_none_in_time() -> None:
    one = np.array([[1.0]])
    assert highs.linear_program(np.ones(1), one, 2.0, np.inf, high=1.0, presolve=False).status == "infeasible"
    none = highs.integer_program(np.ones(1), one, 0.2, 0.8, whole=np.array([True]))
    assert (none.status, none.x.size, none.objective) == ("infeasible", 0, np.inf)
    random = np.random.default_rng(3)
    weight, worth = random.integers(10, 99, (5, 60)).astype(float), random.integers(10, 99, 60).astype(float)
    hard = {"whole": np.ones(60, dtype=bool), "presolve": False, "most_nodes": 1}
    stopped = highs.integer_program(-worth, weight, -np.inf, 0.5 * weight.sum(axis=1), **hard)
    assert stopped.status == "stopped"
    assert stopped.bound <= stopped.objective


def test_a_fault_of_the_solver_is_no_answer() -> None:
    with pytest.raises(RuntimeError, match="HiGHS failed"):
        highs.linear_program(np.array([-1.0]), np.array([[1.0]]), 0.0, np.inf, presolve=False)


def test_beside_scipys_own_copy() -> None:
    """The plan's friction tables are fitted by scipy in the same process; its linear programs come out the same."""
    random = np.random.default_rng(11)
    for _ in range(20):
        rows, cost = random.uniform(0.0, 1.0, (6, 9)), random.uniform(0.5, 2.0, 9)
        other = linprog(cost, A_ub=-rows, b_ub=-np.ones(6))
        found = highs.linear_program(cost, rows, 1.0, np.inf)
        assert found.objective == pytest.approx(other.fun, rel=1e-9)
        assert found.row_price == pytest.approx(-other.ineqlin.marginals, abs=1e-9)
