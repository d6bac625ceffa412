"""Plans changed at random, thousands of times: the same result, or an error that names place and remedy.

What is claimed, by the kinds of change (``fuzz_changes``):

- ``KEEPS``, several on top of each other: the plan reads as the one that it came from, each field down to its
  numbers, and where a text was rewritten or something of the file was not read, a finding says so.
- ``BREAKS``, one on top of some of the others: an error at its table, row and column that shows the value; never the
  column's default. Several at once: faults, each of them well formed.
- An optional cell made empty: the declared default, as if it had been written there, or an error.
- Damage, to bytes, lines and the parts of a workbook: an error or a plan, never anything else, and twice the same.
  Damage may make one good value another or take a row out, which no reader can know. What is claimed of a plan that
  still reads: no column's header was lost and no row cut short without a finding.
- The command line: its exit code is 0, 2 or 3, it shows no traceback, and leaves all of a result or none.

``TRACTDUCT_FUZZ=N`` draws N examples of each kind, other ones each time; without it a few, always the same.
"""

from __future__ import annotations

import contextlib
import csv
import faulthandler
import io
import json
import os
import re
import signal
import tempfile
import warnings
import zipfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fuzz_changes import BREAKS, KEEPS, Change, Draw, Told
from fuzz_plans import BASES, Folder, differences, said, squeezed
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import tractduct
from tractduct.cli import main
from tractduct.errors import Fault
from tractduct.findings import Finding
from tractduct.model.plan import Plan

LONG = int(os.environ.get("TRACTDUCT_FUZZ", "0"))
MOST_SECONDS = 120  # of one example, on a machine that has others to do; one takes a tenth of a second


def examples(usual: int) -> Any:
    return settings(
        max_examples=LONG or usual,
        derandomize=not LONG,
        deadline=None,  # the guard below is for hangs; a slow machine is no failure
        database=None,
        print_blob=True,
        phases=(Phase.generate,),  # an example is small as it is; making it smaller takes minutes
        suppress_health_check=list(HealthCheck),
    )


@contextlib.contextmanager
def in_time() -> Iterator[None]:
    """A hang fails, with the place where it hangs."""
    if not hasattr(signal, "SIGALRM"):
        faulthandler.dump_traceback_later(MOST_SECONDS, exit=True)
        yield
        faulthandler.cancel_dump_traceback_later()
        return

    def ring(*_: object) -> None:
        raise AssertionError(f"not done after {MOST_SECONDS} seconds")

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(MOST_SECONDS)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def read(folder: Path) -> Plan | tuple[Fault, ...]:
    """The plan, or its faults, each of which names file, problem and remedy. Anything else raised is a failure."""
    with in_time(), warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            return tractduct.load_plan(folder)
        except tractduct.InputFaults as caught:
            faults = caught.faults
    assert faults
    for fault in faults:
        assert fault.file.strip(), fault
        assert fault.problem.strip(), fault
        assert fault.remedy.strip(), fault
        assert str(fault).isprintable(), fault
    return faults


def load(folder: Folder) -> Plan | tuple[Fault, ...]:
    with tempfile.TemporaryDirectory() as place:
        return read(folder.write(Path(place) / "plan"))


_ORIGINALS: dict[str, Plan] = {}


def original(base: str) -> Plan:
    """The plan as it was before any change."""
    if base not in _ORIGINALS:
        plan = load(Folder.of(BASES[base](), "csv"))
        assert isinstance(plan, Plan), plan
        assert not [f for f in plan.findings if f.rule == "reading"]
        _ORIGINALS[base] = plan
    return _ORIGINALS[base]


def started(draw: Draw) -> tuple[str, Folder]:
    """A plan to change; fewer workbooks, which take longer."""
    base = draw(st.sampled_from(sorted(BASES)))
    form = draw(st.sampled_from(["csv", "csv", "xlsx"]))
    return base, Folder.of(BASES[base](), form)


