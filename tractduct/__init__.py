"""One duct size set for every orientation, season and flex product of a production house plan.

A plan folder is read by ``load_plan`` and sized by ``study``. What is sized goes on to

- ``deliver``: the airflow that each room will get, balanced and not, and with another flex than planned;
- ``buy``: flex products compared, what to drop first from stock, purchase lists;
- ``study_orientation``: what the direction of the front does; ``deliver_lots``: how each lot is balanced.

``write`` leaves what the command line would. ``tables``, ``delivery_tables``, ``orientation_tables`` and
``purchasing_tables`` give the data of its sheets as pandas DataFrames, one function each, in the core's units. Anything
that this program raises on purpose is a ``TractductError``; ``InputFaults``, of a plan that can't be read, is a
``ValueError`` too and has every fault that was found.

Examples
--------
The small plan that ``tractduct new`` writes:

>>> from pathlib import Path
>>> from tempfile import TemporaryDirectory
>>> import tractduct
>>> from tractduct.entry.template import write_template
>>> with TemporaryDirectory() as folder:
...     written = write_template(Path(folder) / "my-plan")
...     plan = tractduct.load_plan(Path(folder) / "my-plan")
>>> result = tractduct.study(plan, quick=True)
>>> result.status, len(result.size_set) == len(plan.sections)
('optimal', True)
>>> schedule = tractduct.tables.size_schedule(result)
>>> dict(zip(schedule["section"], schedule["size"])) == result.size_set
True
"""

from __future__ import annotations

# As in typing. Nothing is imported here before it is asked for, so that a command answers at once.
TYPE_CHECKING = False
if TYPE_CHECKING:  # what _HOMES says, for type checkers
    from tractduct.api import study
    from tractduct.delivery.deliver import Delivery, deliver
    from tractduct.delivery.lots import LotDelivery, deliver_lots
    from tractduct.errors import Fault, InputFaults, OutOfTime, OutputError, SolverError, TractductError
    from tractduct.findings import Finding, Severity
    from tractduct.inputs.reader import load_plan
    from tractduct.model.plan import Plan
    from tractduct.one_plan import Study
    from tractduct.orientation.study import OrientationStudy, study_orientation
    from tractduct.purchasing.buy import Buying, buy
    from tractduct.report import Report
    from tractduct.version import VERSION as __version__
    from tractduct.writers import delivery_tables, orientation_tables, purchasing_tables, tables
    from tractduct.writers.output import write_report as write

__all__ = [
    "Buying", "Delivery", "Fault", "Finding", "InputFaults", "LotDelivery", "OrientationStudy", "OutOfTime",
    "OutputError", "Plan", "Report", "Severity", "SolverError", "Study", "TractductError", "__version__", "buy",
    "deliver", "deliver_lots", "delivery_tables", "load_plan", "orientation_tables", "purchasing_tables", "study",
    "study_orientation", "tables", "write",
]  # fmt: skip
_HOMES = {  # public name -> module, or module:name, within this package
    "Buying": "purchasing.buy:Buying",
    "Delivery": "delivery.deliver:Delivery",
    "Fault": "errors:Fault",
    "Finding": "findings:Finding",
    "InputFaults": "errors:InputFaults",
    "LotDelivery": "delivery.lots:LotDelivery",
    "OrientationStudy": "orientation.study:OrientationStudy",
    "OutOfTime": "errors:OutOfTime",
    "OutputError": "errors:OutputError",
    "Plan": "model.plan:Plan",
    "Report": "report:Report",
    "Severity": "findings:Severity",
    "SolverError": "errors:SolverError",
    "Study": "one_plan:Study",
    "TractductError": "errors:TractductError",
    "__version__": "version:VERSION",
    "buy": "purchasing.buy:buy",
    "deliver": "delivery.deliver:deliver",
    "deliver_lots": "delivery.lots:deliver_lots",
    "delivery_tables": "writers.delivery_tables",
    "load_plan": "inputs.reader:load_plan",
    "orientation_tables": "writers.orientation_tables",
    "purchasing_tables": "writers.purchasing_tables",
    "study": "api:study",
    "study_orientation": "orientation.study:study_orientation",
    "tables": "writers.tables",
    "write": "writers.output:write_report",
}

if not TYPE_CHECKING:

    def __getattr__(name: str) -> object:
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from pkgutil import resolve_name

        globals()[name] = resolve_name(f"{__name__}.{_HOMES[name]}")
        return globals()[name]

    def __dir__() -> list[str]:
        return sorted({*globals(), *_HOMES})
