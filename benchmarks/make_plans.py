"""Random plan folders: ``python -m benchmarks.make_plans FOLDER --plans 100`` writes as many as you like.

Each is a house that a reader of the folder would take for one: rooms along four walls, a supply trunk or two that
step down on the way, flex branches to every room (two to a large one, one of the two often open in cooling only), a
central return or several, up to three flex products, prices, lots. Room airflow follows the sun: a room's glass
faces the way its wall does, turned and mirrored with the house. Nothing is taken from a real house; the numbers are
of the size that houses have. The same seed gives the same plan whatever the number of plans.

A plan of s sections has about s - 8 runs; ``--variants`` is made of 8 front faces, mirrored or not, 2 seasons and
1 or more flex products, 32 variants a product. One plan in ``--infeasible-every`` asks for more than any size gives.
"""

from __future__ import annotations

import argparse
import csv
import math
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

FACES = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
VARIANTS_PER_FLEX = 32
ROUND_IN = (4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20)
RECTANGULAR_IN = ((8, 8), (10, 8), (12, 8), (14, 8), (16, 8), (20, 8), (24, 8))
ROOMS = (
    "Kitchen", "Great Room", "Dining", "Owner Suite", "Owner Bath", "Bedroom 2", "Bedroom 3", "Bedroom 4", "Study",
    "Foyer", "Laundry", "Loft", "Bonus Room", "Hall Bath", "Guest Room", "Mud Room", "Closet", "Sun Room", "Nook",
    "Pantry", "Play Room", "Hobby Room",
)  # fmt: skip
NAMES = ("Alder", "Birch", "Cedar", "Dogwood", "Elm", "Fir", "Hazel", "Larch", "Maple", "Oak", "Rowan", "Willow")
FITTINGS = {
    "plenum_to_trunk": (15, ""), "elbow_90": (10, ""), "reducer": (4, ""), "trunk_takeoff": (35, ""),
    "flex_bend_90": (12, ""), "boot": (30, ""), "return_entry": (0, 0.35), "return_box": (15, 0.3),
}  # fmt: skip
FLEX = ("heron", "wren", "crake", "plover", "dunlin", "siskin", "linnet", "pipit")  # roughest last of each three


def make_plan(folder: Path, seed: int, n_section: int = 30, n_variant: int = 96, *, infeasible: bool = False) -> Path:
    """Write one plan folder and return it.

    Parameters
    ----------
    seed : same seed, same plan
    n_section : at least 12
    n_variant : a multiple of 32, up to 256
    infeasible : leave so little pressure that no size set holds
    """
    n_flex = n_variant // VARIANTS_PER_FLEX
    if n_section < 12 or n_variant % VARIANTS_PER_FLEX or not 1 <= n_flex <= len(FLEX):
        raise ValueError("need at least 12 sections and 32 to 256 variants in steps of 32")
    rng = np.random.default_rng(seed)
    sections, rooms = _sections(n_section, rng)
    flex = FLEX[:n_flex]
    folder.mkdir(parents=True, exist_ok=True)
    name = f"{NAMES[seed % len(NAMES)]} {1200 + 10 * int(rng.integers(0, 220))} {seed}"
    _write(folder / "airflow.csv", "front_faces mirrored room heating_cfm cooling_cfm", _airflow(rooms, sections, rng))
    header = "section parent side role duct shape length_ft fittings room share season"
    _write(folder / "sections.csv", header, sections)
    _write(
        folder / "fittings.csv",
        "fitting equivalent_length_ft loss_coefficient source",
        [(fitting, feet, loss, "invented") for fitting, (feet, loss) in FITTINGS.items()],
    )
    rough = [(round(0.001 * (1 + n % 3), 4), (0, 5, 0)[n % 3], (0, 0, 4)[n % 3]) for n in range(n_flex)]
    _write(
        folder / "ducts.csv",
        "duct kind roughness_ft airflow_derate_pct compression_pct source",
        [
            ("galvanised", "rigid", 0.0003, 0, 0, "invented"),
            *((each, "flex", *rough[n], "invented") for n, each in enumerate(flex)),
        ],
    )
    _write(folder / "prices.csv", "duct size_in price_per_ft", _prices(flex))
    lots = [
        (
            n + 1,
            int(rng.integers(0, 360)),
            ("false", "true")[int(rng.integers(0, 2))],
            flex[int(rng.integers(0, n_flex))],
        )
        for n in range(int(rng.integers(4, 40)))
    ]
    _write(folder / "lots.csv", "lot azimuth_deg mirrored flex", lots)
    supply = 0.001 if infeasible else round(float(rng.uniform(0.10, 0.14)), 3)
    rectangular = ", ".join(f"[{w}, {h}]" for w, h in RECTANGULAR_IN)
    (folder / "plan.toml").write_text(
        f'name = "{name}"\n\n[site]\nelevation_ft = {100 * int(rng.integers(0, 50))}\n\n'
        f"[pressure]\nsupply_inwc = {supply}\nreturn_inwc = 0.06\n\n"
        f"[sizes]\nround_in = {list(ROUND_IN)}\nrectangular_in = [{rectangular}]\n\n"
        "[objective]\nstandardize_within_pct = 5\n",
        encoding="utf-8",
    )
    return folder


def make_plans(
    folder: Path, plans: int, n_section: int = 30, n_variant: int = 96, *, seed: int = 0, infeasible_every: int = 0
) -> list[Path]:
    """Write a number of plans below a folder; those that are there already are written again, the same."""
    return [
        make_plan(
            folder / f"plan-{n:05d}",
            seed + n,
            n_section,
            n_variant,
            infeasible=bool(infeasible_every) and n % infeasible_every == infeasible_every - 1,
        )
        for n in range(plans)
    ]


