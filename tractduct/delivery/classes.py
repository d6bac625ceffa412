"""Many size sets and damper settings simulated at once, over classes of variants that get the same air.

What arrives depends on what drives the air and on what the ducts are made of, not on what the rooms want. So the
variants of one season and flex product share a simulation: at a held pressure or on a blower's curve all of them,
at a held airflow those whose totals are alike. What the rooms of all orientations want collapses into one window
for each class and room.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tractduct.arrays import BoolArray, FloatArray, IntArray, each, one_after_another
from tractduct.delivery.flow import MOST_STEPS, BlowerCurve, Leakage, Losses, Source, settle
from tractduct.delivery.predict import (
    Drive,
    default_drive,
    installed_ducts,
    open_sections,
    refuse_unpredictable,
    source_of,
    supply_runs_of_rooms,
)
from tractduct.network.airstream import airstream
from tractduct.sizing.case import Case

# Held totals of one class differ by less than this part; their shares then differ by a tenth of it or less, for
# shares drift with the difference between the runs' exponents of loss (about 1.8 to 2) only.
TOTALS_ALIKE = 0.02
_NUMBERS_AT_ONCE = 50_000  # in an array of a batch: candidates x classes x sections or points of a curve; fits a cache


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClassAirflow:
    """What size sets and dampers deliver, class by class; NaN where it did not settle.

    Attributes
    ----------
    section_cfm : (n_candidate, n_class, n_section)
    run_cfm : (n_candidate, n_class, n_path); 0 where the run is shut
    room_cfm : (n_candidate, n_class, n_room)
    supply_inwc, return_inwc : (n_candidate, n_class)
    damper_inwc_per_cfm2 : (n_candidate, n_class, n_path) as given
    """

    section_cfm: FloatArray
    run_cfm: FloatArray
    room_cfm: FloatArray
    supply_inwc: FloatArray
    return_inwc: FloatArray
    damper_inwc_per_cfm2: FloatArray

    def mixed(self, candidate: IntArray) -> ClassAirflow:
        """One of which each class is that of some candidate (n_class,)."""
        rows = np.arange(len(candidate))
        return each(self, lambda values: values[candidate, rows][None])


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """What the variants of each class want of each room, in the class's own airflow; arrays of (n_class, n_room).

    ``most_cfm`` is the largest design airflow among them and ``most_tolerance_cfm`` its tolerance: it alone says what
    is too little, since no smaller design is as far off. ``least_cfm`` likewise says what is too much. A class with
    no variants has -inf and inf: nothing is out of its window.
    """

    most_cfm: FloatArray
    most_tolerance_cfm: FloatArray
    least_cfm: FloatArray
    least_tolerance_cfm: FloatArray

    def only(self, some: BoolArray) -> Windows:
        """Those of some classes."""
        return each(self, lambda values: values[some])

    @property
    def lines(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """a, b, c, d so that ``off`` is the larger of a - b x airflow and d x airflow - c."""
        low, high = self.most_tolerance_cfm, self.least_tolerance_cfm
        return self.most_cfm / low, 1.0 / low, self.least_cfm / high, 1.0 / high

    def low_cfm(self, tolerances: float | FloatArray = 1.0) -> FloatArray:
        """The least that is within so many tolerances of every variant's design; may be below 0."""
        return self.most_cfm - tolerances * self.most_tolerance_cfm

    def high_cfm(self, tolerances: float | FloatArray = 1.0) -> FloatArray:
        """The most that is; where it is below ``low_cfm`` no airflow suits all variants of the class."""
        return self.least_cfm + tolerances * self.least_tolerance_cfm

    def too_much(self, room_cfm: FloatArray) -> FloatArray:
        """Tolerances above the smallest design; (..., n_class, n_room)."""
        return (room_cfm - self.least_cfm) / self.least_tolerance_cfm

    def off(self, room_cfm: FloatArray) -> FloatArray:
        """(..., n_class, n_room) the worst variant's distance from design in tolerances; above 1 is outside."""
        return np.maximum((self.most_cfm - room_cfm) / self.most_tolerance_cfm, self.too_much(room_cfm))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Classes:
    """Classes of variants, each simulated once in place of all its variants.

    Attributes
    ----------
    case : one variant a class, of the largest total among its variants
    drive, source, leakage : what drives the air
    of_variant : (n_variant,) the class of each variant of the whole case
    scale : (n_variant,) a variant's airflow over its class's: below 1 only where held totals are merely alike
    season : (n_class,) index into ``plan.seasons``
    supply_limit_inwc : (n_class,) what the supply plenum may hold at a held airflow; infinite otherwise, and where
        the blower's table gives supply and return together
    ducts_limit_inwc : (n_class,) the same of supply and return together; infinite otherwise
    design_cfm, tolerance_cfm : (n_variant, n_room) of the whole case
    losses : (n_section, n_size, n_class) arrays, what each size loses, without dampers
    is_open : (n_class, n_section) bool
    serves : (n_room, n_path) 1 for a room's supply runs, else 0
    """

    case: Case
    drive: Drive
    source: Source
    leakage: Leakage
    of_variant: IntArray
    scale: FloatArray
    season: IntArray
    supply_limit_inwc: FloatArray
    ducts_limit_inwc: FloatArray
    design_cfm: FloatArray
    tolerance_cfm: FloatArray
    losses: Losses
    is_open: BoolArray
    serves: FloatArray

    @property
    def n_class(self) -> int:
        return len(self.season)

    def windows(self, variants: BoolArray | None = None) -> Windows:
        """What the variants of a (n_variant,) mask want, all if None."""
        mine = np.ones(len(self.of_variant), dtype=bool) if variants is None else variants
        return self.windows_of(np.where(mine, 0, -1), 1)[0]

    def windows_of(self, group: IntArray, n_group: int) -> list[Windows]:
        """What the variants of each group want; ``group`` (n_variant,), below 0 of none."""
        key = np.where(group >= 0, group * self.n_class + self.of_variant, -1)
        order = np.argsort(key, kind="stable")
        order = order[key[order] >= 0]
        starts = np.flatnonzero(np.diff(key[order], prepend=-1))
        at = key[order][starts]
        place = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(order)))
        design = self.design_cfm[order] / self.scale[order, None]
        off = self.tolerance_cfm[order] / self.scale[order, None]
        found: list[FloatArray] = []  # as in ``Windows``, with an axis for the group before the others
        for extreme, none in ((np.maximum, -np.inf), (np.minimum, np.inf)):
            value = np.full((n_group * self.n_class, design.shape[1]), none)
            allowed = np.ones_like(value)
            if len(starts):
                value[at] = extreme.reduceat(design, starts)
                allowed[at] = np.minimum.reduceat(np.where(design == value[at][place], off, np.inf), starts)
            found += [part.reshape(n_group, self.n_class, -1) for part in (value, allowed)]
        return [Windows(*values) for values in zip(*found, strict=True)]

    def simulate(
        self,
        size_index: IntArray,
        damper_inwc_per_cfm2: FloatArray | float = 0.0,
        *,
        start_cfm: FloatArray | None = None,
        most_steps: int | None = None,
    ) -> ClassAirflow:
        """Airflow of many candidates in every class.

        Parameters
        ----------
        size_index : (n_candidate, n_section), or (n_section,) for all candidates
        damper_inwc_per_cfm2 : broadcastable to (n_candidate, n_class, n_path); ``marks[:, classes.season]`` gives it
            from marks by season
        start_cfm : broadcastable to (n_candidate, n_class, n_section), airflow close by; the design airflow if None
        most_steps : after so many Newton steps the airflow is taken as it is, as a guess; settled if None

        The number of candidates is the first that is not 1 of ``size_index``, dampers and start.
        """
        n_class, n_section = self.is_open.shape
        size = np.atleast_2d(size_index)
        damper = np.array(damper_inwc_per_cfm2, dtype=float, ndmin=3)
        design = self.case.variants.airflow_cfm[None]
        start = np.array(design if start_cfm is None else start_cfm, ndmin=3)
        if not np.isfinite(start).all():  # what did not settle is nowhere close by
            start = np.where(np.isfinite(start), start, design)
        n = max(len(size), len(damper), len(start))
        widest = max(n_section, self.source.static_inwc.shape[1] if isinstance(self.source, BlowerCurve) else 0)
        at_once = max(1, _NUMBERS_AT_ONCE // (n_class * widest))
        given: tuple[NDArray[Any], ...] = (size, damper, start)
        parts = []
        for first in range(0, n, at_once):
            here, dampers, close = (of if len(of) == 1 else of[first : first + at_once] for of in given)
            parts.append(self._batch(here, dampers, close, most_steps))
        return parts[0] if len(parts) == 1 else one_after_another(parts)

    def _batch(self, size: IntArray, damper: FloatArray, start: FloatArray, most_steps: int | None) -> ClassAirflow:
        tree = self.case.tree
        n_class, n_section = self.is_open.shape
        n = max(len(size), len(damper), len(start))
        shape = (n, n_class, n_section)

        def rows(values: NDArray[Any]) -> NDArray[Any]:
            """Any (n_candidate or 1, n_class or 1, n_section) as one row a candidate and class."""
            return np.broadcast_to(values, shape).reshape(n * n_class, n_section)

        at = np.arange(n_section), size
        chosen = each(self.losses, lambda values: rows(values[at].swapaxes(1, 2)))
        dampers = np.zeros((*damper.shape[:2], n_section))
        dampers[:, :, tree.run_section] = damper
        solution = settle(
            tree,
            replace(chosen, other_per_cfm2=chosen.other_per_cfm2 + rows(dampers)),
            rows(self.is_open[None]),
            _tiled(self.source, n),
            rows(start),
            self.leakage,
            MOST_STEPS if most_steps is None else most_steps,
        )
        if most_steps is None:
            solution = solution.with_unsettled_blank()
        run = solution.airflow_cfm[:, tree.run_section]
        return ClassAirflow(
            section_cfm=solution.airflow_cfm.reshape(shape),
            run_cfm=run.reshape(n, n_class, -1),
            room_cfm=(run @ self.serves.T).reshape(n, n_class, -1),
            supply_inwc=np.asarray(solution.supply_inwc).reshape(n, n_class),
            return_inwc=np.asarray(solution.return_inwc).reshape(n, n_class),
            damper_inwc_per_cfm2=np.broadcast_to(damper, (n, *shape[1:2], len(tree.run_section))),
        )

    def there_inwc(self, return_inwc: FloatArray) -> FloatArray:
        """(..., n_class) what the supply plenum may hold beside the returns; infinite where nothing bounds it."""
        return np.asarray(np.maximum(np.minimum(self.supply_limit_inwc, self.ducts_limit_inwc - return_inwc), 1e-9))


def build_classes(case: Case, drive: Drive | None = None) -> Classes:
    """The classes of a case. InputFaults where its airflow can't be predicted.

    One season, one flex product, the same runs open; at a held airflow also totals alike within ``TOTALS_ALIKE``. A
    published friction table corrects friction at each variant's design airflow, so that variants whose corrections
    differ are classes of their own.
    """
    plan, variants = case.plan, case.variants
    drive = drive or default_drive(plan)
    total = variants.room_airflow_cfm.sum(axis=1)
    corrected = np.any(case.table.ducts.correction != 1.0)
    corrections = [of.tobytes() if corrected else b"" for of in case.table.ducts.correction]
    keys = [
        (variant.season, variant.flex, is_open.tobytes(), correction)
        for variant, is_open, correction in zip(variants.variants, variants.open_run, corrections, strict=True)
    ]
    of_variant = np.zeros(len(keys), dtype=np.intp)
    representative: list[int] = []
    for key in dict.fromkeys(keys):
        mine = np.array([v for v, k in enumerate(keys) if k == key], dtype=np.intp)
        # From the largest total down, so that the representative has the largest pressure too.
        for v in mine[np.argsort(-total[mine], kind="stable")]:
            first = representative[-1] if representative else None
            alike = first is not None and keys[first] == key
            if not alike or (drive is Drive.AIRFLOW and total[v] < total[first] * (1.0 - TOTALS_ALIKE)):
                representative.append(int(v))
            of_variant[v] = len(representative) - 1
    one = case.rows(np.array(representative, dtype=np.intp))
    refuse_unpredictable(one, installed_ducts(one, np.zeros(len(case.tree.sections), dtype=np.intp)))
    own = one.variants.room_airflow_cfm.sum(axis=1)[of_variant]
    held = drive is Drive.AIRFLOW
    limits = np.full((len(representative), 2), np.inf)  # of the supply, and of supply and return together
    if held:
        given = np.column_stack([case.budget.by_side_inwc[:, 0], case.budget.total_inwc])
        np.minimum.at(limits, of_variant, np.where(np.isnan(given), np.inf, given))
    stream = airstream(plan, one.variants.variants, one.variants.room_airflow_cfm.sum(axis=1))
    return Classes(
        case=one,
        drive=drive,
        source=source_of(plan, stream, drive),
        leakage=Leakage(supply=plan.equipment.supply_leakage, return_=plan.equipment.return_leakage),
        of_variant=of_variant,
        scale=np.divide(total, own, out=np.ones_like(total), where=held & (own > 0.0)),
        season=np.array([plan.seasons.index(v.season) for v in one.variants.variants], dtype=np.intp),
        supply_limit_inwc=limits[:, 0],
        ducts_limit_inwc=limits[:, 1],
        design_cfm=variants.room_airflow_cfm,
        tolerance_cfm=plan.tolerance.of_room_cfm(variants.room_airflow_cfm),
        losses=_losses_by_size(one),
        is_open=open_sections(case.tree, one.variants),
        serves=supply_runs_of_rooms(plan, case.tree),
    )


def _losses_by_size(case: Case) -> Losses:
    shape = case.variants.airflow_cfm.shape
    n_section, n_size = shape[1], len(case.table.sizes)
    by_size = [
        Losses.of(installed_ducts(case, np.full(n_section, k, dtype=np.intp)), case.air, shape) for k in range(n_size)
    ]
    return Losses(
        *(np.ascontiguousarray(np.stack([getattr(one, f.name).T for one in by_size], axis=1)) for f in fields(Losses))
    )


def _tiled(value: Any, n: int) -> Any:
    """A source with its arrays over classes repeated for each of n candidates; the axis of a blower's curve stays."""
    if isinstance(value, np.ndarray):
        return np.tile(value, (n, *[1] * (value.ndim - 1)))
    if isinstance(value, tuple):
        return tuple(_tiled(part, n) for part in value)
    if is_dataclass(value) and not isinstance(value, type):
        parts = {f.name: getattr(value, f.name) for f in fields(value)}
        return replace(value, **{k: part if k == "airflow_cfm" else _tiled(part, n) for k, part in parts.items()})
    return value
