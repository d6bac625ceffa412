"""The workbook that a plan is typed into: one small house to write over, lists that grow, marks, and live cfm.

What the sheets show beside the cells is worked out by formulas in the hidden sheet ``_live``; nothing of it is read.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.formatting.rule import FormulaRule
from openpyxl.styles import Alignment, Font, PatternFill, Protection
from openpyxl.utils import get_column_letter
from openpyxl.workbook.defined_name import DefinedName
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from tractduct.inputs import schema
from tractduct.inputs.cells import allowed
from tractduct.inputs.compact import sheets
from tractduct.inputs.plan_sheet import SHOWN_FRONT, SHOWN_SEASON
from tractduct.inputs.schema import Field, TableSchema, in_units
from tractduct.model.words import FACES, SEASONS
from tractduct.units import MEASURES, UnitSystem

_LIVE = "_live"
_ROWS = {"runs": 80, "rooms": 40, "products": 12, "lots": 120}  # that lists, marks and formulas reach
_ANCESTORS = 12  # joints up to the air handler that the tree follows
_HEAD, _SHOWN, _MARKED = (PatternFill("solid", fgColor=c, bgColor=c) for c in ("D7E3DC", "EFEFEF", "F6C9B8"))
_UNLOCKED = Protection(locked=False)
# Columns that have a list, or are not entered.
_UNPROMPTED = {"on", "room", "duct", "season", "kind", "facing", "mirrored", "flex", "front_faces", *sheets.HELPERS}

# The example, all of it invented, by the core's names.
_ROOMS: list[tuple[object, ...]] = [
    ("Living", 7900, 6100, 6400, 42, None, 30, 20),
    ("Kitchen", 4300, 4600, 4900, None, 18, 16, None),
    ("Bedroom", 4200, 3300, 2750, None, None, 24, 15),
    ("Bath", 1500, 900, 1000, None, 6, None, None),
]
_GLASS = list(zip(FACES, (21, 36, 52, 44, 29, 49, 61, 45), (31, *[None] * 7), strict=True))
_RUNS: list[tuple[object, ...]] = [
    ("Trunk A", None, None, "12", "round"),
    ("Trunk B", "Trunk A", None, "10", "round"),
    (None, "Trunk A", "Living", "14"),
    (None, "Trunk B", "Living", "6+3"),
    (None, "Trunk A", "Kitchen", "11"),
    (None, "Trunk B", "Bedroom", "10+6"),
    (None, "Trunk B", "Bath", "10", None, None, None, 5),
    (None, "return", "rest", "8"),
]
INVENTED = "invented for this example"
_PRODUCTS = [("flex_a", None, 0.001, None, None, INVENTED), ("flex_b", None, 0.003, 3, None, INVENTED)]
_PRICED = (("galvanised", 2.0, 0.75), ("flex_a", 0.6, 0.32), ("flex_b", 0.4, 0.28))  # a foot: base, more an inch
_SIZES_IN = (4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18)
_LOTS = [("1", "N", None, None), ("2", "SW", "yes", "flex_b")]


def plan_workbook(units: UnitSystem) -> bytes:
    """The workbook, in some units, as a file's bytes."""
    book = Workbook()
    book.remove(book.worksheets[0])
    for add in (_plan, _rooms, _glass, _runs, _products, _prices, _lots, _live):
        add(book, units)
    data = io.BytesIO()  # on a full disk openpyxl would leave a file that complains when it is thrown away
    book.save(data)
    return data.getvalue()


def example_sizes(units: UnitSystem) -> list[int]:
    """The round sizes that an example's prices are for."""
    return [round(d) for d in schema.DEFAULT_ROUND_MM] if units.is_si else list(_SIZES_IN)


def example_price(base: float, more: float, size: int, units: UnitSystem) -> float:
    """A length's price: ``base`` a foot and ``more`` an inch of its size."""
    return round(units.shown(base + more * units.core(float(size), "in"), "USD/ft"), 2)


