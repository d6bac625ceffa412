"""The one place where HiGHS is called: linear and integer programs, with nothing of its own on the console.

HiGHS keeps its rows to a tolerance of 1e-7 (linear) or 1e-6 (integer), and says so to nobody: what it finds is
a proposal, and whether a limit holds is recomputed (`program.highest_allowed`).

Where a set that it found in its presolved program breaks a row of the original one by a little more than that
tolerance, HiGHS tries to mend it and prints a line about it with plain ``printf``, whatever its options say: on the
process's own standard output, past Python's. So that is sent nowhere for as long as HiGHS runs.
"""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from contextlib import suppress
from types import TracebackType
from typing import Any

from scipy.optimize import OptimizeResult, linprog, milp

_STDOUT = 1  # the process's own, whatever sys.stdout is


def linear_program(cost: Any, **program: Any) -> OptimizeResult:
    """``scipy.optimize.linprog`` by HiGHS."""
    with _SILENCE:
        return linprog(cost, method="highs", **program)


def integer_program(cost: Any, **program: Any) -> OptimizeResult:
    """``scipy.optimize.milp``."""
    with _SILENCE:
        return milp(cost, **program)


class _Silence:
    """Standard output goes nowhere while any thread is inside; the last one out puts it back, errors or not.

    A process has one standard output, so what another thread prints meanwhile is lost too.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._inside = 0
        self._kept: int | None = None

    def __enter__(self) -> None:
        with self._lock:
            if self._inside == 0:
                self._kept = _turned_off()
            self._inside += 1

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._lock:
            self._inside -= 1
            if self._inside == 0 and self._kept is not None:
                _flush_c()  # what is still in C's buffer would come out afterwards
                os.dup2(self._kept, _STDOUT)
                os.close(self._kept)
                self._kept = None


_SILENCE = _Silence()


def _turned_off() -> int | None:
    """A duplicate of standard output, which then leads nowhere; None in a process that has none."""
    if sys.stdout is not None:
        with suppress(OSError, ValueError):  # a closed one will say so to whoever prints
            sys.stdout.flush()
    _flush_c()
    try:
        kept = os.dup(_STDOUT)
    except OSError:
        return None
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, _STDOUT)
    os.close(nowhere)
    return kept


def _c_library() -> Any:
    try:
        return ctypes.CDLL("ucrtbase" if sys.platform == "win32" else None)
    except OSError:
        return None


_C_LIBRARY = _c_library()


def _flush_c() -> None:
    """Write out all that C's own streams hold back."""
    if hasattr(_C_LIBRARY, "fflush"):
        _C_LIBRARY.fflush(None)
