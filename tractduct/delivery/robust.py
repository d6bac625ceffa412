"""How much delivered airflow moves when the house is not built quite as drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tractduct.delivery.predict import Drive, installed_ducts, predict
from tractduct.inputs.plan import Plan
from tractduct.network.tree import DuctTree
from tractduct.network.variants import VariantSet
from tractduct.physics.air import Air

FloatArray = NDArray[np.float64]

LENGTH_SPREAD = 0.10  # straight lengths, plus or minus this part
MOST_COMPRESSION_PCT = 15.0  # flex, from fully stretched to this
SEED = 20_260


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """Delivered over design, in per cent, over many ways that the house may be built.

    Attributes
    ----------
    low, middle, high : (n_season, n_room)
        5th, 50th and 95th percentile over orientations, flex products and builds; NaN where nothing is
        designed.
    total_low, total_high : (n_season,), the same of what the blower moves
    within_pct : (n_season, n_room), builds within tolerance
    builds : how many builds of each variant were tried
    """

    low: FloatArray
    middle: FloatArray
    high: FloatArray
    total_low: FloatArray
    total_high: FloatArray
    within_pct: FloatArray
    builds: int


def find_spread(
    plan: Plan,
    tree: DuctTree,
    variants: VariantSet,
    size_index: NDArray[np.intp],
    air: Air,
    *,
    builds: int = 40,
    drive: Drive | None = None,
) -> Spread:
    """Lengths of every section within 10 %, compression of every flex 0 to 15 %, filter clean to loaded.

    Each drawn evenly between its ends, independently, with a fixed seed; all at once.
    """
    random = np.random.default_rng(SEED)
    n_variant, n_section = len(variants.variants), len(tree.sections)
    many = variants.only(np.ones(n_variant, dtype=bool), repeats=builds)
    shape = (n_variant * builds, n_section)
    ducts = installed_ducts(
        plan,
        tree,
        many,
        size_index,
        compression_pct=random.uniform(0.0, MOST_COMPRESSION_PCT, shape),
        length_factor=random.uniform(1.0 - LENGTH_SPREAD, 1.0 + LENGTH_SPREAD, shape),
    )
    got = predict(
        plan, tree, many, ducts, air, drive=drive, loaded=random.uniform(0.0, 1.0, shape[0]), strict=False
    )
    within = got.room_within(plan.tolerance)
    total = 100.0 * got.total_cfm / got.airstream.design_cfm
    low, middle, high, total_low, total_high, ok = [], [], [], [], [], []
    for season in plan.seasons:
        mine = many.where(season=season)
        part = 100.0 + got.room_off_pct[mine]
        none = ~np.isfinite(part).any(axis=0)
        filled = np.where(none, 0.0, part)
        for values, q in ((low, 5.0), (middle, 50.0), (high, 95.0)):
            values.append(np.where(none, np.nan, np.nanpercentile(filled, q, axis=0)))
        total_low.append(float(np.percentile(total[mine], 5.0)))
        total_high.append(float(np.percentile(total[mine], 95.0)))
        ok.append(100.0 * within[mine].mean(axis=0))
    return Spread(
        low=np.array(low),
        middle=np.array(middle),
        high=np.array(high),
        total_low=np.array(total_low),
        total_high=np.array(total_high),
        within_pct=np.array(ok),
        builds=builds,
    )