def example_value(field: Field, value: object, units: UnitSystem) -> object:
    """An example's value in the plan's units, to three figures; a bound on sizes as the nearest standard one."""
    quantity = field.quantity or field.unit
    if not units.is_si or not isinstance(value, int | float) or quantity not in MEASURES:
        return value
    shown = units.shown(float(value), quantity)
    if field.kind == "size":
        return min(example_sizes(units), key=lambda size: abs(size - shown))
    return float(f"{shown:.3g}")


def note(field: Field) -> str:
    """What a column's header note says: meaning, what is allowed, and whether it may be blank."""
    parts = [field.meaning[:1].upper() + field.meaning[1:] + "."]
    if field.kind == "number":
        parts.append(f"Allowed: {allowed(field)}.")
    elif field.choices:
        parts.append("Allowed: " + ", ".join(field.choices) + ".")
    if field.blank:
        parts.append("May be left empty.")
    return "\n".join(parts)


def _plan(book: Workbook, units: UnitSystem) -> None:
    sheet = _sheet(book, sheets.PLAN, {"key": 22, "value": 22, "note": 60}, units)
    keys: list[tuple[str, str, object, str]] = [
        ("", "name", "First plan", "every value in this workbook is invented: put in your own"),
        ("", "units", "si" if units.is_si else None, "ip if empty"),
        ("site", "elevation_ft", 0, ""),
        ("blower", "cooling_cfm", 470, ""),
        ("blower", "heating_cfm", 370, "empty: as in cooling"),
        ("loads", "printed_front", "N", ""),
        ("loads", "check_front", "E", ""),
        ("pressure", "supply_inwc", 0.1, ""),
        ("pressure", "return_inwc", 0.05, ""),
        ("sizes", "round_in", "80..500" if units.is_si else "4..10, 12, 14, 16, 18", "empty: all that are usual"),
        ("sizes", "rectangular_in", None, "such as 200..600x200" if units.is_si else "such as 8..24x8"),
    ]
    for part, key, value, said in keys:
        field = next(f for f in schema.KEYS[part] if f.name == key)
        shown = in_units(field, units)
        sheet.append([shown.name, example_value(field, value, units), said or re.split("[;,]", shown.meaning)[0]])
    row = len(keys) + 2
    sheet.append([SHOWN_FRONT, FACES[0], f'="sheets runs and rooms show this front. "&{_LIVE}!$AI$6'])
    sheet.append([SHOWN_SEASON, SEASONS[1], "and this season; neither is part of the plan"])
    for number in range(2, row + 60):
        for column in "AB" if number < row or number > row + 1 else "B":
            sheet[f"{column}{number}"].protection = _UNLOCKED
        sheet[f"B{number}"].alignment = Alignment(horizontal="left")
    _choice(sheet, f"B{row}", FACES, "The front that the sheets show")
    _choice(sheet, f"B{row + 1}", SEASONS, "The season that the sheets show")
    _choice(sheet, "B7:B8", FACES, "The direction of the front in that load calculation")


def _rooms(book: Workbook, units: UnitSystem) -> None:
    loads = ("heating_btuh", "sensible_cooling_btuh", "check_cooling_btuh", *sheets.GLASS_COLUMNS.values())
    columns = {"room": 16, **dict.fromkeys(loads, 13), "mark": 16, "airflow_shown": 12}
    sheet = _sheet(book, sheets.ROOMS, columns, units, _ROOMS)
    for row in range(2, _ROWS["rooms"] + 2):
        twice = f"SUMPRODUCT(--({_LIVE}!$W$2:$W$41=A{row}))>1"
        sheet[f"I{row}"] = f'=IF(A{row}="","",IF({twice},"twice",IF({_LIVE}!Z{row}=0,"no run","")))'
        sheet[f"J{row}"] = f'=IF(A{row}="","",ROUND({_LIVE}!Y{row},1))'
    _open(sheet, "ABCDEFGH", _ROWS["rooms"])
    _mark(sheet, _ROWS["rooms"])


