"""What is bought of the fittings that sections name: counted by hand, and in the cost against all combinations."""

from __future__ import annotations

import math

import openpyxl
import pytest
from plan_folder import PlanTables, section, small_plan, study_of
from priced_plans import case_of, cost_by_line, least_by_line, priced_plan, sets_that_hold

import tractduct
from tractduct.model.plan import Fitting, Section, joint_of, pieces_of
from tractduct.purchasing.buy import Buying, buy
from tractduct.purchasing.order import Order, make_order
from tractduct.report import Report
from tractduct.sizing.solve import least_cost
from tractduct.sizing.verify import verify_sizes
from tractduct.writers.order_book import write_order
from tractduct.writers.purchasing_tables import cost_per_lot, purchase_csv

BOTH = ("meadow", "granite")


def joined_plan(bought: str | None, trunk: str = "") -> PlanTables:
    """A run to the plenum that parts into two, 10 into 8 and 7 in, both of which name the wye; the den by itself."""
    plan = small_plan(pressure={"supply_inwc": 0.5})
    plan.tables["sections"] = [
        section("T1", "", "trunk", "galvanised", 8, "elbow_90", fixed_in=10),
        section("Y", "", "branch", "flex", 6, f"collar{trunk}", fixed_in=10),
        section("BED", "Y", "branch", "flex", 20, "wye + bend*2 + boot_floor", "Bed", fixed_in=7),
        section("KIT", "Y", "branch", "flex", 10, "wye + boot_floor", "Kitchen", fixed_in=8),
        section("DEN", "T1", "branch", "flex", 12, "collar + reducer + boot_floor", "Den", fixed_in=7),
    ]
    for row in plan.tables["fittings"]:
        row["bought"] = bought if row["fitting"] == "wye" else None
    plan.tables["fittings"] += [
        {"fitting": "bend", "equivalent_length_ft": 12, "loss_coefficient": None, "bought": "no"},
        {"fitting": "reducer", "equivalent_length_ft": 3, "loss_coefficient": None, "bought": None},
    ]
    return plan


def counted(order: Order) -> dict[tuple[str, str], int]:
    return {(line.fitting, line.size): line.count for line in order.fittings}


@pytest.mark.parametrize(
    ("bought", "wyes"),
    [
        ("at the parent", {("wye", "10 x 8 x 7"): 3}),
        ("yes", {("wye", "8"): 3, ("wye", "7"): 3}),
        (None, {("wye", "8"): 3, ("wye", "7"): 3}),
        ("no", {}),
    ],
)
def test_a_joint_is_bought_once_with_all_its_openings(bought, wyes):
    """Three lots, by hand: a wye each where it is one piece, two each where each child brings its own; no bend."""
    assert counted(make_order(study_of(joined_plan(bought)), {"meadow": 3})) == {
        **wyes,
        ("boot_floor", "7"): 6,
        ("boot_floor", "8"): 3,
        ("collar", "7"): 3,
        ("collar", "10"): 3,
        ("elbow_90", "10"): 3,
        ("reducer", "10 to 7"): 3,
    }


def test_the_losses_do_not_hang_on_what_is_bought():
    """Both legs of the wye still lose what it takes, bought once or twice."""
    one, other = (study_of(joined_plan(bought)) for bought in ("at the parent", "yes"))
    assert one.table.loss_inwc.tolist() == other.table.loss_inwc.tolist()


def test_the_csv_names_all_openings():
    found = buy(study_of(joined_plan("at the parent")))
    assert "fitting,wye,10 x 8 x 7,,,,,,1," in purchase_csv(found)


def pieces(*rows: tuple[str, str, tuple[tuple[str, int], ...]]) -> dict[str, list[tuple[int, str, tuple[str, ...]]]]:
    """(count, section, branches) by fitting, of (name, parent, fittings)."""
    fittings = {"wye": Fitting(name="wye", bought="at the parent"), "reducer": Fitting(name="reducer")}
    found: dict[str, list[tuple[int, str, tuple[str, ...]]]] = {}
    for piece in pieces_of([Section(name=n, parent=p, fittings=f) for n, p, f in rows], fittings):
        found.setdefault(piece.fitting, []).append((piece.count, piece.section, piece.branches))
    return found


def test_which_sections_a_joint_opens_to():
    wye, two = (("wye", 1),), (("wye", 1), ("wye", 1))
    # The leg that goes straight on may lose nothing and not name it: of two children it opens to both.
    assert pieces(("A", "", ()), ("B", "A", wye), ("C", "A", ())) == {"wye": [(1, "A", ("B", "C"))]}
    # Of three, to those that name it: the third may be a takeoff further up.
    assert pieces(("A", "", ()), ("B", "A", wye), ("C", "A", ()), ("D", "A", wye)) == {"wye": [(1, "A", ("B", "D"))]}
    assert pieces(("A", "", ()), ("B", "A", two), ("C", "A", wye)) == {"wye": [(2, "A", ("B", "C"))]}
    # Nothing is joined at the air handler: what is named there is the section's own.
    assert pieces(("A", "", wye), ("B", "", wye)) == {"wye": [(1, "A", ()), (1, "B", ())]}
    assert pieces(("A", "", (("reducer", 1),)), ("B", "A", (("reducer", 2),))) == {"reducer": [(2, "B", ("A",))]}


