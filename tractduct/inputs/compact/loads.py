"""Loads by surface, or airflow, out of the sheets ``rooms`` and ``glass``: one load calculation, its glass turned.

A room's load as printed less its glass at the printed front is what does not turn. So turning leaves out what walls,
doors and roofs gain and lose by direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tractduct.inputs import schema
from tractduct.inputs.compact.rows import derived_row, put_rows
from tractduct.inputs.compact.sheets import GLASS_COLUMNS
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.inputs.tables import Row
from tractduct.model.words import FACES, PLAN_FACES, SEASONS, key_of
from tractduct.physics.turning import POINT_DEG

_LOAD = {"heating": "heating_btuh", "cooling": "sensible_cooling_btuh"}
_FACTOR = {"heating": "heating_btuh_per_ft2", "cooling": "cooling_btuh_per_ft2"}
_GLASS = "glass"
_ALIKE_PCT = 10.0  # loads at the check's front that the printed ones, turned, may be off: walls turn too
_CFM_PER_TON = 400.0


def add_loads(found: dict[str, TableReader], rooms: TableReader, glass: TableReader, plan_file: PlanFile) -> None:
    """Put what the two sheets say of loads into the long tables."""
    rows = [row for row in rooms if any(row.has(name) for name in (*_LOAD.values(), "check_cooling_btuh"))]
    panes = [row for row in rooms if any(row.has(name) for name in GLASS_COLUMNS.values())]
    if not rows:
        for row in panes[:1]:
            column = next(name for name in GLASS_COLUMNS.values() if row.has(name))
            row.fault(column, "the room has glass and no loads", "Enter the loads of all rooms, or no glass")
        return
    for row in rows:
        row.once("room", key_of(row.text("room")), "the loads of this room are")
    for table in ("surfaces", "room_gains"):
        if found[table].is_given:
            problem = f"the plan gives loads here and in {found[table].label}"
            rooms.fault(problem, "Keep one of the two forms", column="heating_btuh")
            return
    front = plan_file.choice("loads", "printed_front")
    is_turned = bool(panes) and glass.is_given
    if panes and not is_turned and not glass.is_unread:
        problem = "rooms have glass and the plan has no glass sheet"
        rooms.fault(problem, "Add it, with what a square foot takes by the way it faces, or leave the glass out")
    elif panes and not front:
        problem = "the rooms have glass, and nothing says which way the front faces in their load calculation"
        plan_file.fault("loads", "printed_front", problem, "Add printed_front, such as N")
    printed = _Printed(found, rooms, rows, front, plan_file)
    if found["airflow"].is_given or "printed" in plan_file.part("tables"):
        if not is_turned:
            message = "the plan gives airflow, so the loads in this sheet count for nothing"
            advice = "Remove one of the two, or give the glass for a check"
            plan_file.log.note("unused loads", rooms.label, message, advice)
    else:
        _assume_airflow(plan_file)
        if not is_turned:
            printed.add_one_front()
    if is_turned:
        printed.add_turned(glass)


def _assume_airflow(plan_file: PlanFile) -> None:
    """The blower's airflow in a season that the plan leaves out."""
    given = {season: plan_file.optional("blower", f"{season}_cfm") for season in SEASONS}
    tons = plan_file.optional("blower", "capacity_tons")
    for season, other in zip(SEASONS, reversed(SEASONS), strict=True):
        same, rule = given[other], f"that of {other}"
        if same is None and tons is not None:
            same, rule = _CFM_PER_TON * tons, f"{_CFM_PER_TON:g} cfm a ton; common practice, no source"
        if given[season] is None and same is not None:
            plan_file.assume("blower", f"{season}_cfm", same, rule)