def _glass(book: Workbook, units: UnitSystem) -> None:
    columns = {"facing": 12, "cooling_btuh_per_ft2": 24, "heating_btuh_per_ft2": 24}
    _open(_sheet(book, sheets.GLASS, columns, units, _GLASS), "BC", len(FACES))


def _runs(book: Workbook, units: UnitSystem) -> None:
    columns = {"section": 14, "on": 14, "room": 18, "route": 14, "duct": 14, "fittings": 26, "season": 10, "min_in": 9}
    columns |= {"mark": 17, "leads_to": 34, "airflow_here": 10}
    rows = _RUNS
    if units.is_si:
        legs = [[f"{units.shown(float(leg), 'ft'):.2g}" for leg in str(run[3]).split("+")] for run in _RUNS]
        rows = [(*run[:3], "+".join(way), *run[4:]) for run, way in zip(_RUNS, legs, strict=True)]
    sheet = _sheet(book, sheets.RUNS, columns, units, rows)
    for row in range(2, _ROWS["runs"] + 2):
        sheet[f"I{row}"] = (
            f'=IF({_LIVE}!B{row}="",IF(COUNTA(A{row}:H{row})=0,"","no name"),'
            f'IF(SUMPRODUCT(--({_LIVE}!$B$2:$B$81={_LIVE}!B{row}))>1,"twice",IF({_LIVE}!O{row}=-9,"unknown parent",'
            f'IF({_LIVE}!O{row}>0,"LOOP",IF({_LIVE}!P{row}=1,"dead end",IF({_LIVE}!V{row}=0,"unknown room",'
            f'IF(D{row}="","no route","")))))))'
        )
        sheet[f"J{row}"] = (
            f'=IF({_LIVE}!B{row}="","",IF({_LIVE}!O{row}>0,"LOOP",IF({_LIVE}!O{row}=-9,"?",IF({_LIVE}!O{row}=0,"supply",'
            f'"return"))&REPT(" >",SUMPRODUCT(--({_LIVE}!C{row}:N{row}>0)))&" "&{_LIVE}!B{row}'
            f'&IF({_LIVE}!P{row}=1,": NOTHING below","")))'
        )
        sheet[f"K{row}"] = f'=IF({_LIVE}!B{row}="","",ROUND({_LIVE}!R{row},1))'
        for column in "ABCDEF":
            sheet[f"{column}{row}"].number_format = "@"  # 8/6 would become a date
    _names(book, "section_names", f"{_LIVE}!$B$2", f'COUNTIF({_LIVE}!$B$2:$B$81,"?*")')
    _names(book, "room_names", "rooms!$A$2", "COUNTA(rooms!$A$2:$A$41)")
    _names(book, "duct_words", f"{_LIVE}!$T$2", "2+COUNTA(products!$A$2:$A$13)")
    for column, name, names in (("B", "on", "section_names"), ("C", "room", "room_names"), ("E", "duct", "duct_words")):
        _listed(sheet, f"{column}2:{column}81", sheets.RUNS.field(name), names)
    _choice(sheet, "G2:G81", SEASONS, "Blank: open in both")
    _open(sheet, "ABCDEFGH", _ROWS["runs"])
    _mark(sheet, _ROWS["runs"])


def _products(book: Workbook, units: UnitSystem) -> None:
    columns = {
        "product": 16,
        "kind": 10,
        "roughness_ft": 14,
        "airflow_derate_pct": 18,
        "compression_pct": 18,
        "source": 40,
    }
    sheet = _sheet(book, sheets.PRODUCTS, columns, units, _PRODUCTS)
    _choice(sheet, "B2:B13", ("flex", "rigid"), "Blank: flex")
    _open(sheet, "ABCDEF", _ROWS["products"])


