"""The command line: tractduct study, batch, fit, check, airflow and new."""

from __future__ import annotations

import argparse
import gc
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from tractduct.errors import Fault, InputFaults, OutputError, TractductError, printable, printable_lines
from tractduct.units import SYSTEMS, UnitSystem
from tractduct.version import VERSION

if TYPE_CHECKING:
    from tractduct.delivery.predict import Drive
    from tractduct.model.plan import Plan

DONE, UNEXPECTED, BAD_INPUT, NO_SET = 0, 1, 2, 3
DEBUG_VARIABLE = "TRACTDUCT_DEBUG"
_PLAN_HELP = "a workbook, a plan folder, or its plan.toml"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Returns 0 done, 2 the input or the command has a fault, 3 no size set holds, 1 anything else.
    """
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # it is closed, and the next file that is opened would be taken for it
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8", newline="\n"))  # noqa: SIM115, stays open
        stream = getattr(sys, name)
        if hasattr(stream, "reconfigure"):  # a console of another encoding must not stop the program
            stream.reconfigure(errors="replace")
    try:
        return _answered(arguments)
    finally:
        for stream in (sys.stdout, sys.stderr):
            try:
                stream.flush()
            except OSError:  # said already, where that could be; at its end the interpreter would try again
                with suppress(OSError):
                    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _answered(arguments: Sequence[str] | None) -> int:
    """Run one command; whatever goes wrong is said."""
    try:
        try:
            options = build_parser().parse_args(arguments)
            code = int(options.run(options))
        except SystemExit:  # --help and the like
            _say(end="")
            raise
        _say(end="")
        return code
    except InputFaults as faults:
        for fault in faults.faults:
            _say(fault, file=sys.stderr)
        n = len(faults.faults)
        _say(f"{n} fault{'s' if n != 1 else ''} in the input; nothing was written.", file=sys.stderr)
        return BAD_INPUT
    except TractductError as error:
        _say(error, file=sys.stderr)
        return UNEXPECTED
    except KeyboardInterrupt:
        _say("Stopped; nothing was written.", file=sys.stderr)
        return UNEXPECTED
    except BrokenPipeError:  # the reader of a pipe left
        return UNEXPECTED
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        _say(
            f"Something unexpected went wrong ({type(error).__name__}: {error}). This is a fault in the "
            f"program: please report it with the plan. {DEBUG_VARIABLE}=1 shows where.",
            file=sys.stderr,
        )
        return UNEXPECTED


def _say(text: object = "", file: TextIO | None = None, end: str = "\n") -> None:
    """Print without what a terminal would act on: paths and names of files may hold anything.

    OutputError where it can't be written, unless that is where errors are said.
    """
    try:
        print(printable_lines(text), file=file, end=end, flush=True)
    except OSError as error:
        if file is not None:
            return
        if isinstance(error, BrokenPipeError):
            raise
        raise OutputError(
            f"What was found can't be shown ({error.strerror or error}). Send the output to another place"
        ) from None


def build_parser() -> argparse.ArgumentParser:
    """All commands and their options; docs/commands.md is made from it."""
    parser = argparse.ArgumentParser(
        prog="tractduct",
        description="One duct size set for every orientation, season and flex product of a house plan.",
        epilog="Exit codes: 0 done, 2 the input or the command has a fault, 3 no size set holds, 1 other.",
    )
    parser.add_argument("--version", action="version", version=f"tractduct {VERSION}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    _add_study(commands)
    _add_batch(commands)

    fit = commands.add_parser(
        "fit",
        help="roughness and derate from a product's friction table",
        description="Fit one roughness and one airflow derate to a published friction table (columns size_in, "
        "airflow_cfm, friction_rate_inwc_per_100ft; or loss_inwc with length_ft, as measured on site). Print the "
        "fit, write a row for the ducts table and a picture of data against fit. A table in SI has size_mm, "
        "airflow_l_s, friction_rate_pa_per_m; or loss_pa with length_m.",
        epilog="Example: tractduct fit data-sheet.csv --name flex_c",
    )
    fit.add_argument("table", type=Path, metavar="TABLE", help="a .csv or .xlsx file (a sheet by FILE#SHEET)")
    fit.add_argument("--name", metavar="NAME", help="name of the product (default: the file's)")
    fit.add_argument(
        "--derate",
        type=_per_cent,
        metavar="PCT",
        help="hold the airflow derate at this instead of finding it; needed where the table has one size only",
    )
    fit.add_argument("--out", type=Path, metavar="DIR", default=Path("."), help="where to write (default: here)")
    fit.set_defaults(run=_fit)

    check = commands.add_parser(
        "check",
        help="check a plan and report all its faults",
        description="Read a plan, check all of it, its lots too, and report every fault at once, and what to look at "
        "before it is sized; then what was worked out and assumed, and its first numbers. Writes nothing.",
        epilog="Example: tractduct check configs/brindlecote-2670",
    )
    check.add_argument("plan", type=Path, metavar="PLAN", help=_PLAN_HELP)
    check.set_defaults(run=_check)

    airflow = commands.add_parser(
        "airflow",
        help="read room airflow out of printed tables",
        description="Read room airflow out of tables as load calculations print them, in rows or columns, by front, "
        "and write the plan's airflow table. Each front, season, room and unit must be said; what is not sure is "
        "refused. Sums are held against the blower's airflow and scaled to it.",
        epilog="Example: tractduct airflow house.xlsx loads.xlsx",
    )
    airflow.add_argument("plan", type=Path, metavar="PLAN", help=_PLAN_HELP)
    airflow.add_argument("files", nargs="+", metavar="FILE", help="a .csv or .xlsx file (one sheet by FILE#SHEET)")
    airflow.add_argument(
        "--out", type=Path, metavar="CSV", help="where to write (default: airflow.csv in the plan folder, "
        "house-airflow.csv beside house.xlsx)"
    )  # fmt: skip
    airflow.set_defaults(run=_airflow)

    new = commands.add_parser(
        "new",
        help="write a small plan to start from",
        description="Write a small plan that runs as it is, to be typed over: one workbook of seven short sheets.",
        epilog="Example: tractduct new house.xlsx",
    )
    new.add_argument(
        "place", type=Path, metavar="NAME", help="a workbook that does not exist yet; with --long a folder"
    )
    new.add_argument("--long", action="store_true", help="the long form: a folder of plan.toml and CSV files")
    new.add_argument(
        "--units", choices=SYSTEMS, default="ip", help="ip: cfm, in, ft, inWC (default); si: L/s, mm, m, Pa"
    )
    new.set_defaults(run=_new)
    return parser


def _add_study(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    study = commands.add_parser(
        "study",
        help="size a plan and write a file for each reader",
        description="Size a plan for all its variants, mark its dampers, compare its flex products, study what the "
        "direction of the front does, and write a file for each reader: the workbook of the plan, the order for "
        "purchasing, two pages a lot for crew and balancer, and results.json for other programs.",
        epilog="Example: tractduct study configs/brindlecote-2670",
    )
    study.add_argument("plan", type=Path, metavar="PLAN", help=_PLAN_HELP)
    study.add_argument("--out", type=Path, metavar="DIR", help="where to write (default: reports/<plan>)")
    study.add_argument(
        "--only",
        choices=("plan", "order", "lots", "readings"),
        action="append",
        help="write the files of one reader alone, beside results.json; may be given twice",
    )
    study.add_argument(
        "--seconds",
        type=_positive,
        metavar="S",
        help="time for each search of sizes; then the best found, with its bound (default: until proven)",
    )
    study.add_argument(
        "--driven-by",
        choices=("blower", "airflow", "pressure"),
        help="the plan's blower table, the design airflow held, or the plan's pressures held in the plenums "
        "(default: the blower table where there is one, else the airflow)",
    )
    study.add_argument(
        "--compressed",
        type=_per_cent,
        metavar="PCT",
        help="compression of flex to show beside the plan's own (default: 15)",
    )
    study.add_argument(
        "--installed", metavar="FLEX", help="flex product of lots for which none is named (default: the first approved)"
    )
    study.add_argument(
        "--lots",
        type=_whole,
        metavar="N",
        help="a number of lots to buy for besides (default: lots of [purchase], where the plan lists no lots)",
    )
    study.add_argument(
        "--most-packages",
        type=_count,
        default=4,
        metavar="K",
        help="most size sets to divide the fronts among; 0 leaves that out (default: 4)",
    )
    study.add_argument(
        "--prove",
        action="store_true",
        help="prove how much less sizes and dampers together could cost; for plans of up to some 15 sections, else it "
        "takes long and says little",
    )
    study.add_argument("--date", default="", metavar="TEXT", help="a date or revision for the foot of every file")
    study.set_defaults(run=_study)


def _add_batch(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    batch = commands.add_parser(
        "batch",
        help="study every plan below some folders",
        description="Study every plan below the folders, over several processes or machines. Each plan gets a folder "
        "with its results.json; one workbook shows all plans. Stop it as you like: the same command goes on where it "
        "stopped, and studies only plans whose files or options have changed, or the program.",
        epilog="Exit codes: 0 every plan has a size set, 3 some plan has none, 2 some plan's input has faults, 1 some "
        "plan met an unexpected error or ran out of time; of several, the first of 1, 2, 3. "
        "Example: tractduct batch plans --out reports/spring --stock",
    )
    batch.add_argument(
        "folders", type=Path, nargs="+", metavar="FOLDER", help="each plan.toml in or below it is a plan"
    )
    batch.add_argument("--out", type=Path, metavar="DIR", default=Path("reports/batch"), help="default: reports/batch")
    batch.add_argument("--jobs", type=_whole, metavar="N", help="processes (default: one a processor)")
    batch.add_argument("--fresh", action="store_true", help="study every plan again")
    batch.add_argument("--quick", action="store_true", help="leave out the trade-off and what standardizing costs")
    batch.add_argument("--predict", action="store_true", help="predict the delivered airflow too")
    batch.add_argument("--stock", action="store_true", help="find the stock list that serves all plans for least cost")
    batch.add_argument("--workbooks", action="store_true", help="write a workbook and pictures for each plan too")
    batch.add_argument("--no-workbook", action="store_true", help="leave out the workbook of all plans")
    batch.add_argument(
        "--seconds",
        type=_positive,
        metavar="S",
        help="time for each search of a plan, and for the stock list's; then the best found, with its bound",
    )
    batch.add_argument("--dask", metavar="ADDRESS", help="study on the workers of this Dask scheduler, tcp://host:8786")
    batch.set_defaults(run=_batch)


def _count(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError("must be a whole number")
    return int(text)


def _whole(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 100_000:
        raise argparse.ArgumentTypeError("must be a whole number from 1 to 100,000")
    return int(text)


def _per_cent(text: str) -> float:
    return _number(text, lambda value: 0.0 <= value <= 50.0, "a per cent from 0 to 50")


def _positive(text: str) -> float:
    return _number(text, lambda value: 0.0 < value < float("inf"), "a number of seconds above 0")


def _number(text: str, fits: Callable[[float], bool], what: str) -> float:
    with suppress(ValueError):
        value = float(text)
        if fits(value):
            return value
    raise argparse.ArgumentTypeError(f"must be {what}")


def _study(options: argparse.Namespace) -> int:
    gc.disable()  # one plan and done: looking for garbage, in the imports too, would cost a twentieth of the time
    # Imported here so that --help and usage faults answer at once.
    from tractduct.files import file_name, fingerprint
    from tractduct.inputs.reader import load_plan
    from tractduct.report import MadeFrom, Wanted, work_out
    from tractduct.systems import work_out_house
    from tractduct.writers.output import PARTS, write_house, write_report
    from tractduct.writers.summary import house_summary, summary, written_text

    plan = load_plan(options.plan)
    out = options.out or Path("reports") / file_name(plan.name)
    _refuse_plan_folder(options.out)
    _refuse_place_of(options.plan, out)
    wanted = Wanted(
        time_limit_s=options.seconds,
        bought=True,
        turned=True,
        drive=_drive(plan, options.driven_by),
        compressed_pct=options.compressed,
        installed=_installed(plan, options.installed),
        lots=options.lots,
        most_packages=options.most_packages,
        proved=options.prove,
    )
    try:
        made_from = MadeFrom(
            fingerprint=fingerprint(options.plan), options=json.dumps(asdict(wanted)), date=printable(options.date)[:60]
        )
    except OSError as error:  # it was read a moment ago
        raise OutputError(f"{options.plan}: it can't be read any more ({error.strerror or error})") from None
    only = options.only or PARTS
    with _bar() as show:
        if plan.systems:
            house = work_out_house(plan, wanted, show, made_from)
            show("files", 0, 1)
            each, best, said = write_house(house, out, only=only), house.recommended, house_summary(house)
        else:
            report = replace(work_out(plan, wanted, show), made_from=made_from)
            show("files", 0, 1)
            each, best, said = [write_report(report, out, only=only)], report.study.recommended, summary(report)
    for text in (said, *map(written_text, each)):
        _say(text)
    return DONE if best.size_index is not None else NO_SET


def _batch(options: argparse.Namespace) -> int:
    from tqdm import tqdm

    from tractduct.batch import Options, finish_batch, run_batch
    from tractduct.portfolio.find import find_plans
    from tractduct.portfolio.pool import Pool
    from tractduct.portfolio.store import InUse, Store

    _refuse_plan_folder(options.out)
    places = find_plans(options.folders, options.out)
    what = Options(
        quick=options.quick, predicted=options.predict, workbooks=options.workbooks, time_limit_s=options.seconds
    )
    jobs = min(options.jobs or os.cpu_count() or 1, max(len(places), 2))
    try:
        with Store(options.out) as store, Pool(jobs) as pool:
            form = "plans {bar:30} {n_fmt}/{total_fmt} {elapsed}, {remaining} left"
            with tqdm(total=len(places), disable=not sys.stderr.isatty(), bar_format=form) as plans:

                def count(done: int, done_before: int) -> None:
                    plans.initial, plans.n = done_before, done
                    plans.refresh()

                run_batch(places, store, what, pool=pool, cluster=options.dask, fresh=options.fresh, progress=count)
            with _bar() as show:
                book = not options.no_workbook
                end = finish_batch(places, store, what, pool=pool, stock=options.stock, workbook=book, progress=show)
    except InUse as error:
        _say(error, file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        _say("Stopped. What was done stays; the same command goes on from there.", file=sys.stderr)
        return UNEXPECTED
    _say(end.text)
    return UNEXPECTED if end.errors else BAD_INPUT if end.faults else NO_SET if end.without_set else DONE


def _refused(option: str, value: object, problem: str, remedy: str) -> InputFaults:
    """What an option can't be."""
    return InputFaults([Fault(file=option, value=str(value), problem=problem, remedy=remedy)])


