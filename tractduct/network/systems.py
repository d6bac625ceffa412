"""A house with several air handlers as a plan of each: its own ducts, rooms, airflow, blower and pressures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tractduct.errors import Fault, InputFaults
from tractduct.model.options import House
from tractduct.model.plan import Plan, System
from tractduct.model.words import key_of
from tractduct.network.tree import DuctTree, build_tree, run_shares
from tractduct.physics.turning import share_by_load


def plans_by_system(plan: Plan) -> tuple[Plan, ...]:
    """A plan of each system, all with the same variants, sizes, prices and lots; the plan itself where it has one.

    A room that several systems serve gets from each the part that the runs of that system have; where the plan gives
    loads, that part of its load counts when the system's airflow is shared out. Returns draw the air of their system.

    InputFaults where loads by surface of such a room would be parted otherwise in one season than in the other.
    """
    tree = build_tree(plan.sections)
    return tuple(_plan_of(plan, tree, system) for system in plan.systems) or (plan,)


def _plan_of(plan: Plan, tree: DuctTree, system: System) -> Plan:
    sections = tuple(section for section in plan.sections if section.system == system.name)
    runs = np.array([run.system == system.name and run.side != "return" for run in tree.runs])
    named = {key_of(room) for section in sections for room in section.rooms}
    keep = np.array([key_of(room) in named for room in plan.rooms])
    rooms = tuple(room for room, kept in zip(plan.rooms, keep, strict=True) if kept)
    houses = []
    for house in plan.every_house:
        shares = [run_shares(tree, plan.rooms, season, house.options)[runs].sum(axis=0) for season in plan.seasons]
        part = np.array(shares)  # (n_season, n_room)
        flow = (house.airflow_cfm * part)[..., keep]
        if plan.unshared:
            flow = share_by_load(flow, [system.equipment.system_cfm[season] for season in plan.seasons])
        surface_loads = house.surface_loads
        if surface_loads is not None:
            uneven = np.flatnonzero(np.ptp(part, axis=0) > 1e-9)
            if uneven.size:
                raise InputFaults([_uneven(plan, plan.rooms[uneven[0]])])
            surface_loads = surface_loads.part_of(keep, part[0])
        houses.append(House(options=house.options, airflow_cfm=flow, surface_loads=surface_loads))
    return replace(
        plan,
        name=f"{plan.name}, {system.name}",
        sections=sections,
        rooms=rooms,
        airflow_cfm=houses[0].airflow_cfm,
        surface_loads=houses[0].surface_loads,
        houses=tuple(houses) if plan.houses else (),
        equipment=system.equipment,
        supply_inwc=system.supply_inwc,
        return_inwc=system.return_inwc,
        default_pressure=system.default_pressure,
        budget_given=system.budget_given,
        typed=system.typed,
        systems=(),
        unshared=False,
        built={section.name: plan.built[section.name] for section in sections if section.name in plan.built},
        outlines=tuple(outline for outline in plan.outlines if outline.room in rooms),
        routes=tuple(point for point in plan.routes if point.section in {section.name for section in sections}),
    )


def _uneven(plan: Plan, room: str) -> Fault:
    return plan.place("sections", "season").fault(
        "several systems serve this room, in other parts in heating than in cooling; its loads by surface can't be "
        "parted so",
        "Leave the season of its runs empty, or give an airflow table instead of surfaces",
        room,
    )
