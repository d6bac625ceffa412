"""All that is known of one plan, for whoever writes it down."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tractduct.delivery.built import Built, study_built
from tractduct.delivery.damper_proof import prove_dampers
from tractduct.delivery.damper_search import DamperFront, search_dampers
from tractduct.delivery.deliver import MOST_SEARCHED, Delivery, deliver
from tractduct.delivery.lots import LotDelivery, deliver_lots
from tractduct.delivery.predict import Drive
from tractduct.errors import Fault, InputFaults
from tractduct.findings import Finding, by_cause, warning
from tractduct.model.plan import Plan
from tractduct.one_plan import Progress, Study, study, with_sizes
from tractduct.orientation.study import OrientationStudy, study_orientation
from tractduct.purchasing.buy import Buying, buy
from tractduct.version import VERSION


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeFrom:
    """What a run's files came from, so that those that belong together can be told.

    ``fingerprint`` of the input files (``files.fingerprint``), ``options`` of the run as JSON, ``date`` as given.
    """

    fingerprint: str
    options: str = ""
    date: str = ""

    def described(self) -> dict[str, str]:
        return {"input": self.fingerprint, "options": self.options, "program": VERSION, "date": self.date}

    def stamp(self, plan: str) -> str:
        """One line for the foot of every file."""
        date = f", {self.date}" if self.date else ""
        return f"{plan}, input {self.fingerprint[:12]}, tractduct {VERSION}{date}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Report:
    """A study and what was worked out from it; None where that was not asked for, or no size set holds."""

    study: Study
    delivery: Delivery | None = None
    buying: Buying | None = None
    orientation: OrientationStudy | None = None
    lots: LotDelivery | None = None
    built: Built | None = None
    undelivered: tuple[Fault, ...] = ()  # why the delivered airflow could not be predicted
    made_from: MadeFrom | None = None

    @property
    def stamp(self) -> str:
        """One line for the foot of every file; empty where it is not known what they come from."""
        return self.made_from.stamp(self.study.plan.name) if self.made_from else ""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of all its parts, each cause once, the most urgent first."""
        parts = (self.study, self.delivery, self.buying, self.orientation, self.built)
        found = [finding for part in parts if part is not None for finding in part.findings]
        for fault in self.undelivered:
            message = f"what the rooms get can't be predicted, so no damper is marked: {fault}"
            found.append(warning("delivered airflow", "system", message, "Mend that in the plan, and study it again"))
        return by_cause(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """How much of a plan to work out.

    Attributes
    ----------
    time_limit_s : for each search of sizes; None: until proven
    predicted, bought, turned : what is delivered, what purchasing asks, what the direction does
    drive, compressed_pct : of the prediction; None: what the plan says
    installed : flex product of lots that name none; empty: the first approved
    lots : a number of lots to buy for besides; None: what the plan says
    most_packages : size sets to divide the fronts among
    proved : prove how much less sizes and dampers together could cost
    """

    time_limit_s: float | None = None
    predicted: bool = True
    bought: bool = False
    turned: bool = False
    drive: Drive | None = None
    compressed_pct: float | None = None
    installed: str = ""
    lots: int | None = None
    most_packages: int = 4
    proved: bool = False


def work_out(plan: Plan, wanted: Wanted, progress: Progress = lambda what, done, total: None) -> Report:
    """A plan end to end; where its airflow can't be predicted it is sized all the same. Raises as ``study``."""
    return work_on(study(plan, time_limit_s=wanted.time_limit_s, progress=progress), wanted, progress)


def work_on(sized: Study, wanted: Wanted, progress: Progress = lambda what, done, total: None) -> Report:
    """The same from a plan that is sized already."""
    plan = sized.plan
    delivery, lots, buying, orientation = None, None, None, None
    undelivered: tuple[Fault, ...] = ()
    if wanted.predicted and sized.sized is not None:
        try:
            sized, front = chosen(sized, drive=wanted.drive, progress=progress)
            if front is not None and wanted.proved:
                progress("proof", 0, 1)
                front = replace(front, proof=prove_dampers(sized.case, drive=wanted.drive))
            pct = wanted.compressed_pct
            delivery = deliver(sized, drive=wanted.drive, compressed_pct=pct, by_dampers=front, progress=progress)
        except InputFaults as faults:
            undelivered = tuple(faults.faults)
    built = None
    if plan.built:
        progress("sizes already built", 0, 1)
        built = study_built(sized, predicted=delivery is not None, drive=wanted.drive, time_limit_s=wanted.time_limit_s)
    if wanted.bought:
        installed = wanted.installed or plan.flex[0]
        has = delivery.marks.chosen.runs if delivery else ()
        buying = buy(sized, drive=wanted.drive, lots=wanted.lots, installed=installed, dampers=has, progress=progress)
    if wanted.turned:
        orientation = study_orientation(sized, most_packages=wanted.most_packages, progress=progress)
    if delivery is not None:
        lots = deliver_lots(delivery, wanted.installed, orientation.lots if orientation else None)
    return Report(
        study=sized,
        delivery=delivery,
        buying=buying,
        orientation=orientation,
        lots=lots,
        built=built,
        undelivered=undelivered,
    )


def chosen(
    sized: Study, *, drive: Drive | None = None, progress: Progress = lambda what, done, total: None
) -> tuple[Study, DamperFront | None]:
    """Sizes and dampers searched together; the study with the set that ``[objective] choose`` takes of the two.

    Of more sections than ``MOST_SEARCHED`` that takes many minutes: None, unless the plan asks for it.

    A set that is chosen by its dampers is the best that was found, and never proven: its status is ``feasible``.
    """
    if len(sized.tree.sections) > MOST_SEARCHED and sized.plan.choose != "dampers":
        return sized, None
    progress("sizes and dampers", 0, 1)
    starts = [s.size_index for s in (sized.recommended, sized.least_cost) if s.size_index is not None]
    front = search_dampers(sized.case, sized.least_cost, starts, drive=drive)
    progress("sizes and dampers", 1, 1)
    if sized.plan.choose != "dampers":
        return sized, front
    return with_sizes(sized, front.least().solution), front
