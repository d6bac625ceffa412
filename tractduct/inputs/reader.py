"""A plan folder to one checked plan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from tractduct.errors import InputFaults
from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.airflow import RoomAirflow, read_airflow
from tractduct.inputs.catalogue import approved_flex, read_ducts, read_fittings, read_prices
from tractduct.inputs.cells import ALL_ROOMS, key_of, nearest
from tractduct.inputs.equipment import read_equipment
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.finder import find_table
from tractduct.inputs.plan import Plan, Section, Tolerance, candidate_sizes
from tractduct.inputs.plan_file import PLAN_FILE, PlanFile
from tractduct.inputs.schema import FLEX
from tractduct.inputs.section_table import read_sections
from tractduct.inputs.sizes import Size
from tractduct.inputs.tables import RawTable, Row


def load_plan(path: str | Path) -> Plan:
    """Read a plan folder (or its plan.toml) and check all of it.

    Raises InputFaults with every fault that was found.
    """
    log = FaultLog()
    plan_file = PlanFile(Path(path), log)
    if not plan_file.read():
        raise InputFaults(log.faults)
    sizes = plan_file.sizes()
    tables = {spec.name: find_table(spec, plan_file, log) for spec in schema.TABLES}
    fittings = read_fittings(tables["fittings"], log)
    ducts = read_ducts(tables["ducts"], log)
    sections, places = read_sections(tables["sections"], fittings, ducts, sizes, log)
    need = read_airflow(tables["airflow"], plan_file, log)
    equipment = read_equipment(tables["blower"], tables["devices"], need.seasons, plan_file, log)
    flex = approved_flex(ducts, plan_file, log)
    prices = read_prices(tables["prices"], ducts, log)
    if not {"airflow", "sections"} & log.unread:
        _match_rooms(tables, sections, places, need, log)
    if prices and not {"sections", "ducts"} & log.unread:
        _match_prices(tables["prices"], sections, flex, sizes, prices, log)
    name = plan_file.config.get("name")
    if not isinstance(name, str) or not name.strip():
        log.fault(PLAN_FILE, "the plan has no name", 'Write name = "..." in its first line')
        name = ""
    site = plan_file.keys("site")
    pressure = plan_file.keys("pressure")
    limits = plan_file.keys("limits")
    objective = plan_file.keys("objective")
    tolerance = plan_file.keys("tolerance")
    if log.faults:
        raise InputFaults(log.faults)
    return Plan(
        name=name.strip(),
        folder=plan_file.folder,
        front_faces=need.front_faces,
        mirrored=need.mirrored,
        seasons=need.seasons,
        flex=flex,
        rooms=need.rooms,
        airflow_cfm=need.airflow_cfm,
        sections=sections,
        fittings=fittings,
        ducts=ducts,
        prices=prices,
        sizes=sizes,
        elevation_ft=site["elevation_ft"],
        air_temperature_f=site["air_temperature_f"],
        supply_inwc=pressure["supply_inwc"],
        return_inwc=pressure["return_inwc"],
        velocity_limits_fpm=limits,
        standardize_within_pct=objective["standardize_within_pct"],
        max_distinct_sizes=int(objective["max_distinct_sizes"]),
        equipment=equipment,
        tolerance=Tolerance(**tolerance),
        budget_given=not equipment.curves or bool(plan_file.part("pressure")),
        findings=tuple(log.findings),
    )


def _match_rooms(
    tables: Mapping[str, RawTable | None],
    sections: tuple[Section, ...],
    places: Mapping[str, Row],
    need: RoomAirflow,
    log: FaultLog,
) -> None:
    """Rooms of both tables are the same ones, and each has an open run whenever it needs air."""
    airflow_table, section_table = tables["airflow"], tables["sections"]
    rooms, airflow = need.rooms, need.airflow_cfm
    assert airflow_table is not None
    assert section_table is not None
    known = {key_of(room) for room in rooms}
    served: dict[str, list[Section]] = {}
    returned: set[str] = set()
    for section in sections:
        for room in section.rooms:
            if room == ALL_ROOMS:
                returned |= known
            elif key_of(room) not in known:
                log.cell_fault(
                    section_table,
                    places[section.name],
                    "room",
                    f"the airflow table has no room '{room}'",
                    nearest(room, rooms),
                )
            elif section.side == "return":
                returned.add(key_of(room))
            else:
                served.setdefault(key_of(room), []).append(section)
    has_return = any(s.side == "return" for s in sections)
    for n, room in enumerate(rooms):
        needs = [s for k, s in enumerate(need.seasons) if airflow.size and np.nanmax(airflow[:, :, k, n]) > 0.0]
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
        if has_return and needs and key_of(room) not in returned:
            log.findings.append(
                Finding(
                    severity=Severity.WARNING,
                    rule="return air",
                    subject=f"room {room}",
                    message="no return names this room, so its air is counted in no return section",
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
