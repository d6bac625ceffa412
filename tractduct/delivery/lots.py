"""What each lot gets at its own azimuth, in its own flex product, and the damper marks that suit it best."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import product

import numpy as np

from tractduct.arrays import FloatArray
from tractduct.delivery.deliver import Delivery
from tractduct.delivery.marks import MarkTable, Setting, find_marks, pass_range_cfm
from tractduct.delivery.predict import installed_ducts, predict, supply_runs_of_rooms
from tractduct.errors import InputFaults
from tractduct.model.lots import Lot
from tractduct.model.options import Built
from tractduct.model.plan import TIE, Plan
from tractduct.orientation.azimuths import azimuth_label, face_azimuth_deg, plan_at
from tractduct.orientation.lots import LotResult, lot_results
from tractduct.sizing.case import build_case


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LotAir:
    """A lot with its damper marks.

    Attributes
    ----------
    result : the lot and its airflow
    flex : the product installed
    table : the marks that its dampers are set to
    own_marks : these were made for it, as no table of the plan puts its rooms right
    target_cfm, expected_cfm, low_cfm, high_cfm : (n_season, n_path) design airflow, what the registers get as
        predicted, and what a reading passes between; NaN where the run is shut, and the last two for a return
    supply_inwc, external_static_inwc, total_cfm : (n_season,) of the supply plenum against the rooms, of the whole, and
        what the blower moves; NaN where not known
    """

    result: LotResult
    flex: str
    table: MarkTable
    own_marks: bool
    target_cfm: FloatArray
    expected_cfm: FloatArray
    low_cfm: FloatArray
    high_cfm: FloatArray
    supply_inwc: FloatArray
    external_static_inwc: FloatArray
    total_cfm: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OtherFlex:
    """A flex product that is not approved, in the sizes of the set.

    ``marks`` are its own, and ``air`` what every lot with a known airflow gets with them, by lot name.
    """

    flex: str
    marks: Setting
    air: Mapping[str, LotAir]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LotDelivery:
    """Lots, and the air of those whose airflow is known, by lot name.

    ``other_flex``: what would arrive on the lots listed that got a product which is not approved. ``listed`` is False
    where the plan lists no lots, and one stands for each front, mirrored or not.
    """

    results: tuple[LotResult, ...]
    air: Mapping[str, LotAir]
    listed: bool
    other_flex: tuple[OtherFlex, ...] = ()

    @property
    def with_own_marks(self) -> tuple[str, ...]:
        """Names of the lots whose marks are in no table of the plan."""
        return tuple(name for name, air in self.air.items() if air.own_marks)


def deliver_lots(delivery: Delivery, installed: str = "", results: Sequence[LotResult] | None = None) -> LotDelivery:
    """What every lot gets; ``results`` of an orientation study, worked out here if None.

    ``installed`` is the flex product of lots that name none, the plan's first if empty. Raises InputFaults where the
    blower leaves the ducts nothing at some azimuth.
    """
    study = delivery.study
    plan = study.plan
    if not results:
        of_front = partial(Lot, options=plan.every_house[0].options)
        each = tuple(
            of_front(name=f"front {f}{' mirrored' if m else ''}", azimuth_deg=face_azimuth_deg(f), mirrored=m)
            for f, m in product(plan.fronts, plan.mirrored)
        )
        results = lot_results(replace(plan, lots=plan.lots or each), study.tree, study.size_set)
    groups: dict[str, list[LotResult]] = {}
    for result in results:
        groups.setdefault(result.lot.flex or installed or plan.flex[0], []).append(result)
    other_flex = plan.other_flex if plan.lots else ()
    marks = {flex: _marks_of(delivery, flex) for flex in dict.fromkeys((*groups, *other_flex))}
    air: dict[str, LotAir] = {}
    for flex, members in groups.items():
        air |= _air_of_lots(delivery, members, flex, marks[flex])
    return LotDelivery(
        results=tuple(results),
        air={r.lot.name: air[r.lot.name] for r in results if r.lot.name in air},
        listed=bool(plan.lots),
        other_flex=tuple(
            OtherFlex(flex=flex, marks=marks[flex], air=_air_of_lots(delivery, results, flex, marks[flex]))
            for flex in other_flex
        ),
    )


def _marks_of(delivery: Delivery, flex: str) -> Setting:
    """The damper marks for a product: those of the plan where it is approved, else its own in the same sizes."""
    plan = delivery.study.plan
    own = None if flex in plan.flex else _found_marks(delivery, replace(plan, flex=(flex,)))
    return own or delivery.marks.chosen


def _found_marks(delivery: Delivery, plan: Plan, runs: Collection[str] | None = None) -> Setting | None:
    """Marks in the same sizes of the plan with another product, or of some of its houses alone.

    None where the blower's table does not reach so far: nothing is predicted there, with any marks.
    """
    try:
        case = build_case(plan)
        return find_marks(case, delivery.sized.size_index, drive=delivery.drive, fewest=False, runs=runs).chosen
    except InputFaults:
        return None


def _air_of_lots(delivery: Delivery, results: Sequence[LotResult], flex: str, marks: Setting) -> dict[str, LotAir]:
    """What lots get in one flex product.

    Each has the marks of the nearest front. Where these leave rooms outside, it has the table that leaves the fewest,
    and where every table leaves some, marks of its own in the same dampers if they do better. Rooms that are outside at
    a front already are told of as such, and no lot is searched for: that would take long and rarely help.
    """
    groups: dict[tuple[bool, Built], list[LotResult]] = {}
    for result in results:
        if np.isfinite(result.room_airflow_cfm).all():
            groups.setdefault((result.lot.mirrored, result.lot.options), []).append(result)
    found: dict[str, LotAir] = {}
    for (mirrored, options), members in groups.items():
        house = replace(delivery.study.plan, flex=(flex,)).of_house(options)
        found |= _air_of_house(delivery, house, mirrored, members, marks)
    return found


def _air_of_house(
    delivery: Delivery, house: Plan, mirrored: bool, results: Sequence[LotResult], marks: Setting
) -> dict[str, LotAir]:
    """What lots of one house, mirrored or not, get in one flex product."""
    found: dict[str, LotAir] = {}
    order = {r.lot.azimuth_deg: marks.nearest_first(r.nearest_front, mirrored) for r in results}
    for nth in range(len(marks.tables) + (not marks.outside)):
        tables: dict[float, MarkTable] = {}
        for azimuth in dict.fromkeys(r.lot.azimuth_deg for r in results):
            if nth < len(marks.tables):
                tables[azimuth] = marks.tables[order[azimuth][nth]]
            elif own := _found_marks(delivery, plan_at(house, [azimuth], (mirrored,)), marks.runs):
                tables[azimuth] = own.tables[0]
        at = plan_at(house, list(tables), (mirrored,)) if tables else None
        own_marks = nth == len(marks.tables)
        for air in _with_tables(delivery, at, results, tables, own_marks) if at else ():
            name = air.result.lot.name
            if name not in found or len(rooms_off(delivery, air)) < len(rooms_off(delivery, found[name])):
                found[name] = air
        results = [r for r in results if rooms_off(delivery, found[r.lot.name])]
        if not results:
            break
    return found


def _with_tables(
    delivery: Delivery, at: Plan, results: Sequence[LotResult], tables: Mapping[float, MarkTable], own_marks: bool
) -> Iterator[LotAir]:
    """The same with the marks of a table for each azimuth of a plan; lots without one are left out."""
    case = build_case(at)
    tree, variants, seasons = case.tree, case.variants, case.plan.seasons
    by_label = {azimuth_label(azimuth): table for azimuth, table in tables.items()}
    coefficient = np.zeros(variants.airflow_cfm.shape)
    for v, variant in enumerate(variants.variants):
        table = by_label[variant.front]
        for run, takes in zip(table.runs, table.inwc_per_cfm2, strict=True):
            coefficient[v, tree.index(run)] = takes[seasons.index(variant.season)]
    ducts = installed_ducts(case, delivery.sized.size_index, dampers=coefficient)
    got = predict(case, ducts, drive=delivery.drive, strict=False)
    low, high = pass_range_cfm(case.plan, got)
    for result in (result for result in results if result.lot.azimuth_deg in tables):
        label = azimuth_label(result.lot.azimuth_deg)
        rows = [int(np.argmax(variants.where(front=label, season=season))) for season in seasons]
        yield LotAir(
            result=result,
            flex=at.flex[0],
            table=by_label[label],
            own_marks=own_marks,
            target_cfm=got.run_design_cfm[rows],
            expected_cfm=got.run_cfm[rows],
            low_cfm=low[rows],
            high_cfm=high[rows],
            supply_inwc=got.solution.supply_inwc[rows],
            external_static_inwc=got.external_static_inwc[rows],
            total_cfm=got.total_cfm[rows],
        )


def rooms_off(delivery: Delivery, air: LotAir) -> list[str]:
    """Rooms of a lot that its marks leave outside tolerance in some season, as predicted."""
    plan = delivery.study.plan
    serves = supply_runs_of_rooms(plan, delivery.study.tree).T
    target, got = (np.nan_to_num(of) @ serves for of in (air.target_cfm, air.expected_cfm))
    off = np.any(np.abs(got - target) > plan.tolerance.of_room_cfm(target) * (1.0 + TIE), axis=0)
    return [room for room, is_off in zip(plan.rooms, off, strict=True) if is_off]


def lots_outside(delivery: Delivery, lots: LotDelivery | None) -> dict[str, list[str]]:
    """Of the lots that the plan lists those with rooms outside tolerance, and which."""
    listed = lots.air if lots is not None and lots.listed else {}
    off = {name: rooms_off(delivery, air) for name, air in listed.items()}
    return {name: rooms for name, rooms in off.items() if rooms}


def table_numbers(delivery: Delivery, lots: LotDelivery) -> dict[str, int | None]:
    """The number of each lot's table among the plan's, from 1; None for marks of its own, or of its own flex product.

    Empty where one table is on all lots.
    """
    marks = delivery.marks.chosen
    if len(marks.tables) == 1 and not lots.with_own_marks:
        return {}
    return {name: marks.number_of(air.table) for name, air in lots.air.items()}
