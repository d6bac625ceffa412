"""What a studied plan's house will deliver: prediction, balancing, substitution, robustness together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import FloatArray
from tractduct.delivery.balance import Balance, balance
from tractduct.delivery.damper_search import DamperFront
from tractduct.delivery.mark_checks import AsBuilt, MarkedDegrees, check_marks_every_degree, rooms_outside_as_built
from tractduct.delivery.mark_remedies import Remedy as MarkRemedy
from tractduct.delivery.mark_remedies import find_remedies
from tractduct.delivery.marks import Marks, Setting, find_marks
from tractduct.delivery.predict import LEAST_CFM_A_TON, Delivered, Drive, default_drive, installed_ducts, predict
from tractduct.delivery.robust import MOST_COMPRESSION_PCT, Spread, building_spread
from tractduct.delivery.substitute import Substitution, substitutions_of
from tractduct.findings import Finding, caution, warning
from tractduct.one_plan import Progress, Sized, Study
from tractduct.physics.friction import COMPRESSION_TESTED_TO_PCT

MOST_SEARCHED = 150  # sections of a plan for which fewer dampers are looked for; more take many minutes
HOOD_ERROR_PCT = 6.0  # flow hood in the field: about 6 % powered, 11 to 25 % not (LBNL, abstract of Part 2)
HOOD_ERROR_UNPOWERED_PCT = (11.0, 25.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Delivery:
    """What the standard size set delivers.

    Attributes
    ----------
    open_dampers : every damper wide open, ducts as the plan says
    compressed : the same with every flex compressed by ``compressed_pct``
    balanced : dampers set for each variant alone
    as_run : as the house will run: balanced so, with filters due for change
    marks : the damper marks that the crew sets, the same on all lots that share a table
    as_built, mark_remedies, mark_degrees : houses that are not built quite as drawn; what would help rooms that the
        marks leave outside; the marks between the fronts, None for one front
    by_dampers : sizes and dampers searched together; None where that was not asked for
    spread : what building tolerances do to the balanced airflow
    substitutions : sized for one flex, another installed
    """

    study: Study
    sized: Sized
    drive: Drive
    open_dampers: Delivered
    compressed: Delivered
    compressed_pct: float
    balanced: Balance
    as_run: Delivered
    marks: Marks
    as_built: AsBuilt
    mark_remedies: tuple[MarkRemedy, ...]
    mark_degrees: MarkedDegrees | None
    by_dampers: DamperFront | None
    spread: Spread
    substitutions: tuple[Substitution, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What to look at."""
        return tuple(_findings(self))

    @property
    def standard_cfm(self) -> FloatArray:
        """(n_variant,) what the blower moves as the house will run, in cfm of standard air: what coils and furnaces
        are rated in."""
        return self.as_run.total_cfm * self.study.plan.density_ratio

    @property
    def rated_static_inwc(self) -> float | None:
        """The equipment's highest external static pressure in the site's air: a fan's pressure goes with density.

        None where the plan does not give it, or the plenums' pressures are held whatever the devices take.
        """
        rated = self.study.plan.equipment.rated_static_inwc
        return None if rated is None or self.drive is Drive.PRESSURE else rated * self.study.plan.density_ratio


