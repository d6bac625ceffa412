"""Bad plans: each fault is told in one line with file, row, column, value and remedy, all in one pass."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from conftest import WritePlan
from plan_folder import PlanTables, section, small_plan, wide, with_prices

import tractduct
from tractduct.errors import Fault

Change = Callable[[PlanTables], Any]


@dataclass(frozen=True, kw_only=True)
class Bad:
    """A change to the small plan and the fault that it must bring. ``says`` and ``remedy`` are patterns.

    ``alone``: no other fault may be told beside it.
    """

    change: Change
    file: str
    says: str
    row: int | None = None
    column: str | None = None
    value: str | None = None
    remedy: str = "."
    alone: bool = True


def put(table: str, row: int, column: str, value: Any) -> Change:
    """Writes one cell; ``row`` counts as a text editor does, 1 for the header."""

    def change(plan: PlanTables) -> None:
        plan.tables[table][row - 2][column] = value

    return change


def add(table: str, **cells: Any) -> Change:
    return lambda plan: plan.tables[table].append(cells)


def drop(table: str, row: int) -> Change:
    return lambda plan: plan.tables[table].pop(row - 2)


def drop_column(table: str, column: str) -> Change:
    return lambda plan: [row.pop(column) for row in plan.tables[table]]


def setting(part: str, **keys: Any) -> Change:
    return lambda plan: plan.config.setdefault(part, {}).update(keys)


def file(name: str, content: str | bytes) -> Change:
    return lambda plan: plan.files.update({name: content})


def both(*changes: Change) -> Change:
    return lambda plan: [change(plan) for change in changes]


def optional(*changes: Change) -> Change:
    """The changes on the plan with two options of one group and one of none, and columns for them."""

    def change(plan: PlanTables) -> None:
        plan.tables["options"] = [
            {"option": "bay", "group": None},
            {"option": "elev B", "group": "elevation"},
            {"option": "elev C", "group": "elevation"},
        ]
        for name in ("airflow", "sections"):
            for row in plan.tables[name]:
                row["option"] = None
        for each in changes:
            each(plan)

    return change


def two_systems(*changes: Change) -> Change:
    """The changes on the plan with a second air handler for the kitchen."""

    def change(plan: PlanTables) -> None:
        for row in plan.tables["sections"]:
            row["system"] = "down"
        plan.row("sections", "KIT").update(parent=None, system="up")
        for each in changes:
            each(plan)

    return change


def priced(*changes: Change) -> Change:
    """The changes on the plan with prices."""

    def change(plan: PlanTables) -> None:
        plan.tables["prices"] = with_prices(plan).tables["prices"]
        for each in changes:
            each(plan)

    return change


def _last_price(plan: PlanTables) -> None:
    plan.tables["prices"] = [r for r in plan.tables["prices"] if (r["duct"], r["size_in"]) != ("granite", "9")]


def _mirror_missing(plan: PlanTables) -> None:
    for row in plan.tables["airflow"]:
        row["mirrored"] = False
    setting("variants", mirrored=[False, True])(plan)


# Rows of the small plan. airflow: N Den 2, N Bed 3, N Kitchen 4, S Den 5, S Bed 6, S Kitchen 7.
# sections: T1 2, DEN 3, BED 4, KIT 5, RET 6. fittings: collar 2 ... ducts: galvanised 2, meadow 3, granite 4.
BAD: dict[str, Bad] = {
    # -- plan.toml
    "not TOML": Bad(
        change=file("plan.toml", "name = \n[site"), file="plan.toml", says="not valid TOML", remedy="Correct"
    ),
    "plan.toml in another code": Bad(
        change=file("plan.toml", b'name = "Caf\xe9"\n'), file="plan.toml", says="UTF-8", remedy="UTF-8"
    ),
    "no name": Bad(change=lambda plan: plan.config.pop("name"), file="plan.toml", says="no name", remedy="name ="),
    "unknown part": Bad(
        change=setting("presure", supply_inwc=0.1),
        file="plan.toml",
        says="presure",
        value="presure",
        remedy="pressure",
    ),
    "unknown key": Bad(
        change=setting("pressure", suply_inwc=0.1),
        file="plan.toml",
        says="pressure",
        value="suply_inwc",
        remedy="supply_inwc",
    ),
    "unknown key on top": Bad(
        change=lambda plan: plan.config.update(nmae="x"),
        file="plan.toml",
        says="key",
        value="nmae",
        remedy="name",
    ),
    "text for a number": Bad(
        change=setting("site", elevation_ft="high"),
        file="plan.toml",
        column="[site] elevation_ft",
        value="high",
        says="expected a number of ft",
    ),
    "true for a number": Bad(
        change=setting("pressure", supply_inwc=True),
        file="plan.toml",
        column="[pressure] supply_inwc",
        value="True",
        says="expected a number",
    ),
    "nan for a pressure": Bad(
        change=setting("pressure", supply_inwc=float("nan")),
        file="plan.toml",
        column="[pressure] supply_inwc",
        value="nan",
        says="expected a number",
    ),
    "no pressure": Bad(
        change=setting("pressure", supply_inwc=0),
        file="plan.toml",
        column="[pressure] supply_inwc",
        value="0",
        says="above 0",
    ),
    "pressure in pascals": Bad(
        change=setting("pressure", supply_inwc=25),
        file="plan.toml",
        column="[pressure] supply_inwc",
        value="25",
        says="inWC",
        remedy="(?i)pascals",
    ),
    "velocity in metres a second": Bad(
        change=setting("limits", trunk_rigid_fpm=4.5),
        file="plan.toml",
        column="[limits] trunk_rigid_fpm",
        value="4.5",
        says="fpm",
        remedy="(?i)metres a second",
    ),
    "temperature in Celsius": Bad(
        change=setting("site", air_temperature_f=21),
        file="plan.toml",
        column="[site] air_temperature_f",
        value="21",
        says="F",
        remedy="(?i)celsius",
    ),
    "supply air in Celsius": Bad(
        change=setting("site", cooling_supply_air_f=13),
        file="plan.toml",
        column="[site] cooling_supply_air_f",
        value="13",
        says="F",
        remedy="(?i)celsius",
    ),
    "sizes in millimetres": Bad(
        change=setting("sizes", round_in=[4, 5, 150, 7, 8, 9, 10, 12, 14]),
        file="plan.toml",
        column="[sizes] round_in",
        value="150",
        says="in",
        remedy="(?i)millimet",
    ),
    "a size twice": Bad(
        change=setting("sizes", round_in=[4, 5, 6, 7, 8, 9, 10, 12, 14, 6.0]),
        file="plan.toml",
        column="[sizes] round_in",
        value="6",
        says="duplicated",
    ),
    "sizes no list": Bad(
        change=setting("sizes", round_in=6),
        file="plan.toml",
        column="[sizes] round_in",
        value="6",
        says="list",
    ),
    "rectangular no pairs": Bad(
        change=setting("sizes", rectangular_in=[8, 10]),
        file="plan.toml",
        column="[sizes] rectangular_in",
        value="8",
        says="pairs of width and height",
        alone=False,  # one for each entry
    ),
    "a part of a size as the cap": Bad(
        change=setting("objective", max_distinct_sizes=2.5),
        file="plan.toml",
        column="[objective] max_distinct_sizes",
        value="2.5",
        says="whole",
    ),
    "a part of a step over the own size": Bad(
        change=setting("objective", most_steps_over_own=1.5),
        file="plan.toml",
        column="[objective] most_steps_over_own",
        value="1.5",
        says="whole number from 0 to 99",
    ),
    "fewer steps than none": Bad(
        change=setting("objective", most_steps_over_own=-1),
        file="plan.toml",
        column="[objective] most_steps_over_own",
        value="-1",
        says="whole number from 0",
    ),
    "chosen by neither": Bad(
        change=setting("objective", choose="cost"),
        file="plan.toml",
        column="[objective] choose",
        value="cost",
        says="one of sizes, dampers",
    ),
    "chosen by a number": Bad(
        change=setting("objective", choose=2),
        file="plan.toml",
        column="[objective] choose",
        value="2",
        says="text in quotes",
    ),
    "a damper that is paid for": Bad(
        change=setting("dampers", price=-20),
        file="plan.toml",
        column="[dampers] price",
        value="-20",
        says="from 0",
    ),
    "three marks on a damper": Bad(
        change=setting("dampers", positions=3),
        file="plan.toml",
        column="[dampers] positions",
        value="3",
        says="whole number from 1 to 2",
    ),
    "a mark and a half": Bad(
        change=setting("dampers", positions=1.5),
        file="plan.toml",
        column="[dampers] positions",
        value="1.5",
        says="whole number from 1 to 2",
    ),
    "dampers from a negative airflow on": Bad(
        change=setting("dampers", least_cfm=-1),
        file="plan.toml",
        column="[dampers] least_cfm",
        value="-1",
        says="from 0",
    ),
    "a tolerance of zero": Bad(
        change=setting("tolerance", room_pct=0, room_cfm=0),
        file="plan.toml",
        column="[tolerance] room_pct",
        value="0",
        says="no room can keep a tolerance of zero",
        remedy="above 0 here or in \\[tolerance\\] room_cfm",
    ),
    "flex that loses less when compressed": Bad(
        change=setting("compression", least_factor_12_in=0.5),
        file="plan.toml",
        column="[compression] least_factor_12_in",
        value="0.5",
        says="1 to 20",
    ),
    "a negative allowance": Bad(
        change=setting("objective", standardize_within_pct=-5),
        file="plan.toml",
        column="[objective] standardize_within_pct",
        value="-5",
        says="from 0",
    ),
    "an unknown face": Bad(
        change=setting("variants", front_faces=["N", "NNE"]),
        file="plan.toml",
        column="[variants] front_faces",
        value="NNE",
        says="front_faces",
        remedy="N",
    ),
    "a face without airflow": Bad(
        change=setting("variants", front_faces=["N", "W"]),
        file="airflow.csv",
        says='"W"',
        remedy="leave it out",
    ),
    "mirrored without airflow": Bad(
        change=_mirror_missing, file="airflow.csv", says="mirrored = true", remedy="leave it out"
    ),
    "a season without airflow": Bad(
        change=both(setting("variants", seasons=["heating", "cooling"]), drop_column("airflow", "heating_cfm")),
        file="airflow.csv",
        says="heating",
        alone=False,
    ),
    "an unknown flex": Bad(
        change=setting("variants", flex=["medow"]),
        file="plan.toml",
        column="[variants] flex",
        value="medow",
        says="no flex product",
        remedy="meadow",
    ),
    "a rigid duct as flex": Bad(
        change=setting("variants", flex=["galvanised"]),
        file="plan.toml",
        column="[variants] flex",
        value="galvanised",
        says="no flex product",
    ),
    # -- files and tables
    "a file that is not there": Bad(
        change=setting("tables", sections="sectoins.csv"),
        file="sectoins.csv",
        says="no such file",
        remedy="plan.toml",
    ),
    "no table at all": Bad(
        change=lambda plan: plan.tables.pop("fittings"),
        file="fittings.csv",
        says="no fittings table",
        remedy="Add fittings.csv",
    ),
    "outside the folder": Bad(
        change=setting("tables", ducts="../ducts.csv"),
        file="plan.toml",
        value="../ducts.csv",
        says="outside the plan folder",
        remedy="Put it into",
    ),
    "outside by an absolute path": Bad(
        change=setting("tables", ducts="/ducts.csv"),
        file="plan.toml",
        value="/ducts.csv",
        says="outside the plan folder",
    ),
    "an unknown table": Bad(
        change=setting("tables", sektions="s.csv"),
        file="plan.toml",
        value="sektions",
        says="tables",
        remedy="sections",
    ),
    "a table of another kind": Bad(
        change=setting("tables", ducts="ducts.ods"), file="ducts.ods", says=r"\.csv or \.xlsx"
    ),
    "a file name that is none": Bad(
        change=setting("tables", ducts=3),
        file="plan.toml",
        column="[tables] ducts",
        value="3",
        says="file name",
    ),
    "an empty file": Bad(change=file("ducts.csv", ""), file="ducts.csv", says="empty", remedy="Fill it in"),
    "only a header": Bad(change=file("ducts.csv", "duct,kind,roughness_ft\n\n,,\n"), file="ducts.csv", says="no rows"),
    "a column missing": Bad(
        change=drop_column("sections", "length_ft"),
        file="sections.csv",
        row=1,
        says="'length_ft' is missing",
        remedy="straight length",
    ),
    "no airflow columns": Bad(
        change=both(drop_column("airflow", "heating_cfm"), drop_column("airflow", "cooling_cfm")),
        file="airflow.csv",
        row=1,
        says="no airflow column",
        remedy="heating_cfm",
    ),
    "no front_faces column": Bad(
        change=drop_column("airflow", "front_faces"),
        file="airflow.csv",
        row=1,
        says="'front_faces' is missing",
    ),
    "airflow and loads": Bad(
        change=both(*(put("airflow", row, "heating_btuh", 2000) for row in range(2, 8))),
        file="airflow.csv",
        row=1,
        says="airflow and of load",
    ),
    "a header twice": Bad(
        change=file(
            "ducts.csv",
            "duct,kind,roughness_ft,Roughness FT\ngalvanised,rigid,0.0003,0.0003\nm,flex,0.003,0.003\n",
        ),
        file="ducts.csv",
        row=1,
        column="Roughness FT",
        says="duplicated",
    ),
    "more cells than headers": Bad(
        change=file("ducts.csv", "duct,kind,roughness_ft\ngalvanised,rigid,0.0003,x\nm,flex,0.003\n"),
        file="ducts.csv",
        row=2,
        value="x",
        says="more cells than headers",
    ),
    # -- numbers
    "text in a number": Bad(
        change=put("airflow", 4, "cooling_cfm", "8O"),
        file="airflow.csv",
        row=4,
        column="cooling_cfm",
        value="8O",
        says="a number of cfm",
        remedy="Retype",
    ),
    "a number with another unit": Bad(
        change=put("sections", 3, "length_ft", "3.7 m"),
        file="sections.csv",
        row=3,
        column="length_ft",
        value="3.7 m",
        says="a number of ft .*this is in m",
        remedy="ft",
    ),
    "a decimal comma": Bad(
        change=put("sections", 3, "length_ft", "12,5"),
        file="sections.csv",
        row=3,
        column="length_ft",
        value="12,5",
        says="a number of ft",
    ),
    "a number with an underscore": Bad(
        change=put("airflow", 2, "heating_cfm", "6_0"),
        file="airflow.csv",
        row=2,
        column="heating_cfm",
        value="6_0",
        says="a number of cfm",
    ),
    "a blank number": Bad(
        change=put("airflow", 3, "heating_cfm", None),
        file="airflow.csv",
        row=3,
        column="heating_cfm",
        says="empty",
        remedy="Enter the value",
    ),
    "a blank length": Bad(
        change=put("sections", 5, "length_ft", " "),
        file="sections.csv",
        row=5,
        column="length_ft",
        says="empty",
    ),
    "a negative number": Bad(
        change=put("airflow", 5, "heating_cfm", -60),
        file="airflow.csv",
        row=5,
        column="heating_cfm",
        value="-60",
        says="from 0",
    ),
    "not a number": Bad(
        change=put("airflow", 5, "heating_cfm", "NaN"),
        file="airflow.csv",
        row=5,
        column="heating_cfm",
        value="NaN",
        says="a number of cfm",
    ),
    "endless": Bad(
        change=put("sections", 4, "length_ft", "inf"),
        file="sections.csv",
        row=4,
        column="length_ft",
        value="inf",
        says="a number of ft",
    ),
    "a spreadsheet's error": Bad(
        change=put("ducts", 4, "roughness_ft", "#DIV/0!"),
        file="ducts.csv",
        row=4,
        column="roughness_ft",
        value="#DIV/0!",
        says="a number of ft",
    ),
    "a load in an airflow column": Bad(
        change=put("airflow", 2, "heating_cfm", 8600),
        file="airflow.csv",
        row=2,
        column="heating_cfm",
        value="8600",
        says="cfm",
        remedy="(?i)load",
    ),
    "a length in millimetres": Bad(
        change=put("sections", 3, "length_ft", 3660),
        file="sections.csv",
        row=3,
        column="length_ft",
        value="3660",
        says="ft",
        remedy="(?i)millimet",
    ),
    "roughness in millimetres": Bad(
        change=put("ducts", 2, "roughness_ft", 0.09),
        file="ducts.csv",
        row=2,
        column="roughness_ft",
        value="0.09",
        says="ft",
        remedy="(?i)millimet",
    ),
    "an equivalent length in millimetres": Bad(
        change=put("fittings", 2, "equivalent_length_ft", 10668),
        file="fittings.csv",
        row=2,
        column="equivalent_length_ft",
        value="10668",
        says="ft",
        remedy="(?i)millimet",
    ),
    "an equivalent length as a coefficient": Bad(
        change=put("fittings", 2, "loss_coefficient", 80),
        file="fittings.csv",
        row=2,
        column="loss_coefficient",
        value="80",
        says="a number",
        remedy="(?i)equivalent length",
    ),
    "a derate of everything": Bad(
        change=put("ducts", 3, "airflow_derate_pct", 100),
        file="ducts.csv",
        row=3,
        column="airflow_derate_pct",
        value="100",
        says="%",
    ),
    "a fitting that says nothing": Bad(
        change=put("fittings", 3, "equivalent_length_ft", None),
        file="fittings.csv",
        row=3,
        column="equivalent_length_ft",
        says="neither",
    ),
    # -- airflow
    "an unknown front face": Bad(
        change=put("airflow", 4, "front_faces", "NNE"),
        file="airflow.csv",
        row=4,
        column="front_faces",
        value="NNE",
        says="expected one of N, NE",
        alone=False,  # the face that it stood for is missing now
    ),
    "a blank front face": Bad(
        change=put("airflow", 4, "front_faces", None),
        file="airflow.csv",
        row=4,
        column="front_faces",
        says="empty",
        alone=False,
    ),
    "mirrored maybe": Bad(
        change=put("airflow", 4, "mirrored", "perhaps"),
        file="airflow.csv",
        row=4,
        column="mirrored",
        value="perhaps",
        says="true or false",
        alone=False,
    ),
    "an airflow row twice": Bad(
        change=add("airflow", front_faces="N", room="den", heating_cfm=1, cooling_cfm=1),
        file="airflow.csv",
        row=8,
        column="room",
        value="den",
        says="row 2",
    ),
    "a room without a row for a face": Bad(
        change=drop("airflow", 7), file="airflow.csv", says="'Kitchen' .*front facing S", remedy="Add"
    ),
    "a room mirrored for one face only": Bad(
        change=add("airflow", front_faces="N", room="Den", heating_cfm=1, cooling_cfm=1, mirrored=True),
        file="airflow.csv",
        says="mirrored",
        alone=False,  # one for each room that lacks it
    ),
    "a room that no section serves": Bad(
        change=both(*(add("airflow", front_faces=f, room="Loft", heating_cfm=9, cooling_cfm=9) for f in "NS")),
        file="airflow.csv",
        row=8,
        column="room",
        value="Loft",
        says="no supply section",
        remedy="Add its run",
    ),
    "a room that airflow does not know": Bad(
        change=put("sections", 3, "room", "Dent"),
        file="sections.csv",
        row=3,
        column="room",
        value="Dent",
        says="no room 'Dent'",
        remedy="'Den'",
        alone=False,  # and Den is without a run
    ),
    "a return's room that airflow does not know": Bad(
        change=put("sections", 6, "room", "Den; Attic"),
        file="sections.csv",
        row=6,
        column="room",
        value="Den; Attic",
        says="no room 'Attic'",
    ),
    "a room without an open run": Bad(
        change=put("sections", 3, "season", "cooling"),
        file="sections.csv",
        row=3,
        column="season",
        value="cooling",
        says="'Den' needs air in heating",
        remedy="empty",
    ),
    "loads without a blower": Bad(
        change=lambda plan: plan.tables.update(
            airflow=[
                {
                    "front_faces": r["front_faces"],
                    "room": r["room"],
                    "heating_btuh": 3000,
                    "sensible_cooling_btuh": 2000,
                }
                for r in plan.tables["airflow"]
            ]
        ),
        file="plan.toml",
        column="[blower] heating_cfm",
        says="heating airflow",
        remedy="heating_cfm",
        alone=False,  # and the same for cooling
    ),
    "loads that are nothing": Bad(
        change=both(
            setting("blower", heating_cfm=300, cooling_cfm=300),
            lambda plan: plan.tables.update(
                airflow=[
                    {
                        "front_faces": r["front_faces"],
                        "room": r["room"],
                        "heating_btuh": 0,
                        "sensible_cooling_btuh": 9,
                    }
                    for r in plan.tables["airflow"]
                ]
            ),
        ),
        file="airflow.csv",
        says="heating loads .* nothing",
    ),
    # -- sections
    "a loop": Bad(
        change=put("sections", 2, "parent", "DEN"),
        file="sections.csv",
        row=2,
        column="parent",
        value="DEN",
        says="loop",
        alone=False,
    ),
    "its own parent": Bad(
        change=put("sections", 3, "parent", "DEN"),
        file="sections.csv",
        row=3,
        column="parent",
        value="DEN",
        says="loop",
    ),
    "an orphan": Bad(
        change=put("sections", 4, "parent", "T2"),
        file="sections.csv",
        row=4,
        column="parent",
        value="T2",
        says="no section of this name",
        remedy="'T1'",
    ),
    "a dead end": Bad(
        change=lambda plan: plan.tables["sections"].append(section("T2", "T1", "trunk", "galvanised", 9, "")),
        file="sections.csv",
        row=7,
        column="room",
        says="ends nowhere",
        remedy="Name its room",
    ),
    "a section twice": Bad(
        change=lambda plan: plan.tables["sections"].append(section("den", "T1", "branch", "flex", 9, "collar", "Den")),
        file="sections.csv",
        row=7,
        column="section",
        value="den",
        says="row 3",
    ),
    "no name of a section": Bad(
        change=put("sections", 5, "section", None),
        file="sections.csv",
        row=5,
        column="section",
        says="empty",
        alone=False,  # and Kitchen is without a run
    ),
    "an unknown fitting": Bad(
        change=put("sections", 4, "fittings", "collar + elbow_09*2"),
        file="sections.csv",
        row=4,
        column="fittings",
        value="collar + elbow_09*2",
        says="'elbow_09'",
        remedy="elbow_90",
    ),
    "half a fitting": Bad(
        change=put("sections", 4, "fittings", "collar * 1.5"),
        file="sections.csv",
        row=4,
        column="fittings",
        value="collar * 1.5",
        says="whole number",
    ),
    "a plus too many": Bad(
        change=put("sections", 4, "fittings", "collar + + boot_floor"),
        file="sections.csv",
        row=4,
        column="fittings",
        value="collar + + boot_floor",
        says="name is missing",
    ),
    "an unknown duct": Bad(
        change=put("sections", 5, "duct", "galvanized"),
        file="sections.csv",
        row=5,
        column="duct",
        value="galvanized",
        says="no duct of this name",
        remedy="galvanised",
    ),
    "a flex product by name in a rectangular section": Bad(
        change=both(put("sections", 3, "duct", "meadow"), put("sections", 3, "shape", "rectangular")),
        file="sections.csv",
        row=3,
        column="shape",
        value="rectangular",
        says="flex is round",
        remedy="name a rigid duct",
        alone=False,
    ),
    "an option nobody defines": Bad(
        change=optional(put("sections", 3, "option", "not bey")),
        file="sections.csv",
        row=3,
        column="option",
        value="not bey",
        says="no option 'bey'",
        remedy="bay",
    ),
    "an option without an options table": Bad(
        change=lambda plan: [row.update(option="bay") for row in plan.tables["sections"][2:3]],
        file="sections.csv",
        row=4,
        column="option",
        value="bay",
        says="no option 'bay'",
        remedy="options.csv",
    ),
    "an option built and not built": Bad(
        change=optional(put("airflow", 2, "option", "bay and not bay")),
        file="airflow.csv",
        row=2,
        column="option",
        value="bay and not bay",
        says="can't be built and not built",
    ),
    "a section of two elevations": Bad(
        change=optional(put("sections", 3, "option", "elev B and elev C")),
        file="sections.csv",
        row=3,
        column="option",
        value="elev B and elev C",
        says="both of group elevation",
    ),
    "two airflow rows that clash": Bad(
        change=optional(
            add("airflow", front_faces="N", room="Den", heating_cfm=80, cooling_cfm=90, option="bay"),
            add("airflow", front_faces="N", room="Den", heating_cfm=90, cooling_cfm=95, option="elev C"),
        ),
        file="airflow.csv",
        row=8,
        column="option",
        value="bay",
        says="a row for 'elev C' too, and a house with bay \\+ elev C is both",
        remedy="Add a row for 'elev C and bay'",
    ),
    "a section whose parent is not built with it": Bad(
        change=optional(put("sections", 2, "option", "not bay")),
        file="sections.csv",
        row=3,
        column="option",
        says="parent T1 .not bay. is not built with it in a house with bay",
        alone=False,
    ),
    "a room without air in some combination": Bad(
        change=optional(put("sections", 4, "option", "bay")),
        file="airflow.csv",
        row=3,
        column="room",
        value="Bed",
        says="needs air without options and no supply section",
    ),
    "a run whose room is not there": Bad(
        change=optional(
            add("sections", section="X", parent="T1", role="branch", duct="flex", length_ft=9, room="Bay"),
            *(add("airflow", front_faces=f, room="Bay", heating_cfm=40, cooling_cfm=50, option="bay") for f in "NS"),
        ),
        file="sections.csv",
        row=7,
        column="option",
        says="built without options, and its room 'Bay' is not there",
    ),
    "a room with an option in one face only": Bad(
        change=optional(
            add(
                "sections", section="X", parent="T1", role="branch", duct="flex", length_ft=9, room="Bay", option="bay"
            ),
            add("airflow", front_faces="N", room="Bay", heating_cfm=40, cooling_cfm=50, option="bay"),
        ),
        file="airflow.csv",
        says="'Bay' has no heating or cooling airflow for front facing S with bay",
    ),
    "an option's name that reads as a condition": Bad(
        change=optional(put("options", 2, "option", "not here")),
        file="options.csv",
        row=2,
        column="option",
        value="not here",
        says="can't begin with 'not'",
    ),
    "a lot with two of one group": Bad(
        change=optional(
            lambda plan: plan.tables.update(lots=[{"lot": 1, "front_faces": "N", "options": "elev B + Elev C"}])
        ),
        file="lots.csv",
        row=2,
        column="options",
        value="elev B + Elev C",
        says="both of group elevation: at most one",
    ),
    "a lot that the plan is not sized for": Bad(
        change=optional(
            setting("variants", options=[[], ["bay"]]),
            lambda plan: plan.tables.update(lots=[{"lot": 1, "front_faces": "N", "options": "elev B"}]),
        ),
        file="lots.csv",
        row=2,
        column="options",
        value="elev B",
        says="not sized for a house with elev B",
    ),
    "combinations of two of one group": Bad(
        change=optional(setting("variants", options=[[], ["elev B", "elev C"]])),
        file="plan.toml",
        column="[variants] options",
        value="['elev B', 'elev C']",
        says="at most one is built",
    ),
    "combinations without a table": Bad(
        change=setting("variants", options="all"),
        file="plan.toml",
        column="[variants] options",
        value="all",
        says="no options table",
    ),
    "a combination twice": Bad(
        change=optional(setting("variants", options=[["bay", "elev B"], ["Elev B", "bay"]])),
        file="plan.toml",
        column="[variants] options",
        value="['Elev B', 'bay']",
        says="duplicated",
    ),
    "combinations that are no lists": Bad(
        change=optional(setting("variants", options=["bay"])),
        file="plan.toml",
        column="[variants] options",
        value="bay",
        says="list of lists",
    ),
    "more combinations than are sized together": Bad(
        change=optional(lambda plan: plan.tables["options"].extend({"option": f"o{n}"} for n in range(5))),
        file="plan.toml",
        column="[variants] options",
        says="allow 192 combinations; at most 64",
        remedy="List those that are sold",
    ),
    "a built section that the plan has not": Bad(
        change=lambda plan: plan.tables.update(built=[{"section": "T9", "size_in": 10}]),
        file="built.csv",
        row=2,
        column="section",
        value="T9",
        says="no section of this name",
    ),
    "a built size that the plan has not": Bad(
        change=lambda plan: plan.tables.update(built=[{"section": "T1", "size_in": 11}]),
        file="built.csv",
        row=2,
        column="size_in",
        value="11",
        says="not a standard round size",
        remedy=r"Add it to \[sizes\]",
    ),
    "a built section twice": Bad(
        change=lambda plan: plan.tables.update(built=[{"section": n, "size_in": 10} for n in ("T1", "t1")]),
        file="built.csv",
        row=3,
        column="section",
        value="t1",
        says="already in row 2",
    ),
    "a price of a change below nothing": Bad(
        change=setting("objective", change_price=-3),
        file="plan.toml",
        column="[objective] change_price",
        value="-3",
        says="from 0",
    ),
    "a price of a change where ducts have none": Bad(
        change=setting("objective", change_price=250),
        file="plan.toml",
        column="[objective] change_price",
        value="250",
        says="ducts have none",
        remedy="Add a prices table, or remove change_price",
    ),
    "a section of no system": Bad(
        change=two_systems(put("sections", 6, "system", None)),
        file="sections.csv",
        row=6,
        column="system",
        says="other sections name a system",
    ),
    "a parent of another system": Bad(
        change=two_systems(put("sections", 5, "parent", "T1")),
        file="sections.csv",
        row=5,
        column="system",
        value="up",
        says="belongs to system 'down'",
    ),
    "a pressure of no system": Bad(
        change=two_systems(setting("pressure", attic={"supply_inwc": 0.1})),
        file="plan.toml",
        column="[pressure.attic]",
        says="sections table has no system 'attic'",
    ),
    "a blower of its own for one system": Bad(
        change=setting("blower", up={"heating_cfm": 100}),
        file="plan.toml",
        column="[blower.up]",
        says="one system only",
    ),
    "a system without a supply run": Bad(
        change=two_systems(
            add(
                "sections",
                section="R2",
                side="return",
                role="branch",
                duct="flex",
                length_ft=9,
                room="*",
                system="attic",
            )
        ),
        file="sections.csv",
        row=7,
        column="system",
        value="attic",
        says="system 'attic' has no supply run",
    ),
    "a blower of no system": Bad(
        change=two_systems(setting("blower", heating_cfm=900)),
        file="plan.toml",
        column="[blower] heating_cfm",
        value="900",
        says="several systems: of which",
        remedy="blower.down",
    ),
    "loads without a system's airflow": Bad(
        change=both(
            two_systems(setting("blower", up={"heating_cfm": 100, "cooling_cfm": 100}, down={"heating_cfm": 200})),
            lambda plan: [
                row.update(heating_btuh=30 * row.pop("heating_cfm"), sensible_cooling_btuh=20 * row.pop("cooling_cfm"))
                for row in plan.tables["airflow"]
            ],
        ),
        file="plan.toml",
        column="[blower.down] cooling_cfm",
        says="not the cooling airflow of system 'down'",
    ),
    "a key that a system can't have": Bad(
        change=two_systems(setting("blower", up={"heating_cm": 100})),
        file="plan.toml",
        value="heating_cm",
        says="[blower.up] has no key of this name".replace("[", r"\[").replace("]", r"\]"),
    ),
    "a device of no system": Bad(
        change=two_systems(
            lambda plan: plan.tables.update(
                devices=[{"device": "coil", "side": "supply", "loss_inwc": 0.1, "at_cfm": 300, "system": None}]
            )
        ),
        file="devices.csv",
        row=2,
        column="system",
        says="which system is this of",
    ),
    "several systems chosen by dampers": Bad(
        change=two_systems(setting("objective", choose="dampers")),
        file="plan.toml",
        column="[objective] choose",
        value="dampers",
        says="several systems",
    ),
    "an unknown role": Bad(
        change=put("sections", 3, "role", "twig"),
        file="sections.csv",
        row=3,
        column="role",
        value="twig",
        says="trunk, branch",
    ),
    "an unknown side": Bad(
        change=put("sections", 6, "side", "back"),
        file="sections.csv",
        row=6,
        column="side",
        value="back",
        says="supply, return",
        alone=False,  # * is for returns
    ),
    "an unknown season": Bad(
        change=put("sections", 3, "season", "spring"),
        file="sections.csv",
        row=3,
        column="season",
        value="spring",
        says="heating, cooling",
    ),
    "rectangular flex": Bad(
        change=both(setting("sizes", rectangular_in=[[8, 8]]), put("sections", 3, "shape", "rectangular")),
        file="sections.csv",
        row=3,
        column="shape",
        value="rectangular",
        says="flex is round",
    ),
    "rectangular without such sizes": Bad(
        change=put("sections", 2, "shape", "rectangular"),
        file="sections.csv",
        row=2,
        column="shape",
        value="rectangular",
        says="no rectangular sizes",
        remedy=r"\[sizes\]",
    ),
    "a share of nothing": Bad(
        change=put("sections", 3, "share", 0),
        file="sections.csv",
        row=3,
        column="share",
        value="0",
        says="above 0",
    ),
    "a fixed size that is no standard one": Bad(
        change=put("sections", 3, "fixed_in", 11),
        file="sections.csv",
        row=3,
        column="fixed_in",
        value="11",
        says="not a standard round size",
        remedy=r"\[sizes\]",
    ),
    "a smallest size in millimetres": Bad(
        change=put("sections", 3, "min_in", 150),
        file="sections.csv",
        row=3,
        column="min_in",
        value="150",
        says="a size in inches, at most 60",
    ),
    "a size that is none": Bad(
        change=put("sections", 3, "max_in", "big"),
        file="sections.csv",
        row=3,
        column="max_in",
        value="big",
        says="a size in inches",
    ),
    "bounds the wrong way round": Bad(
        change=both(put("sections", 3, "min_in", 9), put("sections", 3, "max_in", 6)),
        file="sections.csv",
        row=3,
        column="min_in",
        value="9",
        says="larger than max_in",
    ),
    "bounds with no size between them": Bad(
        change=both(
            setting("sizes", rectangular_in=[[8, 8], [20, 8]]),
            put("sections", 2, "shape", "rectangular"),
            put("sections", 2, "min_in", 10),
            put("sections", 2, "max_in", 12),
        ),
        file="sections.csv",
        row=2,
        column="min_in",
        value="10",
        says="no standard rectangular size",
    ),
    "a fixed size outside its bounds": Bad(
        change=both(put("sections", 3, "max_in", 6), put("sections", 3, "fixed_in", 9)),
        file="sections.csv",
        row=3,
        column="fixed_in",
        value="9",
        says="outside",
    ),
    "a supply run to two rooms": Bad(
        change=put("sections", 3, "room", "Den; Bed"),
        file="sections.csv",
        row=3,
        column="room",
        value="Den; Bed",
        says="one room",
    ),
    "a return on a supply": Bad(
        change=put("sections", 6, "parent", "T1"),
        file="sections.csv",
        row=6,
        column="side",
        value="return",
        says="supply side",
    ),
    "a trunk for a season": Bad(
        change=put("sections", 2, "season", "heating"),
        file="sections.csv",
        row=2,
        column="season",
        value="heating",
        says="ends in a room",
    ),
    # -- fittings and ducts
    "a fitting twice": Bad(
        change=add("fittings", fitting="Collar", equivalent_length_ft=3),
        file="fittings.csv",
        row=7,
        column="fitting",
        value="Collar",
        says="row 2",
    ),
    "a duct twice": Bad(
        change=add("ducts", duct="MEADOW", kind="flex", roughness_ft=0.003),
        file="ducts.csv",
        row=5,
        column="duct",
        value="MEADOW",
        says="row 3",
    ),
    "a product called flex": Bad(
        change=add("ducts", duct="Flex", kind="flex", roughness_ft=0.003),
        file="ducts.csv",
        row=5,
        column="duct",
        value="Flex",
        says="whichever flex",
    ),
    "a compressed rigid duct": Bad(
        change=put("ducts", 2, "compression_pct", 4),
        file="ducts.csv",
        row=2,
        column="compression_pct",
        value="4",
        says="rigid",
        alone=False,  # the sections miss the duct
    ),
    "an unknown kind": Bad(
        change=put("ducts", 3, "kind", "soft"),
        file="ducts.csv",
        row=3,
        column="kind",
        value="soft",
        says="rigid, flex",
    ),
    # -- prices
    "a price row twice": Bad(
        change=priced(add("prices", duct="meadow", size_in="6.0", price_per_ft=3)),
        file="prices.csv",
        row=29,  # 3 ducts x 9 sizes, then this one
        column="size_in",
        value="6.0",
        says="row",
    ),
    "a size without a price": Bad(
        change=priced(_last_price),
        file="prices.csv",
        says="'granite' has no price for size 9",
        remedy="Add its price",
    ),
    "a price for an unknown duct": Bad(
        change=priced(add("prices", duct="midow", size_in=6, price_per_ft=3)),
        file="prices.csv",
        row=29,
        column="duct",
        value="midow",
        says="no duct of this name",
        remedy="meadow",
    ),
    "a blank price": Bad(
        change=priced(put("prices", 4, "price_per_ft", "")),
        file="prices.csv",
        row=4,
        column="price_per_ft",
        says="empty",
    ),
    "a negative price": Bad(
        change=priced(put("prices", 4, "price_per_ft", -1)),
        file="prices.csv",
        row=4,
        column="price_per_ft",
        value="-1",
        says="from 0",
    ),
    "a price in words": Bad(
        change=priced(put("prices", 4, "price_per_ft", "3.20 a foot")),
        file="prices.csv",
        row=4,
        column="price_per_ft",
        value="3.20 a foot",
        says="a number",
    ),
}


def faults_of(folder: Path) -> tuple[Fault, ...]:
    with pytest.raises(tractduct.InputFaults) as caught:
        tractduct.load_plan(folder)
    faults = caught.value.faults
    assert faults
    for fault in faults:
        # One line, that names the place and the next step.
        line = str(fault)
        assert "\n" not in line
        assert fault.file in line
        assert fault.problem in line
        assert fault.remedy
        assert fault.remedy in line
        assert ".." not in line.replace("...", "").replace("../", "")
        if fault.row is not None:
            assert f"row {fault.row}" in line
        if fault.column is not None:
            assert fault.column in line
        if fault.value is not None:
            assert repr(fault.value) in line
    assert str(caught.value) == "\n".join(map(str, faults))
    return faults


def matches(fault: Fault, bad: Bad) -> bool:
    place = (fault.file, fault.row, fault.column, fault.value) == (bad.file, bad.row, bad.column, bad.value)
    return place and bool(re.search(bad.says, fault.problem)) and bool(re.search(bad.remedy, fault.remedy))


@pytest.mark.parametrize("name", BAD)
def test_bad_input(name: str, plan: PlanTables, write_plan: WritePlan) -> None:
    bad = BAD[name]
    bad.change(plan)
    faults = faults_of(write_plan(plan))
    told = "\n".join(map(str, faults))
    assert any(matches(fault, bad) for fault in faults), told
    if bad.alone:
        assert len(faults) == 1, told


# Where columns are bad, it does not matter how the table is kept: the sheet is named instead of the file.
@pytest.mark.parametrize(
    "name",
    [
        n
        for n, b in BAD.items()
        if b.row and b.file.endswith(".csv") and n not in ("a header twice", "more cells than headers")
    ],
)
def test_bad_input_in_a_workbook(name: str, plan: PlanTables, write_plan: WritePlan) -> None:
    bad = BAD[name]
    bad.change(plan)
    faults = faults_of(write_plan(plan, "xlsx"))
    sheet = bad.file.removesuffix(".csv")
    told = "\n".join(map(str, faults))
    assert any(
        f.file == f"house.xlsx sheet '{sheet}'"
        and (f.row, f.column) == (bad.row, bad.column)
        and re.search(bad.says, f.problem)
        for f in faults
    ), told


def test_one_face_with_a_bad_number(plan: PlanTables, write_plan: WritePlan) -> None:
    """With one face only, the room's whole airflow is unknown: still one fault and no warning."""
    plan.tables["airflow"] = plan.tables["airflow"][:3]
    plan.tables["airflow"][1].update(heating_cfm="many", cooling_cfm=None)
    faults = faults_of(write_plan(plan))
    assert {(f.file, f.row, f.column) for f in faults} == {
        ("airflow.csv", 3, "heating_cfm"),
        ("airflow.csv", 3, "cooling_cfm"),
    }


