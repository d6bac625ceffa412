"""The pictures: what is drawn, that texts keep clear of each other, that a study gives the same files."""

from __future__ import annotations

import itertools
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image
from plan_folder import PlanTables, section, small_plan, study_of

from tractduct import Study
from tractduct.delivery.deliver import deliver
from tractduct.writers import pictures
from tractduct.writers.pictures import draw_pictures, signed

PNG = b"\x89PNG\r\n\x1a\n"


def plan_of(kind: str) -> PlanTables:
    plan = small_plan()
    if kind == "infeasible":
        return small_plan(pressure={"supply_inwc": 0.003})
    if kind == "one face":
        plan.config["variants"] = {"front_faces": ["N"]}
    elif kind == "one face, one season":
        plan.config["variants"] = {"front_faces": ["N"], "seasons": ["heating"]}
    elif kind == "no return":
        plan.tables["sections"] = [r for r in plan.tables["sections"] if r["side"] != "return"]
    elif kind == "deep":
        above = "T1"
        for n in range(5):
            name = f"a trunk with a long name {n}"
            plan.tables["sections"] += [
                section(name, above, "trunk", "galvanised", 5, ""),
                section(f"D{n}", name, "branch", "flex", 5, "", "Den"),
            ]
            above = name
        plan.tables["sections"].append(section("last", above, "branch", "flex", 5, "", "Bed"))
    elif kind == "odd names":
        plan.config["name"] = r"$\frac{a$ ^_{"
        for row in [*plan.tables["airflow"], *plan.tables["sections"]]:
            row["room"] = row["room"].replace("Den", r"$x_{$ \alpha$")
    return plan


@cache
def study(kind: str) -> Study:
    return study_of(plan_of(kind))


KINDS = ("plain", "infeasible", "one face", "one face, one season", "no return", "deep", "odd names")


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_drawn(tmp_path: Path, kind: str) -> None:
    found = draw_pictures(study(kind), tmp_path)
    wanted = {"duct_tree", "orientation"} | ({"trade_off"} if len(study(kind).trade_off) > 1 else set())
    assert set(found) == wanted
    for name, path in found.items():
        assert path == tmp_path / f"{name}.png"
        data = path.read_bytes()
        assert data.startswith(PNG)
        assert len(data) < 150_000
        with Image.open(path) as image:
            assert "Software" not in image.info
            assert image.width > 300


def texts(figure: Figure) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Each text of a figure with its box in dots."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    found = list(figure.texts)
    for axes in figure.axes:
        found += axes.texts
        if axes.axison:
            found += [axes.title, axes.xaxis.label, axes.yaxis.label]
            found += [*axes.get_xticklabels(), *axes.get_yticklabels()]
        if axes.get_legend():
            found += axes.get_legend().get_texts()
    boxes = [(t.get_text(), t.get_window_extent(canvas.get_renderer())) for t in found if t.get_visible()]
    return [(words, b.extents) for words, b in boxes if words.strip() and b.width > 0.0]


@pytest.mark.parametrize("kind", ["plain", "deep", "no return", "infeasible"])
def test_no_text_of_the_duct_tree_runs_into_another(kind: str) -> None:
    figure = pictures.duct_tree(study(kind))
    boxes = texts(figure)
    shown = " ".join(words for words, _ in boxes)
    for i, part in enumerate(study(kind).tree.sections):
        assert part.name[:23] in shown
        assert f"{study(kind).variants.airflow_cfm[:, i].max():.0f} cfm" in shown
    width, height = figure.get_size_inches() * figure.dpi
    for (one, a), (two, b) in itertools.combinations(boxes, 2):
        apart = a[2] <= b[0] + 1 or b[2] <= a[0] + 1 or a[3] <= b[1] + 1 or b[3] <= a[1] + 1
        assert apart, f"'{one}' runs into '{two}'"
    for words, box in boxes:
        assert box[0] >= 0, words
        assert box[2] <= width, words
        assert box[1] >= 0, words
        assert box[3] <= height, words


@pytest.mark.parametrize("kind", ["plain", "one face", "infeasible"])
def test_no_text_of_the_orientation_picture_runs_into_another(kind: str) -> None:
    for (one, a), (two, b) in itertools.combinations(texts(pictures.orientation(study(kind))), 2):
        apart = a[2] <= b[0] + 1 or b[2] <= a[0] + 1 or a[3] <= b[1] + 1 or b[3] <= a[1] + 1
        assert apart, f"'{one}' runs into '{two}'"


def test_orientation_numbers_are_against_the_rooms_own_mean() -> None:
    """Den in cooling: 90 cfm with the front north, 110 with the front south; the mean is 100."""
    shown = {words for words, _ in texts(pictures.orientation(study("plain")))}
    assert {"−10", "+10"} <= shown
    assert "-0" not in shown
    assert "+0" not in shown


def test_sign() -> None:
    assert [signed(x) for x in (-0.4, 0.4, -1.6, 2.2)] == ["0", "0", "−2", "+2"]


def test_the_same_study_gives_the_same_files(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    one.mkdir()
    two.mkdir()
    first, second = draw_pictures(study("plain"), one), draw_pictures(study("plain"), two)
    assert {n: p.read_bytes() for n, p in first.items()} == {n: p.read_bytes() for n, p in second.items()}


def test_delivered_has_each_room_and_fills_what_is_outside(tmp_path: Path) -> None:
    found = deliver(study("plain"))
    assert set(draw_pictures(study("plain"), tmp_path, found)) >= {"duct_tree", "orientation", "delivered"}
    figure = pictures.delivered(found)
    shown = {words for words, _ in texts(figure)}
    assert {"Den", "Bed", "Kitchen"} <= shown
    within = found.open_dampers.room_within(study("plain").plan.tolerance)
    part = 100.0 + found.open_dampers.room_off_pct
    dots: dict[bool, list[float]] = {True: [], False: []}
    for line in figure.axes[0].lines:
        if line.get_marker() in ("s", "o"):
            dots[line.get_markerfacecolor() == "white"] += [float(x) for x in np.asarray(line.get_xdata())]
    near = part <= pictures.MOST_DELIVERED_PCT
    for good in (True, False):
        assert sorted(dots[good]) == pytest.approx(sorted(part[(within == good) & near].tolist()))
    for (one, a), (two, b) in itertools.combinations(texts(figure), 2):
        apart = a[2] <= b[0] + 1 or b[2] <= a[0] + 1 or a[3] <= b[1] + 1 or b[3] <= a[1] + 1
        assert apart, f"'{one}' runs into '{two}'"