def _prices(book: Workbook, units: UnitSystem) -> None:
    sheet = book.create_sheet("prices")
    sheet.append([in_units(schema.PRICES.field("size_in"), units).name, *(name for name, _, _ in _PRICED)])
    for size in example_sizes(units):
        sheet.append([size, *(example_price(base, more, size, units) for _, base, more in _PRICED)])
    said = f"Price, {units.unit('USD/ft')}: a column a product, by the names of the sheet products. Empty: not offered."
    for cell in sheet[1]:
        _header(cell, said)
        sheet.column_dimensions[cell.column_letter].width = 14
    sheet.freeze_panes = "B2"


def _lots(book: Workbook, units: UnitSystem) -> None:
    sheet = _sheet(book, schema.LOTS, {"lot": 12, "front_faces": 14, "mirrored": 12, "flex": 18}, units, _LOTS)
    _choice(sheet, "B2:B121", FACES, "The direction of the front")
    _choice(sheet, "C2:C121", ("yes", "no"), "Blank: no")
    _listed(sheet, "D2:D121", schema.LOTS.field("flex"), "product_names")
    _names(book, "product_names", "products!$A$2", "COUNTA(products!$A$2:$A$13)")
    _open(sheet, "ABCD", _ROWS["lots"])


def _live(book: Workbook, units: UnitSystem) -> None:
    """What the sheets show, worked out: the tree from each section's ancestors one by one, so that nothing is circular.

    Columns: B its name; C to N what it hangs on, and what that hangs on, up to the air handler (0 supply, -1 return, -8
    no row, -9 unknown); O the end of that way; P 1 for a dead end; Q its own cfm, R with all beyond; T words for ducts;
    U its room; V whether that is known. W to AB the rooms; AC to AJ the glass of the front that is shown.
    """
    sheet = book.create_sheet(_LIVE)
    sheet.sheet_state = "hidden"
    season = "runs!$G$2:$G$81"
    last = get_column_letter(3 + _ANCESTORS - 1)
    value = 'IFERROR(INDEX(plan!$B$2:$B$80,MATCH("{key}",plan!$A$2:$A$80,0)),"")'
    for r in range(2, _ROWS["runs"] + 2):
        on, room = f"runs!B{r}", f"runs!C{r}"
        several = f'OR({room}="*",{room}="rest",ISNUMBER(FIND(";",{room})))'
        own = {
            "U": f'=IF(OR(runs!A{r}<>"",{room}=""),"",IF({several},"Return",{room}))',
            "B": f'=IF(runs!A{r}<>"",runs!A{r}&"",IF(U{r}="","",IF(OR(U{r}="Return",SUMPRODUCT(--($U$2:$U$81=U{r}))'
            f'+SUMPRODUCT(--(runs!$A$2:$A$81=U{r}))>1),U{r}&" "&SUMPRODUCT(--($U$2:U{r}=U{r})),U{r})))',
            "C": f'=IF(B{r}="",-8,IF(OR({on}="",{on}="supply"),0,IF({on}="return",-1,'
            f"IFERROR(MATCH({on},$B$2:$B$81,0),-9))))",
            "O": f"={last}{r}",
            "P": f'=IF(AND(B{r}<>"",{room}="",SUMPRODUCT(--($C$2:$C$81={r - 1}))=0),1,0)',
            "V": f'=IF(OR({room}="",O{r}<>0),1,SUMPRODUCT(--($W$2:$W$41={room})))',
            "Q": f'=IF({room}="",0,IF(O{r}=0,IF(OR(runs!G{r}="",runs!G{r}=$AI$5),'
            f"SUMPRODUCT(($W$2:$W$41={room})*$Y$2:$Y$41)"
            f"/MAX(1,SUMPRODUCT((runs!$C$2:$C$81={room})*($O$2:$O$81=0)*((({season}=\"\")+({season}=$AI$5))>0))),0),"
            f'IF(O{r}=-1,IF({room}="*",SUM($Y$2:$Y$41),IF({room}="rest",SUMPRODUCT(($AA$2:$AA$41=0)*$Y$2:$Y$41),'
            f'SUMPRODUCT(ISNUMBER(SEARCH(";"&$W$2:$W$41&";",";"&SUBSTITUTE({room},"; ",";")&";"))*($W$2:$W$41<>"")'
            f"*$Y$2:$Y$41/$AB$2:$AB$41))),0)))",
            "R": f"=Q{r}+SUMPRODUCT(($C$2:${last}$81={r - 1})*$Q$2:$Q$81)",
        }  # fmt: skip
        for column, formula in own.items():
            sheet[f"{column}{r}"] = formula
        for n in range(1, _ANCESTORS):
            before = get_column_letter(2 + n)
            sheet.cell(row=r, column=3 + n, value=f"=IF({before}{r}>0,INDEX($C$2:$C$81,{before}{r}),{before}{r})")
    sheet["T2"], sheet["T3"] = "rect", "round"
    for r in range(2, _ROWS["products"] + 2):
        sheet[f"T{r + 2}"] = f'=products!A{r}&""'
    for r in range(2, _ROWS["rooms"] + 2):
        sheet[f"W{r}"] = f'=rooms!A{r}&""'
        glass = "+".join(f"N(rooms!{column}{r})*$AJ${2 + n}" for n, column in enumerate("EFGH"))
        sheet[f"X{r}"] = f'=IF(W{r}="",0,IF($AI$5="heating",N(rooms!B{r}),N(rooms!C{r}))+{glass})'
        sheet[f"Y{r}"] = f"=IF(SUM($X$2:$X$41)=0,0,X{r}/SUM($X$2:$X$41)*$AI$4)"
        sheet[f"Z{r}"] = f'=IF(W{r}="",1,SUMPRODUCT((runs!$C$2:$C$81=W{r})*($O$2:$O$81=0)))'
        sheet[f"AA{r}"] = (
            f'=IF(W{r}="",1,SUMPRODUCT(ISNUMBER(SEARCH(";"&W{r}&";",";"&SUBSTITUTE(runs!$C$2:$C$81,"; ",";")&";"))'
            f"*($O$2:$O$81=-1)))"
        )
        sheet[f"AB{r}"] = f"=MAX(1,AA{r})"
    for n, face in enumerate(FACES):
        r = n + 2
        sheet[f"AC{r}"] = face
        sheet[f"AF{r}"] = "=N(glass!C2)" if n == 0 else f'=IF(glass!C{r}="",AF{r - 1},N(glass!C{r}))'
        at = f"MATCH(AC{r},glass!$A$2:$A$9,0)"
        sheet[f"AG{r}"] = f'=IFERROR(IF($AI$5="heating",INDEX($AF$2:$AF$9,{at}),N(INDEX(glass!$B$2:$B$9,{at}))),0)'
    sheet["AI2"] = f"=IFERROR(MATCH({value.format(key=SHOWN_FRONT)},$AC$2:$AC$9,0)-1,0)"
    sheet["AI3"] = f"=IFERROR(MATCH({value.format(key='printed_front')},$AC$2:$AC$9,0)-1,AI2)"
    flow = [value.format(key=units.name_of(f"{season}_cfm", "cfm")) for season in SEASONS]
    sheet["AI4"] = (
        f'=IF($AI$5="heating",IF(N({flow[0]})>0,N({flow[0]}),N({flow[1]})),IF(N({flow[1]})>0,N({flow[1]}),N({flow[0]})))'
    )
    sheet["AI5"] = f"={value.format(key=SHOWN_SEASON)}"
    reached = "ROUND(SUMPRODUCT(($O$2:$O$81=0)*$Q$2:$Q$81),0)"
    sheet["AI6"] = f'={reached}&" of "&ROUND(AI4,0)&" {units.unit("cfm")} reach the air handler"'
    for n, side in enumerate(sheets.GLASS_COLUMNS):
        turn = {"front": 0, "left": 2, "back": 4, "right": 6}[side]
        points = [f"INDEX($AG$2:$AG$9,MOD($AI${r}+{turn},8)+1)" for r in (2, 3)]
        sheet[f"AJ{n + 2}"] = f"={points[0]}-{points[1]}"


