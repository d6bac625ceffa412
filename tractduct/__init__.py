"""One duct size set for every orientation, season and flex product of a production house plan.

>>> import tractduct
>>> result = tractduct.study("configs/brindlecote-2670")      # doctest: +SKIP
>>> tractduct.tables.size_schedule(result)                    # doctest: +SKIP
"""

from tractduct.delivery.deliver import Delivery, deliver
from tractduct.errors import InputFaults, SolverError, TractductError
from tractduct.inputs.plan import Plan
from tractduct.inputs.reader import load_plan
from tractduct.one_plan import Study, study
from tractduct.version import VERSION as __version__
from tractduct.writers import delivery_tables, tables

__all__ = [
    "Delivery",
    "InputFaults",
    "Plan",
    "SolverError",
    "Study",
    "TractductError",
    "__version__",
    "deliver",
    "delivery_tables",
    "load_plan",
    "study",
    "tables",
]
