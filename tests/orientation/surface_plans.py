"""Plans with loads by surface, for the tests of orientation. All numbers are invented."""

from __future__ import annotations

import random
from functools import cache
from pathlib import Path
from typing import Any

from plan_folder import PlanTables, section, small_plan, with_prices

import tractduct
from tractduct.orientation import OrientationStudy, study_orientation

DEMO = Path(__file__).parents[2] / "configs" / "brindlecote-2670"
FACES = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
GLASS = dict(zip(FACES, (17, 32, 43, 37, 25, 42, 52, 39), strict=True))


def factor_rows() -> list[dict[str, Any]]:
    """Load factors: glass and wall that turn, a roof that does not."""
    rows: list[dict[str, Any]] = []
    for face in FACES:
        rows.append(_factor("glass", face, GLASS[face], 19 - FACES.index(face) / 8))
        rows.append(_factor("wall", face, 1 + GLASS[face] / 60, 3.8))
    return [*rows, _factor("roof", "", 1.6, 1.7)]


def _factor(surface: str, exposure: str, cooling: float, heating: float) -> dict[str, Any]:
    return {
        "surface": surface,
        "exposure": exposure,
        "sensible_cooling_btuh_per_ft2": cooling,
        "heating_btuh_per_ft2": heating,
    }


def surface(room: str, kind: str, face: Any, area: float, shade: Any = None) -> dict[str, Any]:
    return {"room": room, "surface": kind, "plan_face": face, "area_ft2": area, "shade_fraction": shade}


def broken_down(plan: PlanTables | None = None) -> PlanTables:
    """The small plan with loads by surface and no airflow table: Den looks left, Bed front and right, Kitchen back."""
    plan = (plan or small_plan()).copy()
    plan.tables.pop("airflow", None)
    plan.config["blower"] = {"heating_cfm": 230, "cooling_cfm": 300}
    plan.tables["surfaces"] = [
        surface("Den", "glass", "left", 30),
        surface("Den", "wall", "left", 90, 0),
        surface("Bed", "glass", "front", 24, 0.25),
        surface("Bed", "wall", "right", 110),
        surface("Bed", "roof", None, 150),
        surface("Kitchen", "glass", "back", 36),
        surface("Kitchen", "glass", 200, 8),
        surface("Kitchen", "wall", "back", 80),
    ]
    plan.tables["load_factors"] = factor_rows()
    plan.tables["room_gains"] = [
        {"room": "Den", "heating_btuh": 400, "sensible_cooling_btuh": 500, "note": "people"},
        {"room": "Bed", "heating_btuh": 500, "sensible_cooling_btuh": 400, "note": "people"},
        {"room": "Kitchen", "heating_btuh": 600, "sensible_cooling_btuh": 1900, "note": "cooking"},
        {"room": "Kitchen", "heating_btuh": 100, "sensible_cooling_btuh": 100, "note": "people"},
    ]
    return plan


def with_lots(plan: PlanTables, *lots: tuple[str, Any, Any, Any, Any]) -> PlanTables:
    """The plan with lots (name, azimuth, face, mirrored, flex)."""
    plan = plan.copy()
    names = ("lot", "azimuth_deg", "front_faces", "mirrored", "flex")
    plan.tables["lots"] = [dict(zip(names, lot, strict=True)) for lot in lots]
    return plan


def by_sun(plan: PlanTables, **solar: Any) -> PlanTables:
    """The plan with the cooling factors of its glass left to the sun at 35 degrees north."""
    plan = plan.copy()
    plan.config["site"]["latitude_deg"] = 35
    plan.config["solar"] = {"shgc": 0.3, **solar}
    for row in plan.tables["load_factors"]:
        if row["surface"] == "glass":
            row["sensible_cooling_btuh_per_ft2"] = None
    return plan


def random_faces(seed: int, n_face: int) -> PlanTables:
    """A priced plan of three rooms whose airflow moves much from face to face, each room by its own face."""
    rng = random.Random(seed)
    plan = small_plan()
    rooms = {"Den": (60, 90), "Bed": (80, 70), "Kitchen": (90, 140)}
    plan.tables["airflow"] = [
        {
            "front_faces": face,
            "room": room,
            "heating_cfm": heating,
            "cooling_cfm": round(cooling * rng.uniform(0.6, 1.7)),
        }
        for face in FACES[:n_face]
        for room, (heating, cooling) in rooms.items()
    ]
    plan.config["pressure"] = {"supply_inwc": 0.25, "return_inwc": 0.1}
    plan.tables["sections"].append(section("DEN2", "T1", "branch", "flex", 15, "collar + boot_floor", "Den"))
    return with_prices(plan)


@cache
def demo_study() -> tractduct.Study:
    return tractduct.study(DEMO)


@cache
def demo_orientation() -> OrientationStudy:
    return study_orientation(demo_study())