def deliver(
    study: Study,
    *,
    drive: Drive | None = None,
    compressed_pct: float | None = None,
    by_dampers: DamperFront | None = None,
    progress: Progress = lambda what, done, total: None,
) -> Delivery:
    """Predict what a study's standard size set delivers.

    ``compressed_pct`` is of the flex shown beside the plan's own, the most of the robustness builds if None;
    ``by_dampers`` what ``search_dampers`` found, to be shown beside it.

    Raises ValueError for a study without a size set, or a blower drive without a blower table; InputFaults
    where the blower's curve never meets the system's.
    """
    if study.sized is None:
        raise ValueError("no size set holds, so there is nothing to deliver")
    size_index = study.sized.size_index
    case = study.case
    drive = drive or default_drive(case.plan)
    compressed_pct = MOST_COMPRESSION_PCT if compressed_pct is None else compressed_pct
    ducts = installed_ducts(case, size_index)
    open_dampers = predict(case, ducts, drive=drive)
    squeezed = installed_ducts(case, size_index, compression_pct=compressed_pct)
    compressed = predict(case, squeezed, drive=drive, strict=False)
    progress("balancing", 0, 5)
    balanced = balance(case, ducts, drive=drive)
    set_dampers = replace(ducts, damper_inwc_per_cfm2=balanced.coefficient)
    as_run = predict(case, set_dampers, drive=drive, loaded=True, strict=False)
    progress("damper marks", 1, 5)
    marks = find_marks(case, size_index, drive=drive, fewest=len(case.tree.sections) <= MOST_SEARCHED)
    progress("robustness", 3, 5)
    spread = building_spread(case, size_index, balanced.coefficient, drive=drive)
    progress("substitution", 4, 5)
    substitutions = substitutions_of(case, drive=drive)
    return Delivery(
        study=study,
        sized=study.sized,
        drive=drive,
        open_dampers=open_dampers,
        compressed=compressed,
        compressed_pct=compressed_pct,
        balanced=balanced,
        as_run=as_run,
        marks=marks,
        as_built=rooms_outside_as_built(case, size_index, marks.chosen, drive=drive),
        mark_remedies=find_remedies(case, size_index, marks.chosen),
        mark_degrees=check_marks_every_degree(case, marks.chosen) if len(case.plan.fronts) > 1 else None,
        by_dampers=by_dampers,
        spread=spread,
        substitutions=substitutions,
    )


def _findings(delivery: Delivery) -> Iterator[Finding]:
    study, marks = delivery.study, delivery.marks.chosen
    yield from _equipment(delivery)
    yield from _system(study, delivery.open_dampers)
    yield from _balancing(study, delivery.balanced)
    yield from _marks(study, marks, delivery.mark_remedies)
    compressed = f"flex compressed by {delivery.compressed_pct:g} %"
    if delivery.compressed_pct > COMPRESSION_TESTED_TO_PCT:
        message = f"airflow with {compressed} is shown; the relation used was measured up to "
        message += f"{COMPRESSION_TESTED_TO_PCT:g} %"
        yield caution("compressed flex", "system", message, "Take it for a rough figure")
    yield from _unsettled(study, delivery.compressed, compressed)
    yield from _unsettled(study, delivery.balanced.after, "balanced")
    if _has_filter(study):
        yield from _unsettled(study, delivery.as_run, "balanced, filters due for change")
    yield from _unsettled(study, marks.delivered, "with the damper marks")
    if delivery.mark_degrees is not None:
        yield from delivery.mark_degrees.findings(marks)


def _has_filter(study: Study) -> bool:
    return any(d.loaded_inwc is not None for d in study.plan.equipment.devices)


def _equipment(delivery: Delivery) -> Iterator[Finding]:
    """What the equipment asks for, as the house will run; variants without an operating point are told apart."""
    study, gear, units = delivery.study, delivery.study.plan.equipment, delivery.study.plan.units
    how = "balanced" + (", filters due for change" if _has_filter(study) else "")
    # Rounded, so that the first of several equal variants is named whatever their last bits are.
    moved = np.round(np.nan_to_num(delivery.standard_cfm, nan=np.inf), 9)
    static = np.round(np.nan_to_num(delivery.as_run.external_static_inwc, nan=-np.inf), 9)
    coil = "Choose a higher speed, a coil or filter that takes less, or larger ducts"
    furnace = "Choose a higher speed, a filter that takes less, or larger ducts: too little air overheats the furnace"
    for season, rule, least, per, unit, advice in (
        ("cooling", "airflow over the coil", LEAST_CFM_A_TON, gear.capacity_tons, "cfm a ton", coil),
        ("heating", "airflow in heating", gear.least_heating_cfm, 1.0, "cfm", furnace),
    ):
        counts = study.variants.where(season=season)
        if least is None or per is None or not counts.any():
            continue
        got = np.where(counts, moved / per, np.inf)
        v = int(np.argmin(got))
        if got[v] < least:
            message = (
                f"{units.say(got[v], unit, '.1f')} of standard air, under {units.number(least, unit, 'g')} "
                f"({study.variants.variants[v]}; {how})"
            )
            yield warning(rule, "system", message, advice)
    rated, v = delivery.rated_static_inwc, int(np.argmax(static))
    if rated is not None and static[v] > rated * (1.0 + 1e-9):
        message = (
            f"{units.say(static[v], 'inWC', '.3f')}, over the {units.number(rated, 'inWC', '.3f')} that the "
            f"equipment is rated for in this site's air ({study.variants.variants[v]}; {how})"
        )
        advice = "Larger ducts, a filter that takes less, or equipment rated for more"
        yield warning("external static pressure", "system", message, advice)


