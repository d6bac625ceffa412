"""Whether a size set holds between the faces: every degree, by the independent pass over the chosen sizes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tractduct.arrays import BoolArray, FloatArray
from tractduct.findings import Finding, warning
from tractduct.model.plan import Plan
from tractduct.network.variants import Variant, variants_of
from tractduct.orientation.azimuths import azimuth_label, every_step, plan_at
from tractduct.physics.turning import POINT_DEG, TURN_DEG
from tractduct.sizing.verify import Breach, Verification, verify_sizes


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokenRange:
    """Azimuths in which one limit of one section or path is broken.

    ``first_deg`` to ``last_deg`` clockwise, both broken; the range passes north where the first is the larger.
    ``worst`` is the breach that goes furthest over its limit; its variant's face is the azimuth.
    """

    limit_name: str
    section: str
    first_deg: float
    last_deg: float
    worst: Breach

    @property
    def excess_pct(self) -> float:
        """How far over the limit at worst."""
        return 100.0 * (self.worst.use - 1.0)

    @property
    def azimuths(self) -> str:
        return " to ".join(dict.fromkeys(map(azimuth_label, (self.first_deg, self.last_deg))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DegreeCheck:
    """A size set at every step of azimuth that the plan's faces enclose.

    Attributes
    ----------
    azimuth_deg : (n_azimuth,) those checked
    step_deg : from one to the next
    n_variant : azimuths x mirrors x seasons x flex
    use : (n_azimuth,) of the most loaded limit, loss over available pressure or velocity over its limit, over all
        mirrors, seasons, flex products, sections and paths; above 1 is broken
    largest_step : how much the use of any one limit changes at most from one azimuth to the next: what happens
        between two steps is of that order
    broken : where it does not hold; empty where it holds
    """

    azimuth_deg: FloatArray
    step_deg: float
    n_variant: int
    use: FloatArray
    largest_step: float
    broken: tuple[BrokenRange, ...]

    @property
    def holds(self) -> bool:
        return not self.broken

    @property
    def between(self) -> bool:
        """False where no two of the plan's faces are neighbours: then the faces alone are checked."""
        return bool(np.any(self.azimuth_deg % POINT_DEG != 0.0)) or self.step_deg == POINT_DEG

    @property
    def every(self) -> str:
        """How far apart the azimuths are, in words."""
        return "every degree" if self.step_deg == 1.0 else f"every {self.step_deg:g} degrees"

    @property
    def holds_at(self) -> BoolArray:
        """(n_azimuth,) bool"""
        bad = np.zeros(len(self.azimuth_deg), dtype=bool)
        for r in self.broken:
            span = (r.last_deg - r.first_deg) % TURN_DEG
            bad |= (self.azimuth_deg - r.first_deg) % TURN_DEG <= span + 1e-9
        return ~bad


def check_every_degree(plan: Plan, size_set: Mapping[str, str], *, step_deg: float = 1.0) -> DegreeCheck:
    """Check a size set, section name -> size label, at every step between the plan's neighbouring faces.

    ``step_deg`` divides 45, so that the faces themselves are among the steps.
    """
    if not 0.0 < step_deg <= 45.0 or abs(45.0 / step_deg - round(45.0 / step_deg)) > 1e-9:
        raise ValueError(f"step_deg must divide 45, got {step_deg!r}")
    azimuth = every_step(plan.fronts, step_deg)
    dense = plan_at(plan, azimuth.tolist(), plan.mirrored)
    variants = variants_of(dense)
    found = verify_sizes(dense, variants, size_set)
    use = _use(dense, found, len(azimuth), variants)
    steps = np.abs(np.diff(use, axis=0, append=use[:1]))
    follows = np.isclose(np.diff(azimuth, append=azimuth[:1] + TURN_DEG), step_deg)
    return DegreeCheck(
        azimuth_deg=azimuth,
        step_deg=step_deg,
        n_variant=len(variants),
        use=np.asarray(use.max(axis=(1, 2))),
        largest_step=float(steps[follows].max(initial=0.0)),
        broken=_ranges(dense, azimuth, step_deg, found.breaches),
    )


def _use(plan: Plan, found: Verification, n_azimuth: int, variants: Sequence[Variant]) -> FloatArray:
    """(n_azimuth, n_other, n_limit): each limit's use, n_other mirrors, seasons and flex products."""
    limits = [found.velocity_fpm[s.name] / plan.velocity_limit_fpm(s) for s in plan.sections]
    if plan.budget_given:
        limits += [
            np.nan_to_num(found.path_loss_inwc[s.name]) / plan.available_inwc(s.side) for s in plan.sections if s.is_run
        ]
    return np.stack(limits, axis=-1).reshape(n_azimuth, len(variants) // n_azimuth, len(limits))


def _ranges(plan: Plan, azimuth: FloatArray, step_deg: float, breaches: Sequence[Breach]) -> tuple[BrokenRange, ...]:
    at = {face: float(a) for face, a in zip(plan.fronts, azimuth, strict=True)}
    by_limit: dict[tuple[str, str], dict[float, Breach]] = {}
    for breach in breaches:
        # A size that is wrong in itself is broken all around.
        places = at.values() if breach.variant is None else (at[breach.variant.front],)
        worst = by_limit.setdefault((breach.limit_name, breach.section), {})
        for place in places:
            worst[place] = max(worst.get(place, breach), breach, key=lambda b: b.use)
    found = [
        BrokenRange(
            limit_name=name,
            section=section,
            first_deg=run[0],
            last_deg=run[-1],
            worst=max((worst[a] for a in run), key=lambda b: b.use),
        )
        for (name, section), worst in by_limit.items()
        for run in _runs(sorted(worst), step_deg)
    ]
    return tuple(sorted(found, key=lambda r: -r.excess_pct))


def _runs(azimuths: Sequence[float], step_deg: float) -> list[list[float]]:
    """Azimuths, rising, split where a step is left out; a run that passes north is one."""
    runs = [[azimuths[0]]]
    for a in azimuths[1:]:
        if a - runs[-1][-1] > step_deg * 1.5:
            runs.append([])
        runs[-1].append(a)
    if len(runs) > 1 and runs[0][0] + TURN_DEG - runs[-1][-1] < step_deg * 1.5:
        runs[0] = runs.pop() + runs[0]
    return runs


def check_between(check: DegreeCheck | None) -> Iterator[Finding]:
    """Where the standard set does not hold between the faces, each limit at its worst."""
    if check is None or not check.between or check.holds:
        return
    what = f"{check.n_variant:,} variants at {check.every} between the plan's faces"
    first: dict[tuple[str, str], list[BrokenRange]] = {}
    for r in check.broken:
        first.setdefault((r.limit_name, r.section), []).append(r)
    for (name, section), ranges in first.items():
        excess = f"{ranges[0].excess_pct:.2g} %"
        message = (
            f"{name} is over its limit with the front at {', '.join(r.azimuths for r in ranges)}, by "
            f"{excess} at worst ({ranges[0].worst}); checked: {what}"
        )
        advice = "Size for these directions too, or turn the house"
        yield warning("between the faces", f"section {section}", message, advice, cause=name, amount=excess)
