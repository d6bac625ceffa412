"""Airflow with the sizes fixed: supply tree, return tree, devices and blower settled together.

All variants are solved at once by Newton's method. A section's loss is linear around its present airflow;
a tree of linear sections condenses from the registers to the air handler into one of them, so a step costs a
few array operations for each level of the tree and no matrix.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
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
# The largest relative change of a variant that counts as settled at the last step. Where no friction jumped in a step
# the next change is about the square of its own, so that there need be no other.
_SETTLED = 1e-8
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
    """Sections of one depth at places ``first`` to ``end``, those of one parent together.

    ``starts`` begins each such family, counted from ``first``; ``above`` is where each family's parent stands.
    """

    first: int
    end: int
    starts: IntArray
    above: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class _Order:
    """Sections from the registers to the air handler, so that a level is a slice of an array.

    ``section`` (n_section,) is which stands at each place, ``parent`` the place of its parent: after the sections come
    the supply plenum and the return plenum. ``levels``: the deepest first.
    """

    section: IntArray
    parent: IntArray
    levels: tuple[_Level, ...]


@lru_cache(maxsize=16)  # of trees solved again and again
def _order(tree: DuctTree) -> _Order:
    n = len(tree.sections)
    depth = np.zeros(n, dtype=np.intp)
    above = np.array([n + (s.side == "return") for s in tree.sections], dtype=np.intp)
    for i, p in enumerate(tree.parent):
        if p >= 0:
            depth[i], above[i] = depth[p] + 1, p
    section = np.lexsort((above, -depth))
    place = np.append(np.empty(n, dtype=np.intp), [n, n + 1])  # the plenums stay where they are
    place[section] = np.arange(n)
    parent = place[above[section]]
    levels = []
    for first, end in pairwise([*np.flatnonzero(np.diff(-depth[section], prepend=-n)), n]):
        starts = np.flatnonzero(np.diff(parent[first:end], prepend=-1))
        levels.append(_Level(int(first), int(end), starts, parent[first:end][starts]))
    return _Order(section, parent, tuple(levels))


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

    @property
    def jump_cfm(self) -> FloatArray:
        """The airflow at which friction jumps from laminar to turbulent."""
        return LAMINAR_BELOW_REYNOLDS / self.reynolds_per_cfm


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
    lost, order = leakage or Leakage(), _order(tree)
    is_open = np.broadcast_to(is_open, start_cfm.shape)
    # A section whose runs are all shut is shut too.
    is_open = is_open & ((is_open[:, tree.run_section] @ tree.path.astype(float)) > 0.0)
    open_, start = is_open.T[order.section], start_cfm.T[order.section]
    losses = each(losses, lambda values: values.T[order.section])
    flow = np.where(open_, np.maximum(start, _LEAST_CFM), 0.0)
    supply = flow[order.parent == len(flow)].sum(axis=0)  # of the sections at the air handler
    blower = np.where(supply > 0.0, supply, 1.0) / (1.0 - lost.supply)
    settled = np.ones(len(blower), dtype=bool)
    steps = 0
    change, edge = np.zeros_like(flow), losses.jump_cfm
    top = edge * (1.0 + _JUMP_WIDTH)
    below, above = flow < edge, flow > top
    with np.errstate(divide="ignore", invalid="ignore"):
        while steps < most_steps:
            steps += 1
            linear = _Linear.of(order, *losses.at(flow), flow, open_)
            plenum, blower, settled = _meet(source, linear, lost, blower)
            new = np.where(open_, np.maximum(linear.flow(order, plenum), _LEAST_CFM), 0.0)
            was_below, was_above, below, above = below, above, new < edge, new > top
            # A step from one side of the laminar jump to the other stops inside it.
            crosses = (was_below & above) | (was_above & below)
            new = np.where(crosses, 0.5 * (edge + top), new)
            below, above = below & ~crosses, above & ~crosses
            change = np.abs(new - flow) / np.maximum(np.abs(new), 1.0)
            flow = new
            is_smooth = np.array_equal(below, was_below) and np.array_equal(above, was_above)
            if np.max(change, initial=0.0) < (_SETTLED if is_smooth else _CLOSE):
                break
    settled = settled & (change.max(axis=0) < _SETTLED)
    if isinstance(source, HeldPressure):
        static = blower = np.full(len(blower), np.nan)
    else:
        static = plenum[0] + plenum[1] + source.devices.at(blower)
    airflow = np.empty(start_cfm.shape)
    airflow[:, order.section] = flow.T
    return AirflowSolution(
        airflow_cfm=airflow,
        supply_inwc=plenum[0],
        return_inwc=plenum[1],
        blower_cfm=blower,
        external_static_inwc=static,
        settled=settled,
        steps=steps,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Linear:
    """Each section with all beyond it as pressure = offset + airflow x resistance; (n_section, n_variant) in order.

    The arrays of ``offset`` and ``resistance`` end with the two plenums: the whole supply and return tree.
    """

    offset: FloatArray
    resistance: FloatArray
    conductance: FloatArray
    own_offset: FloatArray
    own_slope: FloatArray

    @staticmethod
    def of(order: _Order, loss: FloatArray, slope: FloatArray, flow: FloatArray, is_open: BoolArray) -> _Linear:
        """Sections that are linear around a flow, condensed from the registers to the plenums."""
        own_offset, plenums = loss - slope * flow, np.zeros((2, flow.shape[1]))
        offset, resistance = np.concatenate([own_offset, plenums]), np.concatenate([slope, plenums])
        conductance = np.empty_like(flow)
        for level in order.levels:
            at = slice(level.first, level.end)
            part = np.where(is_open[at], 1.0 / resistance[at], 0.0)
            conductance[at] = part
            total = np.add.reduceat(part, level.starts, axis=0)
            push = np.add.reduceat(part * offset[at], level.starts, axis=0)
            joined = 1.0 / total  # infinite where all are shut
            offset[level.above] += np.where(total > 0.0, push * joined, 0.0)
            resistance[level.above] += joined
        return _Linear(offset, resistance, conductance, own_offset, slope)

    def flow(self, order: _Order, plenum: FloatArray) -> FloatArray:
        """Airflow of every section from the pressure of the plenums (2, n_variant) outwards."""
        flow = np.empty_like(self.own_offset)
        node = np.concatenate([flow, plenum])  # pressure at the end of each section
        for level in reversed(order.levels):
            at = slice(level.first, level.end)
            above = node[order.parent[at]]
            flow[at] = (above - self.offset[at]) * self.conductance[at]
            node[at] = above - self.own_offset[at] - self.own_slope[at] * flow[at]
        return flow


def _meet(
    source: Source, linear: _Linear, lost: Leakage, blower: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Pressure of the plenums (2, n_variant) and the blower's airflow where the linear trees meet what drives them."""
    fine = np.ones(len(blower), dtype=bool)
    if isinstance(source, HeldPressure):
        return np.array(np.broadcast_arrays(source.supply_inwc, source.return_inwc, blower)[:2]), blower, fine
    offset = linear.offset[-2:]
    resistance = linear.resistance[-2:] * np.array([[1.0 - lost.supply], [1.0 - lost.return_]])
    if isinstance(source, HeldAirflow):
        blower = source.blower_cfm
    else:
        bent, slope = source.devices.powers_from(blower)
        blower, fine = _crossing(source, offset.sum(axis=0) + bent, resistance.sum(axis=0) + slope)
    return offset + resistance * blower, blower, fine


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
