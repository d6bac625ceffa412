"""How each room's airflow, and the house's load, change with the direction that the front faces."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tractduct.arrays import FloatArray
from tractduct.findings import Finding, caution, note
from tractduct.model.loads import RoomLoads, SurfaceLoads, room_loads, turn
from tractduct.model.options import Built, House, built_text
from tractduct.model.plan import Plan
from tractduct.model.words import key_of
from tractduct.network.variants import Variant
from tractduct.one_plan import Study
from tractduct.orientation.azimuths import face_azimuth_deg, system_cfm

CHANGES_PCT = 2.0  # a room's airflow that moves by less than this between faces counts as still


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomSensitivity:
    """How one room's airflow moves with the direction, in the house in which it moves most.

    Attributes
    ----------
    options : what that house is built with
    airflow_cfm : (n_face, n_mirrored, n_season)
    season : the one in which it moves most
    smallest_cfm, largest_cfm : in that season, over faces and mirrors
    driving_front, driving_mirrored : where it is largest
    least_front, least_mirrored : where it is smallest
    size_steps : standard sizes between the smallest and the largest own size of its runs over faces and mirrors, at the
        worst season and flex
    glass_pct : part of its cooling load at the driving face that comes through glass; NaN without loads by surface
    has_glass : None without loads by surface
    load_change_pct : largest over smallest sensible cooling load, less 100; NaN without loads by surface
    shared_out : it has no glass, its airflow moves by more than ``CHANGES_PCT`` and by more than twice what its load
        does: mostly because the other rooms' loads change and the total is shared out
    """

    room: str
    options: Built
    airflow_cfm: FloatArray
    season: str
    smallest_cfm: float
    largest_cfm: float
    driving_front: str
    driving_mirrored: bool
    least_front: str
    least_mirrored: bool
    size_steps: int
    glass_pct: float
    has_glass: bool | None
    load_change_pct: float
    shared_out: bool

    @property
    def ratio(self) -> float:
        """Largest over smallest airflow; infinite where the smallest is 0 and the largest is not."""
        if self.smallest_cfm > 0.0:
            return self.largest_cfm / self.smallest_cfm
        return np.inf if self.largest_cfm > 0.0 else 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HouseLoad:
    """A house's load by direction, from the loads by surface.

    Attributes
    ----------
    options : what it is built with
    loads : of the rooms at the plan's faces and mirrors
    cooling_btuh : (n_face, n_mirrored) highest total sensible cooling load
    heating_btuh : (n_face, n_mirrored)
    change_btuh : largest less smallest cooling load
    limit_btuh : the change from which on it is a finding
    room_peak_cfm, house_peak_cfm : (n_face, n_mirrored, n_room), cooling airflow shared by each room's own peak
        load, and by the loads at the hour of the house's peak; the same without factors by the sun. None
        without a cooling season
    """

    options: Built
    loads: RoomLoads
    cooling_btuh: FloatArray
    heating_btuh: FloatArray
    change_btuh: float
    limit_btuh: float
    room_peak_cfm: FloatArray | None
    house_peak_cfm: FloatArray | None

    @property
    def hourly(self) -> bool:
        """True where factors by the sun tell the hours apart."""
        return len(self.loads.cooling_btuh) > 1


def house_loads(plan: Plan) -> tuple[HouseLoad, ...]:
    """The load of each house by face and mirror; none without loads by surface."""
    return tuple(
        _house_load(plan.of_house(house.options), house.options, house.surface_loads)
        for house in plan.every_house
        if house.surface_loads is not None
    )


def _house_load(plan: Plan, options: Built, surface_loads: SurfaceLoads) -> HouseLoad:
    azimuth = [face_azimuth_deg(f) for f in plan.fronts]
    loads = room_loads(surface_loads, azimuth, plan.mirrored)
    cooling = loads.house_peak_btuh
    by_peak: list[FloatArray | None] = [None, None]
    if "cooling" in plan.seasons:
        system = {"cooling": system_cfm(plan)["cooling"]}
        by_peak = [
            turn(surface_loads, azimuth, plan.mirrored, system, peak=peak)[:, :, 0]
            for peak in ("room_peak", "house_peak")
        ]
    return HouseLoad(
        options=options,
        loads=loads,
        cooling_btuh=cooling,
        heating_btuh=np.asarray(loads.heating_btuh.sum(axis=2)),
        change_btuh=float(cooling.max() - cooling.min()),
        limit_btuh=plan.diversity_btuh,
        room_peak_cfm=by_peak[0],
        house_peak_cfm=by_peak[1],
    )


def most_changing(loads: Sequence[HouseLoad]) -> HouseLoad | None:
    """The load that changes most with the direction; None without any."""
    return max(loads, key=lambda load: round(load.change_btuh, 6), default=None)


def sensitivity_by_room(study: Study, loads: Sequence[HouseLoad]) -> tuple[RoomSensitivity, ...]:
    """Every room, most sensitive first: by size steps, then by largest over smallest airflow.

    Each in the house in which it is most sensitive; ``loads`` are of every house, or empty.
    """

    def rank(room: RoomSensitivity) -> tuple[int, float]:
        return -room.size_steps, -room.ratio

    houses = study.plan.every_house
    found = []
    for n in range(len(study.plan.rooms)):
        there = [h for h, house in enumerate(houses) if house.airflow_cfm[..., n].any()] or [0]
        found.append(min((_of_room(study, houses[h], loads[h] if loads else None, n) for h in there), key=rank))
    return tuple(sorted(found, key=rank))


def _of_room(study: Study, house: House, load: HouseLoad | None, n: int) -> RoomSensitivity:
    plan = study.plan
    flow = house.airflow_cfm[:, :, :, n]
    low, high = flow.min(axis=(0, 1)), flow.max(axis=(0, 1))
    change = np.divide(high - low, high, out=np.zeros_like(high), where=high > 0.0)
    k = int(np.argmax(change))
    best = np.unravel_index(int(np.argmin(flow[:, :, k])), flow.shape[:2])
    worst = np.unravel_index(int(np.argmax(flow[:, :, k])), flow.shape[:2])
    glass_pct, load_change, has_glass = np.nan, np.nan, None
    loads = house.surface_loads
    if load is not None and loads is not None:
        has_glass = bool(np.any(loads.is_glass[loads.kind] & (loads.room == n) & (loads.area_ft2 > 0)))
        cooling = load.loads.cooling_at(loads.airflow_at)[:, :, n]
        glass = load.loads.glass_at(loads.airflow_at)[:, :, n]
        if cooling[worst] > 0.0:
            glass_pct = 100.0 * float(glass[worst] / cooling[worst])
        if cooling.min() > 0.0:
            load_change = 100.0 * float(cooling.max() / cooling.min() - 1.0)
    moves = 100.0 * (high[k] / low[k] - 1.0) if low[k] > 0.0 else 0.0
    return RoomSensitivity(
        room=plan.rooms[n],
        options=house.options,
        airflow_cfm=flow,
        season=plan.seasons[k],
        smallest_cfm=float(low[k]),
        largest_cfm=float(high[k]),
        driving_front=plan.fronts[int(worst[0])],
        driving_mirrored=plan.mirrored[int(worst[1])],
        least_front=plan.fronts[int(best[0])],
        least_mirrored=plan.mirrored[int(best[1])],
        size_steps=max(size_steps(study, plan.rooms[n], season, house.options) for season in plan.seasons),
        glass_pct=glass_pct,
        has_glass=has_glass,
        load_change_pct=load_change,
        shared_out=bool(has_glass is False and moves > max(CHANGES_PCT, 2.0 * np.nan_to_num(load_change))),
    )


def size_steps(study: Study, room: str, season: str, options: Built) -> int:
    """Standard sizes between the smallest and the largest own size of a room's supply runs over faces and mirrors.

    In one season and house, at the worst flex; runs that have no own size in some variant are left out.
    """
    worst = 0
    for i, section in enumerate(study.tree.sections):
        served = {key_of(r) for r in section.rooms}
        if section.side == "return" or key_of(room) not in served or section.season not in ("", season):
            continue
        for flex in study.plan.flex:
            rows = study.variants.where(season=season, flex=flex, options=options)
            own = study.by_friction_rate.friction_rate_size[rows, i]
            if own.min() >= 0:
                worst = max(worst, int(own.max() - own.min()))
    return worst


def loads_findings(study: Study, house: HouseLoad | None, rooms: tuple[RoomSensitivity, ...]) -> Iterator[Finding]:
    """Exposure diversity of the house, and rooms that change because the total is shared out."""
    plan = study.plan
    if house is not None and house.change_btuh > house.limit_btuh:
        low = np.unravel_index(int(np.argmin(house.cooling_btuh)), house.cooling_btuh.shape)
        high = np.unravel_index(int(np.argmax(house.cooling_btuh)), house.cooling_btuh.shape)

        built = f" {built_text(house.options) or 'without options'}" if plan.options else ""

        def place(at: tuple[np.intp, ...]) -> str:
            load = plan.units.number(float(house.cooling_btuh[at]), "Btu/h", ",.0f")
            return f"{load} with the {Variant(plan.fronts[int(at[0])], plan.mirrored[int(at[1])], '', '')}"

        message = (
            f"the total sensible cooling load{built} changes by "
            f"{plan.units.say(house.change_btuh, 'Btu/h', ',.0f')} between directions, over "
            f"{plan.units.number(house.limit_btuh, 'Btu/h', ',.0f')}: {place(low)}, {place(high)}"
        )
        advice = "Check that one cooling unit and one design report may serve all directions, or group them"
        yield caution("load change with direction", "house", message, advice)
    shared = [r for r in rooms if r.shared_out]
    if shared:
        names = ", ".join(f"{r.room} ({100.0 * (r.ratio - 1.0):.0f} %)" for r in shared)
        message = f"the airflow of {names} changes with the direction mostly because the other rooms' loads change"
        advice = "Do not look for the cause in these rooms"
        yield note("airflow shared out", "rooms without glass", message, advice)
