"""Purchase lists and the buy command: counted by hand, sent safely, told in results.json and in the workbook."""

from __future__ import annotations

import csv
import io
import json
import math
import tomllib
from pathlib import Path

import openpyxl
import pytest
from plan_folder import PlanTables, read_tables, study_of, written
from priced_plans import case_of, least_by_line, priced_plan, sets_that_hold

import tractduct
from tractduct.cli import main
from tractduct.purchasing.buy import Buying, buy
from tractduct.purchasing.order import make_order
from tractduct.report import Report
from tractduct.units import IP
from tractduct.writers.csv_text import harmless
from tractduct.writers.order_book import write_order
from tractduct.writers.purchasing_tables import csv_columns, purchase_csv

EXAMPLE = Path(__file__).parents[2] / "configs" / "quernby-1180"
ACTS = ("=", "+", "-", "@", "\t", "\r")


def fixed_plan() -> PlanTables:
    """Every size fixed, so that a list can be counted by hand."""
    plan = priced_plan(True)
    for name, size in {"T1": 10, "DEN": 7, "BED": 7, "KIT": 7, "RET": 10}.items():
        plan.row("sections", name)["fixed_in"] = size
    return plan


def lines_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


# -- counting --------------------------------------------------------------------------------------------


def test_whole_boxes_after_waste_over_all_lots_by_hand():
    """DEN 12 and BED 20 ft of 7 in flex are 32 ft a lot. Waste is 10 %, a box 25 ft.

    One lot: 35.2 ft, 2 boxes. Three lots: 105.6 ft, 5 boxes (not 3 x 2). Five lots: 176 ft, 8 boxes.
    """
    study = study_of(fixed_plan())
    for lots, bought, boxes in ((1, 35.2, 2), (3, 105.6, 5), (5, 176.0, 8)):
        order = make_order(study, {"meadow": lots})
        line = next(x for x in order.ducts if x.duct == "meadow")
        assert (line.size, line.packages) == ("7", boxes)
        assert line.bought_ft == pytest.approx(bought)
        # meadow's price in 7 in is 1.0 + 0.35 x 7 = 3.45
        assert line.cost == pytest.approx(boxes * 25 * 3.45)


def test_a_section_of_one_product_is_bought_in_it_whatever_the_lots_get():
    """DEN is always granite, 12 ft; BED, 20 ft, is of each lot's product: two lots of meadow, one of granite."""
    plan = fixed_plan()
    plan.row("sections", "DEN")["duct"] = "granite"
    order = make_order(study_of(plan), {"meadow": 2, "granite": 1})
    assert {x.duct: x.feet for x in order.ducts if x.size == "7" and x.duct != "galvanised"} == {
        "granite": 3 * 12 + 20,
        "meadow": 2 * 20,
    }


def test_a_box_that_is_just_full_is_not_rounded_up():
    """20 ft + 25 % waste = 25 ft, one box; a tenth of a foot more is two."""
    for length, boxes in ((20.0, 1), (20.1, 2)):
        plan = fixed_plan()
        plan.config["purchase"] = {"box_ft": 25, "waste_pct": 25}
        plan.row("sections", "BED")["fixed_in"] = 8
        plan.row("sections", "BED")["length_ft"] = length
        order = make_order(study_of(plan), {"granite": 1})
        assert next(x for x in order.ducts if x.size == "8").packages == boxes


def test_package_lengths_by_size_and_fittings_by_hand():
    """Sheet metal in sticks of 5 ft: T1 8 and RET 9 ft of 10 in, KIT 10 ft of 7 in, 10 % waste."""
    plan = fixed_plan()
    for row in plan.tables["prices"]:
        row["package_ft"] = 5 if row["duct"] == "galvanised" else None
    order = make_order(study_of(plan), {"meadow": 1, "granite": 1})
    # two lots: 37.4 ft of 10 in, 22 ft of 7 in
    assert {(x.duct, x.size): (x.package_ft, x.packages) for x in order.ducts} == {
        ("galvanised", "7"): (5, 5),
        ("galvanised", "10"): (5, 8),
        ("granite", "7"): (25, 2),
        ("meadow", "7"): (25, 2),
    }
    # two lots, three runs each: a collar, a boot and a reducer from 10 to 7 in; BED has two elbows, T1 one
    assert {(x.fitting, x.size): x.count for x in order.fittings} == {
        ("boot_floor", "7"): 6,
        ("collar", "7"): 6,
        ("elbow_90", "7"): 4,
        ("elbow_90", "10"): 2,
        ("reducer", "10 to 7"): 6,
        ("return_box", "10"): 2,
    }
    priced = {x.fitting: x.cost for x in order.fittings if math.isfinite(x.price)}
    # 3, 8 and 9 dollars and 0.40 an inch
    assert priced == pytest.approx({"collar": 6 * 5.8, "boot_floor": 6 * 10.8, "reducer": 6 * 11.8})
    by_hand = 5 * 5 * (2 + 0.8 * 7) + 8 * 5 * (2 + 0.8 * 10) + 50 * (0.7 + 0.3 * 7) + 50 * (1 + 0.35 * 7)
    assert order.cost == pytest.approx(by_hand + sum(priced.values()))