def test_a_reducer_at_the_parent_is_a_fault(write_plan):
    plan = joined_plan(None)
    plan.row("fittings", "reducer")["bought"] = "at the parent"
    with pytest.raises(tractduct.InputFaults, match=r"row 8, column 'bought'.*a reducer belongs to the one section"):
        tractduct.load_plan(write_plan(plan))


def test_another_word_for_bought_is_a_fault(write_plan):
    with pytest.raises(tractduct.InputFaults, match="got 'once': expected one of yes, no, at the parent"):
        tractduct.load_plan(write_plan(joined_plan("once")))


# -- cost ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bought", ["yes", "at the parent", "no"])
@pytest.mark.parametrize("flex", [BOTH, ("meadow",)])
def test_least_cost_charges_a_joint_once_against_all_combinations(bought, flex):
    case = case_of(True, flex, bought)
    best = least_by_line(sets_that_hold(True, flex, bought), case.plan, flex)
    solution = least_cost(case.problem())
    assert solution.status == "optimal"
    assert solution.cost == pytest.approx(best, rel=1e-9)
    assert cost_by_line(case.plan, case.labels(solution.size_index), flex) == pytest.approx(best, rel=1e-9)


def test_what_is_bought_changes_the_best_set():
    """Else the test above would prove little."""
    best = [case.labels(least_cost(case.problem()).size_index) for case in (case_of(True, BOTH, b) for b in
            ("yes", "at the parent"))]  # fmt: skip
    assert best[0] != best[1]


def test_the_cost_shown_is_what_the_list_charges():
    """No waste, sticks and boxes of a foot: the order of one lot costs what the set was chosen by."""
    plan = priced_plan(True, "at the parent")
    plan.config["purchase"] = {"box_ft": 1.0}
    plan.config["variants"] = {"flex": ["meadow"]}
    for row in plan.tables["prices"]:
        row["package_ft"] = 1
    study = study_of(plan)
    assert buy(study).lists[0].order.cost == pytest.approx(study.recommended.cost, rel=1e-9)


def test_a_joint_not_offered_in_the_parents_size_keeps_the_parent_out_of_it():
    plan = priced_plan(True, "at the parent")
    before = study_of(plan).size_set
    for row in plan.tables["fitting_prices"]:
        if row["fitting"] == "wye" and str(row["size_in"]) == before["T1"]:
            row["price"] = "-"
    after = study_of(plan)
    assert after.size_set["T1"] != before["T1"]
    refused = verify_sizes(after.plan, after.variants.variants, before).breaches
    assert {(b.limit_name, b.section) for b in refused} == {("size not offered in wye", "T1")}


def test_a_price_in_the_parents_sizes_is_asked_for(write_plan):
    plan = priced_plan(True, "at the parent")
    plan.row("sections", "T1")["min_in"] = 8
    smaller = [r for r in plan.tables["fitting_prices"] if r["fitting"] != "wye" or r["size_in"] >= 8]
    plan.tables["fitting_prices"] = smaller
    tractduct.load_plan(write_plan(plan))
    plan.tables["fitting_prices"] = [r for r in smaller if r["fitting"] != "wye" or r["size_in"] != 8]
    with pytest.raises(tractduct.InputFaults, match="fitting 'wye' has no price for size 8"):
        tractduct.load_plan(write_plan(plan))


def test_prices_of_what_is_not_bought_are_told(write_plan):
    told = tractduct.load_plan(write_plan(priced_plan(True, "no"))).findings
    (finding,) = [f for f in told if f.subject == "wye"]
    assert (finding.severity.word, finding.rule) == ("caution", "fitting prices")


# -- what to look at -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bought", "count"), [(None, 1), ("yes", 1), ("at the parent", 0), ("no", 0)])
def test_a_joint_that_both_children_bring_is_told(bought, count):
    found = [f for f in study_of(joined_plan(bought)).findings if f.rule == "joint counted twice"]
    assert len(found) == count
    for finding in found:
        assert finding.subject == "section Y"
        assert finding.message.startswith("BED, KIT beyond it each bring a wye")


def test_takeoffs_and_joints_of_different_parents_are_not_told():
    plan = joined_plan(None)
    plan.row("sections", "KIT").update(parent="T1", fittings="collar + boot_floor")
    plan.row("sections", "DEN")["fittings"] = "wye + boot_floor"
    assert not [f for f in study_of(plan).findings if f.rule == "joint counted twice"]


