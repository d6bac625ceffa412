"""The blower and the devices of a plan, as curves over its variants."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from tractduct.inputs.plan import Plan
from tractduct.network.variants import Variant

FloatArray = NDArray[np.float64]

_POINTS = 257  # of a blower curve between its first and last row


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Airstream:
    """What drives and hinders the whole airflow, by variant.

    Attributes
    ----------
    airflow_cfm : (n_point,) rising; empty without a blower table
    static_inwc : (n_variant, n_point), the blower's external static pressure at the speed of the season
    device_inwc_per_cfm2 : (n_variant,), devices of both sides, growing with the square of airflow
    design_cfm : (n_variant,), what the blower must move so that every room gets its design airflow
    """

    airflow_cfm: FloatArray
    static_inwc: FloatArray
    device_inwc_per_cfm2: FloatArray
    design_cfm: FloatArray

    @property
    def has_curve(self) -> bool:
        return self.airflow_cfm.size > 0

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
        return self.static_at(self.design_cfm) - self.device_inwc_per_cfm2 * self.design_cfm**2


def airstream(
    plan: Plan, variants: Sequence[Variant], rooms_cfm: FloatArray, *, loaded: bool | FloatArray = False
) -> Airstream:
    """The plan's blower and devices over some variants, whose rooms need ``rooms_cfm`` (n_variant,) in all.

    ``loaded`` counts filters at the loss that they have when due for change; as an array (n_variant,), how far
    on the way from clean (0) to that (1). Between its points a curve is a monotone cubic that does not
    overshoot them (PCHIP), followed closely by straight lines.
    """
    equipment = plan.equipment
    design = rooms_cfm / (1.0 - equipment.supply_leakage)
    dirt = np.broadcast_to(np.asarray(loaded, dtype=float), design.shape)
    seasons = [v.season for v in variants]
    device = np.zeros(len(design))
    for d in equipment.devices:
        dirty = d.loss_inwc if d.loaded_inwc is None else d.loaded_inwc
        counts = np.array([d.season in ("", s) for s in seasons])
        device += np.where(counts, (d.loss_inwc + dirt * (dirty - d.loss_inwc)) / d.at_cfm**2, 0.0)
    if not equipment.curves:
        empty = np.zeros(0)
        return Airstream(
            airflow_cfm=empty,
            static_inwc=np.zeros((len(design), 0)),
            device_inwc_per_cfm2=device,
            design_cfm=design,
        )
    used = {season: np.array(equipment.curves[equipment.speed[season]]) for season in dict.fromkeys(seasons)}
    # One axis for all speeds; the points of every table are on it, so that straight lines pass through them.
    own = np.concatenate([curve[:, 0] for curve in used.values()])
    grid = np.unique(np.concatenate([np.linspace(own.min(), own.max(), _POINTS), own]))
    static = {season: _curve(curve, grid) for season, curve in used.items()}
    return Airstream(
        airflow_cfm=grid,
        static_inwc=np.array([static[s] for s in seasons]),
        device_inwc_per_cfm2=device,
        design_cfm=design,
    )


def _curve(points: FloatArray, grid: FloatArray) -> FloatArray:
    """A blower table on a finer axis; NaN outside it, so that it is never extended in silence."""
    inside = (grid >= points[0, 0]) & (grid <= points[-1, 0])
    shape = PchipInterpolator(points[:, 0], points[:, 1])
    return np.where(inside, shape(np.clip(grid, points[0, 0], points[-1, 0])), np.nan)