def _refuse_plan_folder(out: Path | None) -> None:
    """Results among a plan's tables would be read as tables: a workbook's sheet may have a table's name.

    OutputError where there can be no such place, before anything is worked out.
    """
    from tractduct.files import PLAN_FILE

    try:
        if out is None or not (out / PLAN_FILE).exists():
            return
    except OSError as error:  # too long a name, no permission to look
        why = f"it can't be written ({error.strerror or error})"
        raise OutputError(f"{out}: {why}. Choose another folder with --out") from None
    raise _refused("--out", out, "this is a plan's own folder", "Choose another folder, or leave --out away")


def _refuse_place_of(plan: Path, out: Path) -> None:
    """A result's workbook may have the name of the plan's own, and take its place."""
    folder = plan.parent if os.path.isfile(plan) else plan
    if os.path.realpath(out) == os.path.realpath(folder):
        raise _refused("--out", out, "the plan lies in this folder", "Choose another folder with --out")


def _installed(plan: Plan, name: str | None) -> str:
    """The flex product that balancing sheets are for. InputFaults where the plan does not approve it."""
    from tractduct.inputs.cells import nearest
    from tractduct.model.words import by_key, key_of

    flex = plan.flex[0] if name is None else by_key(plan.flex).get(key_of(name))
    if flex is None:
        problem = "the plan approves no flex product of this name"
        raise _refused("--installed", name, problem, nearest(str(name), plan.flex))
    return flex


