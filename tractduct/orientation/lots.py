"""Each lot at its exact azimuth: its airflow, and whether a size set holds there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from tractduct.arrays import FloatArray
from tractduct.findings import Finding, caution, warning
from tractduct.model.lots import Lot
from tractduct.model.plan import Plan
from tractduct.network.tree import DuctTree
from tractduct.network.variants import VariantSet, expand_variants
from tractduct.orientation.azimuths import airflow_at, azimuth_label, between_listed, nearest_front, plan_at
from tractduct.physics.turning import POINT_DEG
from tractduct.sizing.verify import Breach, verify_sizes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LotResult:
    """One lot.

    Attributes
    ----------
    nearest_front : the plan's face nearest to its azimuth
    flex : the products it may get
    source : where its airflow comes from: ``airflow table``, ``loads by surface``, ``table and loads by surface``
        (turned by the loads between values of the table), ``straight line`` (between two faces of the table) or
        ``unknown``
    covered : its azimuth is one of the plan's faces or between two neighbouring ones, and the plan has its mirror
    room_airflow_cfm : (n_season, n_room); NaN where unknown
    run_airflow_cfm : (n_season, n_run) in the order of the tree's runs; 0 where shut, NaN where unknown
    breaches : of the size set at this azimuth, in its flex products; empty where it holds
    holds : None where the airflow is unknown or there is no size set
    """

    lot: Lot
    nearest_front: str
    flex: tuple[str, ...]
    source: str
    covered: bool
    room_airflow_cfm: FloatArray
    run_airflow_cfm: FloatArray
    breaches: tuple[Breach, ...]
    holds: bool | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Place:
    """Lots of one mirror, one house and one sort of flex; ``at`` is the plan at those azimuths whose airflow is known,
    None without any."""

    lots: tuple[Lot, ...]
    known: frozenset[float]
    at: Plan | None
    variants: VariantSet | None

    def breaches(self, size_set: Mapping[str, str]) -> dict[str, tuple[Breach, ...]]:
        """By the name of each lot whose airflow is known, of a size set."""
        if self.at is None or self.variants is None:
            return {}
        at_azimuth: dict[str, list[Breach]] = {face: [] for face in self.at.fronts}
        for breach in verify_sizes(self.at, self.variants.variants, size_set).breaches:
            for face in self.at.fronts if breach.variant is None else (breach.variant.front,):
                at_azimuth[face].append(breach)
        found = {}
        for lot in self.lots:
            if lot.azimuth_deg in self.known:
                flex, mine = _flex(self.at, lot), at_azimuth[azimuth_label(lot.azimuth_deg)]
                found[lot.name] = tuple(b for b in mine if b.variant is None or b.variant.flex in flex)
        return found


def _places(plan: Plan, tree: DuctTree) -> Iterator[_Place]:
    for mirrored, house, other in product((False, True), plan.every_house, ("", *plan.other_flex)):
        lots = [
            lot
            for lot in plan.lots
            if (lot.mirrored, lot.options) == (mirrored, house.options)
            and other == (lot.flex if lot.flex in plan.other_flex else "")
        ]
        if not lots:
            continue
        built = plan.of_house(house.options)
        if other:  # it is there already, so what is on sale does not matter
            built = replace(built, flex=(other,), prices={})
        azimuth = list(dict.fromkeys(lot.azimuth_deg for lot in lots))
        flow = airflow_at(built, azimuth, (mirrored,))
        known = [a for a, of_one in zip(azimuth, flow, strict=True) if np.isfinite(of_one).all()]
        at = plan_at(built, known, (mirrored,)) if known else None
        variants = expand_variants(at, tree) if at is not None else None
        yield _Place(lots=tuple(lots), known=frozenset(known), at=at, variants=variants)


def _flex(plan: Plan, lot: Lot) -> tuple[str, ...]:
    """The products that a lot may get."""
    return (lot.flex,) if lot.flex else plan.flex


def lots_hold(plan: Plan, tree: DuctTree, size_sets: Sequence[Mapping[str, str]]) -> list[dict[str, bool]]:
    """Of each size set, whether it holds at each lot whose airflow is known, by the lot's name."""
    places = list(_places(plan, tree))
    return [
        {name: not broken for place in places for name, broken in place.breaches(size_set).items()}
        for size_set in size_sets
    ]


