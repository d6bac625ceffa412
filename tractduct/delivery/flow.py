"""Airflow with the sizes fixed: supply tree, return tree, devices and blower settled together.

All variants are solved at once by Newton's method. A section's loss is linear around its present airflow;
a tree of linear sections condenses from the registers to the air handler into one of them, so a step costs a
few array operations for each level of the tree and no matrix.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from tractduct.arrays import BoolArray, IntArray, each
from tractduct.arrays import FloatArray as FloatArray
from tractduct.network.airstream import DeviceLoss
from tractduct.network.tree import DuctTree
from tractduct.physics.air import Air, dynamic_pressure_inwc, velocity_pressure_inwc
from tractduct.physics.friction import LAMINAR_BELOW_REYNOLDS, friction_factor_and_slope, round_area_ft2

# The friction of laminar flow jumps to turbulent at one Reynolds number. A pressure in between would have no
# airflow at all; over this relative width the loss rises in a straight line instead.
_JUMP_WIDTH = 1e-4
_CLOSE = 1e-11  # relative change of the airflow at which a solve is done
_SETTLED = 1e-8  # the largest relative change of a variant that counts as settled at the last step
MOST_STEPS = 60
_LEAST_CFM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SizedDucts:
    """What each section is, as installed; arrays of (n_variant, n_section) or broadcastable to it.

    Attributes
    ----------
    diameter_in, area_ft2 : of the size, equivalent diameter and real area
    roughness_ft, derate : of the product, derate as a part
    friction_length_ft : straight length x compression factor + equivalent lengths
    loss_coefficient : of the velocity pressure
    damper_inwc_per_cfm2 : what a balancing damper adds; 0 when wide open
    is_open : bool, False where a run is shut
    """

    diameter_in: FloatArray
    area_ft2: FloatArray
    roughness_ft: FloatArray
    derate: FloatArray
    friction_length_ft: FloatArray
    loss_coefficient: FloatArray
    damper_inwc_per_cfm2: FloatArray
    is_open: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlowerCurve:
    """External static pressure against airflow, by variant.

    ``airflow_cfm`` (n_point,) rising and ``static_inwc`` (n_variant, n_point): straight lines between points.
    """

    airflow_cfm: FloatArray
    static_inwc: FloatArray
    devices: DeviceLoss


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldAirflow:
    """A blower that moves a given airflow whatever it takes; ``blower_cfm`` (n_variant,)."""

    blower_cfm: FloatArray
    devices: DeviceLoss


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldPressure:
    """Plenums held at a pressure, as (n_variant,): supply above the rooms', return below it."""

    supply_inwc: FloatArray
    return_inwc: FloatArray


Source = BlowerCurve | HeldAirflow | HeldPressure


@dataclass(frozen=True, slots=True, kw_only=True)
class Leakage:
    """Parts of the blower's airflow, 0 to below 1: lost from the supply ducts, gained in the return ducts.

    They are taken at the air handler, so the ducts themselves carry what the registers read.
    """

    supply: float = 0.0
    return_: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AirflowSolution:
    """The settled airflow.

    Attributes
    ----------
    airflow_cfm : (n_variant, n_section)
    supply_inwc, return_inwc : (n_variant,), pressure of the plenums against the rooms, both as losses
    blower_cfm : (n_variant,), what the blower moves; NaN where there is none (held pressure)
    external_static_inwc : (n_variant,), supply, return and devices together; NaN likewise
    settled : (n_variant,) bool, False where no airflow balances
    steps : Newton steps taken
    """

    airflow_cfm: FloatArray
    supply_inwc: FloatArray
    return_inwc: FloatArray
    blower_cfm: FloatArray
    external_static_inwc: FloatArray
    settled: BoolArray
    steps: int

    def with_unsettled_blank(self) -> AirflowSolution:
        """NaN in place of the numbers of variants that did not settle."""
        if self.settled.all():
            return self
        by_variant = ("supply_inwc", "return_inwc", "blower_cfm", "external_static_inwc")
        known: dict[str, Any] = {name: np.where(self.settled, getattr(self, name), np.nan) for name in by_variant}
        return replace(self, airflow_cfm=np.where(self.settled[:, None], self.airflow_cfm, np.nan), **known)


