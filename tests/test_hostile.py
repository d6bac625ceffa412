"""Hostile files and names: each is refused in plain words or made harmless, and none takes the machine with it."""

from __future__ import annotations

import io
import itertools
import json
import os
import re
import struct
import subprocess
import sys
import tomllib
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import openpyxl.packaging.relationship
import openpyxl.reader.strings
import openpyxl.reader.workbook
import openpyxl.worksheet._reader
import openpyxl.xml.functions
import pytest
from conftest import WritePlan
from plan_folder import PlanTables, small_plan

import tractduct
from tractduct.cli import main
from tractduct.inputs.limits import MAX_LINES, MAX_PARTS, MAX_PLAN_FILE_BYTES, MAX_TABLE_BYTES

SECRET = "the-word-in-another-file"
Parts = dict[str, bytes]


def told(folder: Path) -> str:
    """The faults of a plan folder, one a line, each fit for a terminal."""
    with pytest.raises(tractduct.InputFaults) as caught:
        tractduct.load_plan(folder)
    assert all(line.isprintable() for line in str(caught.value).split("\n"))
    assert SECRET not in str(caught.value)
    return str(caught.value)


# Memory is that of the process alone; what getrusage tells of a child counts its parent's too, from before it
# became another program.
MEASURED = """
import re, resource, sys
from tractduct.cli import main
code = main(sys.argv[1:])
try:
    peak = int(re.search("VmHWM:\\\\s*([0-9]+)", open("/proc/self/status").read())[1]) / 1024
except OSError:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)
print(f"peak {peak:.0f} MB", file=sys.stderr)
sys.exit(code)
"""


def run_measured(*arguments: str | Path, most_mb: int = 600) -> tuple[int, str]:
    """Exit code and stderr of a command in a process of its own, which may hold so much memory at most."""
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, *map(str, arguments)], capture_output=True, text=True, timeout=300, check=False
    )
    peak = re.search("peak ([0-9]+) MB", done.stderr)
    assert peak, done.stderr
    assert int(peak[1]) <= most_mb, done.stderr[-300:]
    assert "Traceback" not in done.stderr
    return done.returncode, done.stderr


# -- workbooks that are bombs ----------------------------------------------------------------------------


@pytest.fixture
def workbook(plan: PlanTables, tmp_path: Path) -> tuple[Path, Parts]:
    """A good plan with its tables in house.xlsx, and the workbook's parts."""
    folder = plan.write(tmp_path / "plan", "xlsx")
    with zipfile.ZipFile(folder / "house.xlsx") as packed:
        return folder, {name: packed.read(name) for name in packed.namelist()}