def test_a_reducer_is_not_bought_where_sizes_are_the_same():
    plan = fixed_plan()
    for name in ("T1", "RET"):
        plan.row("sections", name)["fixed_in"] = 10
    for name in ("DEN", "BED", "KIT"):
        plan.row("sections", name)["fixed_in"] = 10
    study = study_of(plan)
    assert not [x for x in make_order(study, {"meadow": 1}).fittings if x.fitting == "reducer"]
    assert study.recommended.cost == pytest.approx(
        # collars and boots of 10 in in three runs; 27 ft of sheet metal; 32 ft of flex at the mean of 4.5 and 3.7
        3 * (7 + 12) + 27 * 10 + 32 * (4.5 + 3.7) / 2
    )


def test_lists_for_one_lot_the_plans_lots_and_a_number_of_lots():
    plan = fixed_plan()
    plan.tables["lots"] = [
        {"lot": "1", "front_faces": "N", "mirrored": None, "flex": "granite"},
        {"lot": "2", "front_faces": "S", "mirrored": None, "flex": None},
        {"lot": "3", "front_faces": "S", "mirrored": None, "flex": "Granite"},
    ]
    study = study_of(plan)
    found = {part.name: dict(part.order.lots) for part in buy(study, lots=7).lists}
    assert found == {"one lot": {"meadow": 1}, "all lots": {"meadow": 1, "granite": 2}, "several lots": {"meadow": 7}}
    assert [part.name for part in buy(study).lists] == ["one lot", "all lots"]
    other = buy(study, installed="granite").lists
    assert [dict(part.order.lots) for part in other] == [{"granite": 1}, {"granite": 3}]
    del plan.tables["lots"]
    plan.config["purchase"]["lots"] = 12
    assert [part.lots for part in buy(study_of(plan)).lists] == [1, 12]


def test_half_a_lot_is_a_fault(write_plan):
    plan = priced_plan()
    plan.config["purchase"]["lots"] = 2.5
    with pytest.raises(tractduct.InputFaults, match=r"\[purchase\] lots.*got '2.5': expected a whole number"):
        tractduct.load_plan(write_plan(plan))


def test_what_has_no_price_is_said():
    plan = fixed_plan()
    for row in plan.tables["fitting_prices"]:
        if row["fitting"] == "reducer" and row["size_in"] == 7:
            row["price"] = "-"
    found = buy(study_of(plan))
    told = [f for f in found.findings if f.rule == "fitting prices"]
    assert [f.subject for f in told] == ["reducer, 10 to 7 in"]
    known = [x.cost for x in (*found.lists[0].order.ducts, *found.lists[0].order.fittings) if math.isfinite(x.cost)]
    assert found.lists[0].order.cost == pytest.approx(sum(known))
    del plan.tables["fitting_prices"]
    assert [f.rule for f in buy(study_of(plan)).findings if f.rule != "sticks"] == ["fitting prices"]
    del plan.tables["prices"]
    assert [f.rule for f in buy(study_of(plan)).findings if f.rule != "sticks"] == ["prices"]


# -- CSV -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("start", ACTS)
def test_text_that_acts_is_made_harmless(start):
    assert harmless(f"{start}1+1") == f"'{start}1+1"
    assert harmless(f"  {start}1+1") == f"'  {start}1+1"


@pytest.mark.parametrize("text", ["heron", "14x10", "10 to 7", "", "R-6", "7"])
def test_plain_text_stays(text):
    assert harmless(text) == text