@pytest.mark.parametrize(
    ("name", "kind"),
    [("wye_branch", "wye"), ("Main Wye 8", "wye"), ("tee", "tee"), ("bullhead-tee", "tee"), ("trunk_tee_6", "tee"),
     ("steel_elbow", ""), ("collar", ""), ("reducer", ""), ("8splitter", "splitter"), ("Tee*", "tee")],
)  # fmt: skip
def test_what_a_joint_is_called(name, kind):
    assert joint_of(name) == kind


# -- sticks ----------------------------------------------------------------------------------------------


def test_sticks_of_rigid_duct_are_not_as_long_as_a_box_of_flex(tmp_path):
    """KIT is 10 ft of 7 in sheet metal, 11 with waste: three sticks of 5 ft. T1 has its 4 ft in the table."""
    plan = priced_plan()
    for name, size in {"T1": 10, "DEN": 7, "BED": 7, "KIT": 7, "RET": 10}.items():
        plan.row("sections", name)["fixed_in"] = size
    for row in plan.tables["prices"]:
        row["package_ft"] = 4 if (row["duct"], row["size_in"]) == ("galvanised", 10) else None
    found = buy(study_of(plan))
    bought = {(x.duct, x.size): (x.package_ft, x.packages) for x in found.lists[0].order.ducts}
    # T1 and RET: 17 ft, 18.7 with waste; DEN and BED: 32 ft, 35.2 with waste
    assert bought == {("galvanised", "7"): (5.0, 3), ("galvanised", "10"): (4.0, 5), ("meadow", "7"): (25.0, 2)}
    (told,) = [f for f in found.findings if f.rule == "sticks"]
    assert (told.severity.word, told.subject) == ("caution", "galvanised")
    assert "5 ft" in told.message
    assert "package_ft" in told.advice
    assert "Sticks of galvanised are taken as 5 ft: ask." in words_of(found, tmp_path, "Buy one lot")
    for row in plan.tables["prices"]:
        row["package_ft"] = 5
    assert not [f for f in buy(study_of(plan)).findings if f.rule == "sticks"]


def words_of(found: Buying, tmp_path, sheet: str) -> str:
    write_order(Report(study=found.study, buying=found), tmp_path / "book.xlsx")
    rows = openpyxl.load_workbook(tmp_path / "book.xlsx")[sheet].iter_rows()
    return " ".join(str(c.value) for row in rows for c in row if c.value is not None)


# -- one cost beside the other ---------------------------------------------------------------------------


def test_what_makes_the_costs_per_lot_differ_by_hand(tmp_path):
    """Duct alone, all sizes fixed: 17 ft of 10 in and 10 ft of 7 in sheet metal, 32 ft of 7 in flex; 10 % waste."""
    plan = priced_plan()
    for name, size in {"T1": 10, "DEN": 7, "BED": 7, "KIT": 7, "RET": 10}.items():
        plan.row("sections", name)["fixed_in"] = size
    plan.tables["lots"] = [{"lot": str(n), "front_faces": "N", "flex": "granite" if n else "meadow"} for n in range(3)]
    found = buy(study_of(plan), lots=40)
    metal = 17 * 10.0 + 10 * 7.6
    meadow, granite = 32 * 3.45, 32 * 2.8
    mean = metal + (meadow + granite) / 2
    delivered = {1: meadow, 3: (meadow + 2 * granite) / 3, 40: meadow}
    whole = {
        1: 4 * 5 * 10.0 + 3 * 5 * 7.6 + 2 * 25 * 3.45,
        # 56.1 and 33 ft of sheet metal; 35.2 ft of meadow and 70.4 of granite
        3: (12 * 5 * 10.0 + 7 * 5 * 7.6 + 2 * 25 * 3.45 + 3 * 25 * 2.8) / 3,
        # 748 and 440 ft; 1408 ft
        40: (150 * 5 * 10.0 + 88 * 5 * 7.6 + 57 * 25 * 3.45) / 40,
    }
    frame = cost_per_lot(found)
    assert frame["lots"].tolist() == [1, 3, 40]
    for row in frame.to_dict("records"):
        flex = delivered[row["lots"]]
        assert row["as_drawn"] == pytest.approx(mean)
        assert row["flex"] == pytest.approx(metal + flex - mean)
        assert row["waste"] == pytest.approx(0.1 * (metal + flex))
        assert row["per_lot"] == pytest.approx(whole[row["lots"]])
        steps = ("as_drawn", "dampers", "flex", "waste", "whole_packages")
        assert math.fsum(row[name] for name in steps) == pytest.approx(row["per_lot"])
    assert "Cost per lot: what is added to the standard set's" in words_of(found, tmp_path, "Stock list")
    assert cost_per_lot(buy(study_of(joined_plan(None)))).empty  # no prices
