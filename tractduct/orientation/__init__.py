"""Orientation: from one plan to every lot.

``study_orientation(study)`` takes a studied plan and gives an ``OrientationStudy``: how each room's airflow moves
with the direction of the front, which few duct packages are worth having, every lot at its own azimuth, and whether
the standard size set holds at every degree between the compass points.

Directions, said once: an azimuth is that of the front, clockwise from north. Left and right are seen from the street,
so the left side lies 90 degrees clockwise of the front. A mirror acts before the rotation.

The turning itself is ``turn`` (loads by surface to room airflow at any azimuth); the sun on glass is in
``tractduct.physics.solar``, a screening method that needs ``pip install tractduct[solar]``.
"""

from tractduct.model.loads import RoomLoads, SurfaceLoads, room_loads, turn
from tractduct.orientation.azimuths import airflow_at, plan_at
from tractduct.orientation.between import BrokenRange, DegreeCheck, check_every_degree
from tractduct.orientation.check import LoadsCheck, check_loads
from tractduct.orientation.lots import LotResult, lot_results
from tractduct.orientation.sensitivity import HouseLoad, RoomSensitivity
from tractduct.orientation.study import LotPackage, OrientationStudy, lot_mix, study_orientation

__all__ = [
    "BrokenRange", "DegreeCheck", "HouseLoad", "LoadsCheck", "LotPackage", "LotResult", "OrientationStudy",
    "RoomLoads", "RoomSensitivity", "SurfaceLoads", "airflow_at", "check_every_degree", "check_loads", "lot_mix",
    "lot_results", "plan_at", "room_loads", "study_orientation", "turn",
]  # fmt: skip
