"""What would help a room that no damper marks put right, each change worked out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import IntArray
from tractduct.delivery.marks import Finder, Setting
from tractduct.delivery.predict import supply_runs_of_rooms
from tractduct.errors import InputFaults
from tractduct.model.plan import Plan, Section, is_outside
from tractduct.model.words import FLEX
from tractduct.sizing.case import Case, build_case

_ROOMS = 3  # those farthest off
_ROUTES = 4  # places where a run may join instead


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """A change to one run, with the marks found anew in the same sizes and the same groups of orientations.

    ``what`` is said in words; ``rooms_outside`` and ``worst_tolerances`` are those of the changed plan, ``tolerances``
    that of the room; ``extra_cost`` of the ducts, NaN where a size is not on sale in the changed duct.
    """

    room: str
    run: str
    what: str
    rooms_outside: int
    worst_tolerances: float
    tolerances: float
    extra_cost: float


def find_remedies(case: Case, size_index: IntArray, setting: Setting) -> tuple[Remedy, ...]:
    """Of each room that the marks leave outside: a second run, a larger one, another duct, another place to join.

    Best first: the fewest rooms outside, then the least cost. Only changes that bring the room within tolerance, or
    leave fewer rooms outside, are returned.
    """
    labels, cost = case.labels(size_index), case.cost_of(size_index)
    serves = supply_runs_of_rooms(case.plan, case.tree)
    found = []
    for outside in sorted(setting.outside, key=lambda r: -r.tolerances)[:_ROOMS]:
        room = case.plan.rooms.index(outside.room)
        runs = [case.tree.runs[p] for p in np.flatnonzero(serves[room])]
        for run, (what, plan, sizes) in ((r, change) for r in runs for change in _changes(case.plan, r, labels)):
            try:
                changed = build_case(plan)
                index = changed.size_index(sizes)
                tables = _again(changed, index, setting)
            except InputFaults:
                continue
            remedy = Remedy(
                room=outside.room,
                run=run.name,
                what=what,
                rooms_outside=tables.rooms_outside,
                worst_tolerances=tables.worst_tolerances,
                tolerances=float(tables.off[:, room].max()),
                extra_cost=changed.cost_of(index) - cost,
            )
            if not is_outside(remedy.tolerances) or remedy.rooms_outside < setting.rooms_outside:
                found.append(remedy)

    def rank(r: Remedy) -> tuple[int, bool, float]:
        return r.rooms_outside, bool(is_outside(r.tolerances)), float(np.nan_to_num(r.extra_cost, nan=1e9))

    return tuple(sorted(found, key=rank))


def _again(case: Case, size_index: IntArray, setting: Setting) -> Setting:
    finder = Finder(case, size_index, setting.delivered.drive)
    variants = case.variants.variants
    return finder.setting(
        [finder.table(by_season=t.positions > 1, variants=t.serves(variants)) for t in setting.tables]
    )


def _changes(plan: Plan, run: Section, sizes: dict[str, str]) -> Iterator[tuple[str, Plan, dict[str, str]]]:
    """What is changed, the changed plan, and its sizes."""

    def with_runs(*new: Section) -> Plan:
        """Some in the place of the run."""
        at = [s.name for s in plan.sections].index(run.name)
        return replace(plan, sections=(*plan.sections[:at], *new, *plan.sections[at + 1 :]))

    copy = replace(run, name=f"{run.name} second", fixed="", min_in=0.0, max_in=np.inf)
    for season in ("", *plan.seasons) if len(plan.seasons) > 1 and not run.season else ("",):
        what = f"a second run like {run.name}" + (f", open in {season} only" if season else "")
        yield what, with_runs(run, replace(copy, season=season or run.season)), {**sizes, copy.name: sizes[run.name]}
    by_diameter = sorted((s for s in plan.sizes if s.shape == run.shape), key=lambda s: s.diameter_in)
    labels = [s.label for s in by_diameter]
    own = labels.index(sizes[run.name])
    across = plan.diameter_by_size
    if own + 1 < len(labels) and (not run.parent or across[labels[own + 1]] <= across[sizes[run.parent]] + 1e-9):
        larger = with_runs(replace(run, fixed="", max_in=np.inf))
        yield f"{run.name} in {labels[own + 1]}", larger, {**sizes, run.name: labels[own + 1]}
    rigid = dict.fromkeys(s.duct for s in plan.sections if s.kind == "rigid")
    for duct in rigid if run.kind == "flex" else (FLEX,) if any(plan.flex) else ():
        yield f"{run.name} in {duct}", with_runs(replace(run, duct=duct)), sizes
    there = [s for s in plan.sections if set(s.option) <= set(run.option)]  # in each house that has the run
    trunks = [s.name for s in there if s.side == run.side and not s.is_run]
    needed = across[sizes[run.name]] - 1e-9
    joins = [p for p in ("", *trunks) if p != run.parent and (not p or across[sizes[p]] >= needed)]
    for place in joins[:_ROUTES]:
        # A parent stands before its children.
        moved = replace(plan, sections=(*with_runs().sections, replace(run, parent=place)))
        yield f"{run.name} from {place or 'the plenum'}, as long as now", moved, sizes
