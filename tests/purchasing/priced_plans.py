"""The small plan with prices, every size set of it that holds, and what each costs, line by line."""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
from plan_folder import PlanTables, small_plan, written

import tractduct
from tractduct.model.plan import Plan
from tractduct.sizing.case import Case, build_case

SIZES = (5, 6, 7, 8, 10)
FlexNames = tuple[str, ...]


def priced_plan(fittings: bool = False, wye: str = "") -> PlanTables:
    """The small plan with fewer sizes and invented prices; with fitting prices, reducers too.

    ``wye``: how the wye is bought that DEN and BED both name then.
    """
    plan = small_plan(sizes={"round_in": list(SIZES)}, purchase={"box_ft": 25, "waste_pct": 10})
    base = {"galvanised": (2.0, 0.8), "meadow": (1.0, 0.35), "granite": (0.7, 0.30)}
    plan.tables["prices"] = [
        {"duct": duct, "size_in": size, "price_per_ft": round(a + b * size, 2)}
        for duct, (a, b) in base.items()
        for size in SIZES
    ]
    if fittings:
        plan.tables["fittings"].append({"fitting": "reducer", "equivalent_length_ft": 3, "loss_coefficient": None})
        for name in ("DEN", "BED", "KIT"):
            row = plan.row("sections", name)
            row["fittings"] += " + reducer"
        plan.tables["fitting_prices"] = [
            {"fitting": fitting, "size_in": size, "price": round(price + 0.4 * size, 2)}
            for fitting, price in (("collar", 3.0), ("boot_floor", 8.0), ("reducer", 9.0))
            for size in SIZES
        ]
    if wye:
        plan.config["limits"] = {"trunk_rigid_fpm": 1200}  # so that T1 has a choice
        plan.config["pressure"]["supply_inwc"] = 0.2
        for name in ("DEN", "BED"):
            plan.row("sections", name)["fittings"] += " + wye"
        plan.row("fittings", "wye")["bought"] = wye
        # dear enough, and the more so by size, that it matters which section's size its price goes by
        plan.tables["fitting_prices"] += [{"fitting": "wye", "size_in": size, "price": size**2} for size in SIZES]
    return plan


@cache
def case_of(fittings: bool = False, flex: FlexNames = ("meadow", "granite"), wye: str = "") -> Case:
    """The priced plan for some flex products alone."""
    plan = priced_plan(fittings, wye)
    plan.config["variants"] = {"flex": list(flex)}
    with written(plan) as folder:
        return build_case(tractduct.load_plan(folder))


@cache
def sets_that_hold(
    fittings: bool = False, flex: FlexNames = ("meadow", "granite"), wye: str = ""
) -> list[dict[str, str]]:
    """Every combination of sizes that keeps each limit in each variant, as section -> size.

    Losses and velocities are the case's; the test of this module holds the choice against the independent check.
    """
    case = case_of(fittings, flex, wye)
    index = np.array(list(product(*(np.flatnonzero(row).tolist() for row in case.on_sale))))
    sections = np.arange(len(case.tree.sections))
    # (n_set, n_variant, n_section), a section after the other
    loss = case.table.loss_inwc[:, sections, index].transpose(1, 0, 2)
    speed = case.table.velocity_fpm[:, sections, index].transpose(1, 0, 2)
    path_loss = loss @ case.budget.circuit.T.astype(float)
    holds = np.all(path_loss <= case.budget.available_inwc * (1 + 1e-9), axis=(1, 2))
    holds &= np.all(speed <= case.table.sections.velocity_limit_fpm * (1 + 1e-9), axis=(1, 2))
    for child, parent in enumerate(case.tree.parent):
        if parent >= 0:
            holds &= case.diameter_in[index[:, child]] <= case.diameter_in[index[:, parent]]
    return [case.labels(row) for row in index[holds]]


def cost_by_line(plan: Plan, labels: dict[str, str], flex: FlexNames) -> float:
    """Feet times price, the mean over some flex products; each fitting; a reducer only where sizes differ.

    What is bought at the parent costs once there, in the parent's size; what is not bought costs nothing.
    """
    bought = {name: fitting.bought for name, fitting in plan.fittings.items()}
    joints = {(s.parent, name) for s in plan.sections for name, _ in s.fittings if bought[name] == "at the parent"}
    total = sum(plan.fitting_prices[name, labels[parent]] for parent, name in joints)
    for section in plan.sections:
        size = labels[section.name]
        ducts = flex if section.duct == "flex" else (section.duct,)
        total += section.length_ft * sum(plan.prices[duct, size] for duct in ducts) / len(ducts)
        for name, count in section.fittings:
            same = section.parent and labels[section.parent] == size
            if bought[name] == "yes" and ("reducer" not in name or (section.parent and not same)):
                total += count * (plan.fitting_prices.get((name, size)) or 0.0)
    return total


def least_by_line(
    sets: list[dict[str, str]], plan: Plan, flex: FlexNames, within: set[tuple[str, str]] | None = None
) -> float:
    """The least of some sets' costs; ``within``: only those that take no other (kind, size)."""
    kinds = {s.name: s.kind for s in plan.sections}
    return min(
        (
            cost_by_line(plan, labels, flex)
            for labels in sets
            if within is None or {(kinds[name], size) for name, size in labels.items()} <= within
        ),
        default=np.inf,
    )
