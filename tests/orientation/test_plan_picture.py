"""The plan picture: geometry, and that the same study gives the same files."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from breakdowns import demo_orientation
from matplotlib.patches import Polygon

from tractduct.model.lots import RoutePoint
from tractduct.orientation import OrientationStudy
from tractduct.writers.plan_picture import draw_plan, plan_picture, turned_ft


def with_plan(result: OrientationStudy, **changes: object) -> OrientationStudy:
    study = result.study
    plan = replace(study.plan, **changes)  # type: ignore[arg-type]
    return replace(result, study=replace(study, case=replace(study.case, plan=plan)))


@pytest.mark.parametrize(
    ("azimuth", "mirrored", "right", "back"),
    [
        # a step to the right (seen from the street) and a step to the back, in feet east and north
        (180, False, (1, 0), (0, 1)),  # front south: as drawn
        (0, False, (-1, 0), (0, -1)),  # front north: the right side is west
        (90, False, (0, 1), (-1, 0)),  # front east: the right side is north
        (0, True, (1, 0), (0, -1)),
        (90, True, (0, -1), (-1, 0)),
    ],
)
def test_north_is_up(azimuth: float, mirrored: bool, right: tuple[int, int], back: tuple[int, int]) -> None:
    corner = turned_ft(0.0, 0.0, 40.0, azimuth, mirrored)
    np.testing.assert_allclose(turned_ft(1.0, 0.0, 40.0, azimuth, mirrored) - corner, right, atol=1e-9)
    np.testing.assert_allclose(turned_ft(0.0, 1.0, 40.0, azimuth, mirrored) - corner, back, atol=1e-9)


def test_mirrored_about_its_middle() -> None:
    np.testing.assert_allclose(turned_ft([0.0, 40.0], [3.0, 3.0], 40.0, 180.0, True), [[40, 3], [0, 3]], atol=1e-9)


def test_rooms_and_words() -> None:
    """Sixteen rooms in their floors, each with its name, its cfm at this front and by how much it moves."""
    result = demo_orientation()
    figure = plan_picture(result, azimuth_deg=90.0)
    assert figure is not None
    floors = [a for a in figure.axes if a.get_title().startswith("floor")]
    assert [sum(isinstance(p, Polygon) for p in a.patches) for a in floors] == [7, 9]
    words = [t.get_text() for a in floors for t in a.texts]
    plan = result.study.plan
    for n, room in enumerate(plan.rooms):
        (label,) = [w for w in words if w.startswith(room + "\n")]
        heating, cooling = plan.airflow_cfm[plan.fronts.index("E"), 0, :, n]
        assert f"{heating:.0f} / {cooling:.0f}" in label
        moves = next(r for r in result.sensitivity if r.room == room)
        assert f"+{100 * (moves.ratio - 1):.0f} %" in label


def test_the_same_files_each_time(tmp_path: Path) -> None:
    (tmp_path / "again").mkdir()
    first = draw_plan(demo_orientation(), tmp_path, azimuth_deg=128.0, mirrored=True)
    second = draw_plan(demo_orientation(), tmp_path / "again", azimuth_deg=128.0, mirrored=True)
    assert set(first) == {"png", "svg"}
    for form, path in first.items():
        assert path.read_bytes() == second[form].read_bytes()
    root = ElementTree.parse(first["svg"]).getroot()
    assert root.tag.endswith("svg")
    assert b"<dc:date>" not in first["svg"].read_bytes()


def test_routes_are_drawn_with_sizes() -> None:
    result = demo_orientation()
    routes = tuple(
        RoutePoint(section="T1", x_ft=x, y_ft=y, floor="1") for x, y in ((26.0, 16.0), (26.0, 24.0), (20.0, 24.0))
    )
    figure = plan_picture(with_plan(result, routes=routes))
    assert figure is not None
    words = [[t.get_text() for t in a.texts] for a in figure.axes if a.get_title().startswith("floor")]
    assert f"T1 {result.study.size_set['T1']}" in words[0]
    assert not any(w.startswith("T1") for w in words[1])


def test_no_outlines_no_picture(tmp_path: Path) -> None:
    assert draw_plan(with_plan(demo_orientation(), outlines=()), tmp_path) == {}
    assert list(tmp_path.iterdir()) == []
