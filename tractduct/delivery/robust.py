"""How much delivered airflow moves when the house is not built quite as drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.delivery.predict import Drive, installed_ducts, predict
from tractduct.sizing.case import Case

# Chosen for the program, from no source: what a crew may well do.
LENGTH_SPREAD = 0.10  # straight lengths, plus or minus this part
MOST_COMPRESSION_PCT = 15.0  # flex, from fully stretched to this
SEED = 20_260
DUCTS_AT_ONCE = 30_000  # sections times builds: so many stay near the processor


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


def building_spread(
    case: Case, size_index: IntArray, damper_inwc_per_cfm2: FloatArray, *, builds: int = 40, drive: Drive | None = None
) -> Spread:
    """Lengths of every section within a spread, compression of every flex from 0 on, filter clean to loaded.

    Each drawn evenly between its ends, independently, with a fixed seed; all at once. The dampers
    (n_variant, n_section) stay as set for the house as drawn.
    """
    random = np.random.default_rng(SEED)
    plan, n_section = case.plan, len(case.tree.sections)
    n_variant = len(case.variants.variants)
    shape = (n_variant * builds, n_section)
    compression_pct = random.uniform(0.0, MOST_COMPRESSION_PCT, shape)
    length_factor = random.uniform(1.0 - LENGTH_SPREAD, 1.0 + LENGTH_SPREAD, shape)
    loaded = random.uniform(0.0, 1.0, shape[0])
    found = []
    at_once = max(1, DUCTS_AT_ONCE // (builds * n_section))  # variants
    for first in range(0, n_variant, at_once):
        variants = np.arange(first, min(first + at_once, n_variant))
        drawn = slice(first * builds, (variants[-1] + 1) * builds)
        rows = np.repeat(variants, builds)
        ducts = installed_ducts(
            case,
            size_index,
            compression_pct=compression_pct[drawn],
            length_factor=length_factor[drawn],
            dampers=damper_inwc_per_cfm2[rows],
            rows=rows,
        )
        got = predict(case, ducts, drive=drive, loaded=loaded[drawn], strict=False, rows=rows)
        design = got.airstream.design_cfm
        total_pct = np.divide(100.0 * got.total_cfm, design, out=np.full(len(design), np.nan), where=design > 0.0)
        found.append((got.room_within(plan.tolerance), total_pct, 100.0 + got.room_off_pct))
    within, total, part = (np.concatenate(each) for each in zip(*found, strict=True))
    seasons = [np.repeat(case.variants.where(season=season), builds) for season in plan.seasons]
    low, middle, high = _percentiles(part, seasons)
    total_low, _, total_high = _percentiles(total[:, None], seasons)[:, :, 0]
    return Spread(
        low=low,
        middle=middle,
        high=high,
        total_low=total_low,
        total_high=total_high,
        within_pct=np.array([100.0 * within[mine].mean(axis=0) for mine in seasons]),
        builds=builds,
    )


def _percentiles(values: FloatArray, seasons: list[BoolArray]) -> FloatArray:
    """(3, n_season, n_room) the 5th, 50th and 95th, NaN for a room that needs nothing in a season."""
    found = np.full((3, len(seasons), values.shape[1]), np.nan)
    for k, mine in enumerate(seasons):
        live = np.isfinite(values[mine]).any(axis=0)
        found[:, k, live] = np.nanpercentile(values[mine][:, live], (5.0, 50.0, 95.0), axis=0)
    return found