def test_no_plan_file(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path)
    assert "plan.toml" in fault.file
    assert "no such file" in fault.problem


def test_no_folder(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path / "nowhere")
    assert "no such file" in fault.problem


def test_a_file_instead_of_a_folder(tmp_path: Path) -> None:
    (tmp_path / "house.csv").write_bytes(b"")
    (fault,) = faults_of(tmp_path / "house.csv")
    assert "house.csv" in str(fault)
    assert "folder" in str(fault)


def test_a_sheet_that_is_not_there(plan: PlanTables, write_plan: WritePlan) -> None:
    plan.config["tables"] = {"ducts": "house.xlsx#Duct list"}
    faults = faults_of(write_plan(plan, "xlsx"))
    assert any("Duct list" in f.problem and "'ducts'" in f.problem and "house.xlsx" in f.file for f in faults)


def test_a_sheet_missing_from_the_workbook(plan: PlanTables, write_plan: WritePlan) -> None:
    del plan.tables["ducts"]
    (fault,) = faults_of(write_plan(plan, "xlsx"))
    assert "no ducts table" in fault.problem
    assert "sheet 'ducts'" in fault.remedy


def test_a_workbook_that_is_none(plan: PlanTables, write_plan: WritePlan) -> None:
    plan.config["tables"] = {"ducts": "book.xlsx"}
    plan.files["book.xlsx"] = b"duct,kind\n"
    (fault,) = faults_of(write_plan(plan))
    assert (fault.file, "not a readable .xlsx" in fault.problem) == ("book.xlsx", True)


