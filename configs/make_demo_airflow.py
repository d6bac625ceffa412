"""Make the airflow table of the demo plan from its surfaces, load factors and gains.

    python configs/make_demo_airflow.py [plan folder] [--check]

Reads surfaces.csv, load_factors.csv, room_gains.csv and the [blower] airflows of plan.toml, and writes
airflow.csv beside them. Nothing is random: the same tables give the same file. ``--check`` writes nothing and
ends with exit code 1 if airflow.csv is not what the tables give.

This invents a plausible table for a demonstration. It is not a load calculation: one cooling factor stands
for each compass point, whatever the hour, and the rooms' loads are simply added up.

Directions, said once:

- ``front_faces`` is the compass point that the front of the house faces.
- Left and right are seen from the street, looking at the front. Someone who looks at a front that faces north
  looks south and has west at the right hand. So the right side lies 270 degrees clockwise of the front, and
  the left side 90 degrees.
- A mirrored house is drawn with left and right swapped, and turned after that: a surface at d degrees
  clockwise from the front stands at -d.

Shade: the shaded part of a surface takes the cooling factor of a surface that faces north, which the sun
hardly reaches. Shade changes no heating load.
"""

from __future__ import annotations

import argparse
import csv
import sys
import tomllib
from pathlib import Path

COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
POINT_DEG = 45
FACE_DEG_CLOCKWISE_FROM_FRONT = {"front": 0, "left": 90, "back": 180, "right": 270}
COLUMNS = ("front_faces", "mirrored", "room", "heating_cfm", "cooling_cfm")

Loads = dict[str, tuple[float, float]]  # by room: heating and sensible cooling, Btu/h
Factors = dict[tuple[str, str], tuple[float, float]]  # by surface and exposure: the same, for one ft2


def read_rows(path: Path) -> list[dict[str, str]]:
    """The rows of a CSV table, by header."""
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def exposure_of(plan_face: str, front_faces: str, mirrored: bool) -> str:
    """The compass point that a plan face looks to; blank for a surface that does not turn.

    >>> exposure_of("right", "N", False), exposure_of("left", "N", True), exposure_of("back", "NE", False)
    ('W', 'W', 'SW')
    """
    if not plan_face:
        return ""
    clockwise = FACE_DEG_CLOCKWISE_FROM_FRONT.get(plan_face)
    if clockwise is None:
        clockwise = int(plan_face)
    if mirrored:
        clockwise = -clockwise
    points, rest = divmod(clockwise, POINT_DEG)
    if rest:
        raise ValueError(f"plan_face {plan_face!r}: this script turns multiples of {POINT_DEG} degrees only")
    return COMPASS[(COMPASS.index(front_faces) + points) % len(COMPASS)]


def room_loads(
    surfaces: list[dict[str, str]],
    factors: Factors,
    gains: list[dict[str, str]],
    front_faces: str,
    mirrored: bool,
) -> Loads:
    """Heating and sensible cooling load of each room, the house turned and mirrored. [Btu/h]"""
    loads = {row["room"]: (float(row["heating_btuh"]), float(row["sensible_cooling_btuh"])) for row in gains}
    for row in surfaces:
        surface, area = row["surface"], float(row["area_ft2"])
        exposure = exposure_of(row["plan_face"], front_faces, mirrored)
        heating_factor, cooling_factor = factors[surface, exposure]
        shade = float(row["shade_fraction"] or 0.0)
        if exposure:
            north_cooling = factors[surface, "N"][1]
            cooling_factor = (1.0 - shade) * cooling_factor + shade * north_cooling
        heating, cooling = loads[row["room"]]
        loads[row["room"]] = (heating + area * heating_factor, cooling + area * cooling_factor)
    return loads


def airflow_rows(folder: Path) -> list[dict[str, str]]:
    """The airflow table: the blower's airflow of each season shared by the rooms' loads."""
    blower = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))["blower"]
    surfaces = read_rows(folder / "surfaces.csv")
    gains = read_rows(folder / "room_gains.csv")
    factors: Factors = {
        (row["surface"], row["exposure"]): (
            float(row["heating_btuh_per_ft2"]),
            float(row["sensible_cooling_btuh_per_ft2"]),
        )
        for row in read_rows(folder / "load_factors.csv")
    }
    rows = []
    for mirrored in (False, True):
        for front_faces in COMPASS:
            loads = room_loads(surfaces, factors, gains, front_faces, mirrored)
            heating_total = sum(heating for heating, _ in loads.values())
            cooling_total = sum(cooling for _, cooling in loads.values())
            for room, (heating, cooling) in loads.items():
                cells = (
                    front_faces,
                    str(mirrored).lower(),
                    room,
                    f"{blower['heating_cfm'] * heating / heating_total:.1f}",
                    f"{blower['cooling_cfm'] * cooling / cooling_total:.1f}",
                )
                rows.append(dict(zip(COLUMNS, cells, strict=True)))
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description="Make the demo plan's airflow.csv from its tables.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).resolve().parent / "brindlecote-2670")
    parser.add_argument("--check", action="store_true", help="write nothing; exit 1 if airflow.csv differs")
    arguments = parser.parse_args()
    target = arguments.folder / "airflow.csv"
    rows = airflow_rows(arguments.folder)
    if arguments.check:
        same = target.exists() and read_rows(target) == rows
        print(f"{target}: {'up to date' if same else 'differs from its tables; run without --check'}")
        return 0 if same else 1
    with target.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    print(f"{target}: {len(rows)} rows")
    return 0


if __name__ == "__main__":
    sys.exit(main())