@dataclass(frozen=True, slots=True)
class _Printed:
    """The rows of ``rooms`` that have loads, printed with the front facing ``front``; empty where that is not said."""

    found: dict[str, TableReader]
    rooms: TableReader
    rows: list[RowReader]
    front: str
    plan_file: PlanFile

    def add_one_front(self) -> None:
        """Without glass nothing turns: the airflow of the printed front alone."""
        log, label = self.plan_file.log, self.rooms.label
        faces = {"front_faces": self.front or FACES[0]}
        derived = [derived_row(row, faces, ("room", *_LOAD.values())) for row in self.rows]
        put_rows(self.found, schema.AIRFLOW, derived, self.rooms)
        if not self.front:
            log.assume("printed_front", label, FACES[0], "the loads do not say which way the front faced")
        message = "the loads stand for one direction of the front, and the plan is sized for that one alone"
        advice = "Enter the glass of the rooms and the sheet glass, or an airflow table of every front"
        log.caution("one direction", label, message, advice)

    def add_turned(self, glass: TableReader) -> None:
        """Surfaces, load factors and room gains; the printed front checked where there are loads of a second one."""
        log, units, rows = self.plan_file.log, self.plan_file.units, self.rows
        faults = len(log.faults)
        factor, factor_rows = _factors(glass)
        area = np.zeros((len(self.rooms.raw.rows), 4))  # by row of the sheet and side
        surfaces: list[Row] = []
        keys = [key_of(row.written("room")) for row in self.rooms]
        for n, row in enumerate(self.rooms):
            for side, (face, column) in enumerate(GLASS_COLUMNS.items()):
                area[n, side] = row.optional(column) or 0.0
                # A room without glass has a pane of no area, so that rooms stand in the order of the sheet.
                bare = side == 0 and not any(row.has(name) for name in GLASS_COLUMNS.values())
                if row.has(column) or bare:
                    cells = {"surface": _GLASS, "plan_face": face, "area_ft2": row.written(column) or "0"}
                    sources = {"area_ft2": column, "plan_face": column}
                    surfaces.append(derived_row(row, cells, ["room"], sources=sources))
        loads = {season: [row.optional(name) for row in rows] for season, name in _LOAD.items()}
        check = self.plan_file.choice("loads", "check_front")
        checked = [row.optional("check_cooling_btuh") for row in rows]
        for season, name in _LOAD.items():
            for row, load in zip(rows, loads[season], strict=True):
                if load is None and not row.has(name):
                    row.fault(name, f"the room has no {season} load", "Enter it; 0 where it has none")
        if len(log.faults) > faults or not self.front or np.isnan(factor).any():
            if not self.found["airflow"].is_given:
                put_rows(self.found, schema.AIRFLOW, self._stand_in(), self.rooms)
            return
        of_room = np.array([[key == key_of(row.written("room")) for key in keys] for row in rows], dtype=float) @ area
        by_front = _glass_load(of_room, factor)  # (season, front, room)
        gains: list[Row] = []
        for n, row in enumerate(rows):
            cells = {}
            for s, season in enumerate(SEASONS):
                printed, taken = loads[season][n] or 0.0, by_front[s, FACES.index(self.front), n]
                if printed - taken < -1e-9 * max(printed, 1.0):
                    problem = f"the room's glass alone is {units.say(taken, 'Btu/h', ',.0f')} "
                    problem += f"with the front facing {self.front}, more than its {season} load"
                    row.fault(_LOAD[season], problem, "Correct the load, the glass, or printed_front")
                cells[_LOAD[season]] = f"{units.shown(max(printed - taken, 0.0), 'Btu/h'):.10g}"
            gains.append(derived_row(row, cells, ["room"]))
        self._tell_check(np.array([load or 0.0 for load in loads["cooling"]]), checked, by_front[1], check)
        put_rows(self.found, schema.SURFACES, surfaces, self.rooms)
        put_rows(self.found, schema.LOAD_FACTORS, factor_rows, glass)
        put_rows(self.found, schema.ROOM_GAINS, gains, self.rooms)
        rule = f"printed load less the glass's at front {self.front}: it does not turn with the house"
        log.derive("room gains", self.rooms.label, f"{len(gains)} rooms", rule)

    def _stand_in(self) -> list[Row]:
        """Some load for each room, so that what hangs on the rooms is checked in the same round."""
        some = dict.fromkeys(_LOAD.values(), "1")
        return [
            derived_row(row, {**some, "front_faces": face, "mirrored": mirror}, ["room"])
            for row in self.rows
            for face in FACES
            for mirror in ("yes", "no")
        ]

    def _tell_check(
        self, printed: NDArray[np.float64], checked: list[float | None], glass_load: NDArray[np.float64], check: str
    ) -> None:
        """Hold the loads of a second printed front against the first's, turned: a wrong printed_front shows so."""
        plan_file, front, label = self.plan_file, self.front, self.rooms.label
        column = self.rooms.shown("check_cooling_btuh").name
        given = [n for n, load in enumerate(checked) if load is not None]
        if bool(check) != bool(given):
            problem = f"the check needs {f'{column} in rooms' if check else 'check_front'} too"
            plan_file.fault("loads", "check_front", problem, "Add it, or leave both out", check)
            return
        if not check:
            message = "nothing checks that the loads were printed with the front as printed_front says"
            advice = f"Enter check_front and, in rooms, {column} from a second printout: one front is enough"
            plan_file.log.note("printed front", label, message, advice)
            return
        if check == front:
            problem = "this is printed_front too"
            plan_file.fault("loads", "check_front", problem, "Take another front for the check", check)
            return
        there = np.array([checked[n] for n in given], dtype=float)
        turned = printed[None, given] - glass_load[:, given] + glass_load[FACES.index(check), given]  # (front, room)
        off = np.sqrt(((turned - there) ** 2).mean(axis=1))
        best, named = int(off.argmin()), FACES.index(front)
        if off[best] < 0.5 * off[named] and best != FACES.index(check):
            problem = f"the loads of check_front {check} follow from a printed front of {FACES[best]}, not {front}"
            remedy = "Correct printed_front, check_front, or the loads"
            plan_file.fault("loads", "printed_front", problem, remedy, front)
            return
        apart = np.abs(turned[named] - there) / np.maximum(there, 1.0) * 100.0
        worst = int(apart.argmax())
        if apart[worst] > _ALIKE_PCT:
            message = f"turned to {check}, the load of {self.rows[given[worst]].row.text('room')} is "
            message += f"{apart[worst]:.0f} % off the one printed; only glass is turned"
            advice = "Check the room's glass; walls, doors and roof turn with surfaces and load_factors only"
            plan_file.log.caution("printed front", label, message, advice)


