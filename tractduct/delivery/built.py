"""A tract under way: keep the sizes that stand, or change which sections, and what that is worth on the lots left."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import IntArray
from tractduct.delivery.marks import Marks, find_marks
from tractduct.delivery.predict import Drive
from tractduct.findings import Finding, note, warning
from tractduct.one_plan import Study
from tractduct.sizing.solve import Solution, change_front
from tractduct.sizing.verify import Breach, verify_sizes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """A size set with ``number`` sections unlike those built: ``changed`` section -> (size built, size now).

    ``worth`` is what it saves over the lots left against the built sizes, less the price of the changes; below 0 it
    costs that. NaN where a built size is not on sale any more.
    """

    number: int
    solution: Solution
    changed: dict[str, tuple[str, str]]
    worth: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Built:
    """What to do with the sizes that the lots already built have.

    Attributes
    ----------
    size_index : (n_section,) those sizes; where nothing is built yet, the size of the set with the fewest changes
    free : sections of which nothing is built
    cost : per lot in them, at the present prices
    breaches : limits that they break in the plan as it is now; empty where they hold
    marks : of their dampers set anew, which costs nothing; None where that is not predicted
    front : by rising number of changes and falling cost; empty where no set holds
    """

    study: Study
    size_index: IntArray
    free: tuple[str, ...]
    cost: float
    breaches: tuple[Breach, ...]
    marks: Marks | None
    front: tuple[Change, ...]

    @property
    def holds(self) -> bool:
        return not self.breaches

    @property
    def best(self) -> Change | None:
        """The change that is worth most; of several the one with the fewest changes."""
        return max(self.front, key=lambda c: (np.nan_to_num(c.worth, nan=-c.number), -c.number), default=None)

    @property
    def findings(self) -> tuple[Finding, ...]:
        return tuple(_findings(self))


def study_built(
    study: Study, *, predicted: bool, drive: Drive | None = None, time_limit_s: float | None = None
) -> Built:
    """Keep or change; ValueError for a plan without a table of what is built.

    A built size may be kept though it is more steps over the own size than a new set may be.
    """
    case, plan = study.case, study.plan
    if not plan.built:
        raise ValueError("the plan has no built table")
    built, problem = case.size_index(plan.built), case.problem()
    at, was = np.flatnonzero(built >= 0), built[built >= 0]
    allowed = problem.allowed.copy()
    allowed[at, was] = (case.table.on_sale & np.all(case.table.velocity_ok, axis=0))[at, was]
    problem = replace(problem, allowed=allowed, cost=np.where(allowed, case.table.cost, 0.0))
    front = change_front(problem, built, time_limit_s=time_limit_s)
    fill = next((s.size_index for s in (*front, study.least_cost) if s.size_index is not None), None)
    size_index = built if fill is None else np.where(built >= 0, built, fill)
    size_index = np.where(size_index >= 0, size_index, [np.argmax(row) for row in case.table.bounded])
    names, cost = case.labels(size_index), case.cost_of(size_index)

    def change(solution: Solution) -> Change:
        number, after = solution.changes_from(built), case.labels(solution.size_index)
        return Change(
            number=number,
            solution=solution,
            changed={s: (names[s], size) for s, size in after.items() if s in plan.built and names[s] != size},
            worth=plan.lots_left * (cost - solution.cost) - number * plan.change_price,
        )

    return Built(
        study=study,
        size_index=size_index,
        free=tuple(s.name for s in case.tree.sections if s.name not in plan.built),
        cost=cost,
        breaches=verify_sizes(plan, case.variants.variants, names, first_only=True).breaches,
        marks=find_marks(case, size_index, drive=drive, fewest=False) if predicted else None,
        front=tuple(change(solution) for solution in front),
    )


def _findings(built: Built) -> Iterator[Finding]:
    plan = built.study.plan
    lots, best = plan.lots_left, built.best
    unit = built.study.cost_unit
    if built.holds:
        message = "they hold in every variant of the plan as it is now"
    else:
        worst = max(built.breaches, key=lambda b: b.use)
        message = f"they do not hold in the plan as it is now: {worst}"
    if built.marks is not None:
        message += f"; with their dampers marked anew {built.marks.chosen.rooms_outside} rooms are outside tolerance, "
        message += f"wide open {built.marks.rooms_outside_open}"
    if best is None:
        advice = "No size set holds: see why, and what helps"
    elif not best.number:
        advice = f"Keep them on the {lots} lots left: no change of sizes is worth its price (proven)"
    else:
        changed = ", ".join(f"{s} {was} to {now}" for s, (was, now) in best.changed.items())
        proven = "proven" if best.solution.status == "optimal" else "not proven: time ran out"
        worth = plan.units.say(abs(best.worth), unit, ",.0f")
        saves = "saves" if best.worth >= 0.0 else "costs"
        advice = f"Change {changed}; over the {lots} lots left that {saves} {worth} ({proven})"
    yield (note if built.holds else warning)("sizes already built", "sizes already built", message, advice)