def lot_results(plan: Plan, tree: DuctTree, size_set: Mapping[str, str]) -> tuple[LotResult, ...]:
    """Every lot of a plan, in its order. ``size_set`` section name -> size label, empty where there is none."""
    found: dict[str, LotResult] = {}
    for place in _places(plan, tree):
        breaches = place.breaches(size_set) if size_set else {}
        for lot in place.lots:
            flex = _flex(plan, lot)
            covered = lot.mirrored in plan.mirrored and bool(between_listed(plan.fronts, [lot.azimuth_deg])[0])
            rooms = np.full((len(plan.seasons), len(plan.rooms)), np.nan)
            runs = np.full((len(plan.seasons), len(tree.run_section)), np.nan)
            if lot.azimuth_deg in place.known and place.variants is not None:
                label = azimuth_label(lot.azimuth_deg)
                for k, season in enumerate(plan.seasons):
                    row = int(np.argmax(place.variants.where(front=label, season=season, flex=flex[0])))
                    rooms[k], runs[k] = place.variants.room_airflow_cfm[row], place.variants.run_airflow_cfm[row]
            mine = breaches.get(lot.name, ())
            found[lot.name] = LotResult(
                lot=lot,
                nearest_front=nearest_front(plan.fronts, lot.azimuth_deg),
                flex=flex,
                source=_source(plan, lot, covered),
                covered=covered,
                room_airflow_cfm=rooms,
                run_airflow_cfm=runs,
                breaches=mine,
                holds=not mine if lot.name in breaches else None,
            )
    return tuple(found[lot.name] for lot in plan.lots)


def _source(plan: Plan, lot: Lot, covered: bool) -> str:
    if plan.turned:
        return "loads by surface"
    if covered and lot.azimuth_deg % POINT_DEG == 0.0:
        return "airflow table"
    if plan.surface_loads is not None:
        return "table and loads by surface" if covered else "loads by surface"
    return "straight line" if covered else "unknown"


def lot_findings(plan: Plan, results: Sequence[LotResult]) -> Iterator[Finding]:
    """Lots where the size set does not hold, that the plan's faces do not cover, or whose airflow is a guess."""
    for r in results:
        where = f"front at {azimuth_label(r.lot.azimuth_deg)}{', mirrored' if r.lot.mirrored else ''}"
        if r.breaches:
            worst = max(r.breaches, key=lambda b: b.use)
            message = f"the size set does not hold there ({where}): {worst}"
            advice = "Size for this direction too, or give this lot larger ducts"
            yield warning("lot", f"lot {r.lot.name}", message, advice, cause="breaks")
        elif r.holds is None and r.source == "unknown":
            message = f"the plan has no airflow for it ({where})"
            advice = "Add the neighbouring faces, mirrored where it is, to the airflow table, or loads by surface"
            yield warning("lot", f"lot {r.lot.name}", message, advice, cause="unknown")
        elif not r.covered:
            message = (
                "its direction is none that" if r.lot.mirrored in plan.mirrored else "it is mirrored as none"
            ) + f" the size set is made for ({where})"
            advice = "Add it to [variants] in plan.toml"
            yield caution("lot", f"lot {r.lot.name}", message, advice, cause="not covered")
    straight = [r.lot.name for r in results if r.source == "straight line"]
    if straight:
        message = "their airflow is in a straight line between the two neighbouring faces of the airflow table"
        advice = "Give the plan's surfaces and load factors, or have the loads worked out for these lots"
        yield caution("airflow between faces", "lots " + ", ".join(straight), message, advice)