@dataclass(frozen=True, slots=True, eq=False)
class _Level:
    """Sections of one depth, those of one parent together; ``starts`` begins each such family."""

    sections: IntArray
    starts: IntArray
    parents: IntArray
    family: IntArray  # (n in level,), which family a section is of


_Side = tuple[_Level, ...]  # one tree, deepest level first; the last level joins the air handler


@lru_cache(maxsize=16)  # of trees solved again and again
def _side(tree: DuctTree, is_return: bool) -> _Side:
    depth = np.zeros(len(tree.sections), dtype=int)
    for i, p in enumerate(tree.parent):
        depth[i] = depth[p] + 1 if p >= 0 else 0
    mine = np.array([(s.side == "return") == is_return for s in tree.sections], dtype=bool)
    levels = []
    for d in sorted(set(depth[mine].tolist()), reverse=True):
        members = np.flatnonzero(mine & (depth == d))
        members = members[np.argsort(tree.parent[members], kind="stable")]
        parents, starts, family = np.unique(tree.parent[members], return_index=True, return_inverse=True)
        levels.append(_Level(members, starts.astype(np.intp), parents.astype(np.intp), family.astype(np.intp)))
    return tuple(levels)


def section_loss_inwc(ducts: SizedDucts, airflow_cfm: FloatArray, air: Air) -> FloatArray:
    """What each section loses at an airflow, dampers included; (n_variant, n_section)."""
    return Losses.of(ducts, air, airflow_cfm.shape).at(airflow_cfm)[0]


