"""An orientation study as pandas DataFrames with declared columns; column names carry their units."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tractduct.orientation.azimuths import azimuth_label
from tractduct.orientation.study import OrientationStudy
from tractduct.sizing.packages import group_label

SENSITIVITY = [
    "room", "season", "smallest_cfm", "largest_cfm", "change_pct", "least_face", "least_mirrored", "driving_face",
    "driving_mirrored", "size_steps", "glass_pct", "has_glass", "load_change_pct", "shared_out",
]  # fmt: skip
AIRFLOW = ["room", "season", "mirrored"]  # then a column a face
HOUSE = [
    "front_faces", "mirrored", "sensible_cooling_btuh", "heating_btuh", "over_least_cooling_btuh", "peak_hour",
]  # fmt: skip
PEAKS = [
    "room", "front_faces", "mirrored", "room_peak_btuh", "room_peak_hour", "house_peak_btuh", "house_peak_hour",
    "room_peak_cfm", "house_peak_cfm",
]  # fmt: skip
PACKAGES = [
    "packages", "package", "orientations", "also_holds", "mix_pct", "cost", "expected_cost", "bound", "proven",
    "saving_of_the_last", "saving_in_all",
]  # fmt: skip
PACKAGE_SIZES = ["packages", "section"]  # then a column a package
LOTS = [
    "lot", "azimuth_deg", "mirrored", "flex", "nearest_face", "airflow_source", "covered", "holds", "worst_limit",
    "over_limit_pct",
]  # fmt: skip
LOT_RUNS = ["lot", "run", "room", "season", "airflow_cfm", "size"]
LOT_PACKAGES = ["lot", "packages", "package", "holds", "better"]
DEGREES = ["azimuth_deg", "highest_use_pct", "holds"]
BROKEN = [
    "limit", "section", "first_deg", "last_deg", "over_limit_pct", "amount", "limit_value", "unit", "worst_at",
    "season", "flex", "mirrored",
]  # fmt: skip
CHECK = [
    "room", "front_faces", "mirrored", "season", "table_cfm", "breakdown_cfm", "off_pct", "within",
]  # fmt: skip


def missing(result: OrientationStudy) -> list[str]:
    """What the plan does not give, and what is left out for it, in sentences; empty where nothing is."""
    plan, words = result.study.plan, []
    if not plan.lots:
        words.append("No lots (table lots): there are no lot sheets, and packages count as many houses of each front.")
    if plan.breakdown is None:
        words.append(
            "No loads by surface (tables surfaces and load_factors): no glass shares and no house loads; between two "
            "fronts of the airflow table the airflow is taken in a straight line."
        )
    if not plan.outlines:
        words.append("No room outlines (table rooms): no plan picture; lot sheets show the duct tree.")
    elif not plan.routes:
        words.append("No duct routes (table routes): the plan picture shows rooms alone.")
    if len(plan.fronts) * len(plan.mirrored) == 1:
        words.append("One orientation only: there is nothing to divide among packages.")
    elif result.packages is None and result.study.size_set:
        words.append("Packages were left out.")
    return words


def sensitivity(result: OrientationStudy) -> pd.DataFrame:
    """One row a room, most sensitive first.

    Columns: ``SENSITIVITY``. ``season`` is the one in which the room moves most; ``glass_pct`` and what follows is
    empty without a breakdown.
    """
    rows = [
        (
            r.room, r.season, r.smallest_cfm, r.largest_cfm, 100.0 * (r.ratio - 1.0), r.least_front, r.least_mirrored,
            r.driving_front, r.driving_mirrored, r.size_steps, r.glass_pct, r.has_glass, r.load_change_pct,
            r.shared_out,
        )
        for r in result.sensitivity
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=SENSITIVITY)


def airflow_by_face(result: OrientationStudy) -> pd.DataFrame:
    """One row a room, season and mirror, for a rose or a line: ``AIRFLOW``, then one column a face in cfm."""
    plan = result.study.plan
    rows = [
        (r.room, season, mirrored, *r.airflow_cfm[:, j, k])
        for r in result.sensitivity
        for k, season in enumerate(plan.seasons)
        for j, mirrored in enumerate(plan.mirrored)
    ]
    return pd.DataFrame(rows, columns=[*AIRFLOW, *plan.fronts])


def house_loads(result: OrientationStudy) -> pd.DataFrame:
    """One row a face and mirror: the house's load; no rows without a breakdown. Columns: ``HOUSE``.

    ``peak_hour`` is in local solar time, empty where no factor comes from the sun.
    """
    house, plan = result.house, result.study.plan
    rows = []
    if house is not None:
        least = float(house.cooling_btuh.min())
        for i, face in enumerate(plan.fronts):
            for j, mirrored in enumerate(plan.mirrored):
                cooling = float(house.cooling_btuh[i, j])
                hour = float(house.loads.house_peak_hour[i, j]) if house.hourly else np.nan
                rows.append((face, mirrored, cooling, float(house.heating_btuh[i, j]), cooling - least, hour))
    return pd.DataFrame(rows, columns=HOUSE)


def peaks(result: OrientationStudy) -> pd.DataFrame:
    """One row a room, face and mirror: cooling at the room's own peak and at the house's. Columns: ``PEAKS``.

    No rows unless glass factors come from the sun; then ``result.screening`` must stand beside it.
    """
    house, plan = result.house, result.study.plan
    rows = []
    if house is not None and house.hourly and house.room_peak_cfm is not None and house.house_peak_cfm is not None:
        own, at_house = house.loads.cooling_at("room_peak"), house.loads.cooling_at("house_peak")
        for n, room in enumerate(plan.rooms):
            for i, face in enumerate(plan.fronts):
                for j, mirrored in enumerate(plan.mirrored):
                    rows.append(
                        (
                            room, face, mirrored, float(own[i, j, n]), int(house.loads.room_peak_hour[i, j, n]),
                            float(at_house[i, j, n]), int(house.loads.house_peak_hour[i, j]),
                            float(house.room_peak_cfm[i, j, n]), float(house.house_peak_cfm[i, j, n]),
                        )
                    )  # fmt: skip
    return pd.DataFrame(rows, columns=PEAKS)


def packages(result: OrientationStudy) -> pd.DataFrame:
    """One row a package of each number of packages; no rows where packages were not studied.

    Columns: ``PACKAGES``. ``cost`` is of one house of that package, ``expected_cost`` over the mix of lots, ``bound``
    what no division into so many costs less than; savings are a house.
    """
    found = result.packages
    rows = []
    for choice in found.choices if found else ():
        assert found is not None
        for number, package in enumerate(choice.packages, start=1):
            rows.append(
                (
                    choice.n_package, number, ", ".join(map(group_label, package.groups)),
                    ", ".join(map(group_label, package.also_holds)), 100.0 * package.weight, package.cost,
                    choice.expected_cost, choice.bound, choice.proven, found.saving(choice.n_package),
                    found.choices[0].expected_cost - choice.expected_cost,
                )
            )  # fmt: skip
    return pd.DataFrame(rows, columns=PACKAGES)


def package_sizes(result: OrientationStudy) -> pd.DataFrame:
    """One row a section and number of packages, from 2 on: ``PACKAGE_SIZES``, then package_1, package_2 ... sizes.

    Empty cells where there are fewer packages.
    """
    choices = [c for c in result.packages.choices if c.n_package > 1] if result.packages else []
    most = max((c.n_package for c in choices), default=0)
    rows = []
    for choice in choices:
        labels = [result.study.case.labels(p.size_index) for p in choice.packages]
        for section in result.study.tree.sections:
            sizes = [one[section.name] for one in labels] + [""] * (most - len(labels))
            rows.append((choice.n_package, section.name, *sizes))
    return pd.DataFrame(rows, columns=[*PACKAGE_SIZES, *(f"package_{k + 1}" for k in range(most))])


def lots(result: OrientationStudy) -> pd.DataFrame:
    """One row a lot: ``LOTS``. ``holds`` is empty where its airflow is unknown; ``flex`` 'any' where it is open."""
    rows = []
    for r in result.lots:
        worst = max(r.breaches, key=lambda b: b.amount / b.limit, default=None)
        rows.append(

            (
                r.lot.name, r.lot.azimuth_deg, r.lot.mirrored, r.lot.flex or "any", r.nearest_front, r.source,
                r.covered,
                r.holds, "" if worst is None else str(worst),
                np.nan if worst is None else 100.0 * (worst.amount / worst.limit - 1.0),
            )
        )  # fmt: skip
    return pd.DataFrame(rows, columns=LOTS)


def lot_runs(result: OrientationStudy) -> pd.DataFrame:
    """One row a lot, run and season: its airflow at the lot's own azimuth, 0 where shut. Columns: ``LOT_RUNS``."""
    study = result.study
    rows = [
        (
            r.lot.name, run.name, "; ".join(run.rooms), season, float(r.run_airflow_cfm[k, p]),
            study.size_set.get(run.name, ""),
        )
        for r in result.lots
        for p, run in enumerate(study.tree.runs)
        for k, season in enumerate(study.plan.seasons)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=LOT_RUNS)


