"""Hostile files and names: each is refused in plain words or made harmless, and none takes the machine with it."""

from __future__ import annotations

import csv
import html
import io
import itertools
import json
import os
import re
import struct
import sys
import tomllib
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import openpyxl.packaging.relationship
import openpyxl.reader.strings
import openpyxl.reader.workbook
import openpyxl.worksheet._reader
import openpyxl.xml.functions
import pypdf
import pytest
from conftest import WritePlan
from measured import run_measured
from pdf_reading import read_pdf
from plan_folder import PlanTables, small_plan, with_prices
from surface_plans import with_lots

import tractduct
from tractduct.cli import main
from tractduct.files import MAX_PLAN_FILE_BYTES, MAX_TABLE_BYTES, file_name
from tractduct.inputs.limits import MAX_LINES, MAX_PARTS
from tractduct.physics.air import Air
from tractduct.physics.friction import friction_rate_inwc_per_100ft
from tractduct.writers.book.looks import sheet_name

SECRET = "the-word-in-another-file"
Parts = dict[str, bytes]


def told(folder: Path) -> str:
    """The faults of a plan folder, one a line, each fit for a terminal."""
    with pytest.raises(tractduct.InputFaults) as caught:
        tractduct.load_plan(folder)
    assert all(line.isprintable() for line in str(caught.value).split("\n"))
    assert SECRET not in str(caught.value)
    return str(caught.value)


# -- workbooks that are bombs ----------------------------------------------------------------------------


@pytest.fixture
def workbook(plan: PlanTables, tmp_path: Path) -> tuple[Path, Parts]:
    """A good plan with its tables in house.xlsx, and the workbook's parts."""
    folder = plan.write(tmp_path / "plan", "xlsx")
    with zipfile.ZipFile(folder / "house.xlsx") as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    # openpyxl writes texts into their cells; spreadsheet programs keep them in a part of their own.
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    override = f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}"/></Types>'
    parts["[Content_Types].xml"] = parts["[Content_Types].xml"].replace(b"</Types>", override.encode())
    parts["xl/sharedStrings.xml"] = strings(3)
    return folder, parts


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


def understated(parts: Parts, checked: int) -> bytes:
    """Says that it is 1,000 bytes, with a checksum of so many."""

    def change(entry: zipfile.ZipInfo) -> None:
        entry.file_size, entry.CRC = 1_000, zlib.crc32(bytes(checked))

    return changed_directory(parts, change)


def understated_size(parts: Parts) -> bytes:
    return understated(parts, 1_000)


def understated_size_by_one_who_knows_the_check(parts: Parts) -> bytes:
    return understated(parts, 1_001)


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
    understated_size: "Bad CRC-32",
    understated_size_by_one_who_knows_the_check: "is not as large as the file says",
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
    for bomb in (understated_size_by_one_who_knows_the_check, many_parts_in_a_large_directory):
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


def sheets(xml: bytes, n: int) -> bytes:
    """So many sheets more, which all say that they are the first one."""
    kind = b"http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    more = b"".join(b'<sheet xmlns:r="%b" name="s%d" sheetId="%d" r:id="rId1"/>' % (kind, k, 50 + k) for k in range(n))
    return xml.replace(b"</sheets>", more + b"</sheets>")


@pytest.mark.parametrize("filled", [b"", b"<v>7</v>"])
def test_cells_far_out_cost_what_they_hold(filled: bytes, workbook: tuple[Path, Parts]) -> None:
    """Filled up to where they stand, 20,000 such rows would be 300 million cells."""
    folder, parts = workbook
    before = tractduct.load_plan(folder)
    n = 20_000 if not filled else 1
    far = b"".join(b'<row r="%d"><c r="XFD%d">%b</c></row>' % (row, row, filled) for row in range(100, 100 + n))
    parts["xl/worksheets/sheet2.xml"] = rows(parts["xl/worksheets/sheet2.xml"], far)
    (folder / "house.xlsx").write_bytes(zipped(parts))
    if filled:
        assert "row 100: got '7': there are more cells than headers" in told(folder)
    else:
        assert tractduct.load_plan(folder).sections == before.sections


