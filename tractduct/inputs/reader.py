"""A plan folder to one checked plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from tractduct.errors import InputFaults
from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.airflow import RoomAirflow, read_airflow, turned_airflow
from tractduct.inputs.breakdown import read_surface_loads
from tractduct.inputs.catalogue import (
    approved_flex,
    read_ducts,
    read_fitting_prices,
    read_fittings,
    read_prices,
    without_roughness,
)
from tractduct.inputs.cells import nearest
from tractduct.inputs.equipment import read_equipment
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.finder import find_table, tell_unread
from tractduct.inputs.limits import MAX_CANDIDATES, MAX_FLEX, MAX_SECTION_SIZES, MAX_SECTION_VARIANTS
from tractduct.inputs.lots import read_lots, read_outlines, read_routes
from tractduct.inputs.plan_file import PLAN_FILE, PlanFile
from tractduct.inputs.product_tables import read_inner_diameters, with_tables
from tractduct.inputs.section_table import read_sections
from tractduct.inputs.tables import RawTable, Row
from tractduct.model.plan import Fitting, Plan, Purchase, Section, Tolerance, candidate_sizes, pieces_of
from tractduct.model.sizes import Size
from tractduct.model.words import ALL_ROOMS, FLEX, NOT_BOUGHT, SEASONS, SIDES, key_of
from tractduct.physics.air import site_air


def load_plan(path: str | Path) -> Plan:
    """Read a plan folder (or its plan.toml) and check all of it.

    Raises InputFaults with every fault that was found.
    """
    log = FaultLog()
    plan_file = PlanFile(Path(path), log)
    if not plan_file.read():
        raise InputFaults(log.faults)
    sizes = plan_file.sizes()
    tables = {spec.name: find_table(spec, plan_file, log) for spec in schema.TABLES if spec is not schema.AIRFLOW}
    # Surfaces, turned to each direction, may stand instead of the airflow table.
    needed = tables["surfaces"] is None and "surfaces" not in log.unread
    tables["airflow"] = find_table(replace(schema.AIRFLOW, required=needed), plan_file, log)
    tell_unread(plan_file, tables, log)
    fittings = read_fittings(tables["fittings"], log)
    ducts = read_ducts(tables["ducts"], log)
    ducts = with_tables(ducts, tables["friction_tables"], log)
    ducts = without_roughness(tables["ducts"], ducts, log)
    inner = read_inner_diameters(tables["inner_diameters"], ducts, log)
    sections, places = read_sections(tables["sections"], fittings, ducts, sizes, log)
    given = read_airflow(tables["airflow"], plan_file, log)
    breakdown = read_surface_loads(tables, given.rooms, plan_file, log)
    if tables["airflow"] is None and "airflow" not in log.unread:
        need = turned_airflow(tables["surfaces"], breakdown, plan_file, log)
    else:
        need = given
        breakdown = breakdown.for_rooms(need.rooms) if breakdown and need.rooms else None
    equipment = read_equipment(tables["blower"], tables["devices"], need.seasons, plan_file, log)
    flex = approved_flex(ducts, plan_file, log)
    if len(flex) > MAX_FLEX:
        log.fault(
            PLAN_FILE,
            f"{len(flex)} flex products are approved; at most {MAX_FLEX} are compared",
            "Name those that may be delivered in [variants] flex",
        )
    prices, packages, insulation = read_prices(tables["prices"], ducts, sizes, plan_file, log)
    fitting_prices = read_fitting_prices(tables["fitting_prices"], fittings, sizes, log)
    if not {"airflow", "sections", "surfaces"} & log.unread:
        _match_rooms(tables, sections, places, need, log)
    cases = len(sections) * len(need.fronts) * len(need.mirrored) * len(need.seasons) * len(flex)
    if cases > MAX_SECTION_VARIANTS:
        log.fault(
            PLAN_FILE,
            f"sections times variants are {cases:,}; at most {MAX_SECTION_VARIANTS:,} are sized together",
            "Approve fewer flex products in [variants], or make a plan of each duct system",
        )
    candidates = sum(len(candidate_sizes(section, sizes)) for section in sections)
    if candidates > MAX_SECTION_SIZES:
        log.fault(
            PLAN_FILE,
            f"sections times the sizes that each may take are {candidates:,}; at most {MAX_SECTION_SIZES:,} are sized "
            "together",
            "Give sections min_in and max_in, list fewer sizes in [sizes], or make a plan of each duct system",
        )
    elif cases * len(sizes) > MAX_CANDIDATES:
        log.fault(
            PLAN_FILE,
            f"sections times variants times standard sizes are {cases * len(sizes):,}; at most {MAX_CANDIDATES:,} are "
            "looked at together",
            "List fewer sizes in [sizes], or make a plan of each duct system",
        )
    if prices and not {"sections", "ducts"} & log.unread:
        _match_prices(tables["prices"], sections, flex, sizes, prices, log)
    if fitting_prices and not prices and "prices" not in log.unread:
        log.fault(
            "fitting_prices",
            "fittings have prices and ducts have none, so costs can't be added up",
            "Add a prices table for the ducts, or remove fitting_prices",
        )
    if fitting_prices and not {"sections", "fittings"} & log.unread:
        _match_fitting_prices(tables["fitting_prices"], sections, fittings, sizes, fitting_prices, log)
    name = plan_file.config.get("name")
    if not isinstance(name, str) or not name.strip():
        log.fault(PLAN_FILE, "the plan has no name", 'Write name = "..." in its first line')
        name = ""
    site = plan_file.keys("site")
    pressure = plan_file.keys("pressure")
    limits = plan_file.keys("limits")
    compression = plan_file.keys("compression")
    objective = plan_file.keys("objective")
    if not objective["max_distinct_sizes"].is_integer():
        log.fault(
            PLAN_FILE,
            "expected a whole number",
            "Enter how many distinct sizes may be stocked, 0 for no cap",
            column="[objective] max_distinct_sizes",
            value=f"{objective['max_distinct_sizes']:g}",
        )
    tolerance = plan_file.keys("tolerance")
    purchase = plan_file.keys("purchase")
    if not purchase["lots"].is_integer():
        log.fault(
            PLAN_FILE,
            "expected a whole number",
            "Enter how many lots to buy for",
            column="[purchase] lots",
            value=f"{purchase['lots']:g}",
        )
    orientation = plan_file.keys("orientation")
    lots = read_lots(tables["lots"], flex, [d.name for d in ducts.values() if d.kind == "flex"], log)
    turned = len(sections) * len(lots) * len(need.seasons)
    if turned > MAX_SECTION_VARIANTS:
        log.fault(
            "lots",
            f"sections times lots times seasons are {turned:,}; at most {MAX_SECTION_VARIANTS:,} are sized together",
            "Put the lots into several plans",
        )
    outlines = read_outlines(tables["rooms"], need.rooms, log)
    routes = read_routes(tables["routes"], [s.name for s in sections], log)
    if log.faults:
        raise InputFaults(log.faults)
    by_default = tuple(side for side in SIDES if f"{side}_inwc" not in plan_file.part("pressure"))
    at_site = float(site_air(site["elevation_ft"], site["air_temperature_f"]).density_ratio)
    return Plan(
        name=name.strip(),
        folder=plan_file.folder,
        fronts=need.fronts,
        mirrored=need.mirrored,
        seasons=need.seasons,
        flex=flex,
        rooms=need.rooms,
        airflow_cfm=need.airflow_cfm,
        sections=sections,
        fittings=fittings,
        ducts=ducts,
        prices=prices,
        inner_in=inner,
        fitting_prices=fitting_prices,
        purchase=Purchase(
            package_ft=packages,
            insulation=insulation,
            box_ft=purchase["box_ft"],
            waste_pct=purchase["waste_pct"],
            lots=int(purchase["lots"]),
        ),
        sizes=sizes,
        elevation_ft=site["elevation_ft"],
        air_temperature_f=site["air_temperature_f"],
        supply_air_f={s: site[f"{s}_supply_air_f"] for s in SEASONS if f"{s}_supply_air_f" in plan_file.part("site")},
        supply_inwc=pressure["supply_inwc"] * (at_site if "supply" in by_default else 1.0),
        return_inwc=pressure["return_inwc"] * (at_site if "return" in by_default else 1.0),
        default_pressure=by_default,
        velocity_limits_fpm=limits,
        **compression,
        standardize_within_pct=objective["standardize_within_pct"],
        max_distinct_sizes=int(objective["max_distinct_sizes"]),
        equipment=equipment,
        tolerance=Tolerance(**tolerance),
        budget_given=not equipment.curves or bool(plan_file.part("pressure")),
        typed=plan_file.typed,
        findings=tuple(log.findings),
        breakdown=breakdown,
        turned=tables["airflow"] is None,
        units=plan_file.units,
        lots=lots,
        outlines=outlines,
        routes=routes,
        diversity_btuh=orientation["diversity_btuh"],
        breakdown_check_pct=orientation["breakdown_check_pct"],
    )


def _match_rooms(
    tables: Mapping[str, RawTable | None],
    sections: tuple[Section, ...],
    places: Mapping[str, Row],
    need: RoomAirflow,
    log: FaultLog,
) -> None:
    """Rooms of both tables are the same ones, and each has an open run whenever it needs air."""
    airflow_table, section_table = tables["airflow"] or tables["surfaces"], tables["sections"]
    rooms, airflow = need.rooms, need.airflow_cfm
    assert airflow_table is not None
    assert section_table is not None
    if not rooms:
        return
    known = {key_of(room) for room in rooms}
    served: dict[str, list[Section]] = {}
    returned: dict[str, list[Section]] = {}
    for section in sections:
        for room in section.rooms:
            if room == ALL_ROOMS:
                for key in known:
                    returned.setdefault(key, []).append(section)
            elif key_of(room) not in known:
                log.cell_fault(
                    section_table,
                    places[section.name],
                    "room",
                    f"the {airflow_table.name} table has no room '{room}'",
                    nearest(room, rooms),
                )
            elif section.side == "return":
                returned.setdefault(key_of(room), []).append(section)
            else:
                served.setdefault(key_of(room), []).append(section)
    has_return = any(s.side == "return" for s in sections)
    for n, room in enumerate(rooms):
        largest = np.nan_to_num(airflow[:, :, :, n]).max(axis=(0, 1), initial=0.0)
        needs = [season for k, season in enumerate(need.seasons) if largest[k] > 0.0]
        runs = served.get(key_of(room), [])
        if needs and not runs:
            log.fault(
                airflow_table.label,
                f"room '{room}' needs air and no supply section ends in it",
                "Add its run to sections, or remove the room",
                column="room",
                value=room,
            )
        for season in needs if runs else ():
            if all(run.season not in ("", season) for run in runs):
                log.fault(
                    section_table.label,
                    f"room '{room}' needs air in {season} and all its runs are shut then",
                    "Leave the season of one of its runs empty",
                    column="season",
                )
        returns = returned.get(key_of(room), [])
        without = [s for s in needs if all(run.season not in ("", s) for run in returns)]
        if has_return and without:
            when = "" if without == needs else f" in {without[0]}"
            log.findings.append(
                Finding(
                    severity=Severity.WARNING,
                    rule="return air",
                    subject=f"room {room}",
                    message=f"no open return names this room{when}, so its air is counted in no return section",
                    advice="Name it in a return's room cell, or use * for a central return",
                )
            )


def _match_prices(
    table: RawTable | None,
    sections: tuple[Section, ...],
    flex: tuple[str, ...],
    sizes: tuple[Size, ...],
    prices: Mapping[tuple[str, str], float | None],
    log: FaultLog,
) -> None:
    """Each size that a section may take has a price row in each duct that it may be made of."""
    missing: dict[str, list[str]] = {}
    for section in sections:
        for duct in flex if section.duct == FLEX else (section.duct,):
            for size in candidate_sizes(section, sizes):
                labels = missing.setdefault(duct, [])
                if (duct, size.label) not in prices and size.label not in labels:
                    labels.append(size.label)
    for duct, labels in missing.items():
        if labels:
            log.fault(
                table.label if table else "prices.csv",
                f"duct '{duct}' has no price for size " + ", ".join(labels),
                "Add its price, or - where it is not offered in that size",
            )


def _match_fitting_prices(
    table: RawTable | None,
    sections: tuple[Section, ...],
    fittings: Mapping[str, Fitting],
    sizes: tuple[Size, ...],
    prices: Mapping[tuple[str, str], float | None],
    log: FaultLog,
) -> None:
    """A fitting that has prices has one for each size that its sections may take; one without any is free."""
    priced = list(dict.fromkeys(name for name, _ in prices))
    missing: dict[str, list[str]] = {}
    free: list[str] = []
    takes = {section.name: [size.label for size in candidate_sizes(section, sizes)] for section in sections}
    for piece in pieces_of(sections, fittings):
        name = piece.fitting
        if name not in priced:
            free += [name] if name not in free else []
            continue
        listed = missing.setdefault(name, [])
        listed += [label for label in takes[piece.section] if (name, label) not in prices and label not in listed]
    for name, labels in missing.items():
        if labels:
            log.fault(
                table.label if table else "fitting_prices.csv",
                f"fitting '{name}' has no price for size " + ", ".join(labels),
                "Add its price, or - where it is not offered in that size",
            )
    if free:
        log.findings.append(
            Finding(
                severity=Severity.NOTE,
                rule="fitting prices",
                subject=", ".join(free),
                message="these fittings have no price and count as free",
                advice="Add them to fitting_prices if they cost",
            )
        )
    unused = [name for name in priced if fittings[name].bought == NOT_BOUGHT]
    if unused:
        log.findings.append(
            Finding(
                severity=Severity.CAUTION,
                rule="fitting prices",
                subject=", ".join(unused),
                message="these fittings have prices, and the fittings table says that they are not bought",
                advice="Their prices don't count: remove them from fitting_prices, or correct the column bought",
            )
        )
