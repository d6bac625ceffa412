"""Balancing: what each run's damper must take to give every room its design airflow in one variant."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.delivery.flow import SizedDucts, section_loss_inwc
from tractduct.delivery.predict import Delivered, Drive, default_drive, predict
from tractduct.model.plan import Tolerance
from tractduct.sizing.budget import worst_by_side
from tractduct.sizing.case import Case

_SHUT = 1e3  # inWC/cfm2 of a damper that is shut tight


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Balance:
    """Damper settings that give every run its design airflow at the least static pressure.

    Attributes
    ----------
    damper_inwc : (n_variant, n_path)
        What each run's damper must take at design airflow; 0 for a run that stays wide open, NaN where the run
        is shut or needs nothing (its damper is then shut tight).
    coefficient : (n_variant, n_section)
        The same as a damper's resistance, inWC/cfm2.
    wide_open : (n_variant, n_side) int
        The run that stays wide open on each side, supply then return: the one that needs the most pressure.
        -1 on a side where none needs air.
    plenum_inwc : (n_variant, n_side)
        What the supply and the return plenum need at design airflow.
    needed_inwc : (n_variant,)
        External static pressure at design airflow with those settings: ducts and devices.
    made_inwc : (n_variant,)
        What there is at design airflow: the blower's, or the plenums' where they are held; NaN where the
        airflow is held, or outside the blower's table.
    before, after : the expected readings with all dampers wide open, and as set
    """

    damper_inwc: FloatArray
    coefficient: FloatArray
    wide_open: IntArray
    plenum_inwc: FloatArray
    needed_inwc: FloatArray
    made_inwc: FloatArray
    possible: BoolArray
    before: Delivered
    after: Delivered


def balance(case: Case, ducts: SizedDucts, *, drive: Drive | None = None) -> Balance:
    """Damper settings of every variant, and the readings before and after.

    A run takes the pressure of its plenum at design airflow; the plenum needs what the most demanding run
    loses, whose damper stays wide open; every other damper takes the difference. No lower plenum pressure can
    give all runs their design airflow. ``possible`` (n_variant,) says whether there is as much.
    """
    tree, variants, plan = case.tree, case.variants, case.plan
    drive = drive or default_drive(plan)
    flow = variants.run_airflow_cfm
    live = variants.open_run & (flow > 0.0)
    loss = section_loss_inwc(ducts, variants.airflow_cfm, case.air)
    path_loss = np.where(live, loss @ tree.path.T.astype(float), np.nan)
    side, need = tree.side_of_path, worst_by_side(tree, live, path_loss)
    of_side = [np.where(live & (side == k), path_loss, -np.inf) for k in range(2)]
    wide = np.column_stack([np.where(np.isfinite(of).any(axis=1), of.argmax(axis=1), -1) for of in of_side])
    damper = need[:, side] - path_loss
    coefficient = np.zeros_like(loss)
    coefficient[:, tree.run_section] = np.where(live, np.nan_to_num(damper) / np.where(live, flow, 1.0) ** 2, _SHUT)
    before = predict(case, ducts, drive=drive, strict=False)
    after = predict(case, replace(ducts, damper_inwc_per_cfm2=coefficient), drive=drive, strict=False)
    stream = after.airstream
    needed = need.sum(axis=1) + stream.devices.at(stream.design_cfm)
    made = np.full(len(loss), np.nan)
    possible = np.ones(len(loss), dtype=bool)
    if drive is Drive.BLOWER:
        made = stream.static_at(stream.design_cfm)
        possible = np.nan_to_num(made, nan=-np.inf) >= needed * (1.0 - 1e-9)
    elif drive is Drive.PRESSURE:
        held = np.array([plan.supply_inwc, plan.return_inwc])
        made, needed = np.full(len(loss), held.sum()), need.sum(axis=1)
        possible = np.all(held >= need * (1.0 - 1e-9), axis=1)
    return Balance(
        damper_inwc=damper,
        coefficient=coefficient,
        wide_open=wide,
        plenum_inwc=need,
        needed_inwc=needed,
        made_inwc=made,
        possible=possible,
        before=before,
        after=after,
    )


def tolerances_off(delivered: Delivered, tolerance: Tolerance) -> FloatArray:
    """(n_variant, n_room) distance from design in tolerances: at most 1 is within; infinite where it is not known."""
    allowed = tolerance.of_room_cfm(delivered.room_design_cfm)
    return np.nan_to_num(np.abs(delivered.room_cfm - delivered.room_design_cfm) / allowed, nan=np.inf)
