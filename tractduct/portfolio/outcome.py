"""What came of one plan, small enough to keep for thousands of them."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, is_dataclass, replace
from enum import Enum, StrEnum
from heapq import merge
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np

from tractduct.delivery.predict import Delivered
from tractduct.errors import InputFaults, OutOfTime, printable_lines, shortened
from tractduct.findings import Finding
from tractduct.model.words import key_of
from tractduct.one_plan import Study, sections_by_size
from tractduct.portfolio.find import Bundle
from tractduct.report import Report
from tractduct.systems import HouseReport

ROOMS_LISTED = 3  # worst rooms kept of each plan
_FILE = re.compile(r"([^/\\:\0]{1,255}/){0,2}[^/\\:\0]{1,255}")  # of a plan's folder, a system's, or one in that
_SIZE = re.compile(r"\d{1,9}(\.\d{1,9})?(x\d{1,9}(\.\d{1,9})?)?", re.ASCII)
_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]")  # for a workbook or a file
_LARGEST = 1e15


class State(StrEnum):
    """How a plan's study ended."""

    SIZED = "sized"
    NO_SET = "no set holds"
    FAULTS = "faults in the input"
    NO_TIME = "time ran out"
    ERROR = "unexpected error"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """One size of a plan's standard set."""

    kind: str
    shape: str
    size: str
    sections: int
    length_ft: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TightRoom:
    """A room whose run can carry least more air, in the variant where it is worst."""

    room: str
    run: str
    extra_pct: float
    limit: str
    variant: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OffRoom:
    """A room whose predicted airflow is farthest from design, in the variant where it is worst."""

    room: str
    airflow_cfm: float
    design_cfm: float
    variant: str

    @property
    def off(self) -> float:
        """How far, as a part of design."""
        return abs(self.airflow_cfm / self.design_cfm - 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one plan.

    Attributes
    ----------
    name, below : its folder among the results; its path below the folder that was given
    key : hash of its input files, the options and the version
    plan : its name; empty where it could not be read
    cost, least_cost : in ``cost_unit``, None without a set
    units : name of the plan's system of units; lengths and airflow here are in the core's
    lots : rows of its lots table, or the number of lots to buy for
    size_set, least_set : section -> size, of the standard set and of the least cost
    least_bound : no set costs less; None without a set
    tight, off : worst rooms, worst first; ``off`` where airflow was predicted, by per cent off design
    rooms_outside_open, rooms_outside, dampers : rooms outside tolerance with all dampers open, and with the marks; the
        number of dampers by size. None and empty where that was not asked for
    reasons : why there is no set: faults, conflicts, or the error
    remedies : changes that were tried and hold
    files : name -> sha256 of each file of its folder
    """

    name: str
    below: str
    key: str
    state: State
    plan: str = ""
    status: str = ""
    cost: float | None = None
    least_cost: float | None = None
    cost_unit: str = ""
    units: str = "ip"
    distinct_sizes: int = 0
    lots: int = 0
    variants: int = 0
    sections: int = 0
    stock: tuple[Stock, ...] = ()
    size_set: Mapping[str, str] = field(default_factory=dict)
    least_set: Mapping[str, str] = field(default_factory=dict)
    least_bound: float | None = None
    findings: tuple[Finding, ...] = ()
    tight: tuple[TightRoom, ...] = ()
    off: tuple[OffRoom, ...] = ()
    rooms_outside_open: int | None = None
    rooms_outside: int | None = None
    dampers: Mapping[str, int] = field(default_factory=dict)
    reasons: tuple[str, ...] = ()
    remedies: tuple[str, ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)

    @property
    def failed(self) -> bool:
        return self.state is not State.SIZED

    def text(self) -> str:
        """As JSON; the same outcome gives the same bytes."""
        return json.dumps(asdict(self), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def outcome_of_text(text: str) -> Outcome:
    """An outcome from its JSON. ValueError where it is none, with the place; nothing in it is taken on trust."""
    try:
        outcome: Outcome = _shaped(Outcome, json.loads(text), "it")
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    for name in outcome.files:
        if not _FILE.fullmatch(name) or {".", ".."} & set(name.split("/")):
            raise ValueError(f"its 'files' names {shortened(name)!r}, which is not a file of its folder")
    for stock in outcome.stock:
        if not _SIZE.fullmatch(stock.size):
            raise ValueError(f"its 'stock' has the size {shortened(stock.size)!r}")
    return outcome


def _shaped(kind: Any, value: Any, place: str) -> Any:
    """A value of JSON as the annotation of a field wants it; ValueError where it is of another type."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin in (UnionType, Union):
        return None if value is None else _shaped(parts[0], value, place)
    if origin is tuple and isinstance(value, list):
        return tuple(_shaped(parts[0], each, place) for each in value)
    if origin is Mapping and isinstance(value, dict):
        return {_shaped(str, name, place): _shaped(parts[1], each, f"its {name!r}") for name, each in value.items()}
    if is_dataclass(kind) and isinstance(value, dict):
        return _dataclass(kind, value, place)
    if isinstance(kind, type) and issubclass(kind, Enum) and type(value) in (int, str):
        return kind(value)
    if kind is float and type(value) in (int, float) and abs(value) < _LARGEST:
        return float(value)
    if kind is int and type(value) is int and 0 <= value < _LARGEST:
        return value
    if kind is str and type(value) is str and not _UNFIT.search(value):
        return value
    raise ValueError(f"{place} is {shortened(json.dumps(value))}, which does not belong there")


def _dataclass(kind: Any, value: dict[str, Any], place: str) -> Any:
    wanted = get_type_hints(kind)
    for name in value.keys() ^ wanted.keys():
        raise ValueError(f"{place} has a {name!r} too many" if name in value else f"{place} has no {name!r}")
    return kind(**{name: _shaped(each, value[name], f"its {name!r}") for name, each in wanted.items()})


def outcome_of(bundle: Bundle, report: Report | HouseReport, delivered: Sequence[Delivered | None]) -> Outcome:
    """The outcome of a plan that could be read: one, of several systems too, with what each of them has.

    ``delivered`` with open dampers, by system, where that was predicted.
    """
    whole, reports = (report, report.reports) if isinstance(report, HouseReport) else (report.study, (report,))
    plan, best, least, units = whole.plan, whole.recommended, whole.least_cost, whole.plan.units
    unit, is_sized = reports[0].study.cost_unit, best.size_index is not None
    labels = report.labels if isinstance(report, HouseReport) else report.study.case.labels
    studies = [one.study for one in reports]
    systems = [system.name for system in plan.systems]
    named = list(zip([f"{system}: " for system in systems] or [""], studies, strict=True))
    placed = zip([f"{system}, " for system in systems] or [""], reports, strict=True)
    reasons = tuple(f"{name}{reason}" for name, study in named for reason in study.conflicts)
    if plan.systems and not is_sized and not reasons:
        reasons = (f"no set of all systems keeps to {plan.max_distinct_sizes} distinct sizes",)
    marks = {one.study: one.delivery.marks for one in reports if one.delivery}
    dampers = Counter(study.size_set[run] for study, of in marks.items() for run in of.chosen.runs)
    is_marked = len(marks) == len(reports)
    off = [_off(got, study.plan.rooms) for got, study in zip(delivered, studies, strict=True) if got is not None]
    return Outcome(
        name=bundle.name,
        below=bundle.below,
        key=bundle.key,
        state=State.SIZED if is_sized else State.NO_SET,
        plan=plan.name,
        status=best.status,
        cost=_number(units.shown(best.cost, unit)),
        least_cost=_number(units.shown(least.cost, unit)),
        cost_unit=units.unit(unit),
        units=units.name,
        distinct_sizes=best.distinct_sizes,
        lots=plan.lots_left or len(plan.lots),
        variants=len(studies[0].variants.variants),
        sections=sum(len(study.tree.sections) for study in studies),
        stock=_stock(studies) if is_sized else (),
        size_set=labels(best.size_index),
        least_set=labels(least.size_index),
        least_bound=units.shown(least.bound, unit) if is_sized else None,
        findings=tuple(
            replace(finding, subject=f"{system}{finding.subject}") for system, one in placed for finding in one.findings
        ),
        tight=tuple(merge(*map(_tight, studies), key=lambda room: room.extra_pct))[:ROOMS_LISTED],
        off=tuple(merge(*off, key=lambda room: -room.off))[:ROOMS_LISTED],
        rooms_outside_open=sum(of.rooms_outside_open for of in marks.values()) if is_marked else None,
        rooms_outside=sum(of.chosen.rooms_outside for of in marks.values()) if is_marked else None,
        dampers=dict(sorted(dampers.items())),
        reasons=reasons,
        remedies=tuple(
            f"{name}{way.change}: {units.say(way.solution.cost, unit, ',.2f')}"
            for name, study in named
            for way in study.remedies
            if way.helps
        ),
    )


def outcome_of_error(bundle: Bundle, error: BaseException | str) -> Outcome:
    """The outcome of a plan that could not be studied: faults in the input, no time, or something unexpected."""
    if isinstance(error, InputFaults):
        state, reasons = State.FAULTS, tuple(map(str, error.faults))
    elif isinstance(error, OutOfTime):
        state, reasons = State.NO_TIME, (str(error),)
    else:
        words = error if isinstance(error, str) else f"{type(error).__name__}: {error}"
        state, reasons = State.ERROR, (printable_lines(words),)
    return Outcome(name=bundle.name, below=bundle.below, key=bundle.key, state=state, reasons=reasons)


def _stock(studies: Sequence[Study]) -> tuple[Stock, ...]:
    return tuple(
        Stock(kind=kind, shape=shape, size=size, sections=len(of), length_ft=round(sum(s.length_ft for s in of), 6))
        for (kind, shape, size), of in sections_by_size(studies).items()
    )


def _tight(study: Study) -> tuple[TightRoom, ...]:
    runs = {run.name: run for run in study.tree.runs}
    worst: dict[str, TightRoom] = {}
    for spare in sorted(study.sized.headroom if study.sized else (), key=lambda h: h.extra_pct):
        if math.isfinite(spare.extra_pct) and runs[spare.run].side == "supply":
            room, pct = "; ".join(runs[spare.run].rooms), round(spare.extra_pct, 6)
            tight = TightRoom(room=room, run=spare.run, extra_pct=pct, limit=spare.limit, variant=str(spare.variant))
            worst.setdefault(key_of(room), tight)
    return tuple(worst.values())[:ROOMS_LISTED]


def _off(got: Delivered, rooms: tuple[str, ...]) -> tuple[OffRoom, ...]:
    off = np.nan_to_num(np.abs(got.room_off_pct), nan=0.0)
    worst = off.max(axis=0, initial=0.0)
    found = []
    for n in np.argsort(-worst, kind="stable")[:ROOMS_LISTED]:
        v = int(off[:, n].argmax())
        if worst[n] > 0.0:
            flow, design = (round(float(of[v, n]), 6) for of in (got.room_cfm, got.room_design_cfm))
            variant = str(got.variants.variants[v])
            found.append(OffRoom(room=rooms[n], airflow_cfm=flow, design_cfm=design, variant=variant))
    return tuple(found)


def _number(value: float) -> float | None:
    return round(value, 6) if math.isfinite(value) else None
