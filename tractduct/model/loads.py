"""The loads of a plan by surface, turned to any direction.

A mirror acts before the rotation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tractduct.arrays import FloatArray
from tractduct.model.words import FACES, GLASS_WORDS, key_of
from tractduct.physics.solar import (
    BTUH_PER_FT2_OF_W_PER_M2,
    glass_irradiance_w_per_m2,
    smoothed_over_hours,
)
from tractduct.physics.turning import bearing_deg, between_points, share_by_load
from tractduct.units import M_PER_FT

_NORTH = FACES.index("N")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sun:
    """What glass factors by the sun are worked out from; ``weights`` are for this hour, the one before ..."""

    latitude_deg: float
    elevation_ft: float
    shgc: float
    design_day: int
    linke_turbidity: float
    conduction_btuh_per_ft2: float
    weights: tuple[float, ...]

    def cooling_btuh_per_ft2(self, face_deg: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Cooling factors of upright glass by hour of local solar time: (24, n_face) unshaded, (24,) shaded.

        Clear-sky irradiance as at normal incidence x SHGC, smoothed over the hours before, and conduction.
        SolarExtraMissing without pvlib. A screening method, not a load calculation. [Btu/h ft2]
        """
        lit, shaded = glass_irradiance_w_per_m2(
            self.latitude_deg,
            self.design_day,
            face_deg,
            linke_turbidity=self.linke_turbidity,
            altitude_m=self.elevation_ft * M_PER_FT,
        )
        scale = self.shgc * BTUH_PER_FT2_OF_W_PER_M2
        felt = smoothed_over_hours(np.column_stack([lit, shaded]), self.weights) * scale + self.conduction_btuh_per_ft2
        return felt[:, :-1], felt[:, -1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurfaceLoads:
    """The loads of a plan by surface.

    Attributes
    ----------
    rooms : n_room of them
    kinds : n_kind kinds of surface
    room, kind : (n_surface,) int
    face_deg : (n_surface,), clockwise from the front in the house as drawn; NaN where it does not turn
    area_ft2, shade : (n_surface,)
    factor : (2, n_kind, 8), heating and cooling at the compass points; NaN for kinds that do not turn, and for
        the cooling of kinds that take it from the sun [Btu/h ft2]
    fixed_factor : (2, n_kind), of surfaces that do not turn; NaN where there are none [Btu/h ft2]
    gains_btuh : (2, n_room), what does not turn
    by_sun : (n_kind,) bool, the cooling factor comes from ``sun_factor``
    sun_factor, shade_factor : (24, 8) and (24,) by hour of local solar time; (0, 8) and (0,) without [Btu/h ft2]
    sun : what that was worked out from, or None
    airflow_at : room_peak or house_peak
    """

    rooms: tuple[str, ...]
    kinds: tuple[str, ...]
    room: NDArray[np.intp]
    kind: NDArray[np.intp]
    face_deg: FloatArray
    area_ft2: FloatArray
    shade: FloatArray
    factor: FloatArray
    fixed_factor: FloatArray
    gains_btuh: FloatArray
    by_sun: NDArray[np.bool_]
    sun_factor: FloatArray
    shade_factor: FloatArray
    sun: Sun | None = None
    airflow_at: str = "room_peak"

    @property
    def is_glass(self) -> NDArray[np.bool_]:
        """(n_kind,) bool"""
        return np.array([is_glass(k) for k in self.kinds], dtype=bool)

    def for_rooms(self, rooms: Sequence[str]) -> SurfaceLoads:
        """The same with its rooms in this order and spelling; all of them must be there."""
        place = {key_of(r): n for n, r in enumerate(rooms)}
        to = np.array([place[key_of(r)] for r in self.rooms], dtype=np.intp)
        gains = np.zeros((2, len(rooms)))
        gains[:, to] = self.gains_btuh
        return replace(self, rooms=tuple(rooms), room=to[self.room], gains_btuh=gains)

    def part_of(self, keep: NDArray[np.bool_], part: FloatArray) -> SurfaceLoads:
        """The loads of some rooms (n_room,), of each a part (n_room,) as one of several systems serves it."""
        place, mine = np.cumsum(keep) - 1, keep[self.room]
        return replace(
            self,
            rooms=tuple(room for room, kept in zip(self.rooms, keep, strict=True) if kept),
            room=place[self.room[mine]],
            kind=self.kind[mine],
            face_deg=self.face_deg[mine],
            area_ft2=(self.area_ft2 * part[self.room])[mine],
            shade=self.shade[mine],
            gains_btuh=(self.gains_btuh * part)[:, keep],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomLoads:
    """Loads of the rooms of a turned house.

    Attributes
    ----------
    heating_btuh : (n_azimuth, n_mirrored, n_room)
    cooling_btuh, glass_cooling_btuh : (n_hour, n_azimuth, n_mirrored, n_room), sensible; one hour stands for all
        where no factor comes from the sun, else the hours of local solar time. The second is the part that
        comes through glass.
    """

    heating_btuh: FloatArray
    cooling_btuh: FloatArray
    glass_cooling_btuh: FloatArray

    @property
    def house_cooling_btuh(self) -> FloatArray:
        """(n_hour, n_azimuth, n_mirrored) all rooms together."""
        return np.asarray(self.cooling_btuh.sum(axis=-1))

    @property
    def house_peak_btuh(self) -> FloatArray:
        """(n_azimuth, n_mirrored) the house's highest sensible cooling load."""
        return np.asarray(self.house_cooling_btuh.max(axis=0))

    @property
    def house_peak_hour(self) -> NDArray[np.intp]:
        """(n_azimuth, n_mirrored) the hour of it."""
        return np.asarray(self.house_cooling_btuh.argmax(axis=0))

    @property
    def room_peak_hour(self) -> NDArray[np.intp]:
        """(n_azimuth, n_mirrored, n_room) the hour of each room's own peak."""
        return np.asarray(self.cooling_btuh.argmax(axis=0))

    def cooling_at(self, peak: str) -> FloatArray:
        """(n_azimuth, n_mirrored, n_room) sensible cooling at each room's own peak or at the house's."""
        return self._at(self.cooling_btuh, peak)

    def glass_at(self, peak: str) -> FloatArray:
        """(n_azimuth, n_mirrored, n_room) what of ``cooling_at`` comes through glass."""
        return self._at(self.glass_cooling_btuh, peak)

    def _at(self, hourly: FloatArray, peak: str) -> FloatArray:
        hour = self.room_peak_hour if peak == "room_peak" else self.house_peak_hour[..., None]
        hour = np.broadcast_to(hour, hourly.shape[1:])
        return np.asarray(np.take_along_axis(hourly, hour[None], axis=0)[0])

    def load(self, season: str, peak: str) -> FloatArray:
        """(n_azimuth, n_mirrored, n_room) the load by which a season's airflow is shared. [Btu/h]"""
        return self.heating_btuh if season == "heating" else self.cooling_at(peak)


def room_loads(surface_loads: SurfaceLoads, azimuth_deg: ArrayLike, mirrored: Sequence[bool] = (False,)) -> RoomLoads:
    """Loads of each room with the front turned to any azimuths, as drawn or mirrored.

    ``azimuth_deg`` (n_azimuth,) clockwise from north. Factors between the compass points: ``between_points``.
    """
    azimuth = np.atleast_1d(np.asarray(azimuth_deg, dtype=float))
    mirror = np.asarray(mirrored, dtype=bool)
    turns = np.isfinite(surface_loads.face_deg)
    # (n_azimuth, n_mirrored, n_surface)
    bearing = bearing_deg(surface_loads.face_deg, azimuth[:, None, None], mirror[None, :, None])
    shape = bearing.shape
    n_hour = len(surface_loads.sun_factor) or 1
    heating = np.broadcast_to(surface_loads.fixed_factor[0, surface_loads.kind], shape).copy()
    cooling = np.broadcast_to(surface_loads.fixed_factor[1, surface_loads.kind], (n_hour, *shape)).copy()
    for k in range(len(surface_loads.kinds)):
        mine = turns & (surface_loads.kind == k)
        if not mine.any():
            continue
        heating[..., mine] = between_points(surface_loads.factor[0, k], bearing[..., mine])
        points = surface_loads.sun_factor if surface_loads.by_sun[k] else surface_loads.factor[1, k][None]
        sunlit = np.moveaxis(between_points(points, bearing[..., mine]), -1, 0)
        in_shade = surface_loads.shade_factor if surface_loads.by_sun[k] else points[:, _NORTH]
        shade = surface_loads.shade[mine]
        cooling[..., mine] = (1.0 - shade) * sunlit + shade * in_shade[:, None, None, None]
    heating *= surface_loads.area_ft2
    cooling *= surface_loads.area_ft2
    in_room = (surface_loads.room[:, None] == np.arange(len(surface_loads.rooms))).astype(float)
    glass = surface_loads.is_glass[surface_loads.kind].astype(float)
    return RoomLoads(
        heating_btuh=heating @ in_room + surface_loads.gains_btuh[0],
        cooling_btuh=cooling @ in_room + surface_loads.gains_btuh[1],
        glass_cooling_btuh=(cooling * glass) @ in_room,
    )


def turn(
    surface_loads: SurfaceLoads,
    azimuth_deg: ArrayLike,
    mirrored: Sequence[bool],
    system_cfm: Mapping[str, float],
    *,
    peak: str | None = None,
) -> FloatArray:
    """Room airflow of a house turned to any azimuths.

    Parameters
    ----------
    surface_loads : the loads by surface
    azimuth_deg : array_like, shape (n_azimuth,), of the front, clockwise from north
    mirrored : n_mirrored of them
    system_cfm : season -> airflow of the whole system, in the order wanted
    peak : room_peak or house_peak; what the plan says if None

    Returns
    -------
    ndarray, shape (n_azimuth, n_mirrored, n_season, n_room)
        The system's airflow shared by the rooms' loads. [cfm]
    """
    loads = room_loads(surface_loads, azimuth_deg, mirrored)
    at = peak or surface_loads.airflow_at
    return np.stack([share_by_load(loads.load(s, at), flow) for s, flow in system_cfm.items()], axis=2)


def is_glass(kind: str) -> bool:
    """Whether a kind of surface counts as glass, by its name."""
    return any(word in key_of(kind) for word in GLASS_WORDS)
