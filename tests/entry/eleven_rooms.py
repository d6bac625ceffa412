"""A house of eleven rooms as a person would enter it; every number invented."""

from __future__ import annotations

from typing import Any

Sheets = dict[str, list[list[Any]]]

PLAN = [
    ["key", "value"], ["cooling_cfm", 1180], ["heating_cfm", 960], ["printed_front", "N"], ["supply_inwc", 0.13],
    ["return_inwc", 0.06], ["round_in", "4..10, 12, 14, 16, 18, 20"],
]  # fmt: skip
ROOMS = [
    ["room", "heating_btuh", "sensible_cooling_btuh", "glass_front_ft2", "glass_right_ft2", "glass_back_ft2",
     "glass_left_ft2"],
    ["Foyer", 2300, 1100, 12, None, None, None],
    ["Great Room", 7200, 6100, None, None, 60, 20],
    ["Dining", 2600, 2300, None, None, 28, None],
    ["Kitchen", 2900, 4300, None, 16, 15, None],
    ["Laundry", 1000, 900, None, None, None, None],
    ["Bath", 1100, 700, None, 5, None, None],
    ["Bedroom 2", 2900, 2200, 18, 10, None, None],
    ["Bedroom 3", 2700, 2100, 20, None, None, None],
    ["Owner", 5200, 4400, None, None, 32, 16],
    ["Owner Bath", 1500, 1200, None, None, None, 9],
    ["Owner Closet", 700, 500, None, None, None, None],
]  # fmt: skip
GLASS = [
    ["facing", "cooling_btuh_per_ft2", "heating_btuh_per_ft2"],
    *([face, cooling, 28 if face == "N" else None] for face, cooling in
      zip(("N", "NE", "E", "SE", "S", "SW", "W", "NW"), (20, 34, 50, 43, 28, 47, 58, 42), strict=True)),
]  # fmt: skip
RUNS = [
    ["section", "on", "room", "route", "duct"],
    ["Trunk 1", None, None, "10", "round"],
    ["Trunk 2", "Trunk 1", None, "14", "round"],
    ["Trunk 3", "Trunk 2", None, "8+6", "round"],
    [None, "Trunk 1", "Great Room", "12", None],
    [None, "Trunk 1", "Great Room", "9+5", None],
    [None, "Trunk 1", "Dining", "10+6+6", None],
    [None, "Trunk 1", "Kitchen", "13", None],
    [None, "Trunk 2", "Kitchen", "11+5", None],
    [None, "Trunk 2", "Laundry", "7", None],
    [None, "Trunk 2", "Foyer", "12'6\"", None],
    [None, "Trunk 2", "Bath", "9", None],
    [None, "Trunk 3", "Bedroom 2", "14+4", None],
    [None, "Trunk 3", "Bedroom 3", "12", None],
    ["West", None, None, "16", None],
    [None, "West", "Owner Bath", "8", None],
    [None, "West", "Owner Closet", "6", None],
    [None, None, "Owner", "18+6", None],
    [None, None, "Owner", "22", None],
    ["Return main", "return", None, "4", "round"],
    [None, "Return main", "rest", "14", None],
    [None, "Return main", "Owner; Owner Bath; Owner Closet", "17+6", None],
]
PRODUCTS = [
    ["product", "roughness_ft", "airflow_derate_pct", "compression_pct"],
    ["flex_a", 0.002, 5, None], ["flex_b", 0.003, None, 4],
]  # fmt: skip
SIZES = [4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20]
PRICES = [
    ["size_in", "galvanised", "flex_a", "flex_b"],
    *([size, None if size < 8 else round(2.0 + 0.65 * size, 2), round(0.8 + 0.35 * size, 2) if size < 17 else None,
       round(0.6 + 0.31 * size, 2) if size < 17 else None] for size in SIZES),
]  # fmt: skip
# What the workbook holds before anything is entered: not counted.
PREFILLED = {"plan": "key", "glass": "facing", "prices": "size_in"}


def sheets(*, priced: bool) -> Sheets:
    """The house with prices, or with generic flex and the cost in duct wall."""
    found: Sheets = {"plan": PLAN, "rooms": ROOMS, "glass": GLASS, "runs": RUNS}
    if priced:
        found |= {"products": PRODUCTS, "prices": PRICES}
    return {name: [list(line) for line in lines] for name, lines in found.items()}


def filled_cells(found: Sheets) -> int:
    """Cells that somebody types: none of the headers but the products of the prices, nothing that is prefilled."""
    count = sum(name != "size_in" for name in found.get("prices", [[]])[0])
    for name, (header, *lines) in found.items():
        typed = [n for n, column in enumerate(header) if column != PREFILLED.get(name)]
        count += sum(line[n] is not None for line in lines for n in typed)
    return count
