"""The small plan with a blower and devices, for the tests of delivery and of the budget. All numbers invented."""

from __future__ import annotations

import numpy as np
from plan_folder import PlanTables, small_plan, written
from reference import density_ratio
from scipy.interpolate import PchipInterpolator

import tractduct
from tractduct.delivery.flow import SizedDucts
from tractduct.delivery.predict import installed_ducts
from tractduct.sizing.case import Case, build_case

LOW = {200: 0.52, 300: 0.50, 400: 0.42, 550: 0.20, 700: 0.0}
HIGH = {200: 0.78, 300: 0.74, 450: 0.60, 700: 0.26, 800: 0.0}
DEVICES = [
    # device, side, loss, at, season, loaded
    ("coil", "supply", 0.20, 400, "cooling", None),
    ("filter", "return", 0.08, 350, None, 0.20),
    ("register", "supply", 0.03, 300, None, None),
]


def with_blower(plan: PlanTables, speeds: dict[str, dict[float, float]] | None = None, **keys: object) -> PlanTables:
    """The plan with a blower table; ``keys`` go into [blower]."""
    plan = plan.copy()
    if speeds is None:
        speeds = {"low": LOW, "high": HIGH}
        keys = {"heating_speed": "low", "cooling_speed": "high", **keys}
    plan.tables["blower"] = [
        {"speed": name, "airflow_cfm": q, "external_static_inwc": p}
        for name, rows in speeds.items()
        for q, p in rows.items()
    ]
    plan.config.setdefault("blower", {}).update(keys)
    return plan


def with_devices(plan: PlanTables, devices: list[tuple] = DEVICES) -> PlanTables:
    plan = plan.copy()
    names = ("device", "side", "loss_inwc", "at_cfm", "season", "loaded_loss_inwc")
    plan.tables["devices"] = [dict(zip(names, row, strict=True)) for row in devices]
    return plan


def blower_plan(**keys: object) -> PlanTables:
    """Blower and devices, and no [pressure]: the blower gives the budget."""
    plan = small_plan()
    del plan.config["pressure"]
    return with_devices(with_blower(plan, **keys))


def fixed(plan: PlanTables, **sizes: object) -> PlanTables:
    """The plan with sections' sizes given."""
    plan = plan.copy()
    for name, label in sizes.items():
        plan.row("sections", name)["fixed_in"] = label
    return plan


SIZES = {"T1": 12, "DEN": 7, "BED": 7, "KIT": 8, "RET": 14}


def case_of(plan: PlanTables) -> Case:
    with written(plan) as folder:
        return build_case(tractduct.load_plan(folder))


def at_sizes(case: Case, sizes: dict[str, object] | None = None) -> np.ndarray:
    """(n_section,) indices of sizes by section name."""
    labels = [size.label for size in case.table.sizes]
    return np.array([labels.index(str((sizes or SIZES)[s.name])) for s in case.tree.sections])


def ducts_of(case: Case, sizes: dict[str, object] | None = None) -> SizedDucts:
    """Ducts in the given sizes, as the plan has them installed."""
    return installed_ducts(case, at_sizes(case, sizes))


AT_SITE = density_ratio(500.0, 70.0)  # of the small plan's air; tables of blowers and devices are for standard air


def static_of(points: dict[float, float], cfm: float) -> float:
    """The curve between a table's points at the site: a monotone cubic (PCHIP), by scipy."""
    return AT_SITE * float(PchipInterpolator(list(points), list(points.values()))(cfm))


def devices_inwc(cfm: float, season: str, devices: list[tuple] = DEVICES) -> float:
    """By hand, at the site: each device's loss times the square of airflow over its own."""
    return AT_SITE * sum(loss * (cfm / at) ** 2 for _, _, loss, at, only, _ in devices if only in (None, season))
