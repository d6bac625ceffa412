"""A plan at any azimuth: its airflow there, and the plan as if it listed those directions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from tractduct.arrays import BoolArray, FloatArray
from tractduct.model.loads import turn
from tractduct.model.plan import Plan
from tractduct.model.words import FACES
from tractduct.physics.turning import POINT_DEG, TURN_DEG


def face_azimuth_deg(face: str) -> float:
    """Azimuth of a compass point."""
    return FACES.index(face) * POINT_DEG


def azimuth_label(azimuth_deg: float) -> str:
    """How an azimuth stands in the place of a front face: '98°'."""
    return f"{azimuth_deg:g}°"


def nearest_front(faces: Sequence[str], azimuth_deg: float) -> str:
    """The listed face nearest to an azimuth; of two as near, the one that comes first clockwise from north."""

    def off(face: str) -> float:
        return abs((face_azimuth_deg(face) - azimuth_deg + TURN_DEG / 2.0) % TURN_DEG - TURN_DEG / 2.0)

    return min(sorted(faces, key=FACES.index), key=off)


def between_listed(faces: Sequence[str], azimuth_deg: ArrayLike) -> BoolArray:
    """(n_azimuth,) bool: at a listed face, or between two listed faces that are neighbours on the compass."""
    listed = np.array([face in faces for face in FACES])
    place = np.mod(np.asarray(azimuth_deg, dtype=float), TURN_DEG) / POINT_DEG
    first = place.astype(np.intp) % len(FACES)
    return np.asarray(listed[first] & ((place == first) | listed[(first + 1) % len(FACES)]))


def every_step(faces: Sequence[str], step_deg: float) -> FloatArray:
    """(n_azimuth,) every so many degrees, where ``between_listed``."""
    every = np.asarray(np.arange(round(TURN_DEG / step_deg)) * step_deg, dtype=np.float64)
    return every[between_listed(faces, every)]


def system_cfm(plan: Plan) -> dict[str, float]:
    """Airflow of the whole system by season: what [blower] says, else the mean over the airflow table."""
    mean = plan.airflow_cfm.sum(axis=3).mean(axis=(0, 1))
    return {s: plan.equipment.system_cfm.get(s, float(mean[k])) for k, s in enumerate(plan.seasons)}


def airflow_at(plan: Plan, azimuth_deg: ArrayLike, mirrored: Sequence[bool]) -> FloatArray:
    """Room airflow of a plan at any azimuths.

    Parameters
    ----------
    azimuth_deg : array_like, shape (n_azimuth,), of the front, clockwise from north
    mirrored : n_mirrored of them

    Returns
    -------
    ndarray, shape (n_azimuth, n_mirrored, n_season, n_room)
        [cfm]; NaN where it can't be said.

    Notes
    -----
    Where the airflow comes from the loads by surface, these are turned. Where an airflow table gives it, that holds at
    its faces. Between two neighbouring faces of the table the loads by surface are turned and brought to the table's
    values at both, room by room, by a factor in a straight line between them, then to the system's airflow; without
    loads by surface the airflow itself is in a straight line. Elsewhere the loads by surface alone count.
    Of a plan with options it is the first house's.
    """
    azimuth = np.mod(np.atleast_1d(np.asarray(azimuth_deg, dtype=float)), TURN_DEG)
    found = np.full((len(azimuth), len(mirrored), len(plan.seasons), len(plan.rooms)), np.nan)
    if plan.surface_loads is not None:
        found = turn(plan.surface_loads, azimuth, mirrored, system_cfm(plan))
        if plan.turned:
            return found
    held = np.array([j for j, m in enumerate(mirrored) if m in plan.mirrored], dtype=np.intp)
    near = between_listed(plan.fronts, azimuth)
    if not held.size or not near.any():
        return found
    place_of = np.ix_(np.flatnonzero(near), held)
    # by compass point, NaN where the table has none
    table = np.full((len(FACES), len(held), *found.shape[2:]), np.nan)
    listed = [FACES.index(f) for f in plan.fronts]
    table[listed] = plan.airflow_cfm[:, [plan.mirrored.index(mirrored[j]) for j in held]]
    place = azimuth[near] / POINT_DEG
    first = place.astype(np.intp)
    t = (place - first)[:, None, None, None]

    def between(at_faces: FloatArray) -> FloatArray:
        # At a listed face the next one may be missing: it does not count there.
        second = np.where(t > 0.0, at_faces[(first + 1) % len(FACES)], at_faces[first])
        return np.asarray((1.0 - t) * at_faces[first] + t * second)

    flow = between(table)
    if plan.surface_loads is not None:
        faces = np.arange(len(FACES)) * POINT_DEG
        turned = turn(plan.surface_loads, faces, [mirrored[j] for j in held], system_cfm(plan))
        factor = np.divide(table, turned, out=np.ones_like(table), where=turned > 0.0)
        shape = found[place_of] * between(factor)
        total = shape.sum(axis=3, keepdims=True)
        # A room without load by surface but with air in the table would be lost at the faces.
        at_face = t == 0.0
        scaled = shape * np.divide(flow.sum(axis=3, keepdims=True), total, out=np.ones_like(total), where=total > 0.0)
        flow = np.where(at_face, flow, scaled)
    found[place_of] = flow
    return found


def plan_at(plan: Plan, azimuth_deg: Sequence[float], mirrored: Sequence[bool]) -> Plan:
    """The plan as if it listed these azimuths; each must have its airflow. Faces are ``azimuth_label``s."""
    labels = tuple(azimuth_label(a) for a in azimuth_deg)
    if len(set(labels)) != len(labels):
        raise ValueError("an azimuth stands twice")
    houses = tuple(
        replace(house, airflow_cfm=airflow_at(plan.of_house(house.options), azimuth_deg, mirrored))
        for house in plan.every_house
    )
    if any(np.isnan(house.airflow_cfm).any() for house in houses):
        raise ValueError("there is no airflow for some of the azimuths")
    return replace(
        plan,
        fronts=labels,
        mirrored=tuple(mirrored),
        airflow_cfm=houses[0].airflow_cfm,
        houses=houses if plan.houses else (),
    )