def _drive(plan: Plan, name: str | None) -> Drive | None:
    from tractduct.delivery.predict import Drive

    if name == "blower" and not plan.equipment.curves:
        remedy = "Add one to the plan, or choose airflow or pressure"
        raise _refused("--driven-by", name, "the plan has no blower table", remedy)
    return Drive(name) if name else None


def _fit(options: argparse.Namespace) -> int:
    from tractduct.files import file_name
    from tractduct.inputs.product_tables import fit_file
    from tractduct.writers.fit_report import draw_fit, duct_row, fit_text
    from tractduct.writers.together import written_together

    fitted = fit_file(str(options.table), options.name, options.derate)
    name, fit, units = fitted.name, fitted.fit, fitted.units
    for finding in fitted.findings:
        _say(finding)
    _say(fit_text(name, fitted.points, fit, list(fitted.rows), units))
    source = printable(Path(str(options.table).partition("#")[0]).name)
    row, picture = f"{file_name(name)}-duct.csv", f"{file_name(name)}-fit.png"
    with written_together(options.out, last=row) as beside:
        draw_fit(name, fitted.points, fit, beside / picture, units)
        (beside / row).write_text(duct_row(name, fit, source, units), encoding="utf-8", newline="\n")
    _say(f"Written: {options.out / row}, {options.out / picture}")
    return DONE