def test_a_formula_without_a_result(plan: PlanTables, write_plan: WritePlan) -> None:
    folder = write_plan(plan, "xlsx")
    book = openpyxl.load_workbook(folder / "house.xlsx")
    book["sections"]["G3"] = "=6+6"
    book.save(folder / "house.xlsx")
    (fault,) = faults_of(folder)
    assert (fault.file, fault.row, fault.value) == ("house.xlsx sheet 'sections'", 3, "=6+6")


def test_a_number_kept_as_a_date(plan: PlanTables, write_plan: WritePlan) -> None:
    """Spreadsheets turn 8-10 and the like into dates."""
    folder = write_plan(plan, "xlsx")
    book = openpyxl.load_workbook(folder / "house.xlsx")
    book["sections"]["G3"] = datetime.datetime(2024, 8, 10)
    book.save(folder / "house.xlsx")
    (fault,) = faults_of(folder)
    assert (fault.row, fault.column) == (3, "length_ft")


def test_a_header_broken_over_lines(plan: PlanTables, write_plan: WritePlan) -> None:
    """Workbooks wrap headers; the column still reads, and its fault is still one line."""
    plan.tables["airflow"][2]["cooling_cfm"] = "many"
    for row in plan.tables["airflow"]:
        row["cooling\ncfm"] = row.pop("cooling_cfm")
    for form in ("csv", "xlsx"):
        (fault,) = faults_of(write_plan(plan, form))
        assert fault.value == "many"


