"""Seeded synthetic plans for the benchmarks: the arrays of a size-set program, no real house behind them.

A plan has a supply tree and a return tree. The supply is a rigid trunk for each 13 sections (at least two)
that steps down in two to four sections, each feeding branches that end in a room; the return is a trunk for
each 30 sections with branches. The rooms lie around the four walls of the house: a room's share of the
airflow swings with the compass direction its wall has in a variant, which is where the conflict between
variants comes from. Heating has its own shares, and about one branch in fifteen is a second run of its room,
shut in heating.

Variants are all combinations of 8 front faces, mirrored or not, 2 seasons and as many flex products as the
wanted number of variants needs (32 variants a product). A flex product has its own roughness, derate and
compression. Friction is the program's own; fittings are equivalent lengths plus a loss coefficient. Prices
rise with the diameter, in whole cents, with a jitter of 5 % a size and kind as price lists have.

Stock groups:

====== ============================================================================
groups kinds
====== ============================================================================
1      rigid round everywhere
2      rigid round trunks, flex branches
3      the same, and a rectangular return trunk
====== ============================================================================
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tractduct.physics.air import Air, velocity_pressure_inwc
from tractduct.physics.friction import (
    compression_factor,
    equivalent_diameter_in,
    friction_rate_inwc_per_100ft,
    round_area_ft2,
)
from tractduct.sizing.program import SizingProblem

ROUND_IN = (4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0)
RECTANGULAR_IN = ((8, 8), (8, 10), (8, 12), (8, 14), (8, 16), (8, 20), (10, 16), (10, 20), (12, 24), (14, 24))
VARIANTS_PER_FLEX = 32
RIGID, FLEX, RECTANGULAR = 0, 1, 2


def synthetic_plan(n_section: int, n_variant: int, groups: int, seed: int) -> SizingProblem:
    """A plan of the kind described above.

    Parameters
    ----------
    n_section : at least 16
    n_variant : a multiple of 32
    groups : 1, 2 or 3 stock groups
    seed : same seed, same plan
    """
    if n_section < 16 or n_variant % VARIANTS_PER_FLEX or groups not in (1, 2, 3):
        raise ValueError("need at least 16 sections, a multiple of 32 variants and 1 to 3 groups")
    rng = np.random.default_rng(seed)
    parent, is_trunk, is_return = _trees(n_section, rng)
    kind = np.where(is_trunk | (groups == 1), RIGID, FLEX)
    if groups == 3:
        kind[is_trunk & is_return] = RECTANGULAR
    path = _paths(parent)
    flow_cfm, shut = _airflow(path, is_return, n_variant, rng)

    air = Air()
    width_height = np.array(RECTANGULAR_IN, dtype=float)
    round_in = np.array(ROUND_IN)
    diameter_in = np.concatenate([round_in, equivalent_diameter_in(*width_height.T)])
    area_ft2 = np.concatenate([round_area_ft2(round_in), width_height.prod(axis=1) / 144.0])
    is_rectangular = np.arange(diameter_in.size) >= round_in.size
    if groups < 3:
        keep = ~is_rectangular
        diameter_in, area_ft2, is_rectangular = diameter_in[keep], area_ft2[keep], is_rectangular[keep]

    length_ft = np.round(np.where(is_trunk, rng.uniform(6, 16, n_section), rng.uniform(6, 28, n_section)), 1)
    fitting_ft = np.round(np.where(is_trunk, rng.uniform(2, 12, n_section), rng.uniform(30, 75, n_section)), 1)
    coefficient = np.round(np.where(is_trunk, 0.05, rng.uniform(0.1, 0.6, n_section)), 2)

    n_flex = n_variant // VARIANTS_PER_FLEX
    flex_of = np.arange(n_variant) % n_flex
    roughness_ft = np.where(kind == FLEX, rng.uniform(0.001, 0.003, n_flex)[:, None], 0.0003)[flex_of]
    derate = np.where(kind == FLEX, rng.uniform(0.0, 0.06, n_flex)[:, None], 0.0)[flex_of]
    compression = np.where(kind == FLEX, rng.uniform(2.0, 6.0, n_flex)[:, None], 0.0)[flex_of]

    velocity_fpm = flow_cfm[:, :, None] / area_ft2
    rate = friction_rate_inwc_per_100ft(
        flow_cfm[:, :, None], diameter_in, roughness_ft[:, :, None], air, derate[:, :, None]
    )
    stretch = compression_factor(compression[:, :, None], diameter_in)
    loss = rate * (length_ft[:, None] * stretch + fitting_ft[:, None]) / 100.0
    loss += coefficient[:, None] * velocity_pressure_inwc(velocity_fpm, air)

    limit_fpm = np.where(is_return | (kind == FLEX), 700.0, 900.0)
    allowed = (velocity_fpm.max(axis=0) <= limit_fpm[:, None]) & (is_rectangular == (kind == RECTANGULAR)[:, None])
    price_per_ft = (0.9 + 0.32 * diameter_in + 0.012 * diameter_in**2) * np.array([1.0, 0.8, 1.25])[:, None]
    price_per_ft = np.round(price_per_ft * rng.uniform(0.95, 1.05, price_per_ft.shape), 2)
    cost = np.round(length_ft[:, None] * price_per_ft[kind], 2)

    available = np.where(shut, np.inf, np.where((path & is_return).any(axis=1), 0.05, 0.10))
    _, stock_group = np.unique(kind, return_inverse=True)
    return SizingProblem(
        loss_inwc=loss,
        cost=cost,
        allowed=allowed,
        diameter_in=diameter_in,
        parent=parent,
        stock_group=stock_group.astype(np.intp),
        path=path,
        available_inwc=available,
    )


def with_circuits(plan: SizingProblem) -> SizingProblem:
    """The plan as where the blower's table gives the pressure: every supply path with every return path."""
    back = (plan.available_inwc == 0.05).any(axis=0)
    pairs = [(s, r) for s in np.flatnonzero(~back) for r in np.flatnonzero(back)]
    return replace(
        plan,
        path=np.array([plan.path[s] | plan.path[r] for s, r in pairs]),
        available_inwc=np.stack([plan.available_inwc[:, s] + plan.available_inwc[:, r] for s, r in pairs], axis=1),
    )