def _factors(glass: TableReader) -> tuple[NDArray[np.float64], list[Row]]:
    """(season, facing) what a square foot takes, NaN where it is not given; the rows of load_factors."""
    factor = np.full((2, len(FACES)), np.nan)
    rows: list[Row] = []
    heating, text = None, ""
    for row in glass:
        facing = row.choice("facing")
        cooling, own = row.optional(_FACTOR["cooling"]), row.optional(_FACTOR["heating"])
        if row.has(_FACTOR["heating"]):
            heating, text = own, row.written(_FACTOR["heating"])
        elif heating is None:
            row.fault(_FACTOR["heating"], "there is no row above to take it from", "Enter the value")
        if facing and row.once("facing", facing, "this direction is") and None not in (cooling, heating):
            factor[:, FACES.index(facing)] = heating, cooling
            cells = {"surface": _GLASS, "exposure": facing, "heating_btuh_per_ft2": text}
            cells["sensible_cooling_btuh_per_ft2"] = row.written(_FACTOR["cooling"])
            sources = {"exposure": "facing", "sensible_cooling_btuh_per_ft2": _FACTOR["cooling"]}
            rows.append(derived_row(row, cells, sources=sources))
    missing = [face for face in FACES if face not in glass.first_rows["facing"]]
    if missing:
        glass.fault(f"there is no row for {', '.join(missing)}", "Add it", column="facing")
    return factor, rows


def _glass_load(area_ft2: NDArray[np.float64], factor: NDArray[np.float64]) -> NDArray[np.float64]:
    """(season, front, room) what the rooms' glass takes; ``area_ft2`` is (room, side), ``factor`` (season, facing)."""
    turn = np.array([round(PLAN_FACES[side] / POINT_DEG) for side in GLASS_COLUMNS])
    facing = (np.arange(len(FACES))[:, None] + turn) % len(FACES)  # (front, side)
    return np.asarray(np.einsum("rs,kfs->kfr", area_ft2, factor[:, facing]))
