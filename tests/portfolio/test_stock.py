"""The stock list of several plans against exhaustive search."""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from plan_folder import PlanTables, small_plan, with_prices

from tractduct.cli import main
from tractduct.inputs.reader import load_plan
from tractduct.portfolio.pool import Pool
from tractduct.portfolio.stock import StockList, StockPlan, StockSize, stock_plan
from tractduct.portfolio.stock_search import stock_list
from tractduct.sizing.case import build_case
from tractduct.sizing.solve import least_cost
from tractduct.writers.stock_words import stock_lines, stock_text


def tables(seed: int, sizes: Sequence[int]) -> PlanTables:
    """The small plan with random airflow, lengths, pressure and prices, in few sizes."""
    rng = np.random.default_rng(seed)
    plan = small_plan(sizes={"round_in": list(sizes)}, pressure={"supply_inwc": round(rng.uniform(0.1, 0.2), 3)})
    plan.config["name"] = f"Plan {seed}"
    for row in plan.tables["airflow"]:
        for column in ("heating_cfm", "cooling_cfm"):
            row[column] = round(row[column] * rng.uniform(0.6, 1.2))
    for row in plan.tables["sections"]:
        row["length_ft"] = round(rng.uniform(6.0, 25.0), 1)
    plan.tables["lots"] = [{"lot": n, "azimuth_deg": 0} for n in range(1 + 3 * (seed % 3))]
    return with_prices(plan, base=rng.uniform(0.8, 1.2))


def stock_plans(seeds: Sequence[int], folder: Path) -> list[StockPlan]:
    lists = ((5, 6, 7, 8, 10), (5, 6, 8, 9, 10), (6, 7, 8, 9, 10))  # plans differ in what they may use
    return [
        stock_plan([build_case(load_plan(tables(seed, lists[n % 3]).write(folder / f"{seed}")))], f"Plan {seed}")
        for n, seed in enumerate(seeds)
    ]


def every_set(plan: StockPlan) -> list[tuple[frozenset[StockSize], float]]:
    """What each size set that holds uses and costs: every one is tried, loop by loop."""
    problem = plan.problem
    n_section, n_size = problem.cost.shape
    found: dict[frozenset[StockSize], float] = {}
    for choice in itertools.product(range(n_size), repeat=n_section):
        if not all(problem.allowed[i, k] for i, k in enumerate(choice)):
            continue
        diameter = [problem.diameter_in[k] for k in choice]
        if any(up >= 0 and diameter[i] > diameter[up] for i, up in enumerate(problem.parent)):
            continue
        loss = sum(problem.loss_inwc[:, i, k, None] * problem.path[:, i] for i, k in enumerate(choice))
        if (loss > problem.available_inwc * (1 + 1e-9)).any():
            continue
        used = frozenset(plan.sizes[problem.stock_group[i]][k] for i, k in enumerate(choice))
        cost = sum(problem.cost[i, k] for i, k in enumerate(choice))
        found[used] = min(cost, found.get(used, np.inf))
    return list(found.items())


def exhaustive(plans: Sequence[StockPlan]) -> dict[int, float]:
    """Least total cost by number of sizes, over every choice of sizes."""
    sets = [every_set(plan) for plan in plans]
    sizes = sorted({size for one in sets for used, _ in one for size in used}, key=lambda size: size.order)
    best: dict[int, float] = {}
    for number in range(1, len(sizes) + 1):
        costs = [
            sum(
                plan.lots * min((cost for used, cost in one if used <= carried), default=np.inf)
                for plan, one in zip(plans, sets, strict=True)
            )
            for carried in map(frozenset, itertools.combinations(sizes, number))
        ]
        best[number] = min(costs)
    return best


@pytest.mark.parametrize("seeds", [(1, 2, 3), (4, 5, 6), (7, 8, 9)])
def test_against_every_choice_of_sizes(seeds: tuple[int, ...], tmp_path: Path) -> None:
    plans = stock_plans(seeds, tmp_path)
    found = stock_list(plans)
    best = exhaustive(plans)
    fewest = min(number for number, cost in best.items() if np.isfinite(cost))
    by_number = {len(entry.sizes): entry for entry in found.entries}
    assert min(by_number) == fewest
    last = max(by_number)
    assert by_number[last].cost == pytest.approx(min(best.values()), rel=1e-9)
    for number in range(fewest, last + 1):
        # a number that is left out costs no less than a smaller one
        of = max(n for n in by_number if n <= number)
        assert by_number[of].cost == pytest.approx(best[number], rel=1e-9)
        assert by_number[of].proven
        assert by_number[of].bound <= best[number] * (1 + 1e-9)


