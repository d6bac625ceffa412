"""What a studied plan's house will deliver: prediction, balancing, substitution, robustness together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tractduct.delivery.balance import Balance, OneSetting, Settings, balance, one_setting, tolerances_off
from tractduct.delivery.predict import LEAST_CFM_A_TON, Delivered, Drive, default_drive, installed_ducts, predict
from tractduct.delivery.robust import MOST_COMPRESSION_PCT, Spread, find_spread
from tractduct.delivery.substitute import Substitution, find_substitutions
from tractduct.findings import Finding, Severity
from tractduct.physics.friction import COMPRESSION_TESTED_TO_PCT
from tractduct.study import Progress, Study

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
    setting : one damper setting for both seasons, with returns wide open; None for a plan of one season
    spread : what building tolerances do to the balanced airflow
    substitutions : sized for one flex, another installed
    findings : what to look at
    """

    study: Study
    drive: Drive
    open_dampers: Delivered
    compressed: Delivered
    compressed_pct: float
    balanced: Balance
    setting: OneSetting | None
    spread: Spread
    substitutions: tuple[Substitution, ...]
    findings: tuple[Finding, ...]

    @property
    def settings(self) -> Settings:
        """What a balancing sheet needs."""
        return Settings(
            case=self.study.case, size_set=self.study.size_set, balanced=self.balanced, setting=self.setting
        )


def deliver(
    study: Study,
    *,
    drive: Drive | None = None,
    compressed_pct: float | None = None,
    progress: Progress = lambda what, done, total: None,
) -> Delivery:
    """Predict what a study's standard size set delivers.

    ``compressed_pct`` is of the flex shown beside the plan's own, the most of the robustness builds if None.

    Raises ValueError for a study without a size set, or a blower drive without a blower table; InputFaults
    where the blower's curve never meets the system's.
    """
    size_index = study.recommended.size_index
    if size_index is None:
        raise ValueError("no size set holds, so there is nothing to deliver")
    case = study.case
    drive = drive or default_drive(case.plan)
    compressed_pct = MOST_COMPRESSION_PCT if compressed_pct is None else compressed_pct
    ducts = installed_ducts(case, size_index)
    open_dampers = predict(case, ducts, drive=drive)
    compressed = predict(
        case, installed_ducts(case, size_index, compression_pct=compressed_pct), drive=drive, strict=False
    )
    progress("balancing", 0, 4)
    balanced = balance(case, ducts, drive=drive)
    setting = one_setting(case, ducts, balanced, drive=drive)
    progress("robustness", 2, 4)
    spread = find_spread(case, size_index, balanced.coefficient, drive=drive)
    progress("substitution", 3, 4)
    substitutions = find_substitutions(case, drive=drive)
    found = [*_system(study, open_dampers), *_balancing(study, balanced), *_seasons(study, setting)]
    if compressed_pct > COMPRESSION_TESTED_TO_PCT:
        found.append(_beyond_measured(compressed_pct))
    found += _unsettled(study, compressed, f"flex compressed by {compressed_pct:g} %")
    found += _unsettled(study, balanced.after, "balanced")
    if setting is not None:
        found += _unsettled(study, setting.delivered, "one damper setting")
    return Delivery(
        study=study,
        drive=drive,
        open_dampers=open_dampers,
        compressed=compressed,
        compressed_pct=compressed_pct,
        balanced=balanced,
        setting=setting,
        spread=spread,
        substitutions=substitutions,
        findings=tuple(sorted(found, key=lambda f: f.severity)),
    )


def _system(study: Study, got: Delivered) -> Iterator[Finding]:
    plan, variants = study.plan, study.variants
    cooling = variants.where(season="cooling")
    if plan.equipment.capacity_tons and cooling.any():
        a_ton = np.where(cooling, got.total_cfm / plan.equipment.capacity_tons, np.inf)
        v = int(np.argmin(a_ton))
        if a_ton[v] < LEAST_CFM_A_TON:
            yield Finding(
                severity=Severity.WARNING,
                rule="airflow over the coil",
                subject="system",
                message=f"{plan.units.say(a_ton[v], 'cfm a ton', '.0f')}, under "
                f"{plan.units.number(LEAST_CFM_A_TON, 'cfm a ton', 'g')} ({variants.variants[v]})",
                advice="Choose a higher speed, a coil or filter that takes less, or larger ducts",
            )
    outside = ~got.system_within(plan.tolerance)
    if outside.any():
        off = 100.0 * (got.total_cfm / got.airstream.design_cfm - 1.0)
        v = int(np.argmax(np.where(outside, np.abs(off), -1.0)))
        yield Finding(
            severity=Severity.CAUTION,
            rule="system airflow",
            subject="system",
            message=f"{plan.units.say(got.total_cfm[v], 'cfm', '.0f')} with all dampers open, "
            f"{off[v]:+.0f} % of design "
            f"({variants.variants[v]}); tolerance is {plan.tolerance.system_pct:g} %",
            advice="Choose the blower speed that comes nearest, and measure it",
        )


def _beyond_measured(compressed_pct: float) -> Finding:
    return Finding(
        severity=Severity.CAUTION,
        rule="compressed flex",
        subject="system",
        message=f"airflow with flex compressed by {compressed_pct:g} % is shown; the relation used was measured up to "
        f"{COMPRESSION_TESTED_TO_PCT:g} %",
        advice="Take it for a rough figure",
    )


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
    yield Finding(
        severity=Severity.WARNING,
        rule="balancing",
        subject="system",
        message=f"no damper setting gives every room its design airflow in {impossible.sum()} variants: {why} "
        f"({study.variants.variants[v]})",
        advice="Choose a higher speed, or reduce the losses of devices and ducts",
    )


def _unsettled(study: Study, got: Delivered, what: str) -> Iterator[Finding]:
    blank = ~got.solution.settled
    if blank.any():
        yield Finding(
            severity=Severity.WARNING,
            rule="no operating point",
            subject="system",
            message=f"{what}: the blower's table and the system never meet in {blank.sum()} variants "
            f"({study.variants.variants[int(np.argmax(blank))]} and others); nothing is predicted there",
            advice="Add rows to the blower table from the equipment's data",
        )


def _seasons(study: Study, setting: OneSetting | None) -> Iterator[Finding]:
    if setting is None:
        return
    # Rounded, so that the first of several equal variants is named whatever their last bits are.
    off = np.round(np.nan_to_num(tolerances_off(setting.delivered, study.plan.tolerance)), 9)
    design = setting.delivered.room_design_cfm
    for n, room in enumerate(study.plan.rooms):
        v = int(np.argmax(off[:, n]))
        if off[v, n] > 1.0 and design[v, n] > 0.0:
            yield Finding(
                severity=Severity.CAUTION,
                rule="one damper setting for both seasons",
                subject=f"room {room}",
                message=f"the best single setting still gives "
                f"{study.plan.units.number(setting.delivered.room_cfm[v, n], 'cfm', '.0f')} of "
                f"{study.plan.units.say(design[v, n], 'cfm', '.0f')} ({study.variants.variants[v]})",
                advice="Mark two damper positions, one a season, or add a run that is open in one season only",
            )