def _check(options: argparse.Namespace) -> int:
    from tractduct.findings import by_cause
    from tractduct.inputs.reader import load_plan
    from tractduct.model.plan import told_once
    from tractduct.network.systems import plans_by_system
    from tractduct.orientation.lots import lot_findings, lot_results
    from tractduct.sizing.case import build_case
    from tractduct.sizing.friction_rate import size_by_friction_rate
    from tractduct.sizing.practice import plan_findings

    plan = load_plan(options.plan)
    found = list(plan.findings)
    for part in plans_by_system(plan):
        case = build_case(part)
        found += plan_findings(case, size_by_friction_rate(case))
        found += lot_findings(part, lot_results(part, case.tree, {}))
    for finding in by_cause(found):
        _say(finding)
    for word, untyped in (("worked out", plan.derived), ("assumed", plan.assumed)):
        for what, places in told_once(untyped):
            _say(f"{word}: {what}, of {places}")
    runs = sum(section.is_run for section in plan.sections)
    _say(
        f"{plan.name}: no faults. {len(plan.rooms)} rooms, {len(plan.sections)} sections, {runs} of them "
        f"runs that end at a register or grille, {len(case.variants.variants)} variants."
    )
    for k, season in enumerate(plan.seasons):
        system = plan.airflow_cfm[:, :, k].sum(axis=-1)
        low, high = (plan.units.number(float(cfm), "cfm", ",.0f") for cfm in (system.min(), system.max()))
        _say(f"{season}: {low if low == high else f'{low} to {high}'} {plan.units.unit('cfm')} at the air handler")
    for kind in ("rigid", "flex"):
        length = sum(section.length_ft for section in plan.sections if section.kind == kind)
        _say(f"{kind} duct: {plan.units.say(length, 'ft', ',.0f')}")
    return DONE


