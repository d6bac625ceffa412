"""Balancing: what each run's damper must take, and what one setting for both seasons costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from tractduct.delivery.flow import SizedDucts, section_loss_inwc, with_dampers
from tractduct.delivery.predict import Delivered, Drive, default_drive, predict
from tractduct.model.plan import Plan, Tolerance
from tractduct.model.words import key_of
from tractduct.network.tree import DuctTree
from tractduct.sizing.case import Case
from tractduct.sizing.highs import linear_program

FloatArray = NDArray[np.float64]

_ALL_ROOMS_WEIGHT = 1e-3  # of the rooms' mean part off, against the worst room's distance in tolerances
_SHUT = 1e3  # inWC/cfm2 of a damper that is shut tight
_PASSES = 3  # over the airflow that a blower moves, which depends on the setting itself


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
    wide_open: NDArray[np.intp]
    plenum_inwc: FloatArray
    needed_inwc: FloatArray
    made_inwc: FloatArray
    possible: NDArray[np.bool_]
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
    is_return = np.array([run.side == "return" for run in tree.runs], dtype=bool)
    need, wide = np.zeros((len(loss), 2)), np.full((len(loss), 2), -1, dtype=np.intp)
    for k, side in enumerate((~is_return, is_return)):
        if side.any():
            members = np.flatnonzero(side)
            filled = np.where(live[:, members], path_loss[:, members], -np.inf)
            any_live = live[:, members].any(axis=1)
            wide[:, k] = np.where(any_live, members[np.argmax(filled, axis=1)], -1)
            need[:, k] = np.where(any_live, filled.max(axis=1), 0.0)
    damper = np.where(is_return, need[:, [1]], need[:, [0]]) - path_loss
    coefficient = np.zeros_like(loss)
    coefficient[:, tree.run_section] = np.where(live, np.nan_to_num(damper) / np.where(live, flow, 1.0) ** 2, _SHUT)
    before = predict(case, ducts, drive=drive, strict=False)
    after = predict(case, with_dampers(ducts, coefficient), drive=drive, strict=False)
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneSetting:
    """One damper setting of the supply runs for both seasons, per orientation and flex product.

    Attributes
    ----------
    variants : (n_pair, n_season) int, the variants that share a setting
    worst : (n_pair,), the worst room's distance from design, in tolerances; at most 1 is within
    damper_inwc : (n_variant, n_path), what each damper then takes; 0 for a return, NaN where the run is shut
    delivered : what the rooms then get, with the returns wide open
    """

    variants: NDArray[np.intp]
    worst: FloatArray
    damper_inwc: FloatArray
    delivered: Delivered


def one_setting(case: Case, ducts: SizedDucts, balanced: Balance, *, drive: Drive | None = None) -> OneSetting | None:
    """The single damper setting with the least worst deviation over both seasons; None for one season.

    A set damper takes a part of the system's airflow that hardly changes with the airflow. So the parts are
    chosen first, by a linear program that makes the worst room's distance from design, in tolerances, as small
    as can be; then dampers are set for those parts, and what the rooms really get is predicted. A blower that
    follows its table moves what the setting lets it: the ratio between the seasons is then taken from that
    prediction, and the parts are chosen again.
    """
    plan, tree, variants = case.plan, case.tree, case.variants
    if len(plan.seasons) < 2:
        return None
    drive = drive or default_drive(plan)
    place = {v: j for j, v in enumerate(variants.variants)}
    pairs = np.array(
        [
            [place[replace(v, season=season)] for season in plan.seasons]
            for v in variants.variants
            if v.season == plan.seasons[0]
        ],
        dtype=np.intp,
    )
    supply = np.array([run.side != "return" for run in tree.runs], dtype=bool)
    both = supply & variants.open_run[pairs[0]].all(axis=0)
    held = drive is Drive.AIRFLOW
    ratio = np.ones(len(pairs))
    for _ in range(1 if held else _PASSES):
        target = np.zeros_like(variants.run_airflow_cfm)
        solved: dict[tuple[str, bool, float], FloatArray] = {}
        for k, pair in enumerate(pairs):
            variant = variants.variants[pair[0]]
            # The flex does not change the design airflow; rounding lets pairs that are alike share a program.
            key = (variant.front, variant.mirrored, 0.0 if held else round(float(ratio[k]), 4))
            if key not in solved:
                solved[key] = _parts(case, pair, supply, None if held else key[2])
            target[np.ix_(pair, np.flatnonzero(supply))] = solved[key]
        made = _made_for_supply(case, balanced, target, drive)
        coefficient = _dampers_for(case, ducts, target, pairs, supply, made)
        delivered = predict(case, with_dampers(ducts, coefficient), drive=drive, strict=False)
        moved = np.nansum(np.where(both, delivered.run_cfm, 0.0), axis=1)[pairs]
        ratio = np.divide(moved[:, 1], moved[:, 0], out=np.ones(len(pairs)), where=moved[:, 0] > 0.0)
    off = tolerances_off(delivered, plan.tolerance)
    return OneSetting(
        variants=pairs,
        worst=np.array([off[pair].max() for pair in pairs]),
        damper_inwc=coefficient[:, tree.run_section] * delivered.run_cfm**2,
        delivered=delivered,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Settings:
    """A case in its sizes with its damper settings: all that a balancing sheet needs.

    ``size_set`` section name -> size label; ``setting`` is None for a plan of one season.
    """

    case: Case
    size_set: Mapping[str, str]
    balanced: Balance
    setting: OneSetting | None


def balanced_settings(
    case: Case, ducts: SizedDucts, size_set: Mapping[str, str], *, drive: Drive | None = None
) -> Settings:
    """``balance`` and ``one_setting`` of a case together."""
    balanced = balance(case, ducts, drive=drive)
    return Settings(
        case=case, size_set=size_set, balanced=balanced, setting=one_setting(case, ducts, balanced, drive=drive)
    )


def _made_for_supply(case: Case, balanced: Balance, target: FloatArray, drive: Drive) -> FloatArray:
    """(n_variant,) pressure that the supply plenum will have at the target airflow; 0 where airflow is held."""
    stream = balanced.after.airstream
    if drive is Drive.PRESSURE:
        return np.full(len(target), case.plan.supply_inwc)
    if drive is Drive.AIRFLOW:
        return np.zeros(len(target))
    total = target.sum(axis=1) / (1.0 - case.plan.equipment.supply_leakage)
    within = np.clip(total, stream.airflow_cfm[0], stream.airflow_cfm[-1])
    of_design = np.divide(total, stream.design_cfm, out=np.ones_like(total), where=stream.design_cfm > 0.0)
    back = balanced.plenum_inwc[:, 1] * of_design**2
    left: FloatArray = np.nan_to_num(stream.static_at(within)) - stream.devices.at(total) - back
    return left


def _parts(case: Case, pair: NDArray[np.intp], supply: NDArray[np.bool_], ratio: float | None) -> FloatArray:
    """(n_season, n_supply_run) airflow of the runs with the best parts for both seasons.

    Unknowns: the airflow of each room's all-year runs, in the first season's scale, of each season-only run,
    and the worst distance t. ``ratio`` is what an all-year run carries in the second season over the first; if
    None, the season's totals are held instead and the ratio is searched for.
    """
    plan, tree, variants = case.plan, case.tree, case.variants
    runs = np.flatnonzero(supply)
    design = variants.run_airflow_cfm[pair][:, runs]
    is_open = variants.open_run[pair][:, runs]
    # Several divisions may be as good; without rounding the last bits of the input would choose among them.
    need = np.round(variants.room_airflow_cfm[pair], 9)
    total = need.sum(axis=1)
    allowed = plan.tolerance.of_room_cfm(need)
    room_of = _room_of(plan, tree, runs)
    # A group is a room's runs that are open in the same seasons; their shares stay.
    names = [(room_of[j], tuple(is_open[:, j].tolist())) for j in range(len(runs))]
    groups = list(dict.fromkeys(names))
    member = np.array([[names[j] == g for j in range(len(runs))] for g in groups], dtype=float)
    open_group = np.array([g[1] for g in groups], dtype=float).T  # (n_season, n_group)
    all_year = open_group.all(axis=0)
    room_group = np.array([[g[0] == n for g in groups] for n in range(need.shape[1])], dtype=float)
    live = need.ravel() > 0.0  # (n_season x n_room,) rooms that need air
    wanted, off = need.ravel()[live], allowed.ravel()[live]
    n, m, seasons = len(groups), len(wanted), len(pair)
    # Held totals must be met; missing them at a high price keeps the search over the ratio well-behaved.
    missing = np.hstack([np.eye(seasons), -np.eye(seasons)])
    none = np.zeros((m, missing.shape[1]))
    held = ratio is None

    def factors(scale: float) -> FloatArray:
        """(n_season, n_group) airflow in a season over the unknown."""
        return np.asarray(open_group * np.vstack([np.ones(n), np.where(all_year, scale, 1.0)]))

    def solve(scale: float) -> tuple[float, FloatArray]:
        """Worst distance (and, with little weight, all rooms' parts off) and the groups' airflow."""
        factor = factors(scale)
        gets = np.vstack([room_group * factor[k] for k in range(seasons)])[live]
        within = np.column_stack([gets, -off]), np.zeros((m, m))
        near = np.column_stack([gets, np.zeros(m)]), -np.diag(wanted)
        rows = [
            np.hstack([sign * part[0][:, :n], part[0][:, n:], part[1], none])
            for part in (within, near)
            for sign in (1.0, -1.0)
        ]
        found = linear_program(
            np.r_[np.zeros(n), 1.0, np.full(m, _ALL_ROOMS_WEIGHT / m), np.full(missing.shape[1], 10.0)],
            A_ub=np.vstack(rows),
            b_ub=np.concatenate([wanted, -wanted, wanted, -wanted]),
            A_eq=np.hstack([factor, np.zeros((seasons, 1 + m)), missing]) if held else None,
            b_eq=total if held else None,
            bounds=(0.0, None),
        )
        return float(found.fun), found.x[:n]

    if not m:
        return np.zeros((seasons, len(runs)))
    scale = ratio if ratio is not None else total[1] / total[0] if total[0] > 0.0 else 1.0
    if held and not all_year.all() and total.min() > 0.0:
        search = minimize_scalar(
            lambda s: solve(s)[0],
            bounds=(0.5 * scale, 2.0 * scale),
            method="bounded",
            options={"xatol": 1e-4 * scale},
        )
        scale = float(search.x)
    _, amount = solve(scale)
    # Within a group the runs keep the shares of the season that designs them.
    weight = np.where(is_open, design, 0.0).max(axis=0) * member
    whole = weight.sum(axis=1, keepdims=True)
    inside = np.divide(weight, whole, out=np.zeros_like(weight), where=whole > 0.0)
    return np.where(is_open, (factors(scale) * amount) @ inside, 0.0)


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
    (n_variant,) is what the supply plenum has at the target; 0 where the blower holds its airflow.
    """
    tree, variants = case.tree, case.variants
    run = np.where(supply, target, 0.0)
    loss = section_loss_inwc(ducts, run @ tree.path.astype(float), case.air)
    path_loss = np.where(variants.open_run & supply, loss @ tree.path.T.astype(float), -np.inf)
    plenum = np.maximum(path_loss.max(axis=1), made_inwc)
    spare = np.where(np.isfinite(path_loss), plenum[:, None] - path_loss, 0.0)
    own = np.divide(spare, run**2, out=np.full_like(run, np.nan), where=run > 0.0)
    coefficient: FloatArray = np.zeros_like(variants.airflow_cfm)
    for pair in pairs:
        lead = pair[np.argsort(-run[pair].sum(axis=1), kind="stable")]
        setting = own[lead[0]]
        for other in lead[1:]:
            setting = np.where(np.isnan(setting), own[other], setting)
        setting = np.where(np.isnan(setting) & supply, _SHUT, np.nan_to_num(setting))
        coefficient[np.ix_(pair, tree.run_section)] = setting
    return coefficient


def tolerances_off(delivered: Delivered, tolerance: Tolerance) -> FloatArray:
    """(n_variant, n_room) distance from design in tolerances: at most 1 is within."""
    allowed = tolerance.of_room_cfm(delivered.room_design_cfm)
    return np.asarray(np.abs(delivered.room_cfm - delivered.room_design_cfm) / allowed)
