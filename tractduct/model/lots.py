"""Lots, room outlines and duct routes: where and how a plan is built, and how to draw it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """One lot. ``azimuth_deg`` of the front, clockwise from north, 0 to under 360; ``flex`` empty: any.

    ``options`` are those that it is built with; ``built`` says that it stands already.
    """

    name: str
    azimuth_deg: float
    mirrored: bool = False
    flex: str = ""
    options: tuple[str, ...] = ()
    built: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomOutline:
    """A rectangle of a room, in feet: x from the left wall seen from the street, y from the front wall back."""

    room: str
    x_ft: float
    y_ft: float
    width_ft: float
    depth_ft: float
    floor: str = "1"


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutePoint:
    """A point of a section's course; ``floor`` empty: drawn on each floor."""

    section: str
    x_ft: float
    y_ft: float
    floor: str = ""
