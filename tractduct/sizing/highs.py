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
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from highspy import Highs, HighsLp, HighsModelStatus, HighsVarType, MatrixFormat, SolutionStatus
from numpy.typing import ArrayLike, NDArray

from tractduct.arrays import FloatArray

if TYPE_CHECKING:
    from scipy.sparse import csr_array


_STDOUT = 1  # the process's own, whatever sys.stdout is
_STATUS: dict[HighsModelStatus, Literal["optimal", "infeasible", "stopped"]] = {
    HighsModelStatus.kOptimal: "optimal",
    HighsModelStatus.kInfeasible: "infeasible",
    HighsModelStatus.kUnboundedOrInfeasible: "infeasible",  # no program here is unbounded
    HighsModelStatus.kTimeLimit: "stopped",
    HighsModelStatus.kSolutionLimit: "stopped",  # its number of nodes
    HighsModelStatus.kIterationLimit: "stopped",
    HighsModelStatus.kInterrupt: "stopped",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Optimum:
    """What HiGHS ended with.

    Attributes
    ----------
    status : ``stopped`` by its time or its number of nodes
    x : (n_column,) the best point, empty without one
    objective : of that point, inf without one
    bound : no point has a lower objective; of an integer program
    row_price : (n_row,) what the objective gains for one more of a row's limit, of a linear program; 0 where loose
    column_price : (n_column,) the same of a column's bounds: above 0 at its lower one, below at its upper one
    """

    status: Literal["optimal", "infeasible", "stopped"]
    x: FloatArray
    objective: float = np.inf
    bound: float = -np.inf
    row_price: FloatArray
    column_price: FloatArray


def linear_program(
    cost: FloatArray,
    rows: FloatArray | csr_array,
    least: ArrayLike,
    most: ArrayLike,
    *,
    low: ArrayLike = 0.0,
    high: ArrayLike = np.inf,
    presolve: bool = True,
) -> Optimum:
    """The least ``cost @ x`` with ``least <= rows @ x <= most`` and ``low <= x <= high``.

    ``rows`` (n_row, n_column); limits of rows and columns are numbers or one for each. RuntimeError where HiGHS fails.
    """
    return _solved(_model(cost, rows, least, most, low, high), {"presolve": "on" if presolve else "off"})


def integer_program(
    cost: FloatArray,
    rows: FloatArray | csr_array,
    least: ArrayLike,
    most: ArrayLike,
    *,
    whole: NDArray[np.bool_],
    low: ArrayLike = 0.0,
    high: ArrayLike = 1.0,
    presolve: bool = True,
    gap: float = 0.0,
    time_limit_s: float = np.inf,
    most_nodes: int | None = None,
) -> Optimum:
    """The same where some columns (``whole``, (n_column,)) are whole numbers, to a relative ``gap``."""
    model = _model(cost, rows, least, most, low, high)
    model.integrality_ = [HighsVarType.kInteger if one else HighsVarType.kContinuous for one in whole.tolist()]
    options: dict[str, float | str] = {
        "presolve": "on" if presolve else "off",
        "mip_rel_gap": gap,
        "time_limit": float(np.clip(time_limit_s, 1e-3, 1e9)),
    }
    if most_nodes is not None:
        options["mip_max_nodes"] = most_nodes
    return _solved(model, options)


def _model(
    cost: FloatArray, rows: FloatArray | csr_array, least: ArrayLike, most: ArrayLike, low: ArrayLike, high: ArrayLike
) -> HighsLp:
    model = HighsLp()
    n_row, n_column = rows.shape
    model.num_row_, model.num_col_ = n_row, n_column
    model.col_cost_ = np.asarray(cost, dtype=np.float64)
    model.col_lower_, model.col_upper_ = np.full(n_column, low, dtype=float), np.full(n_column, high, dtype=float)
    model.row_lower_, model.row_upper_ = np.full(n_row, least, dtype=float), np.full(n_row, most, dtype=float)
    matrix = model.a_matrix_
    matrix.format_, matrix.num_row_, matrix.num_col_ = MatrixFormat.kRowwise, n_row, n_column
    if isinstance(rows, np.ndarray):
        row, column = np.nonzero(rows)
        matrix.start_ = np.searchsorted(row, np.arange(n_row + 1)).astype(np.int32)
        matrix.index_, matrix.value_ = column.astype(np.int32), rows[row, column]
    else:
        matrix.start_, matrix.index_, matrix.value_ = rows.indptr, rows.indices, rows.data
    return model


def _solved(model: HighsLp, options: Mapping[str, float | str]) -> Optimum:
    with _SILENCE:
        solver = Highs()  # type: ignore[no-untyped-call]
        for name, value in {"output_flag": False, **options}.items():
            solver.setOptionValue(name, value)
        solver.passModel(model)
        solver.run()
        status, info, solution = solver.getModelStatus(), solver.getInfo(), solver.getSolution()
    if status not in _STATUS:
        raise RuntimeError(f"HiGHS failed: {solver.modelStatusToString(status)}")
    found = info.primal_solution_status == SolutionStatus.kSolutionStatusFeasible
    return Optimum(
        status=_STATUS[status],
        x=np.array(solution.col_value if found else []),
        objective=info.objective_function_value if found else np.inf,
        bound=info.mip_dual_bound,
        row_price=np.array(solution.row_dual),
        column_price=np.array(solution.col_dual),
    )


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
