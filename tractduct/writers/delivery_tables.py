"""What a house delivers as pandas DataFrames; column names carry their units."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tractduct.delivery.deliver import HOOD_ERROR_PCT, Delivery
from tractduct.writers.tables import VARIANT_COLUMNS, room_text, variant_frame


def systems(delivery: Delivery) -> pd.DataFrame:
    """One row a variant: what the blower moves and against what.

    Columns: the variant columns; with all dampers open total_cfm, design_cfm, off_pct, within, external_static_inwc;
    needed_static_inwc (balanced), available_static_inwc (at design airflow; NaN where airflow is held),
    can_be_balanced; as the house will run as_run_cfm (standard air), as_run_static_inwc, cfm_a_ton (NaN without
    tonnage).
    """
    got, balanced = delivery.open_dampers, delivery.balanced
    frame = variant_frame(delivery.study)
    frame["total_cfm"] = got.total_cfm
    frame["design_cfm"] = got.airstream.design_cfm
    frame["off_pct"] = 100.0 * (got.total_cfm / got.airstream.design_cfm - 1.0)
    frame["within"] = got.system_within(delivery.study.plan.tolerance)
    frame["external_static_inwc"] = got.external_static_inwc
    frame["needed_static_inwc"] = balanced.needed_inwc
    frame["available_static_inwc"] = balanced.made_inwc
    frame["can_be_balanced"] = balanced.possible
    frame["as_run_cfm"] = delivery.standard_cfm
    frame["as_run_static_inwc"] = delivery.as_run.external_static_inwc
    tons = delivery.study.plan.equipment.capacity_tons
    frame["cfm_a_ton"] = delivery.standard_cfm / tons if tons else np.nan
    return frame


def rooms(delivery: Delivery) -> pd.DataFrame:
    """One row a room and variant: delivered against design with all dampers open.

    Columns: room, the variant columns, design_cfm, delivered_cfm, off_pct, tolerance_cfm, within,
    hood_low_cfm and hood_high_cfm (what a powered flow hood may read), compressed_cfm, marked_cfm (with the damper
    marks).
    """
    got = delivery.open_dampers
    frames = []
    for n, room in enumerate(delivery.study.plan.rooms):
        frame = variant_frame(delivery.study)
        frame.insert(0, "room", room)
        frame["design_cfm"] = got.room_design_cfm[:, n]
        frame["delivered_cfm"] = got.room_cfm[:, n]
        frame["off_pct"] = got.room_off_pct[:, n]
        frame["tolerance_cfm"] = delivery.study.plan.tolerance.of_room_cfm(got.room_design_cfm[:, n])
        frame["within"] = got.room_within(delivery.study.plan.tolerance)[:, n]
        frame["hood_low_cfm"] = got.room_cfm[:, n] * (1.0 - HOOD_ERROR_PCT / 100.0)
        frame["hood_high_cfm"] = got.room_cfm[:, n] * (1.0 + HOOD_ERROR_PCT / 100.0)
        frame["compressed_cfm"] = delivery.compressed.room_cfm[:, n]
        frame["marked_cfm"] = delivery.marks.chosen.delivered.room_cfm[:, n]
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def room_summary(delivery: Delivery) -> pd.DataFrame:
    """One row a room: the range over variants and over building tolerances.

    Columns: room, lowest_pct and highest_pct (all dampers open, of design), variants_outside (of tolerance),
    compressed_lowest_pct, marked_worst (with the damper marks, in tolerances: 1 is just within), built_low_pct,
    built_high_pct     (5th and 95th percentile once balanced as drawn; the wider of the seasons), built_within_pct.
    """
    plan, got, spread = delivery.study.plan, delivery.open_dampers, delivery.spread
    outside = ~got.room_within(plan.tolerance)
    rows = []
    for n, room in enumerate(plan.rooms):
        off = got.room_off_pct[:, n]
        if np.isnan(off).all():
            continue
        rows.append(
            {
                "room": room,
                "lowest_pct": 100.0 + float(np.nanmin(off)),
                "highest_pct": 100.0 + float(np.nanmax(off)),
                "variants_outside": int(outside[:, n].sum()),
                "compressed_lowest_pct": 100.0 + float(np.nanmin(delivery.compressed.room_off_pct[:, n])),
                "marked_worst": float(delivery.marks.chosen.off[:, n].max()),
                "built_low_pct": float(np.nanmin(spread.low[:, n])),
                "built_high_pct": float(np.nanmax(spread.high[:, n])),
                "built_within_pct": float(np.nanmin(spread.within_pct[:, n])),
            }
        )
    return pd.DataFrame(rows)


def substitutions(delivery: Delivery) -> pd.DataFrame:
    """One row a pair of products, room and season: what the room loses.

    Columns: designed, installed, room, season, worst_face, mirrored, expected_cfm, delivered_cfm, change_pct
    (the worst orientation), largest_change_pct (the best), cost columns of the pair: sections_up, raise
    (which sections, from what to what), extra_cost.
    """
    plan = delivery.study.plan
    rows = []
    for pair in delivery.substitutions:
        change = 100.0 * (
            pair.delivered.room_cfm / np.where(pair.expected.room_cfm > 0, pair.expected.room_cfm, np.nan) - 1
        )
        text = "; ".join(f"{s}: {a} to {b}" for s, (a, b) in pair.raised.items())
        for n, room in enumerate(plan.rooms):
            for season in plan.seasons:
                mine = pair.delivered.variants.where(season=season)
                part = np.where(mine, change[:, n], np.nan)
                if np.isnan(part).all():
                    continue
                v = int(np.nanargmin(np.round(part, 9)))  # the first of those that only rounding tells apart
                variant = pair.delivered.variants.variants[v]
                rows.append(
                    {
                        "designed": pair.designed,
                        "installed": pair.installed,
                        "room": room,
                        "season": season,
                        "worst_face": variant.front,
                        "mirrored": variant.mirrored,
                        "expected_cfm": float(pair.expected.room_cfm[v, n]),
                        "delivered_cfm": float(pair.delivered.room_cfm[v, n]),
                        "change_pct": float(part[v]),
                        "best_change_pct": float(np.nanmax(part)),
                        "sections_up": len(pair.raised),
                        "raise": text,
                        "extra_cost": pair.extra_cost,
                    }
                )
    return pd.DataFrame(
        rows,
        columns=[
            "designed", "installed", "room", "season", "worst_face", "mirrored", "expected_cfm", "delivered_cfm",
            "change_pct", "best_change_pct", "sections_up", "raise", "extra_cost",
        ],
    )  # fmt: skip


def delivered_runs(delivery: Delivery) -> pd.DataFrame:
    """One row a variant and open run. Columns: the variant columns, run, room, side, design_cfm, delivered_cfm."""
    got, tree = delivery.open_dampers, delivery.study.tree
    frames = []
    for p, run in enumerate(tree.runs):
        frame = variant_frame(delivery.study)
        frame["run"], frame["room"], frame["side"] = run.name, room_text(run), run.side
        frame["design_cfm"] = got.run_design_cfm[:, p]
        frame["delivered_cfm"] = got.run_cfm[:, p]
        frames.append(frame[delivery.study.variants.open_run[:, p]])
    return pd.concat(frames, ignore_index=True)[
        [*VARIANT_COLUMNS, "run", "room", "side", "design_cfm", "delivered_cfm"]
    ]