def _airflow(options: argparse.Namespace) -> int:
    from tractduct.files import PLAN_FILE
    from tractduct.inputs.reader import printed_airflow
    from tractduct.writers.together import written_together

    plan: Path = options.plan
    found = printed_airflow(plan, options.files)
    is_book = os.path.isfile(plan) and plan.name != PLAN_FILE
    folder = plan.parent if os.path.isfile(plan) else plan
    path: Path = options.out or folder / (f"{plan.stem}-airflow.csv" if is_book else "airflow.csv")
    if os.path.lexists(path):
        remedy = "Move it away, or name another with --out"
        raise InputFaults([Fault(file=str(path), problem="there is something of this name already", remedy=remedy)])
    with written_together(path.parent, last=path.name) as beside:
        (beside / path.name).write_text(found.table, encoding="utf-8", newline="\n")
    for line in found.said:
        _say(line)
    _say(f"Written: {path}")
    if is_book:
        _say(f"To use it, add a row to the sheet plan: [tables] airflow, {path.name}")
    return DONE


def _new(options: argparse.Namespace) -> int:
    from tractduct.entry.template import write_template, write_workbook

    write = write_template if options.long else write_workbook
    written = write(options.place, UnitSystem(options.units))
    _say("Written: " + ", ".join(str(path) for path in written))
    _say(f"Try it: tractduct study {options.place if options.long else written[0]}")
    return DONE


@contextmanager
def _bar() -> Iterator[Callable[[str, int, int], None]]:
    """A progress bar on a terminal, shown only when the work takes longer than a moment.

    What is said to it: what is being done, steps done, steps in all.
    """
    from tqdm import tqdm

    form = "{desc:<18}{bar:30} {n_fmt}/{total_fmt} {elapsed}, {remaining} left"
    with tqdm(disable=not sys.stderr.isatty(), delay=1.0, leave=False, bar_format=form) as bar:

        def show(what: str, done: int, total: int) -> None:
            bar.set_description_str(what, refresh=False)
            bar.total, bar.n = max(total, 1), done
            bar.refresh()

        yield show