def test_the_entry_says_what_it_is(tmp_path: Path) -> None:
    plans = stock_plans((1, 2, 3), tmp_path)
    found = stock_list(plans)
    sets = [every_set(plan) for plan in plans]
    alone = [min(cost for _, cost in one) for one in sets]
    for entry in found.entries:
        carried = frozenset(entry.sizes)
        costs = [min(cost for used, cost in one if used <= carried) for one in sets]
        assert entry.cost == pytest.approx(sum(p.lots * c for p, c in zip(plans, costs, strict=True)))
        more = [100 * (c / a - 1) for c, a in zip(costs, alone, strict=True)]
        assert entry.worst_pct == pytest.approx(max(more), abs=1e-6)
        assert more[[plan.name for plan in plans].index(entry.worst_plan)] == pytest.approx(max(more), abs=1e-6)
    assert found.least_cost == pytest.approx(sum(p.lots * a for p, a in zip(plans, alone, strict=True)))


def test_processes_and_order_change_nothing(tmp_path: Path) -> None:
    plans = stock_plans((1, 2, 3), tmp_path)
    one = stock_list(plans)
    with Pool(2) as pool:
        assert stock_text(stock_list(plans, pool=pool)) == stock_text(one)
    turned = stock_list(plans[::-1])
    assert [entry.cost for entry in turned.entries] == pytest.approx([entry.cost for entry in one.entries])


def test_lots_weigh(tmp_path: Path) -> None:
    plans = stock_plans((1, 2, 3), tmp_path)
    heavy = [replace(plans[0], lots=10_000), *plans[1:]]
    best = exhaustive(heavy)
    for entry in stock_list(heavy).entries:
        assert entry.cost == pytest.approx(best[len(entry.sizes)], rel=1e-9)


def with_own_sets(plans: Sequence[StockPlan]) -> list[StockPlan]:
    """As after a batch: each plan with its least cost, proven, and one dearer set that holds."""
    found = []
    for plan in plans:
        least = least_cost(plan.problem)
        assert least.size_index is not None
        one_fewer = least_cost(plan.problem, max_distinct=least.distinct_sizes - 1)
        sets = [one.size_index for one in (least, one_fewer) if one.size_index is not None]
        found.append(replace(plan, sets=tuple(sets), bound=least.bound))
    return found


class Counted:
    """A clock that is over when it was looked at so many times."""

    def __init__(self, looks: float) -> None:
        self.looks = looks

    def __call__(self, limit_s: float | None) -> Counted:
        return self

    def is_over(self) -> bool:
        self.looks -= 1
        return self.looks < 0

    def left_s(self) -> float:
        return 1e9