def with_change(change: Change, draw: Draw) -> tuple[str, Folder, list[tuple[str, Told]], Told | None]:
    """A plan with that change behind others. Some have their place in one form alone, or in the rich plan."""
    base, folder = started(draw)
    others = keep_as_it_is(folder, draw, 2)
    told = change(folder, draw)
    for name, form in ((base, "csv"), (base, "xlsx"), ("rich", "csv"), ("rich", "xlsx")):
        if told is None:
            base, folder, others = name, Folder.of(BASES[name](), form), []
            told = change(folder, draw)
    return base, folder, others, told


def keep_as_it_is(folder: Folder, draw: Draw, most: int) -> list[tuple[str, Told]]:
    """Some changes that keep the plan's meaning, as many as fit."""
    made = []
    for name in draw(st.lists(st.sampled_from(sorted(KEEPS)), max_size=most)):
        told = KEEPS[name](folder, draw)
        if told:
            made.append((name, told))
    return made


def tells(folder: Folder, told: Told, findings: tuple[Finding, ...]) -> bool:
    """Whether some finding says what must be said."""
    if told.silent:
        return True
    if told.words == "fewer cells":
        width = len(folder.header(told.table))
        if all(len(row) >= width for row in folder.rows(told.table)):
            return True  # a later change filled them up
    place = told.table if told.table not in folder.grids else folder.label(told.table)
    column = squeezed(told.column or "")
    mine = [str(f) for f in findings if place in f.subject + f.message and column in squeezed(str(f))]
    # One note a column shows the first cell that was read as something else, and counts the others.
    return any(told.words in text or "more in this column" in text for text in mine)


@pytest.mark.parametrize("kind", sorted(KEEPS))
def test_another_hand(kind: str) -> None:
    """Each kind, with others before and behind it."""
    made: Counter[str] = Counter()

    @examples(3)
    @given(st.data())
    def run(data: st.DataObject) -> None:
        base, folder, changes, told = with_change(KEEPS[kind], data.draw)
        if told is None:
            return
        made[kind] += 1
        changes.append((kind, told))
        changes += keep_as_it_is(folder, data.draw, 3)
        plan = load(folder)
        names = [name for name, _ in changes]
        assert isinstance(plan, Plan), (names, [str(f) for f in plan])
        good = original(base)
        assert not differences(plan, good), (names, differences(plan, good))
        assert said(plan) == said(good), names
        for name, told in changes:
            assert tells(folder, told, plan.findings), (name, told, [str(f) for f in plan.findings])

    run()
    assert made[kind], "it had no place anywhere"


@pytest.mark.parametrize("kind", sorted(BREAKS))
def test_no_plan_any_more(kind: str) -> None:
    """An error at the place, whatever else the hand did that wrote it."""
    made: Counter[str] = Counter()

    @examples(3)
    @given(st.data())
    def run(data: st.DataObject) -> None:
        _, folder, changes, told = with_change(BREAKS[kind], data.draw)
        if told is None:
            return
        made[kind] += 1
        found = load(folder)
        names = [name for name, _ in changes]
        assert not isinstance(found, Plan), (names, told)
        assert any(is_at(folder, told, fault) for fault in found), (names, told, [str(f) for f in found])

    run()
    assert made[kind], "it had no place anywhere"


def is_at(folder: Folder, told: Told, fault: Fault) -> bool:
    """Whether a fault is the one that must be told: file, row, column, and the words or value."""
    file = told.table if told.table not in folder.grids else folder.label(told.table)
    row = told.row and folder.line_of(told.table, told.row)
    return (
        file in fault.file
        and (row is None or fault.row == row)
        and (not told.column or squeezed(told.column) in squeezed(fault.column or ""))
        and squeezed(told.words) in squeezed(str(fault))
    )


