"""What Python users call that reads files too; the package's public names lead here."""

from __future__ import annotations

from pathlib import Path

from tractduct import one_plan
from tractduct.inputs.reader import load_plan
from tractduct.model.plan import Plan
from tractduct.one_plan import Progress, Study


def study(
    plan: Plan | str | Path,
    *,
    time_limit_s: float | None = None,
    quick: bool = False,
    progress: Progress = lambda what, done, total: None,
) -> Study:
    """Size a plan once for all its variants: ``one_plan.study`` of a Plan, or of the plan at a path.

    Raises InputFaults where the plan can't be read; and what ``one_plan.study`` raises.
    """
    read = plan if isinstance(plan, Plan) else load_plan(plan)
    return one_plan.study(read, time_limit_s=time_limit_s, quick=quick, progress=progress)
