"""A study that time ran out on: what results.json, the workbook and the terminal say of it, and that they agree.

Time runs out at a chosen look at the clock, so that each run ends the same. The solver of integer programs has a clock
of its own: where the last look is its, it has found the best set and has not proven it yet.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from workbook_reading import words_of

import tractduct
from tractduct.one_plan import Study
from tractduct.report import Report
from tractduct.sizing import enumeration, relaxation
from tractduct.sizing.case import build_case
from tractduct.sizing.highs import Optimum, integer_program
from tractduct.sizing.solve import recommend
from tractduct.writers.results import results
from tractduct.writers.summary import summary
from tractduct.writers.workbook import write_workbook

DEMO = Path(__file__).parents[1] / "configs" / "brindlecote-2670"
# What is open, in the order in which a search with more and more time comes through them.
STAGES = (("least_cost", "distinct_sizes"), ("distinct_sizes",), ("cost",))


LOOK_S = 1000.0  # so long that the solver by its own clock never runs out of what is left


def stopped_at_the_last_look(*program: Any, time_limit_s: float, **more: Any) -> Optimum:
    found = integer_program(*program, **more)
    if found.status != "optimal" or time_limit_s > LOOK_S:
        return found
    return dataclasses.replace(found, status="stopped", bound=0.99 * found.objective)


@contextmanager
def looked_at() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(relaxation, "time", Looks())
        patch.setattr(relaxation, "integer_program", stopped_at_the_last_look)
        patch.setattr(enumeration, "_MOST_STARTS", 0)  # which proves what it finds
        yield


class Looks:
    """A clock on which every look costs the same."""

    def __init__(self) -> None:
        self.looks = 0

    def monotonic(self) -> float:
        self.looks += 1
        return LOOK_S * self.looks


@cache
def plan() -> tractduct.Plan:
    """The demo without the cap on steps over the own size: under it the search is too short for all stages."""
    return dataclasses.replace(tractduct.load_plan(DEMO), most_steps_over_own=99)


def cut_short(looks: int) -> Study:
    with looked_at():
        return tractduct.study(plan(), time_limit_s=LOOK_S * looks, quick=True)


@cache
def stopped_at() -> dict[tuple[str, ...], int]:
    """The first look at which a search that ends there leaves each of the stages."""
    problem, found = build_case(plan()).problem(), {}
    for looks in range(60):
        with looked_at():
            least, best = recommend(problem, plan().standardize_within_pct, time_limit_s=LOOK_S * looks)
        if best.status == "optimal":
            break
        if best.size_index is not None:
            own = best.size_index.tolist() != least.size_index.tolist()
            stage = ("cost",) if own else ("distinct_sizes",) if least.status == "optimal" else STAGES[0]
            found.setdefault(stage, looks)
    return found


@dataclass(frozen=True)
class Told:
    """What the three say: the file, and the words of the sheet Answer and of the terminal."""

    file: dict[str, Any]
    words: tuple[str, str]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, ...], Told]:
    folder, found = tmp_path_factory.mktemp("out-of-time"), {}
    for stage, looks in stopped_at().items():
        study = cut_short(looks)
        book = folder / f"{looks}.xlsx"
        write_workbook(Report(study=study), book)
        answer = words_of(openpyxl.load_workbook(book)["Answer"])
        found[stage] = Told(results(Report(study=study)), (answer, " ".join(summary(Report(study=study)).split())))
    return found


@cache
def proven() -> dict[str, Any]:
    return results(Report(study=tractduct.study(plan(), quick=True)))


def test_every_stage_was_met(told: dict[tuple[str, ...], Told]) -> None:
    assert set(told) == set(STAGES)


@pytest.mark.parametrize("stage", STAGES)
def test_the_file(told: dict[tuple[str, ...], Told], stage: tuple[str, ...]) -> None:
    """Each bound and gap is its own cost's, true, and no `feasible` stands without what is open."""
    found, whole = told[stage].file, proven()
    assert (found["status"], tuple(found["not_proven"])) == ("feasible", stage)
    for cost, bound, gap in (("cost", "cost_bound", "gap_pct"), ("least_cost", "best_bound", "least_gap_pct")):
        assert found[gap] == pytest.approx(100.0 * (1.0 - found[bound] / found[cost]), abs=1e-5)
    assert found["best_bound"] <= whole["least_cost"] <= found["least_cost"] + 1e-6
    assert (found["least_gap_pct"] > 0.0) == ("least_cost" in stage)
    if stage == ("cost",):
        # The number of sizes is the proven one's; of sets of so few none costs less than the bound.
        assert found["distinct_sizes"] == whole["distinct_sizes"]
        assert found["least_cost"] < found["cost_bound"] <= whole["cost"] < found["cost"]
    else:
        assert (found["cost"], found["cost_bound"]) == (found["least_cost"], found["best_bound"])
        assert found["distinct_sizes"] > whole["distinct_sizes"]


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize("where", [0, 1], ids=["workbook", "terminal"])
def test_the_words(told: dict[tuple[str, ...], Told], stage: tuple[str, ...], where: int) -> None:
    """The file's bound and gap, rounded so that they stay true, of what is open and of nothing else."""
    found, words = told[stage].file, told[stage].words[where]
    assert "time ran out" in words

    def rounded(bound: str, gap: str) -> str:
        least = math.floor(100.0 * found[bound]) / 100.0
        return f"costs less than {least:,.2f} USD, which is {math.ceil(100.0 * found[gap]) / 100.0:.2f} % less."

    sentences = {
        "least_cost": f"The least cost is not proven: no set {rounded('best_bound', 'least_gap_pct')}",
        "cost": f"The least cost of {found['distinct_sizes']} or fewer sizes is not proven: "
        f"no set of so few {rounded('cost_bound', 'gap_pct')}",
        "distinct_sizes": "That no fewer sizes would do for at most 5 % over the least cost is not proven.",
    }
    for what, sentence in sentences.items():
        assert (sentence in words) is (what in stage)
