"""Random small plans for tests against the reference: every feature of the format turns up in some."""

from __future__ import annotations

import random

from plan_folder import PlanTables, duct, section, with_prices

ROUND = [4, 5, 6, 7, 8, 9, 10, 12, 14, 16]
RECTANGULAR = [[8, 8], [10, 8], [12, 8], [16, 8], [10, 10], [20, 8], [24, 8]]
FACES = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"]


def random_plan(seed: int) -> PlanTables:
    """A plan with generous pressure, so that a size set can be expected to hold. Same seed, same plan."""
    rng = random.Random(seed)
    rooms = rng.sample(["Den", "Bed 1", "Bed 2", "Kitchen", "Hall, upper", "Bath", "Loft"], rng.randint(2, 5))
    faces = rng.sample(FACES, rng.randint(1, 3))
    mirrored = rng.choice([[False], [True], [False, True]])
    loads = rng.random() < 0.3
    config: dict = {
        "name": f"Random {seed}",
        "site": {"elevation_ft": rng.choice([0, 900, 5280]), "air_temperature_f": rng.choice([55, 70, 105])},
        "variants": {"seasons": rng.choice([["heating"], ["cooling"], ["heating", "cooling"]])},
        "pressure": {"supply_inwc": rng.choice([0.15, 0.2, 0.3]), "return_inwc": rng.choice([0.06, 0.1])},
        "sizes": {"round_in": ROUND, "rectangular_in": RECTANGULAR},
        "objective": {"standardize_within_pct": rng.choice([0, 5, 15])},
    }
    if loads:
        config["blower"] = {"heating_cfm": 80 * len(rooms), "cooling_cfm": 110 * len(rooms)}
    low, high = (900, 6000) if loads else (30, 180)
    names = ("heating_btuh", "sensible_cooling_btuh") if loads else ("heating_cfm", "cooling_cfm")
    airflow = [
        {
            "front_faces": face,
            "mirrored": mirror,
            "room": room,
            names[0]: rng.randint(low, high),
            names[1]: rng.randint(low, high),
        }
        for face in faces
        for mirror in mirrored
        for room in rooms
    ]
    plan = PlanTables(
        config=config,
        tables={
            "airflow": airflow,
            "sections": _supply(rng, rooms) + _returns(rng, rooms),
            "fittings": [
                {"fitting": "collar", "equivalent_length_ft": 20, "loss_coefficient": None},
                {"fitting": "elbow 90", "equivalent_length_ft": 10, "loss_coefficient": 0.1},
                {"fitting": "boot_floor", "equivalent_length_ft": 25, "loss_coefficient": ""},
                {"fitting": "entry", "equivalent_length_ft": None, "loss_coefficient": 0.35},
            ],
            "ducts": [
                duct("tin", "rigid", 0.0003),
                duct("board", "rigid", 0.003),
                *(
                    duct(
                        name,
                        "flex",
                        rng.choice([0.0005, 0.001, 0.003]),
                        derate=rng.choice([0, 5, 10]),
                        compression=rng.choice([0, 4]),
                    )
                    for name in ["meadow", "granite"][: rng.randint(1, 2)]
                ),
            ],
        },
    )
    if rng.random() < 0.6:
        plan = with_prices(plan)
        for row in plan.tables["prices"]:
            if rng.random() < 0.06 and row["size_in"] in ("4", "5", "9", "8x8"):
                row["price_per_ft"] = "-"
    return plan


def _supply(rng: random.Random, rooms: list[str]) -> list[dict]:
    rows = []
    trunks = [""]
    for n in range(rng.randint(1, 3)):
        shape = rng.choice([None, "round", "rectangular"])
        parent = rng.choice(trunks)
        rows.append(
            section(
                f"T{n}",
                parent,
                "trunk",
                rng.choice(["tin", "board"]),
                rng.randint(2, 9),
                rng.choice(["", "elbow 90", "elbow 90 * 2"]),
                shape=shape,
            )
        )
        trunks.append(f"T{n}")
    for room in rooms:
        way = rng.random()
        seasons = [None, None] if way < 0.25 else [None, "cooling"] if way < 0.35 else [None]
        for n, season in enumerate(seasons):
            product = rng.choice(["flex", "flex", "tin"])
            rows.append(
                section(
                    f"{room} {n}",
                    rng.choice(trunks),
                    "branch",
                    product,
                    rng.randint(4, 20),
                    rng.choice(["collar + boot_floor", "collar+elbow 90*2+boot_floor", "Collar + BOOT_FLOOR"]),
                    rng.choice([room, room.upper(), f" {room} "]),
                    season=season,
                    share=rng.choice([None, None, 2, 0.5]) if len(seasons) > 1 and season is None else None,
                    min_in=rng.choice([None, None, None, 5]),
                    fixed_in=rng.choice([None] * 8 + [9]),
                )
            )
    used = {row["parent"] for row in rows}
    # A trunk that feeds nothing would be a dead end: it feeds the first room instead.
    for row in rows:
        if row["role"] == "trunk" and row["section"] not in used:
            row["room"] = rooms[0]
    return rows


def _returns(rng: random.Random, rooms: list[str]) -> list[dict]:
    product = rng.choice(["flex", "tin"])
    way = rng.choice(["none", "central", "two", "shared"])
    if way == "none":
        return []
    if way == "central":
        return [section("RET", "", "branch", product, 6, "entry", "*", side="return")]
    half = len(rooms) // 2
    first, second = rooms[: half + (way == "shared")], rooms[half:]
    return [
        section("RT", "", "trunk", "tin", 4, "entry + elbow 90", side="return"),
        section("RA", "RT", "branch", product, 8, "collar", "; ".join(first) or rooms[0], side="return"),
        section("RB", "RT", "branch", "flex", 5, "collar", ";".join(second), side="return"),
    ]
