"""The blower and the devices of a plan, as curves over its variants, and the air in its ducts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tractduct.arrays import FloatArray
from tractduct.model.plan import Plan
from tractduct.network.tree import DuctTree
from tractduct.network.variants import Variant
from tractduct.physics.air import Air

_POINTS = 257  # of a blower curve between its first and last row


@dataclass(frozen=True, slots=True, eq=False)
class DeviceLoss:
    """What the devices of both sides take together, by variant.

    Attributes
    ----------
    square : (n_variant,) of those that grow with the square of airflow [inWC/cfm2]
    powers : exponent and (n_variant,) of those that grow with another power of it [inWC/cfm^exponent]
    """

    square: FloatArray
    powers: tuple[tuple[float, FloatArray], ...] = ()

    def at(self, airflow_cfm: FloatArray) -> FloatArray:
        """(n_variant,) loss at an airflow. [inWC]"""
        return np.asarray(sum((k * airflow_cfm**n for n, k in self.powers), self.square * airflow_cfm**2))

    def powers_from(self, airflow_cfm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(n_variant,) of ``powers`` as a straight line around an airflow: offset [inWC] and slope [inWC/cfm]."""
        none = np.zeros_like(airflow_cfm)
        slope = sum((n * k * airflow_cfm ** (n - 1.0) for n, k in self.powers), none)
        return sum(((1.0 - n) * k * airflow_cfm**n for n, k in self.powers), none), slope


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Airstream:
    """What drives and hinders the whole airflow, by variant, in the air at the air handler.

    Attributes
    ----------
    airflow_cfm : (n_point,) rising; empty without a blower table
    static_inwc : (n_variant, n_point), the blower's external static pressure at the speed of the season
    devices : what they take
    design_cfm : (n_variant,), what the blower must move so that every room gets its design airflow
    """

    airflow_cfm: FloatArray
    static_inwc: FloatArray
    devices: DeviceLoss
    design_cfm: FloatArray

    def static_at(self, airflow_cfm: FloatArray) -> FloatArray:
        """(n_variant,) the blower's static pressure at an airflow, NaN outside its table."""
        return np.array(
            [
                np.interp(q, self.airflow_cfm, row, left=np.nan, right=np.nan)
                for q, row in zip(airflow_cfm, self.static_inwc, strict=True)
            ]
        )

    def left_for_ducts(self) -> FloatArray:
        """(n_variant,) what the blower leaves for the ducts at design airflow, after the devices."""
        return self.static_at(self.design_cfm) - self.devices.at(self.design_cfm)


def airstream(
    plan: Plan, variants: Sequence[Variant], rooms_cfm: FloatArray, *, loaded: bool | FloatArray = False
) -> Airstream:
    """The plan's blower and devices over some variants, whose rooms need ``rooms_cfm`` (n_variant,) in all.

    ``loaded`` counts filters at the loss that they have when due for change; as an array (n_variant,), how far
    on the way from clean (0) to that (1). Between its points a curve is a monotone cubic that does not
    overshoot them (PCHIP), followed closely by straight lines. Pressures of both tables are for standard air: at
    the same airflow they are in proportion to density (common fan law).
    """
    equipment, density = plan.equipment, plan.density_ratio
    design = rooms_cfm / (1.0 - equipment.supply_leakage)
    dirt = np.broadcast_to(np.asarray(loaded, dtype=float), design.shape)
    seasons = [v.season for v in variants]
    losses: dict[float, FloatArray] = {2.0: np.zeros(len(design))}
    for d in equipment.devices:
        dirty = d.loss_inwc if d.loaded_inwc is None else d.loaded_inwc
        counts = np.array([d.season in ("", s) for s in seasons])
        loss = density * (d.loss_inwc + dirt * (dirty - d.loss_inwc)) / d.at_cfm**d.exponent
        losses[d.exponent] = losses.get(d.exponent, 0.0) + np.where(counts, loss, 0.0)
    devices = DeviceLoss(losses.pop(2.0), tuple(losses.items()))
    if not equipment.curves:
        empty = np.zeros(0)
        return Airstream(
            airflow_cfm=empty,
            static_inwc=np.zeros((len(design), 0)),
            devices=devices,
            design_cfm=design,
        )
    used = {season: np.array(equipment.curves[equipment.speed[season]]) for season in dict.fromkeys(seasons)}
    # One axis for all speeds; the points of every table are on it, so that straight lines pass through them.
    own = np.concatenate([curve[:, 0] for curve in used.values()])
    grid = np.unique(np.concatenate([np.linspace(own.min(), own.max(), _POINTS), own]))
    static = {season: density * _curve(curve, grid) for season, curve in used.items()}
    return Airstream(
        airflow_cfm=grid,
        static_inwc=np.array([static[s] for s in seasons]),
        devices=devices,
        design_cfm=design,
    )


def _curve(points: FloatArray, grid: FloatArray) -> FloatArray:
    """A blower table on a finer axis; NaN outside it, so that it is never extended in silence."""
    from scipy.interpolate import PchipInterpolator  # plans without a table need not wait for it

    inside = (grid >= points[0, 0]) & (grid <= points[-1, 0])
    shape = PchipInterpolator(points[:, 0], points[:, 1])
    return np.where(inside, shape(np.clip(grid, points[0, 0], points[-1, 0])), np.nan)


def air_in_ducts(plan: Plan, tree: DuctTree, variants: Sequence[Variant]) -> Air:
    """(n_variant, n_section) the air that each section carries in the season of a variant."""
    airs = [[plan.air_in(section.side, season) for section in tree.sections] for season in plan.seasons]
    row = [plan.seasons.index(v.season) for v in variants]
    return Air(
        np.array([[air.density_lb_per_ft3 for air in of_season] for of_season in airs])[row],
        np.array([[air.kinematic_viscosity_ft2_per_s for air in of_season] for of_season in airs])[row],
    )
