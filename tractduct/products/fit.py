"""A published friction table to one roughness and one airflow derate."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tractduct.arrays import FloatArray
from tractduct.physics.air import Air
from tractduct.physics.friction import friction_rate_inwc_per_100ft
from tractduct.units import IP, UnitSystem

LEAST_ROWS = 4
MOST_ROUGHNESS_FT = 0.03
MOST_DERATE = 0.6
_STARTS = 2  # of the search
_ROBUST_SCALE = 0.03  # relative error beyond which a row counts for less
_BAD_ROW = 3.0  # typical errors beyond which a row is said to fit badly
_ONE_ROUGHNESS_PCT = 5.0  # mean error of one size beyond which one roughness does not serve all


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrictionTable:
    """Rows of a published table, as arrays of (n_row,): size, airflow, friction rate in standard air."""

    size_in: FloatArray
    airflow_cfm: FloatArray
    friction_rate_inwc_per_100ft: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """What a table says of its product.

    Attributes
    ----------
    roughness_ft, derate : the best single roughness and airflow derate (a part, 0 to below 1)
    roughness_interval_ft, derate_interval : (low, high), where they lie with 95 % confidence
    derate_given : True where the derate was held at a given value
    error_pct : (n_row,) fitted over published friction rate, less 100 %
    bad_rows : rows (from 0) that fit badly
    by_size : size -> mean error of that size's rows, in per cent
    """

    roughness_ft: float
    derate: float
    roughness_interval_ft: tuple[float, float]
    derate_interval: tuple[float, float]
    derate_given: bool
    error_pct: FloatArray
    bad_rows: tuple[int, ...]
    by_size: dict[float, float]

    @property
    def typical_error_pct(self) -> float:
        """Median size of the error."""
        return float(np.median(np.abs(self.error_pct)))

    @property
    def largest_error_pct(self) -> float:
        return float(np.max(np.abs(self.error_pct)))

    @property
    def one_roughness_serves(self) -> bool:
        """False where some size is off by more than one roughness can explain."""
        return max(abs(e) for e in self.by_size.values()) <= _ONE_ROUGHNESS_PCT


def fit_table(table: FrictionTable, *, derate: float | None = None) -> Fit:
    """Roughness and derate by robust least squares on the logarithm of the friction rate.

    ``derate`` is held at this value; found too if None.

    Raises
    ------
    ValueError for fewer than four rows, or for one size only without a given derate: a rougher duct and a
    derated one then look the same.

    Notes
    -----
    Intervals come from the scaled covariance of the residuals (Student's t), so that they mean what they say
    when the table's errors are independent and alike. Roughness is fitted as its logarithm.
    """
    n = len(table.size_in)
    if n < LEAST_ROWS:
        raise ValueError(f"a fit needs at least {LEAST_ROWS} rows, the table has {n}")
    if derate is None and len(np.unique(table.size_in)) < 2:
        raise ValueError("with one size only, derate and roughness can't be told apart")
    from scipy.optimize import least_squares  # plans without such a table need not wait for them
    from scipy.special import stdtrit

    published = np.log(table.friction_rate_inwc_per_100ft)

    def parameters(x: FloatArray) -> tuple[float, float]:
        return float(np.exp(x[0])), float(x[1]) if derate is None else derate

    def residuals(x: FloatArray) -> FloatArray:
        rough, lost = parameters(x)
        # A derate is more airflow through the underated duct; written out, a step below 0 is a number too.
        rate = friction_rate_inwc_per_100ft(table.airflow_cfm / (1.0 - lost), table.size_in, rough, Air())
        return np.asarray(np.log(rate) - published)

    low, high = [np.log(1e-7), 0.0], [np.log(MOST_ROUGHNESS_FT), MOST_DERATE]
    free = 2 if derate is None else 1
    # The valley of roughness against derate is long: start from several places on it, the nearest of a net.
    starts = [np.array([np.log(r), d])[:free] for r in (1e-5, 3e-4, 3e-3) for d in (0.01, 0.15)[:free]]
    starts.sort(key=lambda x: float(np.abs(residuals(x)).mean()))
    solutions = [
        least_squares(
            residuals,
            start,
            bounds=(low[:free], high[:free]),
            loss="soft_l1",
            f_scale=_ROBUST_SCALE,
            x_scale=np.array([1.0, 0.1])[:free],
            xtol=1e-12,
            ftol=1e-12,
            gtol=1e-12,
        )
        for start in starts[:_STARTS]
    ]
    best = min(solutions, key=lambda found: float(found.cost))
    rough, lost = parameters(best.x)
    error = residuals(best.x)
    spread = _intervals(error, _jacobian(residuals, best.x))
    width = stdtrit(max(n - free, 1), 0.975) * spread
    factor = float(np.exp(min(width[0], 20.0)))
    scale = 1.4826 * float(np.median(np.abs(error))) + 1e-9
    sizes = np.unique(table.size_in)
    return Fit(
        roughness_ft=rough,
        derate=lost,
        roughness_interval_ft=(rough / factor, rough * factor),
        derate_interval=(max(lost - width[1], 0.0), lost + width[1]) if derate is None else (lost, lost),
        derate_given=derate is not None,
        error_pct=100.0 * np.expm1(error),
        bad_rows=tuple(np.flatnonzero(np.abs(error) > np.maximum(_BAD_ROW * scale, 0.01)).tolist()),
        by_size={float(s): float(100.0 * np.expm1(np.median(error[table.size_in == s]))) for s in sizes},
    )


def _jacobian(residuals: Callable[[FloatArray], FloatArray], x: FloatArray) -> FloatArray:
    """Central differences: least_squares' own is scaled by the robust loss."""
    columns = []
    for k in range(len(x)):
        step = np.zeros_like(x)
        step[k] = 1e-5
        columns.append((residuals(x + step) - residuals(x - step)) / 2e-5)
    return np.column_stack(columns)


def _intervals(error: FloatArray, jacobian: FloatArray) -> FloatArray:
    """Standard errors, (n_parameter,)."""
    free = jacobian.shape[1]
    variance = float(error @ error) / max(len(error) - free, 1)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance
    return np.asarray(np.sqrt(np.maximum(np.diag(covariance), 0.0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TableCorrection:
    """What a published table says over its fit, by size: log-log interpolation inside the table's range.

    ``points`` maps a size to (log airflow, log of published over fitted rate), rising in airflow.
    """

    points: dict[float, tuple[FloatArray, FloatArray]]

    def factor(self, size_in: float, airflow_cfm: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Published over fitted friction rate at some airflow, 1 outside the table; and where it is inside."""
        if size_in not in self.points:
            return np.ones_like(airflow_cfm), np.zeros(airflow_cfm.shape, dtype=bool)
        log_flow, log_ratio = self.points[size_in]
        x = np.log(np.maximum(airflow_cfm, 1e-9))
        inside = (x >= log_flow[0] - 1e-12) & (x <= log_flow[-1] + 1e-12)
        return np.where(inside, np.exp(np.interp(x, log_flow, log_ratio)), 1.0), inside


def correction_of(table: FrictionTable, roughness_ft: float, derate: float) -> TableCorrection:
    """The table against what a roughness and a derate (a part) give.

    The friction rate itself is interpolated log-log between a table's points, so that they are reproduced and
    a chart's straight lines are followed.
    """
    points = {}
    for size in np.unique(table.size_in):
        mine = np.flatnonzero(table.size_in == size)
        mine = mine[np.argsort(table.airflow_cfm[mine], kind="stable")]
        flow = table.airflow_cfm[mine]
        # Fine steps between points keep the straight line of the rate, not of the ratio.
        fine = np.unique(np.concatenate([np.geomspace(a, b, 9) for a, b in pairwise(flow)] or [flow]))
        rate = np.exp(np.interp(np.log(fine), np.log(flow), np.log(table.friction_rate_inwc_per_100ft[mine])))
        fitted = friction_rate_inwc_per_100ft(fine, size, roughness_ft, Air(), derate)
        points[float(size)] = (np.log(fine), np.log(rate / fitted))
    return TableCorrection(points=points)


def out_of_order(table: FrictionTable, units: UnitSystem = IP) -> Sequence[tuple[int, str]]:
    """Rows (from 0) against physics: more air in one size must lose more, the same air in a larger size less.

    A row that stands twice is one of them. They are told in ``units``.
    """
    rate, flow, size = table.friction_rate_inwc_per_100ft, table.airflow_cfm, table.size_in
    found: dict[int, str] = {}

    def row(i: int) -> str:
        return f"{units.say(float(flow[i]), 'cfm')} in {units.say(float(size[i]), 'in')}"

    for i, j in _not_above(size, flow, rate):
        found[i] = f"{row(i)} can't lose less than {units.say(float(flow[j]), 'cfm')} does"
    for i, j in _not_above(flow, size, -rate):
        found.setdefault(i, f"{row(i)} can't lose more than in {units.say(float(size[j]), 'in')}")
    seen: set[tuple[float, float]] = set()
    for i, point in enumerate(zip(size.tolist(), flow.tolist(), strict=True)):
        if point in seen:
            found.setdefault(i, f"{row(i)} stands in a row before")
        seen.add(point)
    return sorted(found.items())


def _not_above(group: FloatArray, along: FloatArray, value: FloatArray) -> Iterator[tuple[int, int]]:
    """Pairs i, j of one group: i lies farther along than j and its value is not above j's, the highest before it."""
    highest: int | None = None  # before the rows that lie as far along as the present one
    level: int | None = None  # among those
    before: int | None = None
    for i in np.lexsort((along, group)).tolist():
        if before is None or group[i] != group[before]:
            highest = level = None
        elif along[i] != along[before] and level is not None:
            highest = level if highest is None or value[level] > value[highest] else highest
            level = None
        if highest is not None and value[highest] >= value[i]:
            yield i, highest
        level = i if level is None or value[i] > value[level] else level
        before = i