def test_a_wide_table_with_a_column_missing(plan: PlanTables, write_plan: WritePlan) -> None:
    plan = wide(plan)
    for row in plan.tables["airflow"]:
        del row["S cooling_cfm"]
    faults = faults_of(write_plan(plan))
    assert all(f.file == "airflow.csv" for f in faults)
    assert all("cooling" in f.problem and "S" in f.problem for f in faults)


def test_a_wide_table_with_a_bad_cell(plan: PlanTables, write_plan: WritePlan) -> None:
    plan = wide(plan)
    plan.tables["airflow"][1]["S cooling_cfm"] = "x"
    (fault,) = faults_of(write_plan(plan))
    assert (fault.row, fault.column, fault.value) == (3, "S cooling_cfm", "x")


def test_a_wide_table_with_a_plain_airflow_column(plan: PlanTables, write_plan: WritePlan) -> None:
    """'heating_cfm' for no face among wide columns is not read: it must not be ignored in silence."""
    plan = wide(plan)
    for row in plan.tables["airflow"]:
        row["heating_cfm"] = 999
    folder = write_plan(plan)
    try:
        told = [str(f) for f in tractduct.load_plan(folder).findings]
    except tractduct.InputFaults as caught:
        told = [str(f) for f in caught.faults]
    assert any("heating_cfm" in line for line in told)