def nasty_plan() -> PlanTables:
    """Names and a level that a spreadsheet would take for formulas."""
    plan = priced_plan(True)
    plan.tables["ducts"][1]["duct"] = '=HYPERLINK("http://x.invalid","7")'
    plan.tables["ducts"][2]["duct"] = "@granite, rough"
    names = {"meadow": plan.tables["ducts"][1]["duct"], "granite": plan.tables["ducts"][2]["duct"]}
    for row in plan.tables["prices"]:
        row["duct"] = names.get(row["duct"], row["duct"])
        row["insulation"] = "-6+R"
    for table in ("fittings", "fitting_prices"):
        for row in plan.tables[table]:
            row["fitting"] = {"collar": "=collar", "boot_floor": "-boot"}.get(row["fitting"], row["fitting"])
    for row in plan.tables["sections"]:
        row["fittings"] = row["fittings"].replace("collar", "=collar").replace("boot_floor", "-boot")
    return plan


def bought(plan: PlanTables, lots: int | None = None) -> Buying:
    with written(plan) as folder:
        return buy(tractduct.study(folder), lots=lots)


def test_no_cell_of_the_csv_begins_as_a_formula():
    text = purchase_csv(bought(nasty_plan(), lots=2))
    cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
    assert not [cell for cell in cells if cell.startswith(ACTS)]
    assert {"'=collar", "'-boot", "'-6+R", '\'=HYPERLINK("http://x.invalid","7")'} <= set(cells)


def test_no_cell_of_the_sheets_is_a_formula_of_input_text(tmp_path):
    found = bought(nasty_plan(), lots=2)
    write_order(Report(study=found.study, buying=found), tmp_path / "book.xlsx")
    book = openpyxl.load_workbook(tmp_path / "book.xlsx")
    for name in ("Product comparison", "Stock list", "Buy one lot", "Buy several lots"):
        formulas = [c.value for row in book[name].iter_rows() for c in row if c.data_type == "f"]
        assert all(f.startswith("=SUM(") or set(f) <= set("=+0123456789ABCDEFGHI") for f in formulas), formulas
    words = [c.value for row in book["Buy one lot"].iter_rows() for c in row]
    assert "=collar" in words


def test_the_csv_says_what_the_order_does():
    found = bought(priced_plan(True), lots=4)
    rows = lines_of(purchase_csv(found))
    assert list(rows[0]) == csv_columns(IP)
    for part in found.lists:
        mine = [row for row in rows if row["list"] == part.name]
        assert {row["lots"] for row in mine} == {str(part.lots)}
        ducts = {(row["product"], row["size_in"]): row for row in mine if row["item"] == "duct"}
        assert set(ducts) == {(x.duct, x.size) for x in part.order.ducts}
        for x in part.order.ducts:
            row = ducts[x.duct, x.size]
            assert (int(row["packages"]), float(row["package_ft"])) == (x.packages, x.package_ft)
            assert float(row["drawn_ft"]) == pytest.approx(x.feet, abs=0.01)
            assert (row["price_for"], row["pieces"]) == ("ft", "")
        pieces = {(row["product"], row["size_in"]): int(row["pieces"]) for row in mine if row["item"] == "fitting"}
        assert pieces == {(x.fitting, x.size): x.count for x in part.order.fittings}
        assert sum(float(row["cost_usd"] or 0) for row in mine) == pytest.approx(part.order.cost, abs=0.01)


# -- the command -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("buy")
    priced_plan(True).write(folder / "plan")
    assert main(["study", str(folder / "plan"), "--lots", "9", "--out", str(folder / "out")]) == 0
    return folder / "out"


def test_study_leaves_the_list_and_the_same_bytes_twice(out, tmp_path):
    assert {"results.json", "purchase.csv", "test-plan.xlsx", "delivered.png"} <= {p.name for p in out.iterdir()}
    priced_plan(True).write(tmp_path / "plan")
    assert main(["study", str(tmp_path / "plan"), "--lots", "9", "--out", str(tmp_path / "out")]) == 0
    for path in (path for path in out.rglob("*") if path.is_file()):
        assert path.read_bytes() == (tmp_path / "out" / path.relative_to(out)).read_bytes(), path.name


