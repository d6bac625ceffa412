"""The reference pages: of a plan's tables and keys, from the schema; of the commands, from their parser.

``python -m tractduct.entry.reference`` writes docs/plan-reference.md and docs/commands.md anew.
"""

from __future__ import annotations

from argparse import Action, _SubParsersAction
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from tractduct.cli import build_parser
from tractduct.inputs import limits, schema
from tractduct.inputs.cells import sentence
from tractduct.inputs.compact.defaults import FITTINGS
from tractduct.inputs.compact.sheets import HELPERS, SHEETS
from tractduct.inputs.schema import Field, in_units
from tractduct.units import IP, SI

PAGE = Path("docs") / "plan-reference.md"
COMMANDS_PAGE = Path("docs") / "commands.md"

_HEAD = """\
# Tables and keys of a plan

This page is made from `tractduct/inputs/schema.py`; a test keeps the two alike. To change it, change the schema and run
`python -m tractduct.entry.reference`.

A plan is a folder with `plan.toml` and its tables beside it, each a CSV file or a sheet of an `.xlsx` workbook. A value
outside "allowed" is an error. A value outside "usual" is taken, and the workbook asks what "often" names.

## How cells are read

- Headers match whatever their case, spaces and underscores. A column that is not listed here is reported and not read;
  one whose name is like that of a column which is missing is an error, and so is a file or sheet with a name like that
  of a table which is missing. Other files and sheets beside the plan's are reported and not read.
- Names match whatever their case and spacing.
- A number may carry its column's own unit (`12 ft`, `7"`, `100 CFM`, `5 %`) and commas between thousands (`1,200`). A
  length in feet may be `12'6"`, `12'-6 1/2"`, `12 ft 6 in`, `150 in` or `12 1/2`; `12-6`, `12/6` and `12'6` are errors.
  A size may be `7`, `7 in`, `8x12` or `8" x 12"`. Directions may be `N` or `north`; in `airflow` and `load_factors` a
  cell `N/NE` stands for a row of each. Yes and no may be `yes`, `true`, `y`, `1` and `no`, `false`, `n`, `0`.
- What was read as something else than it says is told in one note a column.
- Another unit (`3 m`, `25 Pa`) and a comma that may be a decimal mark (`1,5`; any, where semicolons separate the cells)
  are errors. So are a date for a name, which spreadsheet programs make of `8-10`, and their errors, such as `#REF!`.
- Cells merged down a column all have the first one's value. A formula needs its stored result. A workbook cell shown as
  a per cent, `5%`, is read as it is shown. Hidden rows and sheets are read like others, and reported.
- CSV files may be UTF-8, UTF-16 or Windows text, and be separated by commas, semicolons or tabs.
"""

_COMPACT = """\
A plan may be one workbook alone, `house.xlsx`, or the same tables as CSV files in a folder. What its sheets leave out
is worked out by the rules below; what stands in a cell counts instead. The long tables above may stand beside them, and
add to them: a `fittings` table with a row `boot` replaces the generic boot. `tractduct check` lists all that was worked
out and assumed.

- **Joints and ends**: at the air handler `plenum_takeoff` (rigid), `collar` (flex) or `return_entry`; from a rigid
  section `reducer` where a rigid section goes on that others hang on, else `takeoff`, in returns `return_takeoff`; from
  flex, in supplies, `wye`, bought once at the parent. A run ends in `boot`, a return in `return_box`.
- **Bends**: under 22.5 degrees none, up to 67.5 one of 45, up to 112.5 one of 90, up to 157.5 one of each; more is
  refused. Where two trunks in line both say which way they run, the turn between them counts.
- **Roles**: a rigid section that others hang on, and a rigid return, are trunks; all else are branches.
- **Glass**: a room's load less that of its glass at `printed_front` does not turn; the glass is turned to each front.
  Walls, doors and roof are not: `surfaces` and `load_factors` turn those too.
- **Airflow**: the blower's airflow is shared by load. A season without it has the other's.
- **Sizes**: `4..10` for each size that is made from one to the other, `8..24x8` for widths by 2 in (50 mm).
- **Prices**: `prices` may have a size a row and a column a product: `size_in`, then the names of the products. An empty
  cell: not offered.
"""

_SI = """\
With `units = "si"` on top of plan.toml the plan is written and shown in L/s, mm, m, Pa, m/s, W and degrees Celsius.
Names end in those units, and a cell may carry them (`7 m`, `45 L/s`). Sizes are diameters in mm, such as `160`, or
`200x300`. Everything else stays. What is not given is the same as in a plan in inches and feet, but for the standard
round sizes, which are EN 1506's: 80, 100, 125, 160, 200, 250, 315, 400, 500 mm.
"""


_TABLE_FILES = """\
Where each table is: `"file.csv"` or `"book.xlsx#Sheet"`, inside the plan folder. A table that is not named is sought \
as a file or sheet of its name. `printed` names printed room tables that stand instead of `airflow`, read as \
`tractduct airflow` does; `#Sheet` is one of the plan's own workbook."""


