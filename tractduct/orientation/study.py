"""A plan's orientation study: sensitivity, packages, lots and every degree together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from tractduct.findings import Finding, caution
from tractduct.model.plan import Plan
from tractduct.one_plan import Progress, Study
from tractduct.orientation.azimuths import nearest_front
from tractduct.orientation.between import DegreeCheck, check_between, check_every_degree
from tractduct.orientation.check import LoadsCheck, check_findings, check_loads
from tractduct.orientation.lots import LotResult, lot_findings, lot_results, lots_hold
from tractduct.orientation.sensitivity import (
    HouseLoad,
    RoomSensitivity,
    house_loads,
    loads_findings,
    most_changing,
    sensitivity_by_room,
)
from tractduct.physics.solar import SCREENING
from tractduct.sizing.packages import Group, PackageStudy, divide_fronts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LotPackage:
    """Which of K packages a lot gets, by its nearest face.

    ``package`` counts from 0 in the order of the choice's packages; ``holds`` says whether that package's sizes hold at
    the lot's own azimuth; where they do not and another package's do, ``better`` is that one.
    None: no package, or the lot's airflow is unknown.
    """

    lot: str
    n_package: int
    package: int | None
    holds: bool | None
    better: int | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OrientationStudy:
    """What the direction of the front does to a plan.

    Attributes
    ----------
    study : the plan's study
    loads_check : loads by surface against the airflow table; None unless the plan has both
    houses : the load of each house by direction; empty without loads by surface
    sensitivity : every room in the house in which it is most sensitive, most sensitive first
    packages : what more than one size set saves; None where no set holds in some orientation, or there is one only
    lot_packages : by lot and number of packages, from 2 on
    lots : every lot at its exact azimuth; empty without a lots table
    degrees : the standard set at every degree; None without one
    screening : what to say beside anything that rests on glass factors by the sun; empty where none do
    findings : what to look at
    """

    study: Study
    loads_check: LoadsCheck | None
    houses: tuple[HouseLoad, ...]
    sensitivity: tuple[RoomSensitivity, ...]
    packages: PackageStudy | None
    lot_packages: tuple[LotPackage, ...]
    lots: tuple[LotResult, ...]
    degrees: DegreeCheck | None
    screening: str
    findings: tuple[Finding, ...]

    @property
    def house(self) -> HouseLoad | None:
        """The load of the house in which it changes most; None without loads by surface."""
        return most_changing(self.houses)


def study_orientation(
    study: Study,
    *,
    step_deg: float = 1.0,
    most_packages: int = 4,
    by_mirror: bool = False,
    progress: Progress = lambda what, done, total: None,
) -> OrientationStudy:
    """Study what the direction of the front does to a plan that is sized.

    Parameters
    ----------
    step_deg : of the check between the faces; divides 45
    most_packages : 0 leaves the packages out
    by_mirror : packages by face and mirror, not by face alone
    """
    plan = study.plan
    check = check_loads(plan)
    houses = house_loads(plan)
    sensitivity = sensitivity_by_room(study, houses)
    progress("every degree", 0, 3)
    degrees = check_every_degree(plan, study.size_set, step_deg=step_deg) if study.size_set else None
    progress("lots", 1, 3)
    lots = lot_results(plan, study.tree, study.size_set)
    progress("packages", 2, 3)
    packages = None
    if most_packages and len(plan.fronts) * len(plan.mirrored) > 1:
        mix = lot_mix(plan, by_mirror=by_mirror)
        packages = divide_fronts(study.case, mix, by_mirror=by_mirror, most=most_packages, progress=progress)
    lot_packages = _lot_packages(study, packages)
    found = [
        *check_findings(plan, check),
        *loads_findings(study, most_changing(houses), sensitivity),
        *check_between(degrees),
        *lot_findings(plan, lots),
        *_in_packages(study, packages, lot_packages),
    ]
    return OrientationStudy(
        study=study,
        loads_check=check,
        houses=houses,
        sensitivity=sensitivity,
        packages=packages,
        lot_packages=lot_packages,
        lots=lots,
        degrees=degrees,
        screening=SCREENING if plan.surface_loads is not None and plan.surface_loads.sun is not None else "",
        findings=tuple(found),
    )


def lot_mix(plan: Plan, *, by_mirror: bool = False) -> dict[Group, float] | None:
    """Number of lots still to be built by nearest face (and mirror); None without any."""
    left = [lot for lot in plan.lots if not lot.built]
    return dict(Counter(_group(plan, lot.azimuth_deg, lot.mirrored, by_mirror) for lot in left)) or None


def _group(plan: Plan, azimuth_deg: float, mirrored: bool, by_mirror: bool) -> Group:
    return nearest_front(plan.fronts, azimuth_deg), mirrored if by_mirror else None


def _lot_packages(study: Study, packages: PackageStudy | None) -> tuple[LotPackage, ...]:
    if packages is None or not study.plan.lots:
        return ()
    by_mirror = packages.groups[0][1] is not None
    plan, choices = study.plan, [c for c in packages.choices if c.n_package > 1]
    holds = iter(lots_hold(plan, study.tree, [study.case.labels(p.size_index) for c in choices for p in c.packages]))
    found = []
    for choice in choices:
        held = [next(holds) for _ in choice.packages]
        for lot in plan.lots:
            group = _group(plan, lot.azimuth_deg, lot.mirrored, by_mirror)
            mine = next((i for i, p in enumerate(choice.packages) if group in p.groups), None)
            fits = None if mine is None else held[mine].get(lot.name)
            others = [i for i, of_one in enumerate(held) if of_one.get(lot.name)] if fits is False else []
            better = min(others, key=lambda i: choice.packages[i].cost, default=None)
            n = choice.n_package
            found.append(LotPackage(lot=lot.name, n_package=n, package=mine, holds=fits, better=better))
    return tuple(found)


def _in_packages(study: Study, packages: PackageStudy | None, lots: tuple[LotPackage, ...]) -> Iterator[Finding]:
    choices = packages.choices if packages else ()
    if choices and choices[0].n_package > 1:
        cost = study.plan.units.say(choices[0].expected_cost, study.cost_unit, ",.2f")
        message = f"no one size set holds; {choices[0].n_package} do, at {cost} per lot"
        advice = "Keep so many sets of drawings, or look at the changes that were tried"
        yield caution("duct packages", "size set", message, advice)
    for k in (choice.n_package for choice in choices):
        names = [lot.lot for lot in lots if lot.n_package == k and lot.holds is False]
        if names:
            message = f"with {k} packages, that of the nearest face does not hold at their own azimuth"
            advice = "Give them the other package that holds there"
            yield caution("duct packages", "lots " + ", ".join(names), message, advice)