def test_flex_comparison_in_results_json_against_all_combinations(out):
    found = json.loads((out / "results.json").read_text())["flex_comparison"]
    plan = case_of(True).plan
    kinds = {s.name: s.kind for s in plan.sections}

    def least(covered: tuple[str, ...], priced: tuple[str, ...], **more: set[tuple[str, str]]) -> float:
        return least_by_line(sets_that_hold(True, covered), plan, priced, **more)

    both, single = ("meadow", "granite"), {}
    assert [one["flex"] for one in found["alone"]] == list(both)
    for one in found["alone"]:
        single[one["flex"]] = least((one["flex"],), (one["flex"],))
        assert one["least_cost"] == pytest.approx(single[one["flex"]], abs=1e-5)
        assert one["size_set"] in sets_that_hold(True, (one["flex"],))
        assert one["distinct_sizes"] == len({(kinds[s], size) for s, size in one["size_set"].items()})
        assert [c["compression_pct"] for c in one["compressed"]] == [4.0, 10.0, 15.0]
    assert [a["flex"] for a in found["approved"]] == [["meadow"], ["granite"], ["meadow", "granite"]]
    assert found["approved"][2]["least_cost"] == pytest.approx(least(both, both), abs=1e-5)
    assert found["approved"][2]["extra_cost"] == pytest.approx(
        {f: least(both, (r,)) - single[r] for f, r in (both, both[::-1])}, abs=1e-5
    )
    assert {(p["flex"], p["against"]) for p in found["break_even"]} == {both, both[::-1]}
    whole = json.loads((out / "results.json").read_text())
    stock = {(kinds[s], size) for s, size in whole["size_set"].items()}
    assert len(found["drop_first"]) == len(stock)
    for drop in found["drop_first"]:
        rest = least(both, both, within=stock - {(drop["kind"], drop["size"])})
        wanted = None if math.isinf(rest) else pytest.approx(rest, abs=1e-5)
        assert drop["cost_with_the_rest"] == wanted


def test_the_sheets_add_up(out):
    book = openpyxl.load_workbook(out / "test-plan-order.xlsx")
    values = openpyxl.load_workbook(out / "test-plan-order.xlsx", data_only=True)
    rows = lines_of((out / "purchase.csv").read_text())
    for name, lots in (("Buy one lot", "1"), ("Buy several lots", "9")):
        sheet = values[name]
        last = next(r for r in range(sheet.max_row, 0, -1) if sheet.cell(r, 1).value == "All, USD")
        total = sum(float(row["cost_usd"] or 0) for row in rows if row["lots"] == lots)
        assert sheet.cell(last, 8).value == pytest.approx(total, abs=0.01)
        assert book[name].cell(last, 8).data_type == "f"
        assert book[name].page_setup.paperSize == 1  # letter
    assert book.sheetnames == ["Start here", "Buy one lot", "Buy several lots", "Product comparison", "Stock list"]
    links = {row[0].value for row in book["Start here"].iter_rows() if row[0].hyperlink}
    assert links == set(book.sheetnames[1:])
    assert all(sheet.page_setup.fitToHeight == 1 for sheet in book.worksheets)  # a page each


def test_without_a_set_there_is_no_list_and_an_old_one_is_not_left(out, tmp_path, capsys):
    plan = priced_plan(True)
    plan.config["pressure"]["supply_inwc"] = 0.001
    plan.write(tmp_path / "plan")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "purchase.csv").write_text("an old list\n")
    assert main(["study", str(tmp_path / "plan"), "--out", str(tmp_path / "out")]) == 3
    assert (tmp_path / "out" / "purchase.csv").read_text() == ",".join(csv_columns(IP)) + "\n"
    assert "No size set holds in every variant." in capsys.readouterr().out


def test_lots_must_be_a_whole_number(capsys):
    for text in ("0", "-3", "2.5", "many"):
        with pytest.raises(SystemExit) as stop:
            main(["study", "anything", "--lots", text])
        assert stop.value.code == 2
        assert "must be a whole number from 1" in capsys.readouterr().err


# -- the example plan ------------------------------------------------------------------------------------


def test_the_example_shows_what_it_is_for():
    study = tractduct.study(EXAMPLE, quick=True)
    found = buy(study)
    assert study.status == "optimal"
    tables = read_tables(EXAMPLE).tables
    assert [part.lots for part in found.lists] == [
        1, tomllib.loads((EXAMPLE / "plan.toml").read_text())["purchase"]["lots"],
    ]  # fmt: skip
    r6 = {(r["duct"], r["size_in"]): r["price_per_ft"] for r in tables["prices"] if r["insulation"] == "R-6"}
    for line in found.lists[0].order.ducts:
        if line.duct != "galvanised":
            assert line.insulation == "R-6"
            assert line.price_per_ft == float(r6[line.duct, line.size])
    assert not {line.fitting for line in found.lists[0].order.fittings} & {"flex_bend"}  # a bend of the flex itself
    assert study.plan.ducts["dunlin"].correction is not None
