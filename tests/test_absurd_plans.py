"""Plans far beyond any house: each is refused in plain words before anything grows, or just works."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from conftest import WritePlan
from measured import run_measured
from plan_folder import PlanTables, duct, section, small_plan

import tractduct
from tractduct.cli import main
from tractduct.inputs.limits import (
    MAX_CANDIDATES,
    MAX_FLEX,
    MAX_SECTION_SIZES,
    MAX_SECTION_VARIANTS,
    MAX_SECTIONS,
    MAX_SIZES,
)

FACES = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
LARGE = [4, 5, 6, 7, 8, 9, 10, 12, 16, 20, 28, 36]


def flat(n: int) -> PlanTables:
    """One trunk and a return, and beside each other a run into each of n - 2 rooms that need little."""
    plan = small_plan(sizes={"round_in": LARGE})
    rooms = [f"R{k}" for k in range(n - 2)]
    plan.tables["sections"] = [
        section("T", "", "trunk", "galvanised", 8, "elbow_90"),
        *(section(f"S{room}", "T", "branch", "flex", 12, "collar", room) for room in rooms),
        section("RET", "", "branch", "galvanised", 9, "return_box", "*", side="return"),
    ]
    plan.tables["airflow"] = [
        {"front_faces": face, "room": room, "heating_cfm": 1, "cooling_cfm": 2} for face in ("N", "S") for room in rooms
    ]
    return plan


def chain(n: int) -> PlanTables:
    """n - 3 short sections one behind the other, and three runs at the end."""
    plan = small_plan()
    plan.tables["sections"] = [
        *(section(f"T{k}", f"T{k - 1}" if k else "", "trunk", "galvanised", 0.01, "") for k in range(n - 3)),
        *(section(room, f"T{n - 4}", "branch", "flex", 5, "collar", room) for room in ("Den", "Bed", "Kitchen")),
    ]
    return plan


def many_flex(n: int, plan: PlanTables | None = None) -> PlanTables:
    plan = plan or small_plan()
    plan.tables["ducts"] = [duct("galvanised", "rigid", 0.0003)]
    plan.tables["ducts"] += [duct(f"flex {k}", "flex", round(0.001 + k * 1e-5, 6)) for k in range(n)]
    return plan


def all_faces(plan: PlanTables) -> PlanTables:
    """The airflow of the first face for every face, as drawn and mirrored."""
    rows = [row for row in plan.tables["airflow"] if row["front_faces"] == "N"]
    turned = [(face, mirrored) for face in FACES for mirrored in (False, True)]
    plan.tables["airflow"] = [{**row, "front_faces": f, "mirrored": m} for f, m in turned for row in rows]
    return plan


def with_rows(table: str, n: int, row: Callable[[int], dict[str, Any]], plan: PlanTables | None = None) -> PlanTables:
    plan = plan or small_plan()
    plan.tables[table] = [row(k) for k in range(n)]
    return plan


def lot(k: int) -> dict[str, Any]:
    return {"lot": f"L{k}", "azimuth_deg": round(k * 7.31 % 360, 2), "front_faces": "", "mirrored": "no", "flex": ""}


def outline(k: int) -> dict[str, Any]:
    return {"room": "Den", "x_ft": k % 40, "y_ft": 0, "width_ft": 1, "depth_ft": 1, "floor": "1"}


def drawn() -> PlanTables:
    """The small plan with its rooms beside each other, for the plan picture."""
    rooms = ("Den", "Bed", "Kitchen")
    return with_rows(
        "rooms", len(rooms), lambda k: {**outline(12 * k), "room": rooms[k], "width_ft": 12, "depth_ft": 9}
    )


def in_a_circle() -> PlanTables:
    plan = chain(MAX_SECTIONS)
    plan.tables["sections"][0]["parent"] = f"T{MAX_SECTIONS - 4}"
    return plan


def fittings(text: str) -> PlanTables:
    plan = small_plan()
    plan.row("sections", "DEN")["fittings"] = text
    return plan


def many_sizes(n: int, plan: PlanTables | None = None) -> PlanTables:
    plan = plan or small_plan()
    plan.config["sizes"]["round_in"] = [round(3 + 30 * k / n, 3) for k in range(n)]
    return plan


ABSURD: dict[str, tuple[Callable[[], PlanTables], str]] = {
    "10,000 sections side by side": (lambda: flat(10_000), f"there are 10,000 rows; at most {MAX_SECTIONS:,} of"),
    "10,000 sections in a row": (lambda: chain(10_000), f"there are 10,000 rows; at most {MAX_SECTIONS:,} of"),
    "as many parents as there may be in a circle": (in_a_circle, "the parents go round in a loop"),
    "a billion elbows": (lambda: fittings("elbow_90*1000000000"), "must be a whole number from 1 to 999"),
    "digits without end": (lambda: fittings("elbow_90*" + "9" * 1_500), "must be a whole number from 1 to 999"),
    "1,000 sizes": (lambda: many_sizes(1_000), f"there are 1,000 standard sizes; at most {MAX_SIZES} are"),
    "100 flex products": (lambda: many_flex(100), f"100 flex products are approved; at most {MAX_FLEX} are"),
    "sections times variants": (
        lambda: many_flex(4, all_faces(flat(498))),
        f"sections times variants are 63,744; at most {MAX_SECTION_VARIANTS:,} are",
    ),
    "times sizes": (
        lambda: many_sizes(50, many_flex(12, all_faces(flat(110)))),
        f"sections times variants times standard sizes are .*; at most {MAX_CANDIDATES:,} are",
    ),
    "sections times sizes": (
        lambda: many_sizes(100, flat(100)),
        f"sections times the sizes that each may take are 10,000; at most {MAX_SECTION_SIZES:,} are sized",
    ),
    "100,000 lots": (lambda: with_rows("lots", 100_000, lot), "more than 50,000 rows"),
    "10,000 lots": (
        lambda: with_rows("lots", 10_000, lot),
        "there are 10,000 rows; at most 500 of this",
    ),
    "sections times lots": (
        lambda: with_rows("lots", 100, lot, flat(498)),
        f"sections times lots times seasons are 99,600; at most {MAX_SECTION_VARIANTS:,} are",
    ),
    "10,000 outlines": (lambda: with_rows("rooms", 10_000, outline), "there are 10,000 rows; at most 1,000 of this"),
    "100 floors": (
        lambda: with_rows("rooms", 100, lambda k: {**outline(k), "floor": f"floor {k}"}),
        "there are 100 floors; at most 10 are drawn",
    ),
    "10,000 points of a course": (
        lambda: with_rows("routes", 10_000, lambda k: {"section": "T1", "x_ft": k % 100, "y_ft": 0, "floor": ""}),
        "there are 10,000 rows; at most 5,000 of this",
    ),
    "10,000 points of a blower": (
        lambda: with_rows(
            "blower", 10_000, lambda k: {"speed": "high", "airflow_cfm": k + 1, "external_static_inwc": 0.5}
        ),
        "there are 10,000 rows; at most 1,000 of this",
    ),
    "20,000 surfaces": (
        lambda: with_rows(
            "surfaces", 20_000, lambda k: {"room": "Den", "surface": "wall", "plan_face": "left", "area_ft2": 1}
        ),
        "there are 20,000 rows; at most 10,000 of this",
    ),
}


@pytest.mark.parametrize("kind", ABSURD)
def test_an_absurd_plan_is_refused(kind: str, write_plan: WritePlan) -> None:
    make, says = ABSURD[kind]
    with pytest.raises(tractduct.InputFaults, match=says) as caught:
        tractduct.load_plan(write_plan(make()))
    assert len(str(caught.value)) < 20_000


@pytest.mark.parametrize("command", ["check", "study", "batch"])
def test_every_command_refuses_it(command: str, write_plan: WritePlan, tmp_path: Path) -> None:
    folder, out = write_plan(chain(10_000)), tmp_path / "out"
    where = [] if command == "check" else ["--out", str(out)]
    assert main([command, str(folder), *where]) == 2
    assert not list(out.rglob("results.json"))


@pytest.mark.parametrize("kind", ["sections times variants", "100,000 lots"])
def test_it_is_refused_before_anything_grows(kind: str, write_plan: WritePlan, tmp_path: Path) -> None:
    code, said = run_measured("study", write_plan(ABSURD[kind][0]()), "--out", tmp_path / "out", most_mb=400)
    assert code == 2
    assert "nothing was written" in said
    assert not (tmp_path / "out").exists()


BRIEFLY = ("--most-packages", "0", "--only", "order")


def undamped(plan: PlanTables) -> PlanTables:
    """The plan without any damper, so that there is little to search for."""
    plan.config["dampers"] = {"least_cfm": 1000}
    return plan


WORKS: dict[str, tuple[Callable[[], PlanTables], tuple[str, ...], int]] = {
    "sections in a row": (lambda: chain(MAX_SECTIONS), ("study", *BRIEFLY), 1_500),
    "sections side by side": (lambda: flat(MAX_SECTIONS), ("study", *BRIEFLY), 1_500),
    "960 variants": (lambda: undamped(many_flex(MAX_FLEX, all_faces(small_plan()))), ("study", *BRIEFLY), 800),
    "100 products, 2 of them approved": (
        lambda: many_flex(100, small_plan(variants={"flex": ["flex 1", "flex 70"]})), ("study",), 800
    ),
    "100 sizes": (lambda: many_sizes(MAX_SIZES), ("study",), 800),
    "as many lots as are read, each at its own angle": (lambda: with_rows("lots", 500, lot, drawn()), ("study",), 400),
    "100,000 lots to buy for": (small_plan, ("study", "--lots", "100000"), 800),
}  # fmt: skip


@pytest.mark.parametrize("kind", WORKS)
def test_a_large_plan_just_works(kind: str, write_plan: WritePlan, tmp_path: Path) -> None:
    make, (command, *more), most_mb = WORKS[kind]
    code, said = run_measured(command, write_plan(make()), "--out", tmp_path / "out", *more, most_mb=most_mb)
    assert code in (0, 3), said
    assert (tmp_path / "out" / "results.json").stat().st_size > 1_000


@pytest.mark.parametrize("arguments", [
    ("study", "--lots", "100001"), ("study", "--lots", "9" * 5_000), ("study", "--most-packages", "9" * 5_000),
    ("batch", "--jobs", "100001"), ("study", "--seconds", "1e999"), ("study", "--seconds", "nan"),
    ("study", "--compressed", "1e999"),
], ids=str)  # fmt: skip
def test_absurd_options_are_refused(arguments: tuple[str, ...], write_plan: WritePlan) -> None:
    with pytest.raises(SystemExit) as caught:
        main([arguments[0], str(write_plan(small_plan())), *arguments[1:]])
    assert caught.value.code == 2