def zipped(parts: Parts, **more: bytes) -> bytes:
    """A zip file of the parts, deflated."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in {**parts, **more}.items():
            packed.writestr(name, data)
    return out.getvalue()


def high_ratio(parts: Parts) -> bytes:
    return zipped({**parts, "xl/media/image1.png": bytes(60_000_000)})


def many_parts(parts: Parts) -> bytes:
    return zipped({**parts, **{f"xl/media/{n}": b"" for n in range(MAX_PARTS)}})


def many_parts_in_a_large_directory(parts: Parts) -> bytes:
    """As many entries as a file of a table's size can name, which take twenty times its memory once read."""
    whole = zipped(parts)
    start = whole.index(b"PK\x01\x02")
    entry = struct.pack("<4s6H3L5H2L", b"PK\x01\x02", 20, 20, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0) + b"a"
    n = 900_000
    directory = entry * n
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 0xFFFF, 0xFFFF, len(directory), start, 0)
    # Beyond 65,535 entries a record of its own holds the number.
    large = struct.pack("<4sQ2H2L4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, n, n, len(directory), start)
    place = struct.pack("<4sLQL", b"PK\x06\x07", 0, start + len(directory), 1)
    return whole[:start] + directory + large + place + end


def changed_directory(
    parts: Parts, change: Callable[[zipfile.ZipInfo], Any], method: int = zipfile.ZIP_DEFLATED
) -> bytes:
    """The parts and one of 60 MB whose entry in the directory, not its data, is changed."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in parts.items():
            packed.writestr(name, data)
        packed.writestr("xl/media/image1.png", bytes(60_000_000), compress_type=method)
        change(packed.filelist[-1])
    return out.getvalue()


def understated_size(parts: Parts) -> bytes:
    def change(entry: zipfile.ZipInfo) -> None:
        entry.file_size, entry.CRC = 1_000, zlib.crc32(bytes(1_000))

    return changed_directory(parts, change)


def understated_ratio(parts: Parts) -> bytes:
    """Says that it is packed to 30 MB, so that its ratio looks good."""

    def change(entry: zipfile.ZipInfo) -> None:
        entry.compress_size = 30_000_000
        entry.file_size = 300_000_000

    return changed_directory(parts, change)


def overstated_size(parts: Parts) -> bytes:
    return changed_directory(parts, lambda entry: setattr(entry, "file_size", 4_000_000_000))


def another_method(parts: Parts) -> bytes:
    """bzip2 packs ten thousand times and more, and can't be stopped on the way."""
    return changed_directory(parts, lambda entry: setattr(entry, "file_size", 1_000), zipfile.ZIP_BZIP2)


def overlapping(parts: Parts) -> bytes:
    """Many entries of one piece of data."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in parts.items():
            packed.writestr(name, data)
        packed.writestr("xl/media/image1.png", bytes(4_000_000))
        packed.filelist += [packed.filelist[-1]] * 100
    return out.getvalue()


BOMBS = {
    high_ratio: "it would unpack to 60 MB",
    many_parts: "it holds more than 2,000 parts",
    many_parts_in_a_large_directory: "it holds more than 2,000 parts",
    understated_size: "is not as large as the file says",
    understated_ratio: "it would unpack to 300 MB",
    overstated_size: "it would unpack to 4,000 MB",
    another_method: "is packed in a way that workbooks are not",
    overlapping: "it would unpack to 404 MB|[Oo]verlap",
}


@pytest.mark.parametrize("bomb", BOMBS, ids=lambda bomb: bomb.__name__)
def test_a_zip_bomb_is_refused(bomb: Callable[[Parts], bytes], workbook: tuple[Path, Parts]) -> None:
    folder, parts = workbook
    (folder / "house.xlsx").write_bytes(bomb(parts))
    said = told(folder)
    assert re.search(BOMBS[bomb], said)
    assert len(said) < 4_000
    assert "new workbook" in said or "save it as .xlsx" in said


def test_zip_bombs_take_little_memory(workbook: tuple[Path, Parts]) -> None:
    """The two that a reader who believes the directory would unpack to a gigabyte, or to as many objects."""
    folder, parts = workbook
    for bomb in (understated_size, many_parts_in_a_large_directory):
        (folder / "house.xlsx").write_bytes(bomb(parts))
        code, said = run_measured("check", folder, most_mb=350)
        assert code == 2
        assert re.search(BOMBS[bomb], said)


def test_a_bomb_inside_a_part_is_never_unpacked(workbook: tuple[Path, Parts]) -> None:
    folder, parts = workbook
    before = tractduct.load_plan(folder)
    (folder / "house.xlsx").write_bytes(zipped({**parts, "xl/embeddings/inner.zip": high_ratio(parts)}))
    assert tractduct.load_plan(folder).sections == before.sections


# -- XML that grows, or looks elsewhere ------------------------------------------------------------------

LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
ENTITIES = {
    "billion laughs": (f'<!DOCTYPE x [<!ENTITY l0 "ha">{LAUGHS}]>', "&l9;"),
    "quadratic": (f'<!DOCTYPE x [<!ENTITY a "{"a" * 50_000}">]>', "&a;" * 50_000),
    "another file": ('<!DOCTYPE x [<!ENTITY a SYSTEM "file://PLACE">]>', "&a;"),
    "a parameter entity": ('<!DOCTYPE x [<!ENTITY % a SYSTEM "file://PLACE"> %a;]>', ""),
}
XML_PARTS = ("[Content_Types].xml", "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/styles.xml",
             "xl/sharedStrings.xml", "xl/worksheets/sheet1.xml")  # fmt: skip


@pytest.mark.parametrize("kind", ENTITIES)
@pytest.mark.parametrize("part", XML_PARTS)
def test_entities_are_refused(kind: str, part: str, workbook: tuple[Path, Parts], tmp_path: Path) -> None:
    folder, parts = workbook
    secret = tmp_path / "secret.txt"
    secret.write_text(SECRET)
    declared, used = (text.replace("PLACE", str(secret)) for text in ENTITIES[kind])
    xml = re.sub(r"^<\?xml[^>]*\?>\s*", "", parts[part].decode())
    # Used where text is read: in the first text of the part, or in its root.
    xml = xml.replace("<t>", f"<t>{used}", 1) if "<t>" in xml else re.sub("(?<=[^/])>", f">{used}", xml, count=1)
    (folder / "house.xlsx").write_bytes(zipped({**parts, part: (declared + xml).encode()}))
    assert "it defines entities or refers to other files" in told(folder)


def test_workbooks_are_read_through_defusedxml() -> None:
    """openpyxl takes it where it is installed; so it must be one of ours, and each of its readers must have it."""
    assert openpyxl.DEFUSEDXML
    for function in (
        openpyxl.xml.functions.fromstring,
        openpyxl.reader.workbook.fromstring,
        openpyxl.packaging.relationship.fromstring,
        openpyxl.xml.functions.iterparse,
        openpyxl.reader.strings.iterparse,
        openpyxl.worksheet._reader.iterparse,
    ):
        assert function.__module__.startswith("defusedxml")
    project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())["project"]
    assert any(name.startswith("defusedxml>=") for name in project["dependencies"])


# -- workbooks that are none, or absurd ------------------------------------------------------------------


@pytest.mark.parametrize("data", [
    b"", b"PK", b"PK\x03\x04" + bytes(100), b"section,parent\n", b"\x00" * 5_000, b"<html></html>",
    b"PK\x05\x06" + bytes(18), b"\xd0\xcf\x11\xe0" + bytes(600),
], ids=["empty", "two letters", "a head alone", "csv", "zeros", "html", "no parts", "with a password"])  # fmt: skip
def test_a_workbook_that_is_none(data: bytes, workbook: tuple[Path, Parts]) -> None:
    folder, _ = workbook
    (folder / "house.xlsx").write_bytes(data)
    said = told(folder)
    assert "house.xlsx: this is not a readable .xlsx workbook" in said
    assert ("an .xls file, or one with a password" in said) == data.startswith(b"\xd0\xcf")


def test_a_truncated_workbook_at_any_place(workbook: tuple[Path, Parts]) -> None:
    folder, parts = workbook
    whole = zipped(parts)
    for part in range(1, 20):
        (folder / "house.xlsx").write_bytes(whole[: len(whole) * part // 20])
        assert "not a readable .xlsx workbook" in told(folder)


def test_a_zip_file_with_a_password(workbook: tuple[Path, Parts]) -> None:
    folder, parts = workbook
    data = bytearray(zipped(parts))
    for head, flags in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        at = -1
        while (at := data.find(head, at + 1)) >= 0:
            data[at + flags] |= 1
    (folder / "house.xlsx").write_bytes(data)
    assert re.search("not a readable .xlsx workbook .*without a password", told(folder))


def test_dimensions_that_a_sheet_claims_do_not_matter(workbook: tuple[Path, Parts]) -> None:
    folder, parts = workbook
    before = tractduct.load_plan(folder)
    for name in [n for n in parts if n.startswith("xl/worksheets/sheet")]:
        parts[name], found = re.subn(rb'<dimension ref="[^"]*"', b'<dimension ref="A1:XFD1048576"', parts[name])
        assert found == 1
    (folder / "house.xlsx").write_bytes(zipped(parts))
    assert tractduct.load_plan(folder).sections == before.sections
    code, _ = run_measured("check", folder, most_mb=350)
    assert code == 0


def strings(n: int) -> bytes:
    return b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" count="4000000000">%b</sst>' % (
        b"".join(b"<si><t>%d</t></si>" % k for k in range(n))
    )


def rows(xml: bytes, more: bytes) -> bytes:
    return xml.replace(b"</sheetData>", more + b"</sheetData>")


ABSURD_PARTS: dict[str, tuple[str, Callable[[bytes], bytes], str]] = {
    "strings without end": ("xl/sharedStrings.xml", lambda xml: strings(1_000_000), "more than a workbook of tables"),
    "a row without end": (
        "xl/worksheets/sheet1.xml",
        lambda xml: rows(xml, b"<row>" + b"".join(b"<c><v>%d</v></c>" % n for n in range(300_000)) + b"</row>"),
        "more than a workbook of tables",
    ),
    "styles without end": (
        "xl/styles.xml",
        lambda xml: xml.replace(b"</cellXfs>", b"".join(b'<xf fontId="%d"/>' % n for n in range(500_000)) + b"</cellXfs>"),
        "more than a workbook of tables",
    ),
    "rows without end": (
        "xl/worksheets/sheet1.xml",
        lambda xml: rows(xml, b"".join(b'<row r="%d"/>' % n for n in range(100, MAX_LINES + 200))),
        "goes on beyond line",
    ),
    "merged cells without end": (
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace(
            b"</sheetData>",
            b"</sheetData><mergeCells>"
            + b"".join(b'<mergeCell ref="Z%d:Z%d"/>' % (n, n + 1) for n in range(1, 20_000, 2))
            + b"</mergeCells>",
        ),
        "too many merged cells",
    ),
    "a tag without end": (
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace(b"</sheetData>", b"</sheetData>" + b"<mergeCell " * 100_000),
        "not a readable .xlsx workbook",
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", ABSURD_PARTS)
def test_a_workbook_with_more_than_any_table(kind: str, workbook: tuple[Path, Parts]) -> None:
    folder, parts = workbook
    name, change, says = ABSURD_PARTS[kind]
    parts[name] = change(parts[name])
    (folder / "house.xlsx").write_bytes(zipped(parts))
    assert says in told(folder)


# -- CSV and TOML files ----------------------------------------------------------------------------------

DUCTS = "duct,kind,roughness_ft,source\ngalvanised,rigid,0.0003,\nmeadow,flex,0.003,"
ABSURD_CSV: dict[str, tuple[Callable[[], bytes], str]] = {
    "a million rows": (lambda: b"duct,kind,roughness_ft\n" + b"a,rigid,0.001\n" * 1_000_000, "more than 50,000 rows"),
    "a million empty rows": (lambda: DUCTS.encode() + b"\n" * 1_000_000 + b"a,rigid,0.1\n", "goes on beyond line"),
    "10,000 columns": (lambda: (",".join(f"c{n}" for n in range(10_000)) + "\n").encode(), "more than 500 columns"),
    "ten million columns without a name": (lambda: b"duct" + b"," * 10_000_000 + b"x\n", "more than 500 columns"),
    "columns times rows": (
        lambda: b",".join(b"c%d" % n for n in range(400)) + b"\n" + (b"1," * 399 + b"1\n") * 2_000,
        "more than 500,000 cells",
    ),
    "a line of 10 MB": (lambda: (DUCTS + "a" * 10_000_000).encode(), "field larger than field limit"),
    "a long cell": (lambda: (DUCTS + "a" * 100_000).encode(), "the cell has 100,000 characters"),
    "NUL bytes": (lambda: (DUCTS + "a\0b").encode(), r"character that can't be shown, \\x00"),
    "nothing but NUL bytes": (lambda: bytes(100_000), "column 'duct' is missing|the table is empty|can't be shown"),
    "a quote that never ends": (lambda: (DUCTS + '"' + "a\n" * 1_000).encode(), "not a readable CSV row"),
    "no text": (lambda: b"\x81\x8d\x8f\x90\x9d" * 1_000, "not readable as text"),
    "a long name": (lambda: DUCTS.replace("meadow", "m" * 5_000).encode(), "the cell has 5,000 characters"),
    "ESC in a name": (lambda: DUCTS.replace("meadow", "m\x1b[31m").encode(), r"can't be shown, \\x1b"),
    "a name that turns the line round": (lambda: DUCTS.replace("meadow", "m\u202e").encode(), r"shown, \\u202e"),
}


@pytest.mark.parametrize("kind", ABSURD_CSV)
def test_a_csv_file_with_more_than_any_table(kind: str, plan: PlanTables, write_plan: WritePlan) -> None:
    make, says = ABSURD_CSV[kind]
    plan.files["ducts.csv"] = make()
    assert re.search(says, told(write_plan(plan)))


@pytest.mark.parametrize("kind", ["a million rows", "ten million columns without a name", "columns times rows"])
def test_csv_files_take_little_memory(kind: str, plan: PlanTables, write_plan: WritePlan) -> None:
    plan.files["ducts.csv"] = ABSURD_CSV[kind][0]()
    code, said = run_measured("check", write_plan(plan), most_mb=500)
    assert code == 2
    assert re.search(ABSURD_CSV[kind][1], said)


@pytest.mark.parametrize(("name", "most"), [("plan.toml", MAX_PLAN_FILE_BYTES), ("ducts.csv", MAX_TABLE_BYTES)])
def test_files_too_large_are_refused_unread(name: str, most: int, write_plan: WritePlan, tmp_path: Path) -> None:
    """A file of 20 GB that takes no room on the disk: reading it would be noticed. Alone and in a batch."""
    folder = write_plan(small_plan())
    os.truncate(folder / name, 20_000_000_000)
    says = f"it has 20,000 MB; at most {most / 1e6:g} MB are read"
    assert says in told(folder)
    code, _ = run_measured("batch", folder, "--out", tmp_path / "out", "--jobs", "1", "--no-workbook", most_mb=350)
    assert code == 2
    assert says in kept(tmp_path / "out")


def kept(out: Path) -> str:
    """The reasons that a batch of one plan keeps."""
    (outcome,) = out.glob("*/outcome.json")
    return "\n".join(json.loads(outcome.read_text(encoding="utf-8"))["reasons"])


@pytest.mark.parametrize("text", [
    "x = " + "[" * 100_000, "x = " + "[" * 400 + "]" * 400, "x = " + "{a=" * 50_000, "[" + ".".join("a" * 5_000) + "]",
    'name = "' + "a" * 900_000 + '"', "x = 1" + "0" * 10_000, "x = 1e999999", "name = 'a\0b'", "[[[[",
    'name = "\x1b[31m"', r'name = "\u202Ex"', "\n".join(f"k{n} = {n}" for n in range(50_000)),
], ids=itertools.count())  # fmt: skip
def test_odd_toml_is_refused(
    text: str, write_plan: WritePlan, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_plan(small_plan())
    (folder / "plan.toml").write_text(text + "\n", encoding="utf-8")
    said = told(folder)
    assert said.startswith("plan.toml")
    assert len(max(said.split("\n"), key=len)) < 1_000
    # One such plan must not stop a batch.
    assert main(["batch", str(folder), "--out", str(tmp_path / "out"), "--jobs", "1", "--no-workbook"]) == 2
    assert all(line.isprintable() for line in capsys.readouterr().out.split("\n"))
