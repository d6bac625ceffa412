"""Many plans, end to end: every plan studied, kept, and put together into one workbook."""

from __future__ import annotations

import json
import os
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path

from tractduct.delivery.predict import Delivered, installed_ducts, predict
from tractduct.errors import InputFaults, OutOfTime, SolverError
from tractduct.files import code_key
from tractduct.inputs.reader import load_plan
from tractduct.model.plan import Plan
from tractduct.network.systems import plans_by_system
from tractduct.one_plan import Progress, study
from tractduct.portfolio.find import Bundle, Place, read_bundle
from tractduct.portfolio.outcome import Outcome, State, outcome_of, outcome_of_error
from tractduct.portfolio.pool import ClusterError, Pool, answers_of_cluster
from tractduct.portfolio.stock import StockList, StockPlan, stock_plan
from tractduct.portfolio.stock_search import stock_list
from tractduct.portfolio.store import OUTCOME_FILE, Packed, Store
from tractduct.report import Report, Wanted, work_out
from tractduct.sizing.case import build_case
from tractduct.systems import HouseReport, work_out_house
from tractduct.version import VERSION
from tractduct.writers.portfolio_book import write_portfolio
from tractduct.writers.results import RESULTS_FILE, results_text
from tractduct.writers.stock_words import stock_lines, stock_text
from tractduct.writers.together import files_below

