"""Pictures of an orientation study: roses of the most sensitive rooms, and the plan turned to each lot's north.

The same study gives the same bytes. Nothing is told by colour alone.
"""

from __future__ import annotations

import gc
import math
import textwrap
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.projections.polar import PolarAxes
from matplotlib.ticker import MaxNLocator

from tractduct.inputs.schema import FACES
from tractduct.orientation.azimuths import airflow_at, face_azimuth_deg
from tractduct.orientation.sensitivity import RoomSensitivity
from tractduct.orientation.study import OrientationStudy
from tractduct.physics.turning import POINT_DEG, TURN_DEG
from tractduct.writers.pictures import (
    BLUE,
    GREY,
    INK,
    VERMILION,
    literal,
    new_figure,
    save_figure,
    shortened,
)
from tractduct.writers.plan_picture import draw_plan

MOST_ROSES = 6
ROSES_IN_A_ROW = 3
MOST_TURNS = 72  # of the house that are each drawn exactly; of more, those to the nearest step
SHARED_DEG = 5.0
LOT_FLOOR_IN = 5.4  # of a floor on a lot's plan picture: its letters are still read when it fills a letter page
STEP_DEG = 3.0  # of the lines between the faces
AS_DRAWN, MIRRORED = (BLUE, "solid", "o"), (VERMILION, (0, (3.0, 1.2)), "s")


@dataclass(frozen=True, slots=True, kw_only=True)
class OrientationPictures:
    """The PNG files of an orientation study, for its workbook.

    ``roses`` is None for a plan with one front only; ``plan`` and ``lots``, by lot name, are left out where the plan
    has no room outlines.
    """

    roses: Path | None
    plan: Path | None
    lots: dict[str, Path]


def draw_orientation_pictures(result: OrientationStudy, folder: Path) -> OrientationPictures:
    """Draw them; the plan as drawn as SVG too. Each turn of the house is drawn once; of many, steps of some degrees."""
    plan = result.study.plan
    roses = None
    if len(plan.front_faces) > 1:
        roses = folder / "roses.png"
        save_figure(rooms_by_direction(result), roses)
    as_drawn = draw_plan(result, folder, title=f"{shortened(plan.name, 60)}: as drawn, front to the south").get("png")
    turns = {lot.name: (lot.azimuth_deg, lot.mirrored) for lot in plan.lots if as_drawn}
    if len(set(turns.values())) > MOST_TURNS:
        turns = {
            name: (SHARED_DEG * round(azimuth / SHARED_DEG) % TURN_DEG, mirrored)
            for name, (azimuth, mirrored) in turns.items()
        }
    drawn: dict[tuple[float, bool], Path] = {}
    for azimuth, mirrored in dict.fromkeys(turns.values()):
        name = f"plan-{azimuth:g}{'-mirrored' if mirrored else ''}"
        drawn[azimuth, mirrored] = draw_plan(
            result, folder, ("png",), name=name, azimuth_deg=azimuth, mirrored=mirrored, largest_floor_in=LOT_FLOOR_IN
        )["png"]
        # A figure and its canvas hold each other; looking for such circles is off while one plan is studied.
        gc.collect(0)
    return OrientationPictures(roses=roses, plan=as_drawn, lots={name: drawn[turn] for name, turn in turns.items()})