def _sheet(
    book: Workbook,
    spec: TableSchema,
    columns: Mapping[str, float],
    units: UnitSystem,
    rows: Iterable[Sequence[object]] = (),
) -> Worksheet:
    """A sheet with its columns, each of some width, and an example's rows: notes, and prompts where a cell is entered.

    Its formulas can't be typed over by a slip; there is no password.
    """
    sheet: Worksheet = book.create_sheet(spec.name)
    for n, (name, width) in enumerate(columns.items(), start=1):
        field = in_units(spec.field(name), units)
        _header(sheet.cell(row=1, column=n, value=field.name), note(field))
        letter = get_column_letter(n)
        sheet.column_dimensions[letter].width = max(width, len(field.name) + 3)
        if name not in _UNPROMPTED:
            cells = f"{letter}2:{letter}{_ROWS.get(spec.name, 60) + 1}"
            _prompt(sheet, cells, field.name, note(field), type="textLength", operator="lessThan", formula1="2000")
    for row in rows:
        sheet.append([example_value(spec.field(n), value, units) for n, value in zip(columns, row, strict=False)])
    sheet.freeze_panes = "B2"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.print_title_rows = "1:1"
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.formatCells = False
    return sheet


def _header(cell: Any, said: str) -> None:
    cell.font = Font(bold=True)
    cell.fill = _HEAD
    cell.alignment = Alignment(wrap_text=True, vertical="top")
    cell.comment = Comment(said, "tractduct", width=300, height=130)


