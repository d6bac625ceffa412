"""The pages under docs say what the program has."""

from __future__ import annotations

import re
from pathlib import Path

from tractduct.cli import build_parser
from tractduct.entry.reference import COMMANDS_PAGE, commands_page
from tractduct.inputs.compact.sheets import RUNS
from tractduct.units import MEASURES

ROOT = Path(__file__).parents[1]


def test_the_page_of_commands_is_what_the_parser_says() -> None:
    """Made anew with python -m tractduct.entry.reference."""
    page = (ROOT / COMMANDS_PAGE).read_text(encoding="utf-8")
    assert page == commands_page()
    usage = build_parser().format_help()
    commands = re.findall(r"^## `(\w+)`$", page, re.MULTILINE)
    assert commands == re.findall(r"^    (\w+) {2,}", usage, re.MULTILINE)
    assert page.count("\nExample: `tractduct ") == len(commands)


def test_the_nomenclature_names_what_the_code_has() -> None:
    code = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "tractduct").rglob("*.py"))
    page = (ROOT / "docs" / "nomenclature.md").read_text(encoding="utf-8").partition("## Words")[0]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in page.splitlines() if line[:1] == "|"][2:]
    si = {measure.core: measure.si for measure in MEASURES.values() if measure.name != "roughness"}
    assert len(rows) > 20
    for quantity, _, name, unit, shown, meaning in rows:
        assert re.search(rf"\b{name.strip('`')}\b", code), quantity
        assert meaning
        if unit in si and quantity != "roughness":
            assert shown == si[unit], quantity


def test_the_first_plan_names_what_there_is() -> None:
    """Its columns, sheets and pictures."""
    page = (ROOT / "docs" / "first-plan.md").read_text(encoding="utf-8")
    for picture in re.findall(r"\]\(([^)]+\.(?:png|md))\)", page):
        assert (ROOT / "docs" / picture).is_file(), picture
    named = set(re.findall(r"^\| `(\w+)` \|", page, re.MULTILINE))
    assert named == {"section", "on", "room", "route", "duct", "fittings"} <= {f.name for f in RUNS.fields}