Row = Sequence[object]


def _sections(n_section: int, rng: np.random.Generator) -> tuple[list[Row], list[str]]:
    """Rows of the sections table, and the rooms."""
    n_return = max(2, n_section // 8)
    n_chain = max(2, round(n_section / 15))  # supply trunks, of two sections each
    n_trunk = 2 * n_chain
    n_run = n_section - n_return - n_trunk
    # about a quarter of the runs are the second of their room
    n_room = min(len(ROOMS), max(3, math.ceil(0.78 * n_run)))
    rooms = [*ROOMS[:n_room]]
    shape = "rectangular" if rng.uniform() < 0.4 else "round"
    rows: list[Row] = []
    trunks: list[str] = []
    for n in range(n_trunk):
        name, first = f"T{n + 1}", n % 2 == 0
        parent = "" if first else trunks[-1]
        fittings = "plenum_to_trunk + elbow_90" if first else "reducer"
        rows.append((name, parent, "supply", "trunk", "galvanised", shape, _feet(rng, 6, 14), fittings, "", "", ""))
        trunks.append(name)
    for n in range(n_run):
        room = rooms[n % n_room]
        second = n >= n_room
        bends = int(rng.integers(0, 3))
        fittings = "trunk_takeoff" + (f" + flex_bend_90*{bends}" if bends else "") + " + boot"
        season = "cooling" if second and rng.uniform() < 0.5 else ""
        duct = "galvanised" if rng.uniform() < 0.12 else "flex"
        # the ends of the trunks feed first, so that none is without a run
        above = trunks[2 * n + 1] if n < n_chain else trunks[int(rng.integers(n_trunk))]
        rows.append(
            (f"S{n + 1}", above, "supply", "branch", duct, "round", _feet(rng, 6, 24), fittings, room, "", season)
        )
    n_return_trunk = max(1, round(n_section / 30))
    for n in range(n_return_trunk):
        feet = _feet(rng, 4, 9)
        rows.append((f"RT{n + 1}", "", "return", "trunk", "galvanised", "round", feet, "return_entry", "", "", ""))
    n_branch = n_return - n_return_trunk
    for n in range(n_branch):
        mine, above = "; ".join(rooms[n::n_branch]), f"RT{n % n_return_trunk + 1}"
        feet = _feet(rng, 5, 16)
        rows.append((f"R{n + 1}", above, "return", "branch", "flex", "round", feet, "return_box", mine, "", ""))
    return rows, rooms


def _airflow(rooms: Sequence[str], sections: Sequence[Row], rng: np.random.Generator) -> list[Row]:
    """A room's airflow by front face, mirror and season: what its wall's glass sees, and the size of the room."""
    runs = np.array([sum(row[8] == room for row in sections) for room in rooms])
    wall = rng.integers(0, 4, len(rooms))  # front, right, back, left
    floor_ft2 = rng.uniform(60.0, 190.0, len(rooms)) * np.where(runs > 1, 1.5, 1.0)
    glass = rng.uniform(0.2, 1.0, len(rooms))
    cold = 1.0 + 0.25 * glass + 0.1 * rng.uniform(size=len(rooms))
    total_cfm = 45.0 * runs.sum()
    rows: list[Row] = []
    for f, face in enumerate(FACES):
        for mirrored in (False, True):
            seen = np.where(mirrored & (wall % 2 == 1), (wall + 2) % 4, wall)
            azimuth = np.pi / 4 * f + np.pi / 2 * seen
            sun = 1.0 + glass * (0.5 * np.maximum(0.0, -np.cos(azimuth - np.pi / 6)) + 0.55 * np.abs(np.sin(azimuth)))
            heating, cooling = floor_ft2 * cold, floor_ft2 * sun
            heating *= 0.85 * total_cfm / heating.sum()
            cooling *= total_cfm / cooling.sum()
            rows += [
                (face, str(mirrored).lower(), room, round(float(heating[n]), 1), round(float(cooling[n]), 1))
                for n, room in enumerate(rooms)
            ]
    return rows


def _prices(flex: Iterable[str]) -> list[Row]:
    """One price list for all plans, as one contractor has."""
    rows: list[Row] = []
    for n, duct in enumerate(("galvanised", *flex)):
        dear = 1.25 if n == 0 else 0.9 - 0.07 * ((n - 1) % 3)
        rows += [(duct, size, f"{dear * (0.9 + 0.32 * size + 0.012 * size**2):.2f}") for size in ROUND_IN]
        if n == 0:
            rows += [
                (duct, f"{w}x{h}", f"{1.35 * (0.9 + 0.32 * math.sqrt(w * h) + 0.012 * w * h):.2f}")
                for w, h in RECTANGULAR_IN
            ]
    return rows


def _feet(rng: np.random.Generator, least: float, most: float) -> float:
    return round(float(rng.uniform(least, most)), 1)


def _write(path: Path, header: str, rows: Iterable[Row]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header.split())
        writer.writerows(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--plans", type=int, default=100)
    parser.add_argument("--sections", type=int, default=30)
    parser.add_argument("--variants", type=int, default=96)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--infeasible-every", type=int, default=0, metavar="N", help="0: all can be sized")
    options = parser.parse_args()
    made = make_plans(
        options.folder,
        options.plans,
        options.sections,
        options.variants,
        seed=options.seed,
        infeasible_every=options.infeasible_every,
    )
    print(f"Written: {len(made)} plans below {options.folder}")


if __name__ == "__main__":
    main()