def reference_page() -> str:
    """The page, as Markdown."""
    parts = [_HEAD, "## Tables\n"]
    for table in schema.TABLES:
        need = "" if table.required else ", optional"
        parts += [f"### `{table.name}`{need}\n", f"{table.meaning}.\n", _fields(table.fields, is_table=True)]
    parts += ["## The compact form\n", _COMPACT]
    for table in SHEETS:
        fields = tuple(field for field in table.fields if field.name not in HELPERS)
        parts += [f"### `{table.name}`, compact\n", f"{table.meaning}.\n", _fields(fields, is_table=True)]
    parts += [_generic()]
    parts.append("## plan.toml\n")
    for part, keys in schema.KEYS.items():
        if part == "tables":
            names = ", ".join(f"`{key.name}`" for key in keys)
            parts += ["### `[tables]`\n", f"{_TABLE_FILES}\n\n{names}\n"]
        else:
            parts += [f"### `[{part}]`\n" if part else "### On top\n", _fields(keys, is_table=False)]
    parts += ["## In SI\n", _SI, _in_si()]
    parts += ["## How much a plan may hold\n", "\n".join(f"- {line}" for line in limits.IN_WORDS) + "\n"]
    return "\n".join(parts)


def _generic() -> str:
    lines = ["| generic fitting | equivalent length, ft | bought | source |", "|---|---|---|---|"]
    lines += [f"| `{n}` | {f.equivalent_length_ft:g} | {f.bought} | {f.source} |" for n, f in FITTINGS.items()]
    return "\n".join(lines) + "\n"


def _fields(fields: tuple[Field, ...], *, is_table: bool) -> str:
    first, may = ("column", "must be there") if is_table else ("key", "default")
    lines = [f"| {first} | unit | {may} | allowed | usual | often | meaning |", "|---|---|---|---|---|---|---|"]
    for field in (in_units(f, IP) for f in fields):
        cells = (
            f"`{field.name}`",
            field.unit,
            _must(field) if is_table else _default(field),
            _allowed(field),
            _range(*field.usual) if field.usual else "",
            sentence(field.hint),
            field.meaning,
        )
        lines.append(_row(cell.replace("|", "\\|") for cell in cells))
    return "\n".join(lines) + "\n"


def _in_si() -> str:
    lines = ["| where | instead of | write | unit | default | allowed | usual |", "|---|---|---|---|---|---|---|"]
    places = [(f"`{t.name}`", t.fields) for t in (*schema.TABLES, *SHEETS)]
    places += [(f"`[{part}]`", keys) for part, keys in schema.KEYS.items()]
    for place, fields in places:
        for core, field in ((f, in_units(f, SI)) for f in fields):
            if field.name != core.name:
                usual = _range(*field.usual) if field.usual else ""
                default = f"{field.default:.4g}" if isinstance(field.default, float) and core.default else ""
                cells = (place, f"`{core.name}`", f"`{field.name}`", field.unit, default, _allowed(field), usual)
                lines.append(_row(cells))
    return "\n".join(lines) + "\n"


def _row(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def _must(field: Field) -> str:
    default = _default(field)
    if field.blank:
        return f"may be empty: {default}" if default else "may be empty"
    return "yes" if field.required else "no"


def _default(field: Field) -> str:
    if isinstance(field.default, bool):
        return "yes" if field.default else "no"
    return f"{field.default:g}" if isinstance(field.default, float) else field.default or ""


def _allowed(field: Field) -> str:
    if field.choices:
        return ", ".join(field.choices)
    if field.kind == "flag":
        return "yes, no"
    if field.low is None:
        return ""
    low = f"above {_plain(field.low)}" if field.above else _plain(field.low)
    low = f"whole, {low}" if field.whole else low
    return low if field.high is None else f"{low} to {_plain(field.high)}"


def _range(low: float, high: float) -> str:
    return f"{_plain(low)} to {_plain(high)}"


def _plain(value: float) -> str:
    """The number without a power of ten."""
    return np.format_float_positional(value, trim="-")


_COMMANDS_HEAD = """\
# Commands

This page is made from the parser in `tractduct/cli.py`; a test keeps the two alike. To change it, change the parser and
run `python -m tractduct.entry.reference`. `tractduct --version` says the version, and each command takes `--help`.
"""


def commands_page() -> str:
    """Every command with its arguments, as Markdown."""
    parser = build_parser()
    parts = [_COMMANDS_HEAD, f"{parser.epilog}\n"]
    commands = next(action for action in parser._actions if isinstance(action, _SubParsersAction))
    for name, command in commands.choices.items():
        said, _, example = (command.epilog or "").partition("Example: ")
        arguments = [action for action in command._actions if action.dest != "help"]
        usage = [f"[{_typed(action)}]" if action.option_strings else _typed(action) for action in arguments]
        lines = [f"| `{_typed(action)}` | {(action.help or '').replace('<', '&lt;')} |" for action in arguments]
        parts += [f"## `{name}`\n", f"{command.description} {said}".strip() + "\n"]
        parts += [f"    {' '.join(['tractduct', name, *usage])}\n", "| argument | meaning |\n|---|---|", *lines]
        parts += [f"\nExample: `{example}`\n"]
    return "\n".join(parts)


def _typed(action: Action) -> str:
    """An argument with what follows it: `--out DIR`, `--units ip/si`, `FOLDER ...`."""
    value = "" if action.nargs == 0 else action.metavar or "/".join(action.choices or ())
    return " ".join([*action.option_strings, *[str(value)] * bool(value), *["..."] * (action.nargs == "+")])


if __name__ == "__main__":
    for page, text in ((PAGE, reference_page()), (COMMANDS_PAGE, commands_page())):
        page.write_text(text, encoding="utf-8", newline="\n")