def test_several_faults_at_once() -> None:
    """Faults that hide each other are faults still."""
    seen: Counter[int] = Counter()

    @examples(25)
    @given(st.data())
    def run(data: st.DataObject) -> None:
        _, folder = started(data.draw)
        keep_as_it_is(folder, data.draw, 3)
        kinds = data.draw(st.lists(st.sampled_from(sorted(BREAKS)), min_size=2, max_size=5))
        # what a change of the header or of the files leaves, others may not find their way in
        apart = [k for k in kinds if k.startswith(("a column", "a table", "a list", "a part", "a key"))]
        kinds = [k for k in kinds if k not in apart] + apart[:1]
        made = [k for k in kinds if BREAKS[k](folder, data.draw)]
        if not made:
            return
        found = load(folder)
        assert not isinstance(found, Plan), made
        seen[min(len(found), 4)] += 1

    run()
    assert len(seen) >= 3, seen


# ---- empty cells -----------------------------------------------------------------------------------------

# What the plan format says of an empty cell, written out.
DEFAULTS: dict[tuple[str, str], Any] = {
    ("airflow", "mirrored"): "no",
    ("sections", "side"): "supply",
    ("sections", "shape"): "round",
    ("fittings", "equivalent_length_ft"): 0,
    ("fittings", "loss_coefficient"): 0,
    ("ducts", "airflow_derate_pct"): 0,
    ("ducts", "compression_pct"): 0,
    ("surfaces", "shade_fraction"): 0,
    ("lots", "mirrored"): "no",
    ("rooms", "floor"): "1",
}


def test_an_empty_cell_means_its_default() -> None:
    """Reading the plan with the cell empty and with its default in it comes to the same."""
    seen: Counter[str] = Counter()

    @examples(25)
    @given(st.data())
    def run(data: st.DataObject) -> None:
        base = data.draw(st.sampled_from(sorted(BASES)))
        form = data.draw(st.sampled_from(["csv", "xlsx"]))
        plan = BASES[base]()
        places = [(t, c) for t, c in DEFAULTS if t in plan.tables and c in plan.columns(t)]
        if not places:
            return
        table, column = data.draw(st.sampled_from(places))
        n = data.draw(st.integers(0, len(plan.tables[table]) - 1))
        found = []
        for value in (data.draw(st.sampled_from([None, "", " ", "\u00a0", "\t"])), DEFAULTS[table, column]):
            plan.tables[table][n][column] = value
            found.append(load(Folder.of(plan, form)))
        if isinstance(found[1], Plan):
            # a fitting with neither of its two numbers says nothing
            if table == "fittings" and not isinstance(found[0], Plan):
                assert any(f.row == n + 2 for f in found[0])
                return
            assert isinstance(found[0], Plan), [str(f) for f in found[0]]
            assert not differences(found[0], found[1])
            seen["same"] += 1
        else:
            assert not isinstance(found[0], Plan)
            seen["error"] += 1

    run()
    assert seen["same"], seen


# ---- damage ----------------------------------------------------------------------------------------------


def damaged(data: bytes, draw: Draw) -> bytes:
    """A few bytes or lines of a file otherwise; in one of four a digit alone, so that some can be read still."""
    digits = [n for n, byte in enumerate(data) if chr(byte) in "0123456789"]
    if digits and draw(st.integers(0, 3)) == 0:
        at = draw(st.sampled_from(digits))
        return data[:at] + draw(st.sampled_from([b"1", b"2", b"5", b"9"])) + data[at + 1 :]
    for _ in range(draw(st.integers(1, 3))):
        what = draw(st.sampled_from(["set", "insert", "delete", "cut", "line out", "line twice", "lines swapped"]))
        at = draw(st.integers(0, max(len(data) - 1, 0)))
        if what == "set":
            data = data[:at] + draw(st.binary(min_size=1, max_size=2)) + data[at + 1 :]
        elif what == "insert":
            odd = [b'"', b",", b";", b"\n", b"\r", b"\x00", b"\xff", b"=", b"#", b"\t", b"9", b"-", b"\xe2\x80\xa8"]
            data = data[:at] + draw(st.sampled_from(odd)) + data[at:]
        elif what == "delete":
            data = data[:at] + data[at + draw(st.integers(1, 12)) :]
        elif what == "cut":
            data = data[:at]
        else:
            lines = data.split(b"\n")
            n = at % len(lines)
            if what == "line out":
                lines.pop(n)
            elif what == "line twice":
                lines.insert(n, lines[n])
            else:
                lines[n], lines[0] = lines[0], lines[n]
            data = b"\n".join(lines)
    return data