WORKBOOK_FILE, STOCK_FILE = "all-plans.xlsx", "stock.json"
DIED = "the process that studied it died, most likely for want of memory"


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What to do with each plan.

    Attributes
    ----------
    quick : leave out the trade-off and the comparisons; of what is delivered, show it with open dampers only
    predicted : predict the delivered airflow
    workbooks : write each plan's own workbook and pictures
    time_limit_s : for each search
    code : what the program's own source is, so that nothing counts as done once that has changed
    """

    quick: bool = False
    predicted: bool = False
    workbooks: bool = False
    time_limit_s: float | None = None
    code: str = field(default_factory=code_key)

    @property
    def text(self) -> str:
        """Part of a result's key."""
        return json.dumps({"program": VERSION, **asdict(self)}, sort_keys=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """How a batch ended: what to tell, and how many plans failed in which way."""

    text: str
    errors: int
    faults: int
    without_set: int


def run_batch(
    places: Sequence[Place],
    store: Store,
    options: Options,
    *,
    pool: Pool,
    cluster: str | None = None,
    fresh: bool = False,
    progress: Callable[[int, int], None] = lambda done, done_before: None,
) -> None:
    """Study every plan that is not done yet and keep what comes of it.

    Parameters
    ----------
    pool : the processes that do the work
    cluster : address of a Dask scheduler, whose workers do it instead
    fresh : do every plan again
    progress : called after each plan with those done in all, and those that were done before

    Raises OutputError where a result can't be written and ClusterError where the cluster fails; what was done
    stays.
    """
    waiting = [
        place for place in places if fresh or not store.is_done(place.name, read_bundle(place, options.text).key)
    ]
    done = before = len(places) - len(waiting)
    progress(done, before)
    bundles = (read_bundle(place, options.text) for place in waiting)
    work = partial(study_bundle, options=options)
    answers = pool.answers(work, bundles, _died) if cluster is None else answers_of_cluster(work, bundles, cluster)
    with closing(answers) as coming:
        for packed in coming:
            store.save(packed)
            done += 1
            progress(done, before)


def finish_batch(
    places: Sequence[Place],
    store: Store,
    options: Options,
    *,
    pool: Pool,
    stock: bool = False,
    workbook: bool = True,
    progress: Progress = lambda what, done, total: None,
) -> End:
    """The workbook and the stock list of all plans, from what is kept of each under these options."""
    written = []
    found: StockList | None = None
    if stock:
        found = _stock_list(places, store, options, pool, progress)
        written.append(store.write(STOCK_FILE, stock_text(found).encode()))
    if workbook:
        progress("workbook", 0, 1)
        with tempfile.TemporaryDirectory(prefix="tractduct-") as scratch:
            book = Path(scratch, WORKBOOK_FILE)
            write_portfolio(_kept(places, store), book, found)
            written.append(store.write(WORKBOOK_FILE, book.read_bytes()))
    return _told(places, store, written, found)


def _kept(places: Sequence[Place], store: Store) -> Iterator[Outcome]:
    """Outcomes one after another, so that only one is in memory."""
    yield from (outcome for place in places if (outcome := store.outcome(place.name)) is not None)


def _told(places: Sequence[Place], store: Store, written: Sequence[Path], stock: StockList | None) -> End:
    states: Counter[State] = Counter()
    failed = []
    for outcome in _kept(places, store):
        states[outcome.state] += 1
        if outcome.failed:
            tail = f" (and {len(outcome.reasons) - 1} more)" if len(outcome.reasons) > 1 else ""
            failed.append(f"  {outcome.below}: {outcome.state.value}: {next(iter(outcome.reasons), '')}{tail}")
    lines = [f"{len(places)} plans: " + ", ".join(f"{states[s]} {s.value}" for s in State if states[s]) + "."]
    lines += failed
    if store.unusable:
        name, why = next(iter(store.unusable.items()))
        lines.append(
            "Earlier results that could not be used and were made again: "
            f"{len(store.unusable)}, such as {name}/{OUTCOME_FILE}: {why}."
        )
    if stock is not None:
        lines += ["", *stock_lines(stock)]
    lines += ["", "Written: " + ", ".join([f"{store.folder}/<plan>/", *map(str, written)])]
    return End(
        text="\n".join(lines),
        errors=states[State.ERROR] + states[State.NO_TIME],
        faults=states[State.FAULTS],
        without_set=states[State.NO_SET],
    )


def study_bundle(bundle: Bundle, options: Options) -> Packed:
    """One plan's outcome and files; whatever goes wrong with the plan is an outcome too.

    ClusterError on a machine whose program is not that of the options: its results would count as theirs.
    """
    if options.code != code_key():
        raise ClusterError("a worker has other code of tractduct than the program that asked")
    try:
        return _studied(bundle, options)
    except Exception as error:
        if os.environ.get("TRACTDUCT_DEBUG") and not isinstance(error, (InputFaults, OutOfTime)):
            raise
        return Packed(outcome=outcome_of_error(bundle, error), files={})


def _died(bundle: Bundle) -> Packed:
    return Packed(outcome=outcome_of_error(bundle, DIED), files={})


def _studied(bundle: Bundle, options: Options) -> Packed:
    with tempfile.TemporaryDirectory(prefix="tractduct-") as scratch:
        folder = Path(scratch, bundle.name)
        folder.mkdir()
        bundle.unpack(folder)
        report = _report(load_plan(folder), options)
        reports = report.reports if isinstance(report, HouseReport) else (report,)
        delivered = [_open_dampers(one, options) for one in reports]
        if options.workbooks:
            from tractduct.writers.output import write_house, write_report

            written = Path(scratch, "written")
            if isinstance(report, HouseReport):
                write_house(report, written, only=("plan",))
            else:
                write_report(report, written, only=("plan",))
            files = {name: (written / name).read_bytes() for name in files_below(written)}
        else:
            files = {RESULTS_FILE: results_text(report, delivered).encode()}
    return Packed(outcome=outcome_of(bundle, report, delivered), files=files)


def _report(plan: Plan, options: Options) -> Report | HouseReport:
    wanted = Wanted(time_limit_s=options.time_limit_s, predicted=options.predicted)
    if plan.systems:
        return work_out_house(plan, wanted, quick=options.quick)
    if options.quick:
        return Report(study=study(plan, time_limit_s=options.time_limit_s, quick=True))
    return work_out(plan, wanted)


def _open_dampers(report: Report, options: Options) -> Delivered | None:
    """What is delivered with open dampers, where that was asked for and there is a set."""
    if report.delivery is not None:
        return report.delivery.open_dampers
    if not (options.quick and options.predicted) or report.study.sized is None:
        return None
    case = report.study.case
    return predict(case, installed_ducts(case, report.study.sized.size_index))


def _stock_list(places: Sequence[Place], store: Store, options: Options, pool: Pool, progress: Progress) -> StockList:
    """Over all plans that have a size set."""
    sized = [outcome.name for outcome in _kept(places, store) if not outcome.failed]
    of = {place.name: place for place in places}
    tasks = ((read_bundle(of[name], options.text), store.outcome(name)) for name in sized)
    progress("stock: plans", 0, len(sized))
    plans: dict[str, StockPlan] = {}
    with closing(pool.answers(_stock_plan, tasks, _no_stock_plan)) as coming:
        for name, plan in coming:
            plans[name] = plan
            progress("stock: plans", len(plans), len(sized))
    each, said = [plans[name] for name in sized], partial(progress, "stock: sizes")
    return stock_list(each, pool=pool, time_limit_s=options.time_limit_s, progress=said)


def _stock_plan(task: tuple[Bundle, Outcome | None]) -> tuple[str, StockPlan]:
    """A plan's part of the stock list, with the sets that its study found unless the plan has changed since."""
    bundle, outcome = task
    with tempfile.TemporaryDirectory(prefix="tractduct-") as scratch:
        bundle.unpack(Path(scratch))
        plan = load_plan(Path(scratch))
    cases = [build_case(one) for one in (plans_by_system(plan) if plan.systems else (plan,))]
    if outcome is None or outcome.key != bundle.key:
        return bundle.name, stock_plan(cases, plan.name)
    return bundle.name, stock_plan(cases, plan.name, (outcome.least_set, outcome.size_set), outcome.least_bound or 0.0)


def _no_stock_plan(task: tuple[Bundle, Outcome | None]) -> tuple[str, StockPlan]:
    raise SolverError(f"{task[0].below}: {DIED}, so that no stock list can be made. Try again with fewer --jobs")
