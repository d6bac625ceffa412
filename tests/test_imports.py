"""Modules import in one direction: physics, model, network, sizing, one_plan, delivery, writers; files at the edge."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "tractduct"

# What each part may import of the package besides itself; a module on top is its own part.
GROUND = {"arrays", "errors", "findings", "units"}
MAY: dict[str, set[str]] = {
    "errors": set(),
    "files": {"errors"},  # which are safe to read, and their names
    "version": set(),
    "arrays": set(),
    "units": set(),
    "findings": {"errors"},
    "physics": {"arrays", "units"},
    "products": {"arrays", "units", "physics", "errors"},  # what a product's table says
    "model": GROUND | {"physics", "products"},
}
MAY["inputs"] = {*GROUND, "files", "physics", "products", "model"}
DOMAIN = {*GROUND, "physics", "products", "model"}  # from here on up nothing knows files
MAY["network"] = set(DOMAIN)
MAY["sizing"] = DOMAIN | {"network"}
MAY["one_plan"] = MAY["sizing"] | {"sizing"}
MAY["orientation"] = MAY["one_plan"] | {"one_plan"}
MAY["delivery"] = MAY["orientation"] | {"orientation"}
MAY["purchasing"] = MAY["delivery"] | {"delivery"}
ABOVE = {*MAY} - {"inputs"}
MAY["report"] = set(ABOVE)
ABOVE.add("report")
MAY["systems"] = set(ABOVE)
ABOVE.add("systems")
MAY["portfolio"] = set(ABOVE)
MAY["writers"] = {*ABOVE, "portfolio"}
MAY["entry"] = {*ABOVE, "inputs", "writers", "cli"}  # cli: its parser is described
MAY["api"] = {*ABOVE, "inputs"}
MAY["batch"] = {*ABOVE, "inputs", "portfolio", "writers"}
MAY["cli"] = {*ABOVE, "inputs", "portfolio", "writers", "batch", "entry"}
MAY["__init__"] = {*ABOVE, "inputs", "writers", "api"}
MAY["__main__"] = {*ABOVE, "cli"}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    """Full names of all that a module imports, wherever in it."""
    found: set[str] = set()
    package = ["tractduct", *path.relative_to(PACKAGE).parts[:-1]]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            base += node.module.split(".") if node.module else []
            # `from tractduct import inputs` names the part in the alias.
            found |= {".".join([*base, alias.name]) for alias in node.names}
    return found


def parts_of(names: set[str]) -> set[str]:
    split = [name.split(".") for name in names]
    return {parts[1] if len(parts) > 1 else "__init__" for parts in split if parts[0] == "tractduct"}


def test_there_is_something_to_check() -> None:
    names = {path.stem for path in modules()}
    assert {"friction", "tree", "candidates", "one_plan", "results"} <= names
    assert {"model", "network", "sizing"} <= parts_of(imported(PACKAGE / "one_plan.py"))


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_imports_go_one_way(path: Path) -> None:
    part = part_of(path)
    assert part in MAY, f"say in this test where {part} belongs"
    assert parts_of(imported(path)) - {part} <= MAY[part]


def test_no_module_imports_in_a_circle() -> None:
    known = {".".join(["tractduct", *p.relative_to(PACKAGE).with_suffix("").parts]): p for p in modules()}
    names = {name: imported(path) for name, path in known.items()}
    uses = {
        name: {other for other in known if any(used == other or used.startswith(other + ".") for used in names[name])}
        for name in known
    }
    left = dict(uses)
    while left:
        free = [name for name, others in left.items() if not (others - {name}) & set(left)]
        assert free, f"these import each other in a circle: {sorted(left)}"
        for name in free:
            del left[name]


@pytest.mark.parametrize("path", sorted((PACKAGE / "physics").glob("*.py")), ids=lambda path: path.name)
def test_physics_is_pure(path: Path) -> None:
    """numpy, the standard library, physics and, for the sun, pvlib only; no files, no tables."""
    for name in imported(path):
        top = name.split(".")[0]
        assert top in ("numpy", "tractduct", "pvlib") or top in sys.stdlib_module_names
        assert top not in ("os", "pathlib", "csv", "json", "logging", "io")


def test_only_the_writers_know_the_writers_libraries() -> None:
    """Spreadsheets are read in inputs; pictures are drawn in writers only, DataFrames made in one place."""
    for path in modules():
        tops = {name.split(".")[0] for name in imported(path)}
        if "openpyxl" in tops:
            assert part_of(path) in ("inputs", "writers", "entry")
        if "matplotlib" in tops:
            assert part_of(path) == "writers"
        if "pandas" in tops:
            assert path == PACKAGE / "writers" / "listing.py"