def test_all_faults_in_one_pass(plan: PlanTables, write_plan: WritePlan) -> None:
    """One of each table and plan.toml, told together."""
    plan = with_prices(plan)
    plan.config["pressure"]["return_inwc"] = -1
    plan.config["site"]["elevation_ft"] = "x"
    plan.tables["airflow"][0]["heating_cfm"] = "x"
    plan.tables["airflow"][5]["cooling_cfm"] = -2
    plan.tables["sections"][1]["length_ft"] = "x"
    plan.tables["sections"][2]["fittings"] = "nothing_known"
    plan.tables["sections"][2]["role"] = "x"
    plan.tables["fittings"][3]["equivalent_length_ft"] = "x"
    plan.tables["ducts"][1]["roughness_ft"] = "x"
    plan.tables["prices"][7]["price_per_ft"] = "x"
    faults = faults_of(write_plan(plan))
    assert {(f.file, f.row, f.column) for f in faults} == {
        ("plan.toml", None, "[pressure] return_inwc"),
        ("plan.toml", None, "[site] elevation_ft"),
        ("airflow.csv", 2, "heating_cfm"),
        ("airflow.csv", 7, "cooling_cfm"),
        ("sections.csv", 3, "length_ft"),
        ("sections.csv", 4, "fittings"),
        ("sections.csv", 4, "role"),
        ("fittings.csv", 5, "equivalent_length_ft"),
        ("ducts.csv", 3, "roughness_ft"),
        ("prices.csv", 9, "price_per_ft"),
    }


