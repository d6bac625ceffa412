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
from surface_plans import demo_study

from tractduct import Study
from tractduct.delivery.damper_search import search_dampers
from tractduct.delivery.deliver import deliver
from tractduct.orientation import study_orientation
from tractduct.report import Report
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
    found = draw_pictures(Report(study=study(kind)), tmp_path)
    wanted = {"duct_tree"} | ({"rooms_by_front"} if len(study(kind).plan.fronts) > 1 else set())
    wanted |= {"cost"} if len(study(kind).trade_off) > 1 else set()
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
            for axis, labels in ((axes.xaxis, axes.get_xticklabels()), (axes.yaxis, axes.get_yticklabels())):
                low, high = sorted(axis.get_view_interval())  # what lies beyond is not drawn
                found += [t for t, at in zip(labels, axis.get_ticklocs(), strict=True) if low <= at <= high]
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


@pytest.mark.parametrize("kind", ["plain", "infeasible"])
def test_no_text_of_the_orientation_picture_runs_into_another(kind: str) -> None:
    for (one, a), (two, b) in itertools.combinations(texts(pictures.rooms_by_front(study(kind))), 2):
        apart = a[2] <= b[0] + 1 or b[2] <= a[0] + 1 or a[3] <= b[1] + 1 or b[3] <= a[1] + 1
        assert apart, f"'{one}' runs into '{two}'"


def test_orientation_numbers_are_against_the_rooms_own_mean() -> None:
    """Den in cooling: 90 cfm with the front north, 110 with the front south; the mean is 100."""
    shown = {words for words, _ in texts(pictures.rooms_by_front(study("plain")))}
    assert {"−10", "+10"} <= shown
    assert "-0" not in shown
    assert "+0" not in shown


def test_sign() -> None:
    assert [signed(x) for x in (-0.4, 0.4, -1.6, 2.2)] == ["0", "0", "−2", "+2"]


def test_the_same_study_gives_the_same_files(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    one.mkdir()
    two.mkdir()
    first, second = (draw_pictures(report(), place) for place in (one, two))
    assert {n: p.read_bytes() for n, p in first.items()} == {n: p.read_bytes() for n, p in second.items()}


@cache
def report() -> Report:
    """The plain plan with all that is drawn."""
    s = study("plain")
    front = search_dampers(s.case, s.least_cost, [s.recommended.size_index])
    return Report(study=s, delivery=deliver(s, by_dampers=front), orientation=study_orientation(s))


def keeps_clear(figure: Figure) -> None:
    boxes = texts(figure)
    width, height = figure.get_size_inches() * figure.dpi
    for words, box in boxes:
        assert box[0] >= 0, words
        assert box[1] >= 0, words
        assert box[2] <= width, words
        assert box[3] <= height, words
    for (one, a), (two, b) in itertools.combinations(boxes, 2):
        apart = a[2] <= b[0] + 1 or b[2] <= a[0] + 1 or a[3] <= b[1] + 1 or b[3] <= a[1] + 1
        assert apart, f"'{one}' runs into '{two}'"


def test_no_text_of_the_comparisons_runs_into_another() -> None:
    found = report().delivery
    assert found is not None
    figures = [pictures.delivered(found), pictures.substitution(found), pictures.cost(found.study, found)]
    if found.marks.chosen.runs:
        figures.append(pictures.marks(found))
    result = study_orientation(demo_study())
    assert result.degrees is not None
    figures.append(pictures.every_degree(result.degrees, None))
    for figure in figures:
        keeps_clear(figure)


def test_demo_cost_picture_keeps_clear() -> None:
    keeps_clear(pictures.cost(demo_study(), None))


def test_delivered_ends_at_the_least_and_the_most_of_each_room() -> None:
    """Both ends of each line, filled where the variant there is outside its own tolerance."""
    found = report().delivery
    assert found is not None
    figure = pictures.delivered(found)
    assert {"Den", "Bed", "Kitchen"} <= {words for words, _ in texts(figure)}
    for axes, got in zip(figure.axes, (found.open_dampers, found.marks.chosen.delivered), strict=False):
        part = 100.0 + got.room_off_pct
        for season, marker in (("heating", "s"), ("cooling", "o")):
            mine = part[found.study.variants.where(season=season)]
            drawn = [x for line in axes.lines if line.get_marker() == marker for x in np.asarray(line.get_xdata())]
            ends = [*mine.min(axis=0), *mine.max(axis=0)]
            assert sorted(drawn) == pytest.approx(sorted(x for x in ends if x <= pictures.MOST_DELIVERED_PCT))
        allowed = np.maximum(0.2 * got.room_design_cfm, 25.0)
        outside = np.abs(got.room_cfm - got.room_design_cfm) > allowed
        filled = [
            x
            for line in axes.lines
            if line.get_marker() in ("s", "o") and line.get_markerfacecolor() != "white"
            for x in np.asarray(line.get_xdata())
        ]
        assert bool(filled) == bool((outside & (part <= pictures.MOST_DELIVERED_PCT)).any())


def test_marks_stand_at_their_angles() -> None:
    """Each mark of each table once, at its angle."""
    found = deliver(study_of(two_rooms()))
    assert found.marks.chosen.runs
    figure = pictures.marks(found)
    drawn = sorted(
        float(x) for axes in figure.axes for line in axes.lines if line.get_marker() in ("s", "o")
        for x in np.asarray(line.get_xdata())
    )  # fmt: skip
    assert drawn == sorted(float(a) for table in found.marks.chosen.tables for a in table.angle_deg.ravel())
    keeps_clear(figure)


def two_rooms() -> PlanTables:
    """One room on a short run gets more than its air unless a damper takes some."""
    plan = small_plan()
    plan.row("sections", "KIT")["min_in"] = 10
    return plan
