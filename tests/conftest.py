"""Fixtures that all tests share; the plan tables themselves are made in plan_folder.py."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from hypothesis import settings
from plan_folder import PlanTables, small_plan

import tractduct.report

WritePlan = Callable[..., Path]

# What is drawn at random is the same in each run, and no example fails for a slow machine.
settings.register_profile("same", derandomize=True, database=None, deadline=None)
settings.load_profile("same")
# Searching for dampers to the end is what tests/delivery/test_damper_search.py and the benchmarks are for.
tractduct.report.search_dampers = partial(tractduct.report.search_dampers, effort=0.05)
# Commands that tests start as processes would compile the package anew each time.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
# A shell has what it runs in the background ignore the interrupt, and so would the commands that tests interrupt.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def plan() -> PlanTables:
    """A small valid plan to change at will."""
    return small_plan()


@pytest.fixture
def write_plan(tmp_path: Path) -> WritePlan:
    """Writes a plan into a fresh folder: write_plan(plan) or write_plan(plan, "xlsx")."""
    count = 0

    def write(plan: PlanTables, form: str = "csv") -> Path:
        nonlocal count
        count += 1
        return plan.write(tmp_path / f"plan{count}", form)

    return write


@pytest.fixture(scope="session")
def demo_folder() -> Path:
    return Path(__file__).parents[1] / "configs" / "brindlecote-2670"
