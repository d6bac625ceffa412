"""A house with several air handlers end to end: sizes to stock counted over all of them, everything else by system."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import IntArray
from tractduct.errors import OutOfTime
from tractduct.model.plan import Plan
from tractduct.network.systems import plans_by_system
from tractduct.one_plan import Progress, Study, study, with_sizes
from tractduct.report import MadeFrom, Report, Wanted, work_on
from tractduct.sizing.case import Case
from tractduct.sizing.program import SizingProblem
from tractduct.sizing.solve import Solution, TradeOff, recommend, trade_off_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HouseReport:
    """All systems of a house.

    Attributes
    ----------
    plan : the house's
    reports : by system, each with its part of the standard set
    least_cost, recommended, trade_off : over the sections of all systems, one system after the other
    """

    plan: Plan
    reports: tuple[Report, ...]
    least_cost: Solution
    recommended: Solution
    trade_off: TradeOff
    made_from: MadeFrom | None = None

    @property
    def cases(self) -> list[Case]:
        return [report.study.case for report in self.reports]

    def labels(self, size_index: IntArray | None) -> dict[str, str]:
        """Section name -> size label over all systems; empty for None."""
        if size_index is None:
            return {}
        parts = zip(self.cases, parted(self.cases, size_index), strict=True)
        return {section: label for case, part in parts for section, label in case.labels(part).items()}


def stock_groups(cases: Sequence[Case]) -> tuple[tuple[str, str], ...]:
    """Kind and shape of duct of each stock group over all systems, in the order of ``joined``."""
    return tuple(dict.fromkeys(group for case in cases for group in case.stock_groups))


def joined(cases: Sequence[Case]) -> SizingProblem:
    """One size-set program of several systems: nothing but the stock is common to them."""
    from scipy.linalg import block_diag  # a plan of one system need not wait for it

    problems = [case.problem() for case in cases]
    kinds = [(s.kind, s.shape) for case in cases for s in case.tree.sections]
    groups = stock_groups(cases)
    start = np.cumsum([0, *(p.parent.size for p in problems)])
    changes = [np.zeros_like(p.cost) if p.change_cost is None else p.change_cost for p in problems]
    return SizingProblem(
        loss_inwc=np.concatenate([p.loss_inwc for p in problems], axis=1),
        cost=np.concatenate([p.cost for p in problems]),
        allowed=np.concatenate([p.allowed for p in problems]),
        diameter_in=problems[0].diameter_in,
        parent=np.concatenate(
            [np.where(p.parent >= 0, p.parent + n, -1) for p, n in zip(problems, start, strict=False)]
        ),
        stock_group=np.array([groups.index(kind) for kind in kinds], dtype=np.intp),
        path=np.asarray(block_diag(*(p.path for p in problems)), dtype=bool),
        available_inwc=np.concatenate([p.available_inwc for p in problems], axis=1),
        change_cost=np.concatenate(changes) if any(p.change_cost is not None for p in problems) else None,
    )


def parted(cases: Sequence[Case], size_index: IntArray) -> list[IntArray]:
    """The sizes of each system out of those of all."""
    return np.split(size_index, np.cumsum([len(case.tree.sections) for case in cases])[:-1])


def work_out_house(
    plan: Plan,
    wanted: Wanted,
    progress: Progress = lambda what, done, total: None,
    made_from: MadeFrom | None = None,
    *,
    quick: bool = False,
) -> HouseReport:
    """A house with several systems end to end; ``quick``: sized alone, as ``study`` is. Raises what that does.

    Each system is sized by itself first, which says what it needs and whether any set holds; then the standard set is
    chosen again over all of them, for the sizes to stock are those of the house.
    """
    limit_s = wanted.time_limit_s
    alone = [study(p, time_limit_s=limit_s, quick=quick, progress=progress) for p in plans_by_system(plan)]
    cases = [one.case for one in alone]
    problem, cap = joined(cases), plan.max_distinct_sizes or None
    least, best = recommend(problem, plan.standardize_within_pct, max_distinct=cap, time_limit_s=limit_s)
    if best.status == "unknown":
        raise OutOfTime(f"{plan.name}: no size set was found in the time allowed. Allow more with --seconds")
    front = TradeOff(least_cost=least, entries=(), status=best.status)
    if not quick:
        front = trade_off_of(problem, max_distinct=cap, time_limit_s=limit_s)
    studies = alone
    if best.size_index is not None:
        parts = parted(cases, best.size_index)
        studies = [
            # What a set without the cap would be is of the system alone.
            replace(with_sizes(one, _part(one, best, part)), without_cap=None)
            for one, part in zip(alone, parts, strict=True)
        ]
    reports = [Report(study=one) if quick else work_on(one, wanted, progress) for one in studies]
    return HouseReport(
        plan=plan,
        reports=tuple(replace(report, made_from=made_from) for report in reports),
        made_from=made_from,
        least_cost=least,
        recommended=best,
        trade_off=front,
    )


def _part(alone: Study, best: Solution, size_index: IntArray) -> Solution:
    """A system's part of the standard set of all; its bound is that of the system's own least cost."""
    problem = alone.case.problem()
    cost = problem.cost_of(size_index)
    return replace(
        best,
        size_index=size_index,
        cost=cost,
        bound=cost if best.status == "optimal" else min(cost, alone.least_cost.bound),
        distinct_sizes=problem.distinct_sizes(size_index),
        variants_used=None,
    )