# ---- not faults, but told -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (put("sections", 3, "length_ft", 144), "length_ft"),  # inches
        (put("airflow", 2, "heating_cfm", 1400), "heating_cfm"),  # a small room's Btu/h
        (setting("pressure", supply_inwc=0.9), "supply_inwc"),  # the whole fan's
        (setting("site", air_temperature_f=38), "air_temperature_f"),  # Celsius in heating
        (setting("site", heating_supply_air_f=55), "heating_supply_air_f"),  # Celsius, or the other season's
        (setting("limits", trunk_rigid_fpm=70), "trunk_rigid_fpm"),
        (put("ducts", 2, "roughness_ft", 0.02), "roughness_ft"),
        (put("sections", 3, "note", "hello"), "note"),
    ],
)
def test_doubtful_input_is_a_finding(change: Change, words: str, plan: PlanTables, write_plan: WritePlan) -> None:
    """Allowed, but hard to believe, or not read: named in a finding with the place."""
    clean = tractduct.load_plan(write_plan(plan)).findings
    assert not [f for f in clean if words in str(f)]
    change(plan)
    found = tractduct.load_plan(write_plan(plan)).findings
    assert [f for f in found if words in str(f) and f.advice]


# ---- good input in all its spellings --------------------------------------------------------------------


def same(plan: PlanTables, folder: Path) -> bool:
    """The folder reads as the small plan does."""
    with_plan = tractduct.load_plan(folder)
    good = tractduct.load_plan(plan.write(folder.parent / "good"))
    return (
        with_plan.sections == good.sections
        and with_plan.fittings == good.fittings
        and with_plan.ducts == good.ducts
        and with_plan.rooms == good.rooms
        and with_plan.fronts == good.fronts
        and bool((with_plan.airflow_cfm == good.airflow_cfm).all())
    )


