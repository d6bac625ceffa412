"""The schema is sensible, and the reference page says what it says."""

from __future__ import annotations

from pathlib import Path

import pytest

from tractduct.entry.reference import PAGE, reference_page
from tractduct.inputs import limits, schema
from tractduct.inputs.schema import Field

EVERY = [
    (name, field)
    for name, fields in [*((t.name, t.fields) for t in schema.TABLES), *schema.KEYS.items()]
    for field in fields
]
NUMBERS = [(name, field) for name, field in EVERY if field.kind in ("number", "price")]
# Where all that is allowed is as believable.
ALL_USUAL = {("surfaces", "shade_fraction"), ("lots", "azimuth_deg"), ("dampers", "positions")}


@pytest.mark.parametrize(("where", "field"), NUMBERS, ids=[f"{where} {field.name}" for where, field in NUMBERS])
def test_bounds_of_a_number(where: str, field: Field) -> None:
    """Allowed and believable are both given, the second inside the first, and a slip has a hint."""
    assert field.low is not None
    assert field.high is not None
    assert field.low < field.high
    assert field.hint.endswith("?") or where == "site"
    if (where, field.name) in ALL_USUAL:
        assert field.usual is None
        return
    assert field.usual is not None
    low, high = field.usual
    assert field.low <= low < high <= field.high
    assert (low, high) != (field.low, field.high)
    if isinstance(field.default, float):
        assert field.default == 0.0 or low <= field.default <= high


def test_names_carry_their_unit() -> None:
    ends = {"ft": "_ft", "in": "_in", "cfm": "_cfm", "fpm": "_fpm", "inWC": "_inwc", "%": "_pct", "Btu/h": "_btuh"}
    for where, field in EVERY:
        if field.unit in ends:
            assert field.name.endswith(ends[field.unit]), (where, field.name)


def test_each_field_is_told_in_full() -> None:
    names = [(where, field.name) for where, field in EVERY]
    assert len(names) == len(set(names))
    assert all(field.meaning and not field.meaning.endswith(".") for _, field in EVERY)


def test_the_page_is_what_the_schema_says() -> None:
    """Made anew with python -m tractduct.entry.reference."""
    root = Path(__file__).parents[2]
    assert (root / PAGE).read_text(encoding="utf-8") == reference_page()
    assert PAGE.as_posix() in (root / "README.md").read_text(encoding="utf-8")


def test_the_page_names_everything() -> None:
    page = reference_page()
    for where, field in EVERY:
        assert f"`{field.name}`" in page, (where, field.name)
        assert not field.unit or f"| {field.unit} |" in page
    for number in (limits.MAX_ROWS, limits.MAX_SECTIONS, limits.MAX_NAME):
        assert f"{number:,}" in page