def _grid(data: bytes) -> list[list[str]] | None:
    """A CSV file read without any care; None where that can't be done."""
    try:
        return [row for row in csv.reader(io.StringIO(data.decode(), newline=""), strict=True) if any(row)]
    except (UnicodeDecodeError, csv.Error):
        return None


@pytest.mark.parametrize("what", ["csv", "toml", "xlsx", "xlsx part"])
def test_damage(what: str) -> None:
    seen: Counter[str] = Counter()

    @examples(40)
    @given(st.data())
    def run(data: st.DataObject) -> None:
        base = data.draw(st.sampled_from(sorted(BASES)))
        folder = Folder.of(BASES[base](), "csv" if what in ("csv", "toml") else "xlsx")
        with tempfile.TemporaryDirectory() as place:
            written = folder.write(Path(place) / "plan")
            table = data.draw(st.sampled_from(sorted(folder.grids)))
            name = {"csv": f"{table}.csv", "toml": "plan.toml"}.get(what, "house.xlsx")
            good = (written / name).read_bytes()
            bad = _part_damaged(good, data.draw) if what == "xlsx part" else damaged(good, data.draw)
            (written / name).write_bytes(bad)
            found, again = read(written), read(written)
        if not isinstance(found, Plan):
            assert found == again
            seen["error"] += 1
            return
        assert isinstance(again, Plan)
        assert not differences(found, again)
        seen["same" if not differences(found, original(base)) else "other"] += 1
        grid, before = (_grid(bad), _grid(good)) if what == "csv" else (None, None)
        if grid and before:
            text = " ".join(str(f) for f in found.findings)
            now = {squeezed(h) for h in grid[0]}
            lost = [h for h in before[0] if squeezed(h) not in now]
            new = [h for h in grid[0] if h.strip() and squeezed(h) not in {squeezed(b) for b in before[0]}]
            assert not (lost and new) or "is not read" in text or "not one of" in text, (lost, new)
            short = [row for row in grid[1:] if len(row) < len(grid[0])]
            assert not short or "fewer cells" in text, short

    run()
    assert seen["error"], seen
    # A workbook of which a byte is another is no sound zip file any more.
    assert what == "xlsx" or seen["same"] or seen["other"], seen


def _part_damaged(book: bytes, draw: Draw) -> bytes:
    """A workbook one of whose parts is damaged, in a zip file that is sound."""
    with zipfile.ZipFile(io.BytesIO(book)) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    name = draw(st.sampled_from(sorted(parts)))
    if draw(st.integers(0, 9)) == 0:
        del parts[name]
    else:
        parts[name] = damaged(parts[name], draw)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        for part, data in parts.items():
            packed.writestr(part, data)
    return out.getvalue()


def test_any_text_in_a_number_cell() -> None:
    """Where the plan reads still, the text held a number, or nothing and the column may be empty."""
    seen: Counter[str] = Counter()

    @examples(30)
    @given(st.data())
    def run(data: st.DataObject) -> None:
        base, folder = started(data.draw)
        text = data.draw(
            st.text(st.sampled_from("0123456789.,-+eE $%\"'xX/ft inIN\u00a0\u2033\u00d7\u2212#="), max_size=7)
            | st.from_regex('[0-9]{1,2}([.][0-9])?( ft| in|"|%|,000)?', fullmatch=True)
        )
        table = data.draw(st.sampled_from(sorted(folder.grids)))
        row = data.draw(st.sampled_from(folder.rows(table)))
        places = [n for n, cell in enumerate(row) if isinstance(cell, int | float) and not isinstance(cell, bool)]
        if not places:
            return
        place = data.draw(st.sampled_from(places))
        before, row[place] = row[place], text
        if folder.form == "xlsx" and text.startswith("="):
            return  # a formula
        found = load(folder)
        if not isinstance(found, Plan):
            seen["error"] += 1
            return
        seen["plan"] += 1
        if differences(found, original(base)):
            assert not text.strip() or re.search("[0-9]", text) or text in "-\u2212", (table, place, before, text)

    run()
    assert min(seen["error"], seen["plan"]) > 0, seen