def test_headers_in_any_spelling(plan: PlanTables, write_plan: WritePlan) -> None:
    spelled = plan.copy()
    for name, rows in spelled.tables.items():
        spelled.tables[name] = [
            {f" {column.replace('_', ' ').title()} ": value for column, value in row.items()} for row in rows
        ]
    assert same(plan, write_plan(spelled))
    assert same(plan, write_plan(spelled, "xlsx"))


def test_bytes_that_spreadsheets_write(plan: PlanTables, write_plan: WritePlan) -> None:
    """A byte order mark, CRLF, trailing commas, spaces and rows of commas."""
    spelled = plan.copy()
    for name in plan.tables:
        lines = plan.csv_text(name).splitlines()
        lines = [line + " ,," for line in lines]
        lines[2:2] = ["," * 20, "", "   "]
        spelled.files[f"{name}.csv"] = b"\xef\xbb\xbf" + "\r\n".join(lines).encode()
    assert same(plan, write_plan(spelled))


def test_empty_rows_count(plan: PlanTables, write_plan: WritePlan) -> None:
    """A row's number is the text editor's, empty rows counted."""
    lines = plan.csv_text("ducts").splitlines()
    plan.files["ducts.csv"] = "\n".join([lines[0], "", ",,,", lines[1], "meadow,flex,rough", lines[3]])
    (fault,) = faults_of(write_plan(plan))
    assert (fault.row, fault.column, fault.value) == (5, "roughness_ft", "rough")