@pytest.mark.parametrize("looks", [0, 3, 10, 30, 60, 100, 200])
def test_however_little_time_there_is_a_list_that_says_how_far_it_is_off(
    looks: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plans = with_own_sets(stock_plans((1, 2, 3), tmp_path))
    best = exhaustive(plans)
    monkeypatch.setattr("tractduct.portfolio.stock_search.Clock", Counted(looks))
    found = stock_list(plans, time_limit_s=1.0)
    sets = [every_set(plan) for plan in plans]
    assert found.entries
    assert found.entries[-1].cost == pytest.approx(min(best.values()), rel=1e-9)
    assert found.entries[-1].proven
    for entry in found.entries:
        carried = frozenset(entry.sizes)
        costs = [min(cost for used, cost in one if used <= carried) for one in sets]
        # the sizes serve all plans, for no more than is said; no choice of as many costs less than the bound
        assert sum(p.lots * c for p, c in zip(plans, costs, strict=True)) <= entry.cost * (1 + 1e-9)
        of = max(n for n in best if n <= len(entry.sizes))
        assert entry.bound <= best[of] * (1 + 1e-9)
        assert entry.cost >= best[of] * (1 - 1e-9)
        assert entry.gap_pct == (0.0 if entry.proven else pytest.approx(100 * (1 - entry.bound / entry.cost)))
    costs = [entry.cost for entry in found.entries]
    assert costs == sorted(costs, reverse=True)
    assert len(set(costs)) == len(costs)
    if looks == 0:
        assert found.solved == 0
        assert not all(entry.proven for entry in found.entries)


def test_enough_time_changes_nothing(tmp_path: Path) -> None:
    plans = stock_plans((1, 2, 3), tmp_path)
    assert stock_text(stock_list(with_own_sets(plans), time_limit_s=1e6)) == stock_text(stock_list(plans))


def test_fittings_are_paid_for_their_own_size_where_another_is_left_out(tmp_path: Path) -> None:
    """No section may have 3 in, so it is no size of the list's; the prices of reducers must lose it too."""
    tables = with_prices(small_plan(sizes={"round_in": [3, 5, 6, 7, 8, 10]}))
    tables.tables["fittings"].append({"fitting": "reducer", "equivalent_length_ft": 3, "loss_coefficient": None})
    for row in tables.tables["sections"][1:4]:
        row["fittings"] += " + reducer"
    tables.tables["fitting_prices"] = [
        {"fitting": "reducer", "size_in": size, "price": price}
        for size, price in ((3, 900.0), (5, 31.0), (6, 8.0), (7, 22.0), (8, 14.0), (10, 27.0))
    ]
    case = build_case(load_plan(tables.write(tmp_path / "plan")))
    problem = case.problem()
    assert problem.change_cost is not None
    assert not problem.allowed[:, 0].any()
    costs = [
        problem.cost_of(np.array(choice))
        for choice in itertools.product(*(np.flatnonzero(row) for row in problem.allowed))
        if (problem.over_limit_inwc(np.array(choice)) <= 0).all()
        and all(up < 0 or choice[i] <= choice[up] for i, up in enumerate(problem.parent))
    ]
    plan = stock_plan([case], "one")
    assert stock_list([plan]).least_cost == pytest.approx(plan.lots * min(costs), rel=1e-9)


def test_the_batch_says_what_is_searched_and_not_proven(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for seed in (1, 2):
        tables(seed, (5, 6, 7, 8, 10)).write(tmp_path / "plans" / str(seed))
    monkeypatch.setattr("tractduct.portfolio.stock_search.Clock", Counted(0))
    out = tmp_path / "out"
    command = ["batch", str(tmp_path / "plans"), "--out", str(out), "--stock", "--seconds", "100", "--jobs", "1"]
    assert main(command) == 0
    entries = json.loads((out / "stock.json").read_text(encoding="utf-8"))["entries"]
    searched = [entry for entry in entries if not entry["proven"]]
    assert searched
    said = capsys.readouterr().out
    assert said.count("searched, not proven: ") == len(searched)
    sheet = openpyxl.load_workbook(out / "all-plans.xlsx")["Stock list"]
    proof = [
        cell.value for row in sheet.iter_rows() for cell in row if cell.value in ("proven", "searched, not proven")
    ]
    assert proof == ["proven" if entry["proven"] else "searched, not proven" for entry in entries]
    for entry in searched:
        gap_pct = 100.0 * (1.0 - entry["bound"] / entry["cost"])
        assert entry["gap_pct"] == pytest.approx(gap_pct, abs=1e-5)
        assert f"searched, not proven: {gap_pct:.3f} % less may be possible" in said
        assert any(cell.value == pytest.approx(gap_pct, abs=1e-5) for row in sheet.iter_rows() for cell in row
                   if isinstance(cell.value, float))  # fmt: skip


def test_what_cannot_be_added_up_is_said(tmp_path: Path) -> None:
    plans = stock_plans((1, 2), tmp_path)
    assert stock_list([]) == StockList(why_empty="no plan has a size set")
    mixed = stock_list([plans[0], replace(plans[1], cost_unit="ft2")])
    assert stock_lines(mixed) == ["No stock list: the plans' costs are in USD and ft2, so that they can't be added up."]
    assert json.loads(stock_text(mixed))["entries"] == []
