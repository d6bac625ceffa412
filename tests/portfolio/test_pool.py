"""Processes that die, fail, or lose the one that started them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pool_work
import pytest
from pool_work import dies_at_two, fails_at_two, its_number

from tractduct.portfolio.pool import Pool

HERE = Path(pool_work.__file__)


def no_answer(number: int) -> int:
    raise AssertionError(f"no process died on {number}")


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_task_that_kills_its_process_does_not_stop_the_others() -> None:
    with Pool(2) as pool:
        found = sorted(pool.answers(dies_at_two, range(9), lambda number: 100 + number))
        assert found == [0, 1, 3, 4, 5, 6, 7, 8, 102]
        assert sorted(pool.answers(its_number, range(3), no_answer)) == [0, 1, 2]


def test_what_the_work_raises_is_raised_here_and_says_where_it_was() -> None:
    with Pool(2) as pool:
        with pytest.raises(ZeroDivisionError, match="two") as caught:
            list(pool.answers(fails_at_two, range(9), no_answer))
        assert "in fails_at_two" in caught.value.__notes__[0]
        assert sorted(pool.answers(its_number, range(3), no_answer)) == [0, 1, 2]


def test_tasks_are_read_only_as_they_are_needed() -> None:
    read = []

    def tasks():
        for number in range(100):
            read.append(number)
            yield number

    with Pool(2) as pool:
        coming = pool.answers(its_number, tasks(), no_answer)
        next(coming)
        assert len(read) <= 4
        coming.close()


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups here")
@pytest.mark.parametrize("how", ["killed", "ended", "the keyboard"])
def test_processes_do_not_outlive_the_one_that_started_them(how: str, tmp_path: Path) -> None:
    """Both hold its standard error, which is at its end only when they are gone; tasks would take an hour."""
    with subprocess.Popen(
        [sys.executable, str(HERE)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path), "TMPDIR": str(tmp_path)},
    ) as process:  # fmt: skip
        try:
            assert process.stdout
            assert {process.stdout.readline(), process.stdout.readline()} == {"0\n", "1\n"}
            if how == "the keyboard":
                os.killpg(process.pid, signal.SIGINT)
            else:
                process.send_signal(signal.SIGKILL if how == "killed" else signal.SIGTERM)
            _, errors = process.communicate(timeout=120)
        except BaseException:
            os.killpg(process.pid, signal.SIGKILL)  # else the block would wait for it, and the suite with it
            raise
    assert errors.count("Traceback") == (how == "the keyboard")  # its own, which the command line words otherwise
    assert "resource_tracker" not in errors
    assert list(tmp_path.iterdir()) == []