def test_quoted_commas_and_semicolons(write_plan: WritePlan) -> None:
    plan = small_plan()
    for row in plan.tables["airflow"]:
        row["room"] = row["room"].replace("Bed", "Bed, upper")
    plan.row("sections", "BED")["room"] = "  BED,   Upper "
    plan.row("sections", "RET")["room"] = "Den;bed, upper ; Kitchen;"
    found = tractduct.load_plan(write_plan(plan))
    assert found.rooms == ("Den", "Bed, upper", "Kitchen")
    assert [s.rooms for s in found.sections if s.name == "RET"] == [("Den", "bed, upper", "Kitchen")]
    assert tractduct.study(found).status == "optimal"


def test_names_in_any_case(plan: PlanTables, write_plan: WritePlan) -> None:
    """Case and outer spaces do not make another room, section, fitting, duct, face or choice."""
    spelled = plan.copy()
    spelled.row("sections", "DEN").update(parent=" t1 ", role="Branch", duct="FLEX", fittings="Collar+BOOT_FLOOR")
    spelled.row("sections", "KIT")["duct"] = "Galvanised "
    spelled.row("sections", "RET").update(side="RETURN", shape="Round")
    spelled.tables["airflow"][0]["front_faces"] = "n"
    assert same(plan, write_plan(spelled))


def test_sheets_named_in_plan_toml(plan: PlanTables, write_plan: WritePlan) -> None:
    spelled = plan.copy()
    spelled.tables["Room air"] = spelled.tables.pop("airflow")
    spelled.config["tables"] = {"airflow": "house.xlsx#room_air", "ducts": "house.xlsx"}
    assert same(plan, write_plan(spelled, "xlsx"))


def test_a_workbook_beside_csv_files(plan: PlanTables, write_plan: WritePlan) -> None:
    """Some tables as files, some as sheets."""
    folder = write_plan(plan, "xlsx")
    for name in ("fittings", "ducts"):
        (folder / f"{name}.csv").write_text(plan.csv_text(name))
    assert same(plan, folder)


def test_rectangular_bounds_by_diameter_or_label(plan: PlanTables, write_plan: WritePlan) -> None:
    """A rectangular section may be bounded by a diameter in inches: its equivalent counts."""
    plan.config["sizes"]["rectangular_in"] = [[8, 8], [12, 8], [16, 8], [20, 8]]
    plan.row("sections", "T1").update(shape="rectangular", min_in=10, max_in="16x8")
    study = tractduct.study(write_plan(plan))
    # 1956 ASHAE Guide ch. 32 Table 1: 8x8 8.8 in, 12x8 10.7 in
    assert study.size_set["T1"] in ("12x8", "16x8")
