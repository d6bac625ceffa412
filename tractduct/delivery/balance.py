"""Balancing: what each run's damper must take, and what one setting for both seasons costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog, minimize_scalar

from tractduct.delivery.flow import SizedDucts, section_loss_inwc, with_dampers
from tractduct.delivery.predict import Delivered, Drive, predict, room_tolerance_cfm
from tractduct.inputs.cells import key_of
from tractduct.inputs.plan import Plan, Tolerance
from tractduct.network.tree import DuctTree
from tractduct.sizing.case import Case

FloatArray = NDArray[np.float64]

_ALL_ROOMS_WEIGHT = 1e-3  # of the rooms' mean part off, against the worst room's distance in tolerances


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Balance:
    """Damper settings that give every run its design airflow at the least static pressure.

    Attributes
    ----------
    damper_inwc : (n_variant, n_path)
        What each run's damper must take at design airflow; 0 for a run that stays wide open, NaN where shut.
    coefficient : (n_variant, n_section)
        The same as a damper's resistance, inWC/cfm2.
    wide_open : (n_variant, n_side) int
        The run that stays wide open on each side, supply then return: the one that needs the most pressure.
        -1 on a side without runs.
    plenum_inwc : (n_variant, n_side)
        What the supply and the return plenum need at design airflow.
    needed_inwc : (n_variant,)
        External static pressure at design airflow with those settings: ducts and devices.
    blower_inwc : (n_variant,)
        What the blower makes at design airflow; NaN without a table or outside it.
    before, after : the expected readings with all dampers wide open, and as set
    """

    damper_inwc: FloatArray
    coefficient: FloatArray
    wide_open: NDArray[np.intp]
    plenum_inwc: FloatArray
    needed_inwc: FloatArray
    blower_inwc: FloatArray
    before: Delivered
    after: Delivered

    @property
    def possible(self) -> NDArray[np.bool_]:
        """(n_variant,) bool: the blower makes at least what design airflow needs, or holds its airflow."""
        if self.after.drive is Drive.AIRFLOW:
            return np.ones(len(self.needed_inwc), dtype=bool)
        makes = np.nan_to_num(self.blower_inwc, nan=-np.inf)
        return np.asarray(makes >= self.needed_inwc * (1.0 - 1e-9))


def balance(case: Case, ducts: SizedDucts, *, drive: Drive | None = None) -> Balance:
    """Damper settings of every variant, and the readings before and after.

    A run takes the pressure of its plenum at design airflow; the plenum needs what the most demanding run
    loses, whose damper stays wide open; every other damper takes the difference. No lower plenum pressure can
    give all runs their design airflow.
    """
    tree, variants = case.tree, case.variants
    design = _design_flow(case)
    loss = section_loss_inwc(ducts, design, case.air)
    path_loss = np.where(variants.open_run, loss @ tree.path.T.astype(float), np.nan)
    is_return = np.array([run.side == "return" for run in tree.runs], dtype=bool)
    need = np.zeros((len(loss), 2))
    wide = np.full((len(loss), 2), -1, dtype=np.intp)
    for k, side in enumerate((~is_return, is_return)):
        if side.any():
            members = np.flatnonzero(side)
            filled = np.where(np.isnan(path_loss[:, members]), -np.inf, path_loss[:, members])
            wide[:, k] = members[np.argmax(filled, axis=1)]
            need[:, k] = filled.max(axis=1)
    damper = np.where(is_return, need[:, [1]], need[:, [0]]) - path_loss
    flow = design[:, tree.run_section]
    coefficient = np.zeros_like(loss)
    coefficient[:, tree.run_section] = np.divide(
        np.nan_to_num(damper), flow**2, out=np.zeros_like(damper), where=flow > 0.0
    )
    before = predict(case, ducts, drive=drive, strict=False)
    after = predict(case, with_dampers(ducts, coefficient), drive=drive, strict=False)
    stream = after.airstream
    return Balance(
        damper_inwc=damper,
        coefficient=coefficient,
        wide_open=wide,
        plenum_inwc=need,
        needed_inwc=need.sum(axis=1) + stream.device_inwc_per_cfm2 * stream.design_cfm**2,
        blower_inwc=stream.static_at(stream.design_cfm) if stream.has_curve else np.full(len(loss), np.nan),
        before=before,
        after=after,
    )


def _design_flow(case: Case) -> FloatArray:
    """Design airflow of every section; returns carry what the blower draws through them."""
    equipment, variants = case.plan.equipment, case.variants
    factor = (1.0 - equipment.return_leakage) / (1.0 - equipment.supply_leakage)
    is_return = np.array([s.side == "return" for s in case.tree.sections], dtype=bool)
    return np.where(is_return, variants.airflow_cfm * factor, variants.airflow_cfm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneSetting:
    """One damper setting of the supply runs for both seasons, per orientation and flex product.

    Attributes
    ----------
    variants : (n_pair, n_season) int, the variants that share a setting
    worst : (n_pair,), the worst room's distance from design, in tolerances; at most 1 is within
    delivered : what the rooms then get, with the returns wide open
    """

    variants: NDArray[np.intp]
    worst: FloatArray
    delivered: Delivered


def one_setting(case: Case, ducts: SizedDucts, balanced: Balance, *, drive: Drive | None = None) -> OneSetting | None:
    """The single damper setting with the least worst deviation over both seasons; None for one season.

    A set damper takes a part of the system's airflow that hardly changes with the airflow. So the parts are
    chosen first, by a linear program that makes the worst room's distance from design, in tolerances, as small
    as can be; then dampers are set for those parts, and what the rooms really get is predicted. What a blower
    makes beyond need is taken by the dampers too.
    """
    plan, tree, variants = case.plan, case.tree, case.variants
    if len(plan.seasons) < 2:
        return None
    keys = [(v.front_faces, v.mirrored, v.flex) for v in variants.variants]
    order = list(dict.fromkeys(keys))
    pairs = np.array(
        [
            [
                next(j for j, v in enumerate(variants.variants) if keys[j] == key and v.season == season)
                for season in plan.seasons
            ]
            for key in order
        ],
        dtype=np.intp,
    )
    supply = np.array([run.side != "return" for run in tree.runs], dtype=bool)
    target = variants.run_airflow_cfm.copy()
    solved: dict[tuple[str, bool], FloatArray] = {}
    for pair in pairs:
        variant = variants.variants[pair[0]]
        key = (variant.front_faces, variant.mirrored)  # the flex does not change the design airflow
        if key not in solved:
            solved[key] = _parts(case, pair, supply)
        target[np.ix_(pair, np.flatnonzero(supply))] = solved[key]
    rest = balanced.needed_inwc - balanced.plenum_inwc[:, 0]
    made = np.nan_to_num(balanced.blower_inwc - rest) if drive is Drive.BLOWER else np.zeros(len(rest))
    coefficient = _dampers_for(case, ducts, target, pairs, supply, made)
    delivered = predict(case, with_dampers(ducts, coefficient), drive=drive, strict=False)
    off = tolerances_off(delivered, plan.tolerance)
    return OneSetting(
        variants=pairs,
        worst=np.array([off[pair].max() for pair in pairs]),
        delivered=delivered,
    )


def _parts(case: Case, pair: NDArray[np.intp], supply: NDArray[np.bool_]) -> FloatArray:
    """(n_season, n_supply_run) airflow of the runs with the best parts for both seasons.

    Unknowns: the airflow of each room's all-year runs and of each season-only run, in the first season's
    scale, and the worst distance t. Where season-only runs change what the others share, the second season's
    scale is one number more, searched for.
    """
    plan, tree, variants = case.plan, case.tree, case.variants
    runs = np.flatnonzero(supply)
    design = variants.run_airflow_cfm[pair][:, runs]
    is_open = variants.open_run[pair][:, runs]
    need = variants.room_airflow_cfm[pair]
    total = need.sum(axis=1)
    allowed = room_tolerance_cfm(need, plan.tolerance)
    room_of = _room_of(plan, tree, runs)
    # A group is a room's runs that are open together in the same seasons; their shares stay.
    names = [(room_of[j], tuple(is_open[:, j].tolist())) for j in range(len(runs))]
    groups = list(dict.fromkeys(names))
    member = np.array([[names[j] == g for j in range(len(runs))] for g in groups], dtype=float)
    open_group = np.array([g[1] for g in groups], dtype=float).T  # (n_season, n_group)
    room_group = np.array([[g[0] == n for g in groups] for n in range(need.shape[1])], dtype=float)

    live = need.ravel() > 0.0  # (n_season x n_room,) rooms that need air
    wanted, off = need.ravel()[live], allowed.ravel()[live]
    n, m = len(groups), len(wanted)
    # The totals must be met; missing them at a high price keeps the search over the scale well-behaved.
    missing = np.hstack([np.eye(len(pair)), -np.eye(len(pair))])
    none = np.zeros((m, missing.shape[1]))

    def solve(scale: float) -> tuple[float, FloatArray]:
        """Worst distance (and, with little weight, all rooms' parts off) and the groups' airflow."""
        factors = np.array([1.0, scale])
        gets = np.vstack([room_group * open_group[k] * factors[k] for k in range(len(pair))])[live]
        within = np.column_stack([gets, -off]), np.zeros((m, m))
        near = np.column_stack([gets, np.zeros(m)]), -np.diag(wanted)
        rows = [
            np.hstack([sign * part[0][:, :n], part[0][:, n:], part[1], none])
            for part in (within, near)
            for sign in (1.0, -1.0)
        ]
        found = linprog(
            np.r_[np.zeros(n), 1.0, np.full(m, _ALL_ROOMS_WEIGHT / m), np.full(missing.shape[1], 10.0)],
            A_ub=np.vstack(rows),
            b_ub=np.concatenate([wanted, -wanted, wanted, -wanted]),
            A_eq=np.hstack([open_group * factors[:, None], np.zeros((len(pair), 1 + m)), missing]),
            b_eq=total,
            bounds=(0.0, None),
            method="highs",
        )
        return float(found.fun), found.x[:n]

    straight = total[1] / total[0] if total[0] > 0.0 else 1.0
    scale = straight
    if np.any(open_group[0] != open_group[1]):
        search = minimize_scalar(
            lambda s: solve(s)[0],
            bounds=(0.5 * straight, 2.0 * straight),
            method="bounded",
            options={"xatol": 1e-4 * straight},
        )
        scale = float(search.x)
    _, amount = solve(scale)
    # Within a group the runs keep the shares of the season that designs them.
    weight = np.where(is_open, design, 0.0).max(axis=0)
    inside = member * weight
    inside = np.divide(
        inside,
        inside.sum(axis=1, keepdims=True),
        out=np.zeros_like(inside),
        where=inside.sum(axis=1, keepdims=True) > 0,
    )
    base = amount @ inside
    return np.where(is_open, base[None, :] * np.array([1.0, scale])[:, None], 0.0)


def _room_of(plan: Plan, tree: DuctTree, runs: NDArray[np.intp]) -> list[int]:
    index = {key_of(room): n for n, room in enumerate(plan.rooms)}
    return [index[key_of(tree.runs[p].rooms[0])] for p in runs]


def _dampers_for(
    case: Case,
    ducts: SizedDucts,
    target: FloatArray,
    pairs: NDArray[np.intp],
    supply: NDArray[np.bool_],
    made_inwc: FloatArray,
) -> FloatArray:
    """(n_variant, n_section) one damper coefficient a run for both seasons of a pair.

    Set in the season of more airflow where the run is open in both, else in its own. ``made_inwc``
    (n_variant,) is what the blower makes for the supply ducts at design airflow, 0 where it holds its airflow.
    """
    tree, variants = case.tree, case.variants
    run = np.where(supply, target, 0.0)
    section = run @ tree.path.astype(float)
    loss = section_loss_inwc(ducts, section, case.air)
    path_loss = np.where(variants.open_run & supply, loss @ tree.path.T.astype(float), -np.inf)
    plenum = np.maximum(path_loss.max(axis=1), made_inwc)
    spare = np.where(np.isfinite(path_loss), plenum[:, None] - path_loss, 0.0)
    own = np.divide(spare, run**2, out=np.full_like(run, np.nan), where=run > 0.0)
    coefficient: FloatArray = np.zeros_like(section)
    for pair in pairs:
        lead = pair[np.argsort(-variants.room_airflow_cfm[pair].sum(axis=1), kind="stable")]
        setting = own[lead[0]]
        for other in lead[1:]:
            setting = np.where(np.isnan(setting), own[other], setting)
        # Runs that get nothing by design are shut tight.
        setting = np.where(np.isnan(setting) & supply, 1e3, np.nan_to_num(setting))
        coefficient[np.ix_(pair, tree.run_section)] = setting
    return coefficient


def tolerances_off(delivered: Delivered, tolerance: Tolerance) -> FloatArray:
    """(n_variant, n_room) distance from design in tolerances: at most 1 is within."""
    allowed = room_tolerance_cfm(delivered.room_design_cfm, tolerance)
    return np.asarray(np.abs(delivered.room_cfm - delivered.room_design_cfm) / allowed)