def rooms_by_direction(result: OrientationStudy) -> Figure:
    """A rose each of the most sensitive rooms: airflow by the way the front faces, north up.

    The room's most moving season; its other season as a thin grey line. Every rose has its own scale from 0.
    """
    rooms = result.sensitivity[:MOST_ROSES]
    across = min(ROSES_IN_A_ROW, len(rooms))
    rows = math.ceil(len(rooms) / across)
    side, gap, head, foot = 2.5, 0.65, 0.75, 0.75 + (0.35 if result.screening else 0.0)
    width, height = max(across * (side + gap) + 0.3, 7.2), head + rows * (side + gap + 0.25) + foot
    figure, unit = new_figure(width, height), result.study.plan.units.unit("cfm")
    headline = f"Room airflow by the way the front faces, {unit}: the most sensitive rooms"
    figure.text(0.15 / width, 1.0 - 0.22 / height, headline, fontsize=11, weight="bold", va="center", color=INK)
    for n, room in enumerate(rooms):
        row, column = divmod(n, across)
        left = 0.5 + column * (side + gap)
        bottom = height - head - (row + 1) * (side + gap + 0.25) + gap - 0.25
        axes = figure.add_axes((left / width, bottom / height, side / width, side / height), projection="polar")
        assert isinstance(axes, PolarAxes)
        _rose(axes, result, room)
    _key(figure, result)
    if result.screening:
        words = "\n".join(textwrap.wrap(literal(f"{result.screening}."), 110))
        figure.text(0.15 / width, 0.1 / height, words, fontsize=7, va="bottom", color=INK)
    return figure


def _rose(axes: PolarAxes, result: OrientationStudy, room: RoomSensitivity) -> None:
    plan = result.study.plan
    n, k, shown = plan.rooms.index(room.room), plan.seasons.index(room.season), plan.units.shown
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    steps = np.arange(0.0, TURN_DEG + STEP_DEG / 2.0, STEP_DEG)
    flow = shown(airflow_at(plan, steps, plan.mirrored)[..., n], "cfm")  # (n_step, n_mirrored, n_season)
    listed = [face_azimuth_deg(face) for face in plan.front_faces]
    for j, mirrored in enumerate(plan.mirrored):
        colour, style, marker = MIRRORED if mirrored else AS_DRAWN
        for other in range(len(plan.seasons)):
            if other != k:
                axes.plot(np.radians(steps), flow[:, j, other], color=GREY, lw=0.8, ls=":", zorder=1)
        axes.plot(np.radians(steps), flow[:, j, k], color=colour, lw=1.6, ls=style, zorder=2 + j)
        axes.plot(
            np.radians(listed),
            shown(room.airflow_cfm[:, j, k], "cfm"),
            marker,
            color=colour,
            ms=4.5,
            mec="white",
            mew=0.6,
            zorder=4,
        )
    most = max(float(np.nanmax(flow, initial=0.0)), shown(room.largest_cfm, "cfm"), 1.0)
    axes.set_ylim(0.0, most * 1.08)
    axes.set_xticks(np.radians(np.arange(len(FACES)) * POINT_DEG), FACES, fontsize=8)
    axes.tick_params(axis="x", pad=-1)
    axes.set_rticks([r for r in MaxNLocator(nbins=3).tick_values(0.0, most) if 0.0 < r <= most * 1.05])
    axes.set_rlabel_position(67.5)
    axes.tick_params(axis="y", labelsize=7, labelcolor=INK)
    axes.grid(color="#CBD2D9", lw=0.6)
    axes.spines["polar"].set_color("#CBD2D9")
    least, largest = (plan.units.number(q, "cfm", ".0f") for q in (room.smallest_cfm, room.largest_cfm))
    mark = ", mirrored" if room.driving_mirrored else ""
    axes.set_title(
        f"{literal(shortened(room.room, 26))}\n{room.season}: {least} to {largest}, "
        f"most at {room.driving_face}{mark}",
        fontsize=8.5, color=INK, pad=9,
    )  # fmt: skip


def _key(figure: Figure, result: OrientationStudy) -> None:
    plan = result.study.plan
    handles = [
        Line2D([], [], color=colour, ls=style, marker=marker, ms=4.5, lw=1.6, label=words)
        for mirrored, (colour, style, marker), words in (
            (False, AS_DRAWN, "as drawn"),
            (True, MIRRORED, "mirrored (broken line)"),
        )
        if mirrored in plan.mirrored
    ]
    if len(plan.seasons) > 1:
        handles.append(Line2D([], [], color=GREY, ls=":", lw=0.9, label="the other season"))
    figure.legend(handles=handles, loc="lower left", ncols=len(handles), fontsize=8.5, frameon=False,
                  bbox_to_anchor=(0.01, (0.4 if result.screening else 0.1) / figure.get_figheight()))  # fmt: skip