def test_a_sheet_that_no_table_is_read_from_is_not_opened(workbook: tuple[Path, Parts]) -> None:
    """Nor does it matter how many there are, up to the limit."""
    folder, parts = workbook
    before = tractduct.load_plan(folder)
    (folder / "house.xlsx").write_bytes(zipped({**parts, "xl/workbook.xml": sheets(parts["xl/workbook.xml"], 400)}))
    assert tractduct.load_plan(folder).sections == before.sections
    parts["xl/workbook.xml"] = parts["xl/workbook.xml"].replace(b'name="airflow"', b'name="other"')
    parts["xl/worksheets/sheet1.xml"] = b"<worksheet><no sheet"
    (folder / "airflow.csv").write_text(small_plan().csv_text("airflow"), encoding="utf-8")
    (folder / "house.xlsx").write_bytes(zipped(parts))
    assert tractduct.load_plan(folder).sections == before.sections


ABSURD_PARTS: dict[str, tuple[str, Callable[[bytes], bytes], str]] = {
    "strings without end": ("xl/sharedStrings.xml", lambda xml: strings(1_000_000), "more than a workbook of tables"),
    "sheets without end": ("xl/workbook.xml", lambda xml: sheets(xml, 20_000), "it has more than 500 sheets"),
    "a row without end": (
        "xl/worksheets/sheet1.xml",
        lambda xml: rows(xml, b"<row>" + b"".join(b"<c><v>%d</v></c>" % n for n in range(300_000)) + b"</row>"),
        "more than a workbook of tables",
    ),
    "styles without end": (
        "xl/styles.xml",
        lambda xml: xml.replace(b"</cellXfs>", b"<xf/>" * 500_000 + b"</cellXfs>"),
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


def test_a_key_of_20000_parts_takes_little_memory(write_plan: WritePlan, tmp_path: Path) -> None:
    """It is 40 KB, and its parser would take 2.4 GB."""
    folder = write_plan(small_plan())
    with (folder / "plan.toml").open("a", encoding="utf-8") as file:
        file.write("\n" + ".".join("a" * 20_000) + " = 1\n")
    says = (
        "plan.toml: it is not valid TOML of a plan .keys or lists lie in each other more than 10 deep, at line [0-9]+"
    )
    code, said = run_measured("check", folder, most_mb=350)
    assert code == 2
    assert re.search(says, said)
    out = tmp_path / "out"
    code, _ = run_measured("batch", folder, "--out", out, "--jobs", "1", "--no-workbook", most_mb=350)
    assert code == 2
    assert re.search(says, kept(out))


@pytest.mark.parametrize("line", [
    'source = "a.b.c.d.e.f.g.h.i.j.k.l.m [[[[[[[[[[["',
    "source = 'a.b.c.d.e.f.g.h.i.j.k.l.m'  # a.b.c.d.e.f.g.h.i.j.k.l.m",
    r'source = """a "b" \""" a.b.c.d.e.f.g.h.i.j.k.l.m"""""', "source = '''\n[[[[[[[[[[[\n'''", "# {{{{{{{{{{{{",
    "a.b.c.d.e.f.g.h.i.j = 1",
])  # fmt: skip
def test_what_looks_like_nesting_in_a_text_is_none(line: str, write_plan: WritePlan) -> None:
    folder = write_plan(small_plan())
    (folder / "plan.toml").write_text(
        f"{line}\n" + (folder / "plan.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    said = "" if line.startswith("#") else told(folder)
    assert "deep" not in said
    assert "valid TOML" not in said


def kept(out: Path) -> str:
    """The reasons that a batch of one plan keeps."""
    (outcome,) = out.glob("*/outcome.json")
    return "\n".join(json.loads(outcome.read_text(encoding="utf-8"))["reasons"])


@pytest.mark.parametrize("text", [
    "x = " + "[" * 100_000, "x = " + "[" * 400 + "]" * 400, "x = " + "{a=" * 50_000, "[" + ".".join("a" * 5_000) + "]",
    'name = "' + "a" * 900_000 + '"', "x = 1" + "0" * 10_000, "x = 1e999999", "name = 'a\0b'", "[[[[",
    ".".join("a" * 20_000) + " = 1", "x = {" + ".".join(['"a"'] * 12) + " = 1}",
    "[[" + " . ".join("a" * 12) + "]]",
    "x = '''\n''''\n" + "y = " + "[" * 11 + "]" * 11,
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


# -- where a table may lie -------------------------------------------------------------------------------


OUTSIDE = (
    "../secret.csv", "a/../../secret.csv", "./../secret.csv", "..", ".", "", " ", "/etc/passwd", "/dev/zero",
    "/dev/stdin", "..\\\\secret.csv", "C:\\\\secret.csv", "C:secret.csv", "\\\\\\\\server\\\\share\\\\secret.csv", 
    "//server/share/secret.csv", "file:///etc/passwd", "file://../secret.csv",
    "http://example.com/ducts.csv", "CON", "NUL", "a\\u0000b.csv",
    "x" * 119, "../secret.csv#ducts", "#ducts",
)  # fmt: skip


@pytest.mark.parametrize("given", OUTSIDE)
def test_a_table_outside_the_plan_folder_is_not_read(given: str, write_plan: WritePlan, tmp_path: Path) -> None:
    folder = write_plan(small_plan())
    (tmp_path / "secret.csv").write_text(f"{SECRET}\n")
    with (folder / "plan.toml").open("a") as file:
        file.write(f'[tables]\nducts = "{given}"\n')
    told(folder)
    out = tmp_path / "out"
    assert main(["batch", str(folder), "--out", str(out), "--jobs", "1", "--no-workbook"]) == 2
    assert SECRET not in kept(out)


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no links here")
@pytest.mark.parametrize("named", [False, True])
@pytest.mark.parametrize("to", ["secret.csv", "/dev/zero", "/etc/passwd"])
def test_a_link_out_of_the_plan_folder_is_not_followed(
    to: str, named: bool, write_plan: WritePlan, tmp_path: Path
) -> None:
    """Alone and in a batch, which copies a plan's files to where it is studied."""
    plan = small_plan(**({"tables": {"ducts": "ducts.csv"}} if named else {}))
    folder = write_plan(plan)
    (tmp_path / "secret.csv").write_text(f"duct,kind,roughness_ft\n{SECRET},rigid,0.001\n")
    (folder / "ducts.csv").unlink()
    (folder / "ducts.csv").symlink_to(tmp_path / to)
    assert "outside the plan folder" in told(folder)
    out = tmp_path / "out"
    assert main(["batch", str(folder), "--out", str(out), "--jobs", "1", "--no-workbook"]) == 2
    assert SECRET not in kept(out)
    assert "ducts.csv" in kept(out)


def test_tables_in_inner_folders_by_either_slash(write_plan: WritePlan, tmp_path: Path) -> None:
    """A plan reads the same wherever it is opened, alone and in a batch."""
    folder = write_plan(small_plan(tables={"ducts": "data\\ducts.csv", "fittings": "data/fittings.csv"}))
    (folder / "data").mkdir()
    for name in ("ducts.csv", "fittings.csv"):
        (folder / name).rename(folder / "data" / name)
    assert tractduct.load_plan(folder).ducts
    assert main(["batch", str(folder), "--out", str(tmp_path / "out"), "--jobs", "1", "--no-workbook"]) == 0


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
@pytest.mark.parametrize("name", ["plan.toml", "ducts.csv", "house.xlsx", "named.csv"])
def test_a_pipe_or_a_folder_instead_of_a_file(name: str, write_plan: WritePlan) -> None:
    """A pipe that nobody writes to would be waited for without end."""
    folder = write_plan(small_plan(**({"tables": {"ducts": name}} if name == "named.csv" else {})))
    for make in (os.mkfifo, os.mkdir):
        path = folder / name
        if path.exists():
            path.unlink()
        make(path)
        code, said = run_measured("check", folder, most_mb=350)
        if name == "house.xlsx":  # nothing is sought in it where all tables are there
            assert code in (0, 2)
        else:
            assert code == 2
            assert "not a file" in said or "no ducts table" in said or "it can't be read" in said
        path.rmdir() if make is os.mkdir else path.unlink()


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no links here")
def test_a_batch_of_folders_that_go_round(tmp_path: Path) -> None:
    top = tmp_path / "plans"
    small_plan().write(top / "one")
    (top / "one" / "round").symlink_to(top)
    (top / "itself").symlink_to(top / "itself")
    (top / "two").symlink_to(top / "one")
    out = tmp_path / "out"
    assert main(["batch", str(top), "--out", str(out), "--jobs", "1", "--no-workbook"]) == 0
    assert len(list(out.glob("*/outcome.json"))) == 1


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names of files are text there")
def test_names_of_files_that_are_no_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    top = tmp_path / "plans"
    for name in (b"\xff\xfe", b"\x1b[31mred\x1b]0;title\x07", b"a\nb", b"-rf"):
        small_plan().write(top / os.fsdecode(name))
    odd = top / "-rf" / os.fsdecode(b"\xff\x1b.csv")
    odd.write_text("x\n1\n")
    (top / "-rf" / "ducts.csv").rename(top / "-rf" / os.fsdecode(b"Ducts \x1b.csv"))
    out = tmp_path / "out"
    assert main(["batch", str(top), "--out", str(out), "--jobs", "1", "--stock"]) == 2
    for stream in capsys.readouterr():
        assert all(line.isprintable() for line in stream.split("\n"))
    assert len(list(out.glob("*/results.json"))) == 3
    check_books(out)


# -- where results go ------------------------------------------------------------------------------------

WINDOWS_RESERVED = re.compile("(con|prn|aux|nul|(com|lpt)[1-9\u00b9\u00b2\u00b3])(\\..*)?", re.IGNORECASE)
PLAN_NAMES = (
    "../../x", "..", ".", "/etc/passwd", "..\\..\\x", "C:\\x", "C:x", "CON", "nul", "NUL.txt", "COM1",
    "com\u00b9", "aux.txt", "lpt9.", "x.", "x ", " x", "-rf", "--help", "~", "~/x", "$HOME", "`id`",
    "a;b", "a|b", "a\0b",
    "\x1b[31m", "\u202ex", "*", "?", '"', "<>", "x" * 5_000, "\U00020000" * 200,
    "\udcff", "", "\u00e9", "e\u0301", ".lock", ".unfinished",
)  # fmt: skip


@pytest.mark.parametrize("name", PLAN_NAMES)
def test_a_file_name_out_of_any_plan_name(name: str) -> None:
    """Reserved names are those of the documentation of Windows, "Naming Files, Paths, and Namespaces"."""
    made = file_name(name)
    assert made
    assert not re.search(r'[\x00-\x1f<>:"/\\|?*\s]', made)
    assert not made.startswith((".", "-", "~"))
    assert not made.endswith((".", " "))
    assert not WINDOWS_RESERVED.fullmatch(made)
    assert len(f".unfinished-{made}-12345678-duct.csv".encode()) <= 255


@pytest.mark.parametrize(
    "name", ["../../x", "/etc/passwd", "..\\..\\x", "C:\\x", "CON", "aux.txt", "x" * 120, "\U00020000" * 60]
)
def test_results_stay_below_reports(
    name: str, write_plan: WritePlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = small_plan()
    plan.config["name"] = name
    folder = write_plan(plan)
    before = set(tmp_path.rglob("*"))
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    assert main(["study", str(folder), "--only", "lots"]) == 0
    made = set(tmp_path.rglob("*")) - before - {here, here / "reports"}
    assert {path.relative_to(here).parts[0] for path in made} == {"reports"}
    found = json.loads(next(here.rglob("results.json")).read_text(encoding="utf-8"))
    assert {path.relative_to(here).as_posix() for path in made if path.is_file()} == {
        f"reports/{file_name(name)}/{file}" for file in found["files"]
    }
    assert found["plan"] == name


def test_plans_whose_names_differ_in_case_only(tmp_path: Path) -> None:
    """Their results would be one on a disk that does not tell them apart."""
    for name in ("House", "house", "HOUSE!"):
        small_plan().write(tmp_path / "plans" / name)
    out = tmp_path / "out"
    assert main(["batch", str(tmp_path / "plans"), "--out", str(out), "--jobs", "1", "--no-workbook"]) == 0
    made = [path.parent.name for path in out.glob("*/results.json")]
    assert len({name.casefold() for name in made}) == len(made) == 3


@pytest.mark.parametrize("command", ["study", "batch"])
def test_results_do_not_go_into_a_file_or_among_tables(
    command: str, write_plan: WritePlan, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, other = write_plan(small_plan()), write_plan(small_plan())
    taken = tmp_path / "taken"
    taken.write_text("mine")
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert main([command, str(folder), "--out", str(taken)]) == 1
    assert "Choose another" in capsys.readouterr().err or command == "batch"
    for plan in (folder, other):  # a workbook of results has sheets that are named like tables
        assert main([command, str(folder), "--out", str(plan)]) == 2
        assert "this is a plan's own folder. Choose another folder" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


# -- names that act --------------------------------------------------------------------------------------

ACTING = (
    "=1+1", "+x", "-2+3", "@SUM(A1)", '=HYPERLINK("http://example.com","x")', "=cmd|' /C calc'!A0",
    "http://example.com/x", "file:///etc/passwd", r"\\server\share\x", "mailto:a@example.com", r"$x^{2$ $\frac{$",
    '&D&P&"Font"&F', "[a]:b*c?d/e\\f", "'!A1", "History", "<b>&amp;]]></b>", "_x003D_1+1", "{=1}",
    "%s {0} \\n", "_hidden", "x" * 60, "x" * 61, "X" * 59, "\U0001f600" * 40, "\U0001f600" * 41, "IMPORTXML",
    "NaN", "1e999", "=WEBSERVICE(A1)", "null",
)  # fmt: skip
STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def acting_plan(turn: int) -> PlanTables:
    """The small plan with everything priced and drawn, its names taken from the list, from another place each turn."""
    names = itertools.cycle(ACTING[turn * 7 :] + ACTING[: turn * 7])
    plan = with_prices(small_plan())
    tables = plan.tables
    plan.config["name"] = next(names)
    tables["fitting_prices"] = [
        {"fitting": "collar", "size_in": size, "price": 3.0} for size in plan.config["sizes"]["round_in"]
    ]
    tables["rooms"] = [
        {"room": room, "x_ft": 12.0 * n, "y_ft": 0.0, "width_ft": 12.0, "depth_ft": 10.0, "floor": next(names)}
        for n, room in enumerate(("Den", "Bed", "Kitchen"))
    ]
    tables["routes"] = [
        {"section": name, "x_ft": x, "y_ft": 5.0, "floor": ""} for name in ("T1", "DEN") for x in (0.0, 8.0)
    ]
    # A + or * in a cell of fittings, and a ; in one of rooms, parts names.
    safe = (name for name in names if not set(name) & set("+*;"))
    new: dict[str, str] = {}
    for old in ("Den", "Bed", "Kitchen", "T1", "DEN", "BED", "KIT", "RET", "galvanised", "meadow", "granite", "collar",
                "elbow_90", "boot_floor", "wye", "return_box"):  # fmt: skip
        new[old] = next(name for name in safe if name not in new.values())
    columns = {"room", "section", "parent", "duct", "fitting", "flex"}
    for rows_of in tables.values():
        for row in rows_of:
            for column in columns & set(row):
                row[column] = new.get(row[column], row[column])
            if row.get("fittings"):
                row["fittings"] = re.sub(r"[a-z]\w+", lambda found: new[found[0]], row["fittings"])
    for table in ("ducts", "fittings"):
        for row in tables[table]:
            row["source"] = next(names)
    for row in tables["prices"]:
        row["insulation"] = ACTING[turn]
    turns = [(name, 11.25 * n % 360, "", "no", "") for n, name in enumerate(ACTING)]
    return with_lots(plan, *turns)


@pytest.fixture(scope="module", params=["study 0", "study 2", "batch"])
def acted(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """What a command leaves of such plans, and what it says."""
    top = tmp_path_factory.mktemp("acting")
    command, _, turn = request.param.partition(" ")
    if turn:
        acting_plan(int(turn)).write(top / "plans")
        arguments = [command, str(top / "plans")]
    else:
        for n in range(2):
            acting_plan(n).write(top / "plans" / f"{n} =x&D")
        arguments = [command, str(top / "plans"), "--jobs", "1", "--workbooks", "--stock", "--predict"]
    said, stdout = io.StringIO(), sys.stdout
    sys.stdout = said
    try:
        assert main([*arguments, "--out", str(top / "out")]) in (0, 3)
    finally:
        sys.stdout = stdout
    return top / "out", said.getvalue()


def check_books(out: Path) -> int:
    """Every workbook in a folder, its XML and its cells: nothing in it acts but what the program made."""
    books = sorted(out.rglob("*.xlsx"))
    for path in books:
        with zipfile.ZipFile(path) as packed:
            names = packed.namelist()
            assert not [n for n in names if "externalLink" in n or "vba" in n.lower() or "comments" in n]
            for name in (n for n in names if n.endswith((".xml", ".rels", ".vml"))):
                check_xml(name, packed.read(name).decode())
        book = openpyxl.load_workbook(path)
        titles = book.sheetnames
        assert len({title.casefold() for title in titles}) == len(titles)
        assert not list(book.defined_names)
        for sheet in book.worksheets:
            assert len(sheet.title.encode("utf-16-le")) <= 2 * 31
            assert not set(sheet.title) & set("[]:*?/\\")
            assert not sheet.title.startswith("'")
            assert not sheet.title.endswith("'")
            assert not sheet.data_validations.dataValidation
            for row in sheet.iter_rows():
                for cell in row:
                    if isinstance(cell.value, str) and cell.data_type == "f":
                        assert not any(name in cell.value for name in ACTING if len(name) > 3)
                    if cell.hyperlink is not None:
                        assert cell.hyperlink.target is None
                        to = re.fullmatch("'(.*)'!A1", cell.hyperlink.location or "")
                        assert to
                        assert to[1].replace("''", "'") in titles
    return len(books)


def check_xml(name: str, xml: str) -> None:
    assert "TargetMode" not in xml
    for target in re.findall(r'Target="([^"]*)"', xml):
        assert re.fullmatch(r"[\w./]+", target)
    for formula in re.findall(r"<(?:\w+:)?f(?: [^>]*)?>([^<]*)</", xml) if "docProps" not in name else ():
        # Cells, sheets of ours, sums and comparisons; no call of another program and no address.
        assert re.fullmatch(r"[-+*/(),.:!$<>&;'\"A-Za-z0-9 ]*", formula)
        assert not re.search("HYPERLINK|WEBSERVICE|cmd|http|file:|DDE", formula)
    for link in re.findall(r"<hyperlink [^>]*>", xml):
        assert "location=" in link
        assert "r:id" not in link
    for text in re.findall(r"<odd(?:Header|Footer)>([^<]*)<", xml):
        # Two & are one letter; what is left of codes are the three places and the page's number.
        codes = re.findall("&.", html.unescape(text).replace("&&", ""))
        assert codes == ["&L", "&C", "&R", "&P", "&N"]


def test_no_name_acts_in_a_workbook(acted: tuple[Path, str]) -> None:
    out, _ = acted
    assert check_books(out) >= 1


def test_no_name_acts_in_a_csv_file(acted: tuple[Path, str]) -> None:
    out, _ = acted
    for path in out.rglob("*.csv"):
        lines = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))
        assert len(lines) > 1
        for cell in itertools.chain.from_iterable(lines):
            assert not cell.lstrip(" ").startswith(STARTS) or re.fullmatch(r"-\d+(\.\d+)?", cell)


def test_no_name_acts_in_a_pdf(acted: tuple[Path, str]) -> None:
    """No link, script or action, and every page reads back with upright words on its paper."""
    out, _ = acted
    for path in (found := list(out.rglob("*.pdf"))):
        reader = pypdf.PdfReader(path)
        assert not {"/OpenAction", "/AA", "/Names", "/AcroForm"} & set(reader.root_object)
        assert not any({"/Annots", "/AA"} & set(page) for page in reader.pages)
        sheets = read_pdf(path.read_bytes())
        assert not [words for sheet in sheets for words in (*sheet.turned, *sheet.off_paper)]
        titles = [sheet.rows[0][0] for sheet in sheets if "page 1 of" in sheet.words]
        assert len(titles) == (1 if path.parent.name == "lots" else len(ACTING))
    assert bool(found) == (out / "results.json").is_file()  # a batch draws no pages


def test_results_hold_the_names_as_they_are(acted: tuple[Path, str]) -> None:
    def no_number(text: str) -> None:
        raise AssertionError(f"{text} is not JSON")

    out, _ = acted
    for path in [*out.rglob("results.json"), *out.rglob("outcome.json"), *out.rglob("stock.json")]:
        found = json.loads(path.read_text(encoding="utf-8"), parse_constant=no_number)
        if path.name == "results.json":
            assert found["plan"] in ACTING
            assert found["size_set"]
            assert set(found["size_set"]) <= set(ACTING)


def test_pictures_are_drawn_with_the_names_as_they_are(acted: tuple[Path, str]) -> None:
    out, _ = acted
    pictures = list(out.rglob("*.png"))
    assert any(path.name == "duct_tree.png" for path in pictures)
    assert all(path.read_bytes()[:4] == b"\x89PNG" for path in pictures)


def test_nothing_that_is_said_acts_on_a_terminal(acted: tuple[Path, str]) -> None:
    _, said = acted
    assert said
    assert all(line.isprintable() for line in said.split("\n"))


# -- CSV files that are read again -----------------------------------------------------------------------


def friction_table(folder: Path, name: str) -> Path:
    """A data sheet of exact values of a rough duct (the relation is checked in tests/physics)."""
    lines = ["size_in,airflow_cfm,friction_rate_inwc_per_100ft"]
    for size in (5, 6, 8):
        for flow in (40.0, 80.0, 160.0):
            rate = float(friction_rate_inwc_per_100ft(np.array(flow), float(size), 0.003, Air()))
            lines.append(f"{size},{flow},{rate:.5f}")
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("name", [n for n in ACTING if len(n) < 60] + ["\x1b[31m", "a\nb", "\t=1", "'=1"])
def test_a_fit_is_harmless_and_reads_back(
    name: str,
    write_plan: WritePlan,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The row that fit writes goes into a ducts table as it is, and the product has the name it was given."""
    out = tmp_path / "out"
    if (
        not set(name) & set("$\\\n\x1b") and name != ACTING[0]
    ):  # a picture takes long: of names that drawing could act on
        monkeypatch.setattr("tractduct.writers.fit_report.draw_fit", lambda _1, _2, _3, path, _4: path.write_bytes(b""))
    assert main(["fit", str(friction_table(tmp_path, "data.csv")), f"--name={name}", "--out", str(out)]) == 0
    for stream in capsys.readouterr():
        assert all(line.isprintable() for line in stream.split("\n"))
    (written,) = out.glob("*.csv")
    header, row = csv.reader(io.StringIO(written.read_text(encoding="utf-8"), newline=""))
    assert not [cell for cell in row if cell.lstrip(" ").startswith(STARTS)]
    assert len(list(out.glob("*.png"))) == 1
    plan = small_plan()
    plan.tables["ducts"][1] = dict(zip(header, row, strict=True))
    ducts = tractduct.load_plan(write_plan(plan)).ducts
    plain = " ".join(name.replace("\x1b", r"\x1b").split())
    assert (plain.removeprefix("'") if plain == "'=1" else plain) in ducts


def test_a_name_marked_as_text_is_the_name(write_plan: WritePlan) -> None:
    """Spreadsheets take a cell for text after an apostrophe; a purchase list writes such names with one."""
    plan = small_plan()
    for row in plan.tables["airflow"]:
        row["room"] = row["room"].replace("Den", "'=Den")
    plan.row("sections", "DEN")["room"] = "=Den"
    assert "=Den" in tractduct.load_plan(write_plan(plan)).rooms


def test_sheet_names_as_excel_counts() -> None:
    """At most 31 of Excel's letters, which are UTF-16 units, and unlike each other in any case."""
    taken: list[str] = []
    for name in (*ACTING, *ACTING, "", "'", "[]", "\x1b", "history"):
        taken.append(sheet_name(name, taken))
        assert 0 < len(taken[-1].encode("utf-16-le")) <= 62
        assert not set(taken[-1]) & set("[]:*?/\\\x1b")
    assert len({name.casefold() for name in taken}) == len(taken)
    assert "history" not in {name.casefold() for name in taken}