# ---- the command line ------------------------------------------------------------------------------------


def run_command(*arguments: str) -> tuple[int, str]:
    out, err = io.StringIO(), io.StringIO()
    with in_time(), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(arguments)
    return code, out.getvalue() + err.getvalue()


def test_check_of_anything() -> None:
    seen: Counter[int] = Counter()

    @examples(25)
    @given(st.data())
    def run(data: st.DataObject) -> None:
        _, folder = started(data.draw)
        keep_as_it_is(folder, data.draw, 3)
        if data.draw(st.booleans()):
            BREAKS[data.draw(st.sampled_from(sorted(BREAKS)))](folder, data.draw)
        with tempfile.TemporaryDirectory() as place:
            code, text = run_command("check", str(folder.write(Path(place) / "plan")))
        seen[code] += 1
        assert code in (0, 2), text
        assert "Traceback" not in text
        assert code == 0 or re.search(r"\d+ faults? in the input; nothing was written", text)

    run()
    assert seen[0], seen
    assert seen[2], seen


WILD = (0, 0.5, 1, 2, 3.7, 7, 12, 60, 100, 499, 1e-9, 1e-4, 0.029, 1900, 99_000)


def wild(folder: Folder, draw: Draw) -> None:
    """Numbers that may be allowed and that no house has."""
    for _ in range(draw(st.integers(1, 4))):
        table = draw(st.sampled_from(sorted(folder.grids)))
        row = draw(st.sampled_from(folder.rows(table)))
        places = [n for n, cell in enumerate(row) if isinstance(cell, int | float) and not isinstance(cell, bool)]
        if places:
            row[draw(st.sampled_from(places))] = draw(st.sampled_from(WILD))
    parts = [
        (p, k) for p, v in folder.config.items() if isinstance(v, dict) for k, n in v.items() if type(n) in (int, float)
    ]
    if draw(st.booleans()):
        part, key = draw(st.sampled_from(parts))
        folder.config[part][key] = draw(st.sampled_from(WILD))


@pytest.mark.parametrize("quick", [True, False], ids=["sizes", "command"])
def test_study_of_what_is_allowed(quick: bool) -> None:
    """Sizes alone in the program, or the whole command: all of a result or none of it."""
    seen: Counter[str] = Counter()

    @examples(25 if quick else 2)
    @given(st.data())
    def run(data: st.DataObject) -> None:
        base = data.draw(st.sampled_from(sorted(BASES)))
        folder = Folder.of(BASES[base](), "csv")
        wild(folder, data.draw)
        keep_as_it_is(folder, data.draw, 1)
        with tempfile.TemporaryDirectory() as place:
            written = folder.write(Path(place) / "plan")
            if quick:
                found = read(written)
                if not isinstance(found, Plan):
                    seen["error"] += 1
                    return
                with in_time():
                    seen[tractduct.study(found, quick=True).status] += 1
                return
            out = Path(place) / "out"
            code, text = run_command("study", str(written), "--out", str(out))
            seen[str(code)] += 1
            assert code in (0, 2, 3), text
            assert "Traceback" not in text
            left = sorted(p.name for p in out.rglob("*")) if out.exists() else []
            if code == 2:
                assert not left
            else:
                results = json.loads((out / "results.json").read_text(encoding="utf-8"))
                assert (results["status"] == "infeasible") == (code == 3)
                assert [n for n in left if n.endswith(".xlsx")]
                assert not [n for n in left if n.startswith(".") or "tmp" in n or n.endswith(".part")], left

    run()
    assert set(seen) - {"error", "2"}, seen