def _trees(n_section: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Parent, whether a trunk, whether on the return side; parents come first."""
    n_return = max(3, n_section // 6)
    n_supply = n_section - n_return
    parent: list[int] = []
    trunks: list[int] = []
    for _ in range(max(2, n_section // 13)):
        above = -1
        for _ in range(int(rng.integers(2, 5))):
            parent.append(above)
            above = len(parent) - 1
            trunks.append(above)
    # every trunk end feeds at least one branch; the others fall where they may
    ends = [t for t in trunks if t not in parent]
    n_branch = n_supply - len(trunks)
    feeds = ends + [int(t) for t in rng.choice(trunks, n_branch - len(ends))]
    parent += feeds
    is_return = np.arange(n_section) >= len(parent)
    return_trunks = [len(parent) + i for i in range(max(1, n_section // 30))]
    parent += [-1] * len(return_trunks)
    while len(parent) < n_section:
        parent.append(return_trunks[len(parent) % len(return_trunks)])
    is_trunk = np.isin(np.arange(n_section), trunks + return_trunks)
    return np.array(parent, dtype=np.intp), is_trunk, is_return


def _paths(parent: np.ndarray) -> np.ndarray:
    """Sections from the air handler to each section that has no child."""
    n_section = parent.size
    line = np.zeros((n_section, n_section), dtype=bool)
    for section, above in enumerate(parent):
        if above >= 0:
            line[section] = line[above]
        line[section, section] = True
    return line[~np.isin(np.arange(n_section), parent)]


def _airflow(
    path: np.ndarray, is_return: np.ndarray, n_variant: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Airflow of each section (n_variant, n_section) in cfm, and which runs are shut (n_variant, n_path)."""
    n_flex = n_variant // VARIANTS_PER_FLEX
    index = np.arange(n_variant) // n_flex
    face, mirrored, cooling = index // 4, (index // 2) % 2, index % 2 == 1
    is_return_path = (path & is_return).any(axis=1)
    n_path = len(path)
    wall = rng.integers(0, 4, n_path)
    floor_ft2 = rng.uniform(70.0, 220.0, n_path)
    glass = rng.uniform(0.2, 1.0, n_path)
    # a mirror swaps the right and left walls; then the house turns with its front
    seen = np.where((mirrored[:, None] == 1) & (wall % 2 == 1), (wall + 2) % 4, wall)
    azimuth = np.pi / 4 * face[:, None] + np.pi / 2 * seen
    sun = 1.0 + glass * (0.55 * np.maximum(0.0, -np.cos(azimuth - np.pi / 6)) + 0.6 * np.abs(np.sin(azimuth)))
    cold = 1.0 + 0.25 * glass + 0.1 * rng.uniform(size=n_path)
    weight = floor_ft2 * np.where(cooling[:, None], sun, cold)
    shut = np.zeros((n_variant, n_path), dtype=bool)
    second_run = rng.uniform(size=n_path) < 1 / 15
    shut[:] = ~cooling[:, None] & second_run & ~is_return_path
    weight[shut] = 0.0
    # returns do not follow the sun
    weight[:, is_return_path] = floor_ft2[is_return_path]
    total_cfm = 42.0 * (~is_return_path).sum() * np.where(cooling, 1.0, 0.85)
    run_cfm = np.empty_like(weight)
    for side in (is_return_path, ~is_return_path):
        run_cfm[:, side] = total_cfm[:, None] * weight[:, side] / weight[:, side].sum(axis=1, keepdims=True)
    return run_cfm @ path.astype(float), shut