def _prompt(sheet: Worksheet, cells: str, title: str, said: str, **given: Any) -> None:
    """What is said beside some cells while they are entered, and what they may hold."""
    rule = DataValidation(allow_blank=True, **given)
    rule.promptTitle, rule.prompt, rule.showInputMessage = title[:32], said[:255], True
    rule.showErrorMessage = bool(rule.error)
    sheet.add_data_validation(rule)
    rule.add(cells)


def _choice(sheet: Worksheet, cells: str, words: Sequence[str], said: str) -> None:
    listed, error = '"' + ",".join(words) + '"', "Pick one of: " + ", ".join(words)
    _prompt(sheet, cells, "", said, type="list", formula1=listed, error=error)


def _listed(sheet: Worksheet, cells: str, field: Field, names: str) -> None:
    """A list of names that grows with their sheet; other text stays possible."""
    _prompt(sheet, cells, field.name, note(field), type="list", formula1=f"={names}")


def _names(book: Workbook, name: str, first: str, count: str) -> None:
    book.defined_names[name] = DefinedName(name, attr_text=f"OFFSET({first},0,0,MAX(1,{count}),1)")


def _open(sheet: Worksheet, columns: str, rows: int) -> None:
    for column in columns:
        for row in range(2, rows + 2):
            sheet[f"{column}{row}"].protection = _UNLOCKED


def _mark(sheet: Worksheet, rows: int) -> None:
    """A colour for marks, in column I, grey for what is only shown, from there on."""
    marked = FormulaRule(formula=["LEN(I2)>0"], fill=_MARKED)  # type: ignore[no-untyped-call]
    sheet.conditional_formatting.add(f"I2:I{rows + 1}", marked)
    for cells in sheet[f"I2:{get_column_letter(sheet.max_column)}{rows + 1}"]:
        for cell in cells:
            cell.fill = _SHOWN
    # More columns may be added on the right, such as share and role, or where rooms lie.
    for letter in map(get_column_letter, range(sheet.max_column + 1, sheet.max_column + 7)):
        sheet.column_dimensions[letter].protection = _UNLOCKED
