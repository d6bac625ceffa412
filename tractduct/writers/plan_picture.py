"""The plan picture: each floor turned to the lot's north, rooms by how much the direction moves them.

The same study gives the same bytes. Nothing is told by colour alone.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap, Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from tractduct.model.plan import Plan
from tractduct.model.words import key_of
from tractduct.orientation.azimuths import airflow_at, azimuth_label
from tractduct.orientation.study import OrientationStudy
from tractduct.writers.pictures import (
    BLUE,
    DOTS_PER_INCH,
    GREY,
    HEADLINE_LETTER_IN,
    INK,
    VERMILION,
    any_letter,
    literal,
    new_figure,
    save_figure,
    shortened,
)

FloatArray = NDArray[np.float64]

# White to Okabe and Ito's orange: dark text is readable on all of it, and it keeps its order in grey.
_SHADES = LinearSegmentedColormap.from_list("sensitivity", ["#FFFFFF", "#F6D58A", "#E69F00"])
LARGEST_FLOOR_IN = 6.4
_MOST_INCHES_PER_FT = 0.16
_COLOURS = 256
_LETTER_IN = 0.071
_SMALL_LETTER_IN = 0.055
_LINE_IN = 0.135
_FULL_PCT = 60.0  # a room that moves by this much has the full colour


def turned_ft(x_ft: ArrayLike, y_ft: ArrayLike, width_ft: float, azimuth_deg: float, mirrored: bool) -> FloatArray:
    """Plan coordinates turned to north up.

    ``x_ft`` from the left wall seen from the street, ``y_ft`` from the front wall back, any one shape; ``width_ft`` is
    the width of the plan, about whose middle it is mirrored first. Returns that shape + (2,): feet east and north.

    >>> turned_ft(1.0, 0.0, 10.0, 0.0, False).round(6).tolist()  # front north: what is at the right lies west
    [-1.0, 0.0]
    """
    x = np.asarray(x_ft, dtype=float)
    y = np.asarray(y_ft, dtype=float)
    x = width_ft - x if mirrored else x
    # As drawn, with the front at the bottom, it faces south: 180 degrees.
    angle = np.radians(azimuth_deg - 180.0)
    return np.stack([x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)], axis=-1)


def draw_plan(
    result: OrientationStudy,
    folder: Path,
    forms: Sequence[str] = ("png", "svg"),
    *,
    name: str = "plan",
    azimuth_deg: float = 180.0,
    mirrored: bool = False,
    title: str = "",
    largest_floor_in: float = LARGEST_FLOOR_IN,
) -> dict[str, Path]:
    """Draw the plan picture as PNG, as SVG or both: form -> file; empty where the plan has no room outlines."""
    figure = plan_picture(
        result, azimuth_deg=azimuth_deg, mirrored=mirrored, title=title, largest_floor_in=largest_floor_in
    )
    if figure is None:
        return {}
    found = {form: folder / f"{name}.{form}" for form in forms}
    if "png" in found:
        figure.set_dpi(DOTS_PER_INCH)
        canvas: Any = FigureCanvasAgg(figure)
        with any_letter():
            canvas.draw()
        # Few colours take a quarter of the room; there may be a picture for each of many lots.
        few = Image.fromarray(np.asarray(canvas.buffer_rgba())[..., :3]).quantize(
            _COLOURS, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE
        )
        few.save(found["png"], dpi=(DOTS_PER_INCH, DOTS_PER_INCH))
    if "svg" in found:
        # Without version and date, and with names of its own choosing, the same picture is the same file.
        with matplotlib.rc_context({"svg.hashsalt": "tractduct"}):
            save_figure(figure, found["svg"])
    return found


def plan_picture(
    result: OrientationStudy,
    *,
    azimuth_deg: float = 180.0,
    mirrored: bool = False,
    title: str = "",
    largest_floor_in: float = LARGEST_FLOOR_IN,
) -> Figure | None:
    """The floors side by side, north up, with the front at an azimuth; None without room outlines.

    A room's colour and per cent say how much its airflow moves between its best and its worst direction; below
    stand its heating and cooling airflow at this azimuth. Ducts are drawn where the plan has routes.
    """
    plan = result.study.plan
    if not plan.outlines:
        return None
    floors = sorted({o.floor for o in plan.outlines})
    corners = _corners(plan, azimuth_deg, mirrored)
    every = np.concatenate([corners.reshape(-1, 2), _route_points(plan, azimuth_deg, mirrored)])
    low, high = every.min(axis=0) - 3.0, every.max(axis=0) + 3.0
    across, up = high - low
    scale = min(_MOST_INCHES_PER_FT, largest_floor_in / max(across, up))
    floor_width, floor_height = across * scale, up * scale
    head = title or f"{shortened(plan.name, 60)}: front at {azimuth_label(azimuth_deg)}"
    head += ", mirrored" if mirrored and not title else ""
    width = max(len(floors) * (floor_width + 0.2) + 0.9, len(head) * HEADLINE_LETTER_IN + 0.3, 6.6)
    height = floor_height + 1.5
    figure = new_figure(width, height)
    figure.text(0.15 / width, 1.0 - 0.22 / height, literal(head), fontsize=11, weight="bold", va="center", color=INK)
    airflow = _airflow(plan, azimuth_deg, mirrored)
    move = {key_of(r.room): 100.0 * (r.ratio - 1.0) for r in result.sensitivity}
    for n, floor in enumerate(floors):
        place = (
            (0.15 + n * (floor_width + 0.2)) / width,
            0.72 / height,
            floor_width / width,
            floor_height / height,
        )
        axes = figure.add_axes(place)
        axes.set_xlim(low[0], high[0])
        axes.set_ylim(low[1], high[1])
        axes.axis("off")
        # Its height given: where it is sought, all ticks are made and measured, though none is drawn.
        axes.set_title(literal(f"floor {floor}"), fontsize=9, color=INK, pad=3, y=1.0)
        _draw_rooms(axes, plan, floor, corners, scale, move, airflow)
        _draw_front(axes, plan, floor, azimuth_deg, mirrored)
        _draw_routes(axes, result, floor, azimuth_deg, mirrored)
    _north(figure, width, height)
    _key(figure, width, height, result)
    return figure


def _plan_width(plan: Plan) -> float:
    return max(o.x_ft + o.width_ft for o in plan.outlines)


def _corners(plan: Plan, azimuth_deg: float, mirrored: bool) -> FloatArray:
    """(n_outline, 4, 2) corners, feet east and north."""
    x = np.array([[o.x_ft, o.x_ft + o.width_ft, o.x_ft + o.width_ft, o.x_ft] for o in plan.outlines])
    y = np.array([[o.y_ft, o.y_ft, o.y_ft + o.depth_ft, o.y_ft + o.depth_ft] for o in plan.outlines])
    return turned_ft(x, y, _plan_width(plan), azimuth_deg, mirrored)


def _route_points(plan: Plan, azimuth_deg: float, mirrored: bool) -> FloatArray:
    """(n_point, 2) feet east and north."""
    x, y = (np.array([getattr(p, name) for p in plan.routes], dtype=float) for name in ("x_ft", "y_ft"))
    return turned_ft(x, y, _plan_width(plan), azimuth_deg, mirrored)


def _airflow(plan: Plan, azimuth_deg: float, mirrored: bool) -> dict[str, str]:
    """Room key -> heating and cooling airflow in words."""
    flow, units = airflow_at(plan, [azimuth_deg], [mirrored])[0, 0], plan.units
    found = {}
    for n, room in enumerate(plan.rooms):
        words = ["?" if np.isnan(q) else units.number(q, "cfm", ".0f") for q in flow[:, n]]
        found[key_of(room)] = " / ".join(words) + f" {units.unit('cfm')}"
    return found


def _draw_rooms(
    axes: Axes,
    plan: Plan,
    floor: str,
    corners: FloatArray,
    scale: float,
    move: dict[str, float],
    airflow: dict[str, str],
) -> None:
    shade = Normalize(0.0, _FULL_PCT, clip=True)
    largest: dict[str, int] = {}
    for i, outline in enumerate(plan.outlines):
        if outline.floor != floor:
            continue
        key = key_of(outline.room)
        axes.add_patch(
            Polygon(corners[i].tolist(), facecolor=_SHADES(shade(move.get(key, 0.0))), edgecolor=INK, lw=1.0, zorder=1)
        )
        area = outline.width_ft * outline.depth_ft
        best = plan.outlines[largest[key]] if key in largest else None
        if best is None or area > best.width_ft * best.depth_ft:
            largest[key] = i
    for key, i in largest.items():
        outline = plan.outlines[i]
        change = move.get(key, 0.0)
        how = f"+{change:.0f} %" if np.isfinite(change) else "from 0"
        lines, lean = _fitting(outline.room, airflow.get(key, ""), how, corners[i], scale)
        middle = corners[i].mean(axis=0)
        axes.text(
            middle[0], middle[1], "\n".join(literal(line) for line in lines), fontsize=7.5, ha="center", va="center",
            rotation=lean, rotation_mode="anchor", color=INK, linespacing=1.1, zorder=4,
        )  # fmt: skip


def _fitting(name: str, flow: str, how: str, corners: FloatArray, scale: float) -> tuple[list[str], float]:
    """The lines that a room has place for, and their rotation along one of its walls in degrees.

    The wall that leans least, unless the name fits along the other only. A name may be cut, a number never.
    """
    sides = np.diff(corners[:3], axis=0) * scale
    inches = np.linalg.norm(sides, axis=1)
    leans = [_upright(float(np.degrees(np.arctan2(side[1], side[0])))) for side in sides]
    order = sorted((0, 1), key=lambda i: (abs(leans[i]) > 45.1, abs(leans[i]), i))
    along = next((i for i in order if len(name) * _LETTER_IN <= inches[i]), int(np.argmax(inches)))
    letters, fits = int(inches[along] / _LETTER_IN), int(inches[1 - along] / _LINE_IN)
    lines = [shortened(name, max(letters, 3))]
    short = flow.rpartition(" ")[0]
    if fits >= 2 and len(how) <= letters:
        lines.append(how)
    if fits >= 3 and len(short) <= letters:
        lines.insert(1, flow if len(flow) <= letters else short)
    return lines, leans[along]


def _upright(degrees: float) -> float:
    """The same line of text the right way up: above -90, up to 90."""
    return 90.0 - (90.0 - degrees) % 180.0


def _draw_front(axes: Axes, plan: Plan, floor: str, azimuth_deg: float, mirrored: bool) -> None:
    """A thick line along the front wall, and the word beside it."""
    mine = [o for o in plan.outlines if o.floor == floor]
    front = min(o.y_ft for o in mine)
    wall = [o for o in mine if o.y_ft == front]
    left, right = min(o.x_ft for o in wall), max(o.x_ft + o.width_ft for o in wall)
    ends = turned_ft([left, right], [front - 0.5, front - 0.5], _plan_width(plan), azimuth_deg, mirrored)
    axes.plot(ends[:, 0], ends[:, 1], color=INK, lw=3.0, solid_capstyle="butt", zorder=2)
    word = turned_ft((left + right) / 2.0, front - 1.8, _plan_width(plan), azimuth_deg, mirrored)
    lean = _upright(180.0 - azimuth_deg)
    axes.text(
        word[0], word[1], "front", fontsize=7.5, ha="center", va="center", rotation=lean, style="italic", color=INK
    )


def _draw_routes(axes: Axes, result: OrientationStudy, floor: str, azimuth_deg: float, mirrored: bool) -> None:
    plan, labels = result.study.plan, result.study.size_set
    points = _route_points(plan, azimuth_deg, mirrored)
    diameter = {size.label: size.diameter_in for size in plan.sizes}
    for section in plan.sections:
        course = points[[i for i, p in enumerate(plan.routes) if p.section == section.name and p.floor in ("", floor)]]
        if len(course) < 2:
            continue
        size = labels.get(section.name, "")
        colour, style = (VERMILION, (0, (2.2, 0.7))) if section.kind == "flex" else (BLUE, "solid")
        axes.plot(
            course[:, 0], course[:, 1], color=colour, ls=style, lw=1.0 + 0.25 * diameter.get(size, 4.0), alpha=0.8,
            solid_capstyle="round", zorder=3,
        )  # fmt: skip
        steps = np.linalg.norm(np.diff(course, axis=0), axis=1)
        k = int(np.argmax(steps))
        middle = (course[k] + course[k + 1]) / 2.0
        axes.text(
            middle[0], middle[1], literal(f"{section.name} {size}".strip()), fontsize=6.5, ha="center", va="center",
            color=INK, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85}, zorder=5,
        )  # fmt: skip


def _north(figure: Figure, width: float, height: float) -> None:
    axes = figure.add_axes(((width - 0.62) / width, (height - 1.15) / height, 0.45 / width, 0.8 / height))
    axes.set_xlim(-1.0, 1.0)
    axes.set_ylim(-1.2, 2.2)
    axes.axis("off")
    axes.add_patch(Polygon([(0.0, 1.2), (-0.55, -1.0), (0.0, -0.55), (0.55, -1.0)], facecolor=INK, edgecolor=INK))
    axes.text(0.0, 1.3, "N", fontsize=10, weight="bold", ha="center", va="bottom", color=INK)


def _key(figure: Figure, width: float, height: float, result: OrientationStudy) -> None:
    bar = figure.add_axes((0.15 / width, 0.38 / height, 1.5 / width, 0.14 / height))
    bar.imshow(np.linspace(0.0, 1.0, 64)[None, :], cmap=_SHADES, aspect="auto", extent=(0.0, _FULL_PCT, 0.0, 1.0))
    bar.set_yticks([])
    bar.set_xticks([0.0, _FULL_PCT / 2.0, _FULL_PCT], ["0", f"{_FULL_PCT / 2:.0f}", f"{_FULL_PCT:.0f} %"], fontsize=7)
    bar.tick_params(length=2, pad=1)
    seasons, unit = " / ".join(result.study.plan.seasons), result.study.plan.units.unit("cfm")
    words = f"largest airflow above the smallest over all directions; {unit} at this one: {seasons}"
    figure.text(1.8 / width, 0.45 / height, words, fontsize=7.5, va="center", color=GREY)
    if result.screening:
        said = "\n".join(textwrap.wrap(literal(f"{result.screening}."), int((width - 1.95) / _SMALL_LETTER_IN)))
        figure.text(1.8 / width, 0.05 / height, said, fontsize=6.5, va="bottom", color=INK, linespacing=1.1)