def _system(study: Study, got: Delivered) -> Iterator[Finding]:
    plan, variants = study.plan, study.variants
    outside = ~got.system_within(plan.tolerance)
    if outside.any():
        off = 100.0 * (got.total_cfm / got.airstream.design_cfm - 1.0)
        v = int(np.argmax(np.where(outside, np.abs(off), -1.0)))
        message = (
            f"{plan.units.say(got.total_cfm[v], 'cfm', '.0f')} with all dampers open, {off[v]:+.0f} % of design "
            f"({variants.variants[v]}); tolerance is {plan.tolerance.system_pct:g} %"
        )
        advice = "Choose the blower speed that comes nearest, and measure it"
        missing = abs(float(got.total_cfm[v] - got.airstream.design_cfm[v]))
        yield caution("system airflow", "system", message, advice, air_cfm=missing)


def _balancing(study: Study, balanced: Balance) -> Iterator[Finding]:
    impossible = ~balanced.possible
    if not impossible.any():
        return
    short = np.where(impossible, balanced.needed_inwc - np.nan_to_num(balanced.made_inwc), -np.inf)
    v, units = int(np.argmax(short)), study.plan.units
    if np.isnan(balanced.made_inwc[v]):
        why = f"the blower's table does not reach {units.say(balanced.after.airstream.design_cfm[v], 'cfm', '.0f')}"
    else:
        why = f"{units.say(balanced.needed_inwc[v], 'inWC', '.3f')} is needed and there is "
        why += units.number(float(balanced.made_inwc[v]), "inWC", ".3f")
    message = (
        f"no damper setting gives every room its design airflow in {impossible.sum()} variants: {why} "
        f"({study.variants.variants[v]})"
    )
    advice = "Choose a higher speed, or reduce the losses of devices and ducts"
    yield warning("balancing", "system", message, advice)


def _unsettled(study: Study, got: Delivered, what: str) -> Iterator[Finding]:
    blank = ~got.solution.settled
    if blank.any():
        message = (
            f"{what}: the blower's table and the system never meet in {blank.sum()} variants "
            f"({study.variants.variants[int(np.argmax(blank))]} and others); nothing is predicted there"
        )
        advice = "Add rows to the blower table from the equipment's data"
        yield warning("no operating point", "system", message, advice)


def _marks(study: Study, marks: Setting, remedies: tuple[MarkRemedy, ...]) -> Iterator[Finding]:
    """Rooms that the damper marks leave outside tolerance, the farthest off first, and the best change tried."""
    units = study.plan.units
    best = remedies[0] if remedies else None
    advice = "No change that was tried brings it within tolerance: give it ducts of its own"
    if best is not None:
        left = f"leaves {best.rooms_outside} rooms outside" if best.rooms_outside else "puts every room right"
        cost = "" if np.isnan(best.extra_cost) else f", {units.say(best.extra_cost, study.cost_unit, '+,.2f')} per lot"
        advice = f"Tried: {best.what} {left}{cost}. Sheet Damper marks has the others"
    for room in sorted(marks.outside, key=lambda r: -r.tolerances):
        gets = f"{units.number(room.delivered_cfm, 'cfm', '.0f')} of {units.say(room.design_cfm, 'cfm', '.0f')}"
        message = f"the best marks still give {gets} ({room.variant}), {room.tolerances:.2f} tolerances off"
        rule, missed = "room outside with the damper marks", abs(room.delivered_cfm - room.design_cfm)
        yield warning(
            rule, f"room {room.room}", message, advice, room=room.room, cause="marks", amount=gets, air_cfm=missed
        )
