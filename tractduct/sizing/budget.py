"""What the ducts may lose: given by the plan, or what the blower leaves after the devices."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.errors import InputFaults, Origin
from tractduct.model.plan import Plan
from tractduct.network.airstream import airstream
from tractduct.network.tree import DuctTree
from tractduct.network.variants import VariantSet


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Budget:
    """Circuits and what each may lose.

    Where the plan gives the pressure of each side, a circuit is one path. Where the blower's table gives it, a
    circuit is a supply path and a return path together, so that the losses themselves decide how the pressure
    is split.

    Attributes
    ----------
    circuit : (n_circuit, n_section) bool
    paths : (n_circuit, 2) int, the paths of a circuit; the second is -1 where there is one only
    available_inwc : (n_variant, n_circuit), infinite where a run of the circuit is shut
    by_side_inwc : (n_variant, 2), supply and return, where the plan gives them; NaN else
    total_inwc : (n_variant,), supply and return together, where the blower gives it; NaN else
    """

    circuit: BoolArray
    paths: IntArray
    available_inwc: FloatArray
    by_side_inwc: FloatArray
    total_inwc: FloatArray

    def rows(self, rows: IntArray) -> Budget:
        """The variants of these rows."""
        return replace(
            self,
            available_inwc=self.available_inwc[rows],
            by_side_inwc=self.by_side_inwc[rows],
            total_inwc=self.total_inwc[rows],
        )

    def path_margin_inwc(self, path_loss_inwc: FloatArray) -> FloatArray:
        """(n_variant, n_path) what each path could lose more before a circuit of its breaks; inf where shut."""
        two = self.paths[:, 1] >= 0
        both = path_loss_inwc[:, self.paths[:, 0]]
        both[:, two] += path_loss_inwc[:, self.paths[two, 1]]
        margin = (self.available_inwc - both).T
        found = np.full(path_loss_inwc.T.shape, np.inf)
        np.minimum.at(found, self.paths[:, 0], margin)
        np.minimum.at(found, self.paths[two, 1], margin[two])
        return found.T

    def path_available_inwc(self, tree: DuctTree, open_run: BoolArray, of_path: FloatArray) -> FloatArray:
        """(n_variant, n_path) what a path's side has.

        ``of_path`` (n_variant, n_path) is what each path loses, or anything in proportion: a pressure that the blower
        gives is split by the worst open path of each side.
        """
        worst = worst_by_side(tree, open_run, of_path)
        total = worst.sum(axis=1)
        part = np.divide(worst[:, 0], total, out=np.full(len(total), 0.5), where=total > 0.0)
        split = np.column_stack([self.total_inwc * part, self.total_inwc * (1.0 - part)])
        by_side = np.where(np.isfinite(self.by_side_inwc), self.by_side_inwc, split)
        return by_side[:, tree.side_of_path]


def worst_by_side(tree: DuctTree, open_run: BoolArray, of_path: FloatArray) -> FloatArray:
    """(n_variant, 2) the largest of a quantity (n_variant, n_path) over the open paths of each side; 0 without."""
    side = tree.side_of_path
    return np.column_stack(
        [np.where(open_run[:, side == k], of_path[:, side == k], 0.0).max(axis=1, initial=0.0) for k in (0, 1)]
    )


def build_budget(plan: Plan, tree: DuctTree, variants: VariantSet) -> Budget:
    """The budget of a plan over its variants.

    Raises InputFaults where the devices take all that the blower makes at design airflow, or its table does
    not reach that airflow.
    """
    n_variant, n_path = len(variants.variants), len(tree.run_section)
    side = tree.side_of_path
    if plan.budget_given:
        given = np.tile([plan.supply_inwc, plan.return_inwc], (n_variant, 1))
        return Budget(
            circuit=tree.path,
            paths=np.column_stack([np.arange(n_path), np.full(n_path, -1)]).astype(np.intp),
            available_inwc=np.where(variants.open_run, given[:, side], np.inf),
            by_side_inwc=given,
            total_inwc=np.full(n_variant, np.nan),
        )
    left = _left_by_blower(plan, variants)
    supply, back = np.flatnonzero(side == 0), np.flatnonzero(side == 1)
    pairs = [(s, r) for s in supply for r in back]
    # A supply path stands alone where no return is open, or none is drawn.
    paths = np.array(pairs + [(s, -1) for s in supply], dtype=np.intp)
    circuit = tree.path[paths[:, 0]] | (tree.path[paths[:, 1]] & (paths[:, 1] >= 0)[:, None])
    any_return = np.any(variants.open_run[:, back], axis=1, keepdims=True)
    second_live = np.where(paths[:, 1] >= 0, variants.open_run[:, paths[:, 1]], ~any_return)
    return Budget(
        circuit=circuit,
        paths=paths,
        available_inwc=np.where(variants.open_run[:, paths[:, 0]] & second_live, left[:, None], np.inf),
        by_side_inwc=np.full((n_variant, 2), np.nan),
        total_inwc=left,
    )


def _left_by_blower(plan: Plan, variants: VariantSet) -> FloatArray:
    stream = airstream(plan, variants.variants, variants.room_airflow_cfm.sum(axis=1))
    static = stream.static_at(stream.design_cfm)
    left = stream.left_for_ducts()
    faults, density, number, say = [], plan.density_ratio, plan.units.number, plan.units.say
    for season in plan.seasons:
        mine, speed = variants.where(season=season), plan.equipment.speed[season]
        points = plan.equipment.curves[speed]
        outside = mine & np.isnan(static)
        if outside.any():
            needed = stream.design_cfm[outside]
            which = needed[int(np.argmax(np.abs(needed - points[0][0])))]
            reached = f"{number(points[0][0], 'cfm', 'g')} to {number(points[-1][0], 'cfm', 'g')}"
            problem = f"the table of speed '{speed}' does not reach the {season} design airflow of "
            problem += say(which, "cfm", ".0f")
            remedy = "Add rows from the equipment's data, or choose another speed in [blower]"
            at = plan.equipment.place(speed, 0 if which < points[0][0] else -1)
            faults.append(at.fault(problem, remedy, reached))
        none = mine & (left <= 0.0)
        if none.any():
            v = int(np.flatnonzero(none)[np.argmin(left[none])])
            taken = number(float(static[v] - left[v]), "inWC", ".3f")
            air = "" if f"{density:.3f}" == "1.000" else f" (both in the site's air, {density:.3f} of standard)"
            problem = (
                f"the devices take more in {season} than the {say(static[v], 'inWC', '.3f')} that the blower makes "
                f"at {say(stream.design_cfm[v], 'cfm', '.0f')}, so nothing is left for the ducts{air}"
            )
            remedy = "Check the devices' losses and airflow, or choose a higher speed in [blower]"
            faults.append(_largest_loss(plan, season, float(stream.design_cfm[v])).fault(problem, remedy, taken))
    if faults:
        raise InputFaults(faults)
    return left


def _largest_loss(plan: Plan, season: str, airflow_cfm: float) -> Origin:
    """Where the loss of the device that takes the most was typed; without any, the end of the blower's curve."""
    equipment = plan.equipment
    counted = [d for d in equipment.devices if d.season in ("", season)]
    if not counted:
        return equipment.place(equipment.speed[season], -1)
    return max(counted, key=lambda d: d.loss_inwc * (airflow_cfm / d.at_cfm) ** d.exponent).place