def lot_packages(result: OrientationStudy) -> pd.DataFrame:
    """One row a lot and number of packages, from 2 on. Columns: ``LOT_PACKAGES``; packages count from 1."""
    rows = [
        (
            p.lot,
            p.n_package,
            "" if p.package is None else str(p.package + 1),
            p.holds,
            "" if p.better is None else str(p.better + 1),
        )
        for p in result.lot_packages
    ]
    return pd.DataFrame(rows, columns=LOT_PACKAGES)


def degrees(result: OrientationStudy) -> pd.DataFrame:
    """One row an azimuth checked: the most loaded limit over all variants there. Columns: ``DEGREES``."""
    check = result.degrees
    if check is None:
        return pd.DataFrame([], columns=DEGREES)
    rows = zip(check.azimuth_deg.tolist(), (100.0 * check.use).tolist(), check.holds_at.tolist(), strict=True)
    return pd.DataFrame(list(rows), columns=DEGREES)


def broken(result: OrientationStudy) -> pd.DataFrame:
    """One row a limit and range of azimuths where the standard set does not hold. Columns: ``BROKEN``."""
    rows = []
    for r in result.degrees.broken if result.degrees else ():
        variant = r.worst.variant
        rows.append(
            (
                r.limit_name, r.section, r.first_deg, r.last_deg, r.excess_pct, r.worst.amount, r.worst.limit,
                r.worst.unit, variant.front if variant else azimuth_label(r.first_deg),
                variant.season if variant else "", variant.flex if variant else "",
                variant.mirrored if variant else None,
            )
        )  # fmt: skip
    return pd.DataFrame(rows, columns=BROKEN)


def breakdown_check(result: OrientationStudy) -> pd.DataFrame:
    """One row a room, face, mirror and season: the breakdown against the table. Columns: ``CHECK``."""
    check, plan = result.breakdown_check, result.study.plan
    rows = []
    if check is not None:
        off = check.off_pct
        for n, room in enumerate(plan.rooms):
            for i, face in enumerate(plan.fronts):
                for j, mirrored in enumerate(plan.mirrored):
                    for k, season in enumerate(plan.seasons):
                        at = (i, j, k, n)
                        rows.append(
                            (
                                room, face, mirrored, season, float(check.table_cfm[at]),
                                float(check.breakdown_cfm[at]), float(off[at]),
                                bool(abs(off[at]) <= check.limit_pct),
                            )
                        )  # fmt: skip
    return pd.DataFrame(rows, columns=CHECK)
