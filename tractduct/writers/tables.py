"""A study as pandas DataFrames with declared columns: what the workbook shows and what Python users get.

Column names carry their units. Rows stand in the order of the plan unless the docstring says otherwise.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from tractduct.model.options import built_text
from tractduct.model.plan import Section
from tractduct.model.words import FLEX
from tractduct.network.variants import Variant
from tractduct.one_plan import Study
from tractduct.orientation.sensitivity import size_steps
from tractduct.sizing.candidates import at_sizes
from tractduct.sizing.governing import Governing, Reason
from tractduct.sizing.margins import PRESSURE, VELOCITY
from tractduct.sizing.solve import Solution
from tractduct.units import UnitSystem

VARIANT_COLUMNS = ["front_faces", "mirrored", "season", "flex"]
OPEN_AIR = "air handler"


def size_schedule(study: Study) -> pd.DataFrame:
    """One row a section: what to build, and the size that each front face alone would get by hand.

    Columns: section, from, side, role, duct, shape, length_ft, room, season, size, then one column a front
    face (the largest own size over mirror, season and flex; empty where the friction-rate method finds none),
    highest_velocity_fpm, velocity_limit_fpm, highest_airflow_cfm, why.
    """
    labels = study.size_set
    speed = None
    if study.recommended.size_index is not None:
        speed = at_sizes(study.table.velocity_fpm, study.recommended.size_index).max(axis=0)
    rows = []
    for i, s in enumerate(study.tree.sections):
        row: dict[str, object] = {
            "section": s.name,
            "from": s.parent or OPEN_AIR,
            "side": s.side,
            "role": s.role,
            "duct": s.duct_in(FLEX),
            "shape": s.shape,
            "length_ft": s.length_ft,
            "room": room_text(s),
            "season": s.season,
            "size": labels.get(s.name, ""),
        }
        for face in study.plan.fronts:
            row[face] = own_size_label(study, i, study.variants.where(front=face))
        row["highest_airflow_cfm"] = float(study.variants.airflow_cfm[:, i].max())
        row["highest_velocity_fpm"] = np.nan if speed is None else float(speed[i])
        row["velocity_limit_fpm"] = float(study.table.sections.velocity_limit_fpm[i])
        row["why"] = why(study.governing[i], study.plan.units) if study.governing else ""
        rows.append(row)
    return pd.DataFrame(rows)


def own_size_label(study: Study, section: int, among: np.ndarray) -> str:
    """The largest own size of a section over some variants; empty where one of them has none."""
    own = study.by_friction_rate.friction_rate_size[among, section]
    if not own.size or own.min() < 0:
        return ""
    return study.table.sizes[int(own.max())].label


def why(driver: Governing, units: UnitSystem) -> str:
    """Why a section is not smaller, in words."""
    match driver.reason:
        case Reason.VARIANTS:
            more = len(driver.variants) - 1
            others = f" and {more} more variant{'s' if more > 1 else ''}" if more else ""
            return (
                f"{units.size(driver.next_smaller)} breaks {driver.limit} by {driver.excess_pct:.0f} % "
                f"({driver.variants[0]}){others}"
            )
        case Reason.CHILD:
            return f"{driver.child} beyond it is as large"
        case Reason.SMALLEST:
            return "smallest on offer within its bounds"
        case Reason.STANDARD:
            return f"{units.size(driver.next_smaller)} would hold; kept for a shorter stock list or no extra cost"


def closest_limits(study: Study) -> str:
    """The least that is left of a pressure and of a velocity by a size set, and where, in words."""
    assert study.margins is not None
    units, words = study.plan.units, []
    pressure, velocity = (study.margins.closest(limit) for limit in (PRESSURE, VELOCITY))
    if pressure is not None:
        left = max(pressure.left, 0.0)
        of = f"{units.number(left, 'inWC', '.4f')} of {units.say(pressure.allowed, 'inWC', '.3f')}"
        words.append(f"{of} left to {pressure.place} ({pressure.variant})")
    if velocity is not None:
        left = max(velocity.left, 0.0)
        of = f"{units.number(left, 'fpm', '.0f')} of {units.say(velocity.allowed, 'fpm', '.0f')}"
        words.append(f"{of} left in {velocity.place} ({velocity.variant})")
    exact = study.margins.exact
    met = f" Met exactly, each variant counted: {exact} limit{'s' if exact > 1 else ''}." if exact else ""
    return "; ".join(words) + "." + met


def wall_or_money(study: Study) -> str:
    """What costs are in: money, or the area of duct wall."""
    unit = study.plan.units.unit(study.cost_unit)
    return unit if study.cost_unit == "USD" else f"{unit} of duct wall"


def costs_less(study: Study, solution: Solution) -> str:
    """What no set within what was asked does: the bound and the gap of one that is not proven, rounded to stay true."""
    decimals = 2 if study.cost_unit == "USD" else 0
    step = 10.0**-decimals
    bound = math.floor(study.plan.units.shown(solution.bound, study.cost_unit) / step) * step
    gap = math.ceil(100.0 * solution.gap_pct) / 100.0
    return f"costs less than {bound:,.{decimals}f} {wall_or_money(study)}, which is {gap:.2f} % less"


def not_proven(study: Study) -> list[str]:
    """What time ran out on and how far off it may be, a sentence each; empty where all is proven."""
    best, words = study.recommended, []
    for what in study.not_proven:
        if what == "least_cost":
            words.append(f"The least cost is not proven: no set {costs_less(study, study.least_cost)}.")
        elif what == "cost":
            sizes = f"{best.distinct_sizes} or fewer sizes"
            words.append(f"The least cost of {sizes} is not proven: no set of so few {costs_less(study, best)}.")
        else:
            within = f"{study.plan.standardize_within_pct:g} %"
            words.append(f"That no fewer sizes would do for at most {within} over the least cost is not proven.")
    return words


def room_text(section: Section) -> str:
    """The rooms that a run serves, as people read them."""
    return "all rooms" if section.rooms == ("*",) else "; ".join(section.rooms)


def paths(study: Study) -> pd.DataFrame:
    """One row a run and variant: pressure and velocity of the standard set against their limits.

    Columns: run, room, side, the four variant columns, airflow_cfm, total_effective_length_ft,
    friction_rate_inwc_per_100ft, loss_inwc, available_inwc, slack_inwc, slack_pct, fastest_section,
    velocity_fpm, velocity_limit_fpm, velocity_slack_fpm. Empty without a set; shut runs are left out.
    """
    if study.recommended.size_index is None or study.verification is None:
        return pd.DataFrame()
    tree, data = study.tree, study.table.sections
    speed = at_sizes(study.table.velocity_fpm, study.recommended.size_index)
    frames = []
    for p, run in enumerate(tree.runs):
        on_way = np.array(tree.walk(p))
        limit = data.velocity_limit_fpm[on_way]
        fastest = np.argmax(speed[:, on_way] / limit, axis=1)
        loss = study.verification.path_loss_inwc[run.name]
        available = study.by_friction_rate.path_available_inwc[:, p]
        frame = variant_frame(study)
        frame.insert(0, "run", run.name)
        frame.insert(1, "room", room_text(run))
        frame.insert(2, "side", run.side)
        frame["airflow_cfm"] = study.variants.run_airflow_cfm[:, p]
        frame["total_effective_length_ft"] = study.by_friction_rate.total_effective_length_ft[p]
        frame["friction_rate_inwc_per_100ft"] = study.by_friction_rate.friction_rate[:, p]
        frame["loss_inwc"] = loss
        frame["available_inwc"] = available
        frame["slack_inwc"] = available - loss
        frame["slack_pct"] = 100.0 * (1.0 - loss / available)
        frame["fastest_section"] = [tree.sections[on_way[f]].name for f in fastest]
        frame["velocity_fpm"] = speed[np.arange(len(speed)), on_way[fastest]]
        frame["velocity_limit_fpm"] = limit[fastest]
        frame["velocity_slack_fpm"] = frame["velocity_limit_fpm"] - frame["velocity_fpm"]
        frames.append(frame[study.variants.open_run[:, p]])
    return pd.concat(frames, ignore_index=True)


def as_told(variant: Variant) -> tuple[str, bool, str, str]:
    """The values of ``VARIANT_COLUMNS``; what the house is built with stands beside the flex product."""
    product = ", ".join(filter(None, (variant.flex, built_text(variant.options))))
    return variant.front, variant.mirrored, variant.season, product


def variant_frame(study: Study) -> pd.DataFrame:
    """The four columns that say which variant; one row each."""
    return pd.DataFrame([as_told(v) for v in study.variants.variants], columns=VARIANT_COLUMNS)


def rooms_by_face(study: Study) -> pd.DataFrame:
    """One row a room and season: airflow by front face, most sensitive room first.

    Columns: room, season, one column a front face in cfm (the larger of as drawn and mirrored), smallest_cfm,
    largest_cfm, spread_pct (largest over smallest, less 100), largest_at, size_steps (between the smallest
    and the largest own size of the room's runs over faces, at the worst flex). Sorted by the room's larger
    spread, heating before cooling.
    """
    plan = study.plan
    # (n_face, n_season, n_room), the larger of mirrored and not
    flow = plan.airflow_cfm.max(axis=1)
    least = plan.airflow_cfm.min(axis=1)
    rows = []
    for n, room in enumerate(plan.rooms):
        for k, season in enumerate(plan.seasons):
            smallest, largest = float(least[:, k, n].min()), float(flow[:, k, n].max())
            row: dict[str, object] = {"room": room, "season": season}
            row |= {face: float(flow[i, k, n]) for i, face in enumerate(plan.fronts)}
            row["smallest_cfm"] = smallest
            row["largest_cfm"] = largest
            row["spread_pct"] = 100.0 * (largest / smallest - 1.0) if smallest > 0.0 else np.nan
            row["largest_at"] = plan.fronts[int(np.argmax(flow[:, k, n]))]
            row["size_steps"] = size_steps(study, room, season)
            rows.append(row)
    frame = pd.DataFrame(rows)
    rank = frame.groupby("room")["spread_pct"].transform("max").fillna(np.inf)
    order = np.lexsort((np.arange(len(frame)), -rank.to_numpy()))
    return frame.iloc[order].reset_index(drop=True)


def trade_off(study: Study) -> pd.DataFrame:
    """Least cost by number of distinct sizes.

    Columns: distinct_sizes, cost, over_least_pct, proven, recommended.
    """
    least = study.least_cost.cost
    return pd.DataFrame(
        [
            {
                "distinct_sizes": e.distinct_sizes,
                "cost": e.cost,
                "over_least_pct": 100.0 * (e.cost / least - 1.0) if least > 0.0 else 0.0,
                "proven": e.status == "optimal",
                "recommended": e.distinct_sizes == study.recommended.distinct_sizes,
            }
            for e in study.trade_off
        ],
        columns=["distinct_sizes", "cost", "over_least_pct", "proven", "recommended"],
    )


def standardizing(study: Study) -> pd.DataFrame:
    """What covering each orientation and flex product costs.

    Columns: kind, covers, left_out, least_cost, distinct_sizes, standard_cost, saving, saving_pct.
    ``standard_cost`` is the least-cost set of all variants at the same prices.
    """
    return pd.DataFrame(
        [
            {
                "kind": c.kind,
                "covers": c.kept,
                "left_out": c.left_out,
                "least_cost": c.solution.cost,
                "distinct_sizes": c.solution.distinct_sizes,
                "standard_cost": c.standard_cost,
                "saving": c.saving,
                "saving_pct": 100.0 * c.saving / c.standard_cost if c.standard_cost > 0.0 else 0.0,
            }
            for c in study.comparisons
        ],
        columns=[
            "kind", "covers", "left_out", "least_cost", "distinct_sizes", "standard_cost", "saving",
            "saving_pct",
        ],
    )  # fmt: skip


def headroom(study: Study) -> pd.DataFrame:
    """How much more air each run could carry.

    Columns: run, room, extra_cfm, extra_pct, limit, variant columns.
    """
    runs = {run.name: run for run in study.tree.runs}
    return pd.DataFrame(
        [
            {
                "run": h.run,
                "room": room_text(runs[h.run]),
                "extra_cfm": h.extra_cfm,
                "extra_pct": h.extra_pct,
                "limit": h.limit,
                **dict(zip(VARIANT_COLUMNS, as_told(h.variant), strict=True)),
            }
            for h in study.headroom
        ],
        columns=["run", "room", "extra_cfm", "extra_pct", "limit", *VARIANT_COLUMNS],
    )


def single_orientation(study: Study) -> pd.DataFrame:
    """What the set from one orientation only would leave out of limits: one row a section and limit.

    Columns: section, room, limit, variants (how many), worst_variant, amount, allowed, unit, over_pct. Worst
    first.
    """
    sections = {s.name: s for s in study.tree.sections}
    rows = []
    groups: dict[tuple[str, str], list[int]] = {}
    breaches = study.single.breaches
    for j, breach in enumerate(breaches):
        groups.setdefault((breach.section, breach.limit_name), []).append(j)
    for (name, limit), members in groups.items():
        worst = max((breaches[j] for j in members), key=lambda b: b.amount / b.limit)
        rows.append(
            {
                "section": name,
                "room": room_text(sections[name]),
                "limit": limit,
                "variants": len(members),
                "worst_variant": str(worst.variant) if worst.variant else "all",
                "amount": worst.amount,
                "allowed": worst.limit,
                "unit": worst.unit,
                "over_pct": 100.0 * (worst.amount / worst.limit - 1.0),
            }
        )
    frame = pd.DataFrame(
        rows,
        columns=[
            "section", "room", "limit", "variants", "worst_variant", "amount", "allowed", "unit", "over_pct",
        ],
    )  # fmt: skip
    return frame.sort_values("over_pct", ascending=False, kind="stable", ignore_index=True)


def findings(study: Study) -> pd.DataFrame:
    """What to look at, most urgent first. Columns: severity, rule, subject, message, advice."""
    return pd.DataFrame(
        [
            {
                "severity": f.severity.word,
                "rule": f.rule,
                "subject": f.subject,
                "message": f.message,
                "advice": f.advice,
            }
            for f in study.findings
        ],
        columns=["severity", "rule", "subject", "message", "advice"],
    )


def conflicts(study: Study) -> pd.DataFrame:
    """Why no set holds. Columns: path, section, limit, variant, least, allowed, missing, unit, what."""
    return pd.DataFrame(
        [
            {
                "path": c.path,
                "section": c.section,
                "limit": c.limit,
                "variant": str(c.variant) if c.variant else "all",
                "least": c.least,
                "allowed": c.allowed,
                "missing": c.missing,
                "unit": c.unit,
                "what": str(c),
            }
            for c in study.conflicts
        ],
        columns=["path", "section", "limit", "variant", "least", "allowed", "missing", "unit", "what"],
    )


def remedies(study: Study) -> pd.DataFrame:
    """What was tried where no set holds. Columns: kind, change, holds, cost, distinct_sizes."""
    return pd.DataFrame(
        [
            {
                "kind": w.kind,
                "change": w.change,
                "holds": w.helps,
                "cost": w.solution.cost if w.helps else np.nan,
                "distinct_sizes": w.solution.distinct_sizes if w.helps else 0,
            }
            for w in study.remedies
        ],
        columns=["kind", "change", "holds", "cost", "distinct_sizes"],
    )