@dataclass(frozen=True, slots=True, eq=False)
class Losses:
    """A section's loss and slope at an airflow, with all that does not change worked out once; arrays of one shape."""

    reynolds_per_cfm: FloatArray
    relative_roughness: FloatArray
    friction_per_cfm2: FloatArray  # times the friction factor
    other_per_cfm2: FloatArray  # loss coefficients and dampers

    @staticmethod
    def of(ducts: SizedDucts, air: Air, shape: tuple[int, ...]) -> Losses:
        diameter_ft = ducts.diameter_in / 12.0
        velocity_fpm = 1.0 / round_area_ft2(ducts.diameter_in) / (1.0 - ducts.derate)
        reynolds = velocity_fpm / 60.0 * diameter_ft / air.kinematic_viscosity_ft2_per_s
        friction = ducts.friction_length_ft / diameter_ft * dynamic_pressure_inwc(velocity_fpm, air)
        other = ducts.loss_coefficient * velocity_pressure_inwc(1.0 / ducts.area_ft2, air)
        own = Losses(reynolds, ducts.roughness_ft / diameter_ft, friction, other + ducts.damper_inwc_per_cfm2)
        return each(own, lambda values: np.ascontiguousarray(np.broadcast_to(values, shape)))

    def at(self, flow: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Loss [inWC] and its slope [inWC/cfm]; laminar friction bridges to turbulent over a narrow width."""
        reynolds = self.reynolds_per_cfm * flow
        factor, slope = friction_factor_and_slope(reynolds, self.relative_roughness)
        ramp = (reynolds >= LAMINAR_BELOW_REYNOLDS) & (reynolds < LAMINAR_BELOW_REYNOLDS * (1.0 + _JUMP_WIDTH))
        if np.any(ramp):
            along = (reynolds[ramp] / LAMINAR_BELOW_REYNOLDS - 1.0) / _JUMP_WIDTH
            low = 64.0 / LAMINAR_BELOW_REYNOLDS
            high = factor[ramp]
            factor[ramp] = low + along * (high - low)
            slope[ramp] = (high - low) / _JUMP_WIDTH
        square = self.friction_per_cfm2 * factor + self.other_per_cfm2
        return square * flow * flow, flow * (2.0 * square + self.friction_per_cfm2 * slope)

    def keep_from_jumping(self, old: FloatArray, new: FloatArray) -> FloatArray:
        """A step from one side of the laminar jump to the other stops inside it."""
        edge = LAMINAR_BELOW_REYNOLDS / self.reynolds_per_cfm
        top = edge * (1.0 + _JUMP_WIDTH)
        crosses = ((old < edge) & (new > top)) | ((old > top) & (new < edge))
        return np.where(crosses, 0.5 * (edge + top), new)


def solve_airflow(
    tree: DuctTree, ducts: SizedDucts, source: Source, air: Air, start_cfm: FloatArray, leakage: Leakage | None = None
) -> AirflowSolution:
    """Settle the airflow of every section in every variant; all rooms are at one pressure.

    Parameters
    ----------
    air : (n_variant, n_section), or one for all
    start_cfm : (n_variant, n_section), a guess such as the design airflow

    Where a blower curve crosses the system's more than once, the crossing at the largest airflow is taken:
    the one that a running blower keeps to. Where it crosses nowhere, ``settled`` is False.

    A section that ends in a room can't feed others here; ValueError where one does.
    """
    for i, section in enumerate(tree.sections):
        if section.is_run and tree.children(i):
            raise ValueError(f"section {section.name!r} ends in a room and feeds others")
    return settle(tree, Losses.of(ducts, air, start_cfm.shape), ducts.is_open, source, start_cfm, leakage)


def settle(
    tree: DuctTree,
    losses: Losses,
    is_open: BoolArray,
    source: Source,
    start_cfm: FloatArray,
    leakage: Leakage | None = None,
    most_steps: int = MOST_STEPS,
) -> AirflowSolution:
    """``solve_airflow`` of losses at hand. Few ``most_steps`` from a start close by give a guess, not settled."""
    lost = leakage or Leakage()
    sides = (_side(tree, False), _side(tree, True))
    is_open = np.broadcast_to(is_open, start_cfm.shape)
    # A section whose runs are all shut is shut too.
    is_open = is_open & ((is_open[:, tree.run_section] @ tree.path.astype(float)) > 0.0)
    flow = np.where(is_open, np.maximum(start_cfm, _LEAST_CFM), 0.0)
    starts = flow[:, sides[0][-1].sections if sides[0] else []].sum(axis=1)  # of the sections at the air handler
    blower = np.where(starts > 0.0, starts, 1.0) / (1.0 - lost.supply)
    settled = np.ones(len(flow), dtype=bool)
    steps = 0
    change = np.zeros_like(flow)
    while steps < most_steps:
        steps += 1
        loss, slope = losses.at(flow)
        with np.errstate(divide="ignore", invalid="ignore"):
            condensed = [_condense(side, loss, slope, flow, is_open) for side in sides]
        plenum, blower, settled = _meet(source, condensed, lost, blower)
        new = np.zeros_like(flow)
        for side, part, pressure in zip(sides, condensed, plenum, strict=True):
            _spread(side, part, pressure, new)
        new = np.where(is_open, np.maximum(new, _LEAST_CFM), 0.0)
        new = losses.keep_from_jumping(flow, new)
        change = np.abs(new - flow) / np.maximum(np.abs(new), 1.0)
        flow = new
        if np.max(change, initial=0.0) < _CLOSE:
            break
    settled = settled & (change.max(axis=1) < _SETTLED)
    supply, back = plenum
    if isinstance(source, HeldPressure):
        static = blower = np.full(len(flow), np.nan)
    else:
        static = supply + back + source.devices.at(blower)
    return AirflowSolution(
        airflow_cfm=flow,
        supply_inwc=supply,
        return_inwc=back,
        blower_cfm=blower,
        external_static_inwc=static,
        settled=settled,
        steps=steps,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Condensed:
    """Each section with all beyond it as pressure = offset + airflow / conductance.

    ``root_offset`` and ``root_resistance`` (n_variant,) are the whole tree seen from the air handler.
    """

    offset: FloatArray
    conductance: FloatArray
    own_offset: FloatArray
    own_slope: FloatArray
    root_offset: FloatArray
    root_resistance: FloatArray


def _condense(side: _Side, loss: FloatArray, slope: FloatArray, flow: FloatArray, is_open: BoolArray) -> _Condensed:
    own_offset = loss - slope * flow
    offset, resistance = own_offset.copy(), slope.copy()
    conductance = np.where(is_open, 1.0 / resistance, 0.0)
    root_offset, root_resistance = np.zeros(len(flow)), np.zeros(len(flow))
    for level in side:
        part = conductance[:, level.sections]
        total = np.add.reduceat(part, level.starts, axis=1)
        push = np.add.reduceat(part * offset[:, level.sections], level.starts, axis=1)
        joined = np.where(total > 0.0, 1.0 / total, np.inf)
        node = np.where(total > 0.0, push * joined, 0.0)
        if level.parents[0] < 0:
            root_offset, root_resistance = node[:, 0], joined[:, 0]
            continue
        above = level.parents
        offset[:, above] += node
        resistance[:, above] += joined
        conductance[:, above] = np.where(is_open[:, above], 1.0 / resistance[:, above], 0.0)
    return _Condensed(offset, conductance, own_offset, slope, root_offset, root_resistance)


def _spread(side: _Side, part: _Condensed, plenum: FloatArray, flow: FloatArray) -> None:
    """Airflow of every section from the plenum's pressure outwards, into ``flow``."""
    node = np.zeros_like(flow)
    for level in reversed(side):
        at = level.sections
        above = plenum[:, None] if level.parents[0] < 0 else node[:, level.parents[level.family]]
        flow[:, at] = (above - part.offset[:, at]) * part.conductance[:, at]
        node[:, at] = above - part.own_offset[:, at] - part.own_slope[:, at] * flow[:, at]


def _meet(
    source: Source, condensed: list[_Condensed], lost: Leakage, blower: FloatArray
) -> tuple[tuple[FloatArray, FloatArray], FloatArray, BoolArray]:
    """Plenum pressures and the blower's airflow where the linear trees meet what drives them."""
    supply, back = condensed
    fine = np.ones(len(blower), dtype=bool)
    if isinstance(source, HeldPressure):
        return (source.supply_inwc, source.return_inwc), blower, fine
    parts = (1.0 - lost.supply, 1.0 - lost.return_)
    offset = supply.root_offset + back.root_offset
    resistance = supply.root_resistance * parts[0] + back.root_resistance * parts[1]
    if isinstance(source, HeldAirflow):
        blower = source.blower_cfm
    else:
        bent, slope = source.devices.powers_from(blower)
        blower, fine = _crossing(source, offset + bent, resistance + slope)
    plenums = [c.root_offset + c.root_resistance * part * blower for c, part in zip(condensed, parts, strict=True)]
    return (plenums[0], plenums[1]), blower, fine


def _crossing(curve: BlowerCurve, offset: FloatArray, resistance: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Largest airflow at which the curve meets offset + resistance q + squares q^2; False where nowhere."""
    q = curve.airflow_cfm
    device = curve.devices.square
    system = offset[:, None] + resistance[:, None] * q + device[:, None] * q**2
    spare = curve.static_inwc - system
    turns = (spare[:, :-1] >= 0.0) & (spare[:, 1:] < 0.0)
    any_turn = turns.any(axis=1)
    last = turns.shape[1] - 1 - np.argmax(turns[:, ::-1], axis=1)
    rows = np.arange(len(offset))
    q0, q1 = q[last], q[last + 1]
    h0, h1 = curve.static_inwc[rows, last], curve.static_inwc[rows, last + 1]
    # device q^2 + (resistance - m) q + (offset - h0 + m q0) = 0 on the straight piece of slope m
    m = (h1 - h0) / (q1 - q0)
    linear, constant = resistance - m, offset - h0 + m * q0
    root = np.sqrt(np.maximum(linear**2 - 4.0 * device * constant, 0.0))
    # The form that does not cancel, whichever the sign of the linear term.
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.where(linear >= 0.0, -2.0 * constant / (linear + root), (root - linear) / (2.0 * device))
    found = np.clip(found, q0, q1)
    # A curve may cover a part of the axis only; where it ends above the system, the crossing lies beyond.
    inside = np.isfinite(spare)
    first, end = np.argmax(inside, axis=1), inside.shape[1] - 1 - np.argmax(inside[:, ::-1], axis=1)
    beyond = np.where(spare[rows, end] >= 0.0, q[end], q[first])
    return np.where(any_turn, found, beyond), np.asarray(any_turn)


def with_dampers(ducts: SizedDucts, damper_inwc_per_cfm2: FloatArray) -> SizedDucts:
    """The same ducts with other dampers."""
    return replace(ducts, damper_inwc_per_cfm2=damper_inwc_per_cfm2)
