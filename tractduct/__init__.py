"""One duct size set for every orientation, season and flex product of a production house plan.

>>> import tractduct
>>> result = tractduct.study("configs/brindlecote-2670")      # doctest: +SKIP
>>> tractduct.tables.size_schedule(result)                    # doctest: +SKIP
"""

from __future__ import annotations

import sys
from types import ModuleType

TYPE_CHECKING = False  # as in typing, which would be imported before anything can be done about the keyboard
if TYPE_CHECKING:
    from collections.abc import Iterable

    from tractduct.delivery.deliver import Delivery, deliver
    from tractduct.errors import InputFaults, SolverError, TractductError
    from tractduct.inputs.plan import Plan
    from tractduct.inputs.reader import load_plan
    from tractduct.study import Study, study
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
_HOMES = {
    "Delivery": "tractduct.delivery.deliver:Delivery",
    "InputFaults": "tractduct.errors:InputFaults",
    "Plan": "tractduct.inputs.plan:Plan",
    "SolverError": "tractduct.errors:SolverError",
    "Study": "tractduct.study:Study",
    "TractductError": "tractduct.errors:TractductError",
    "__version__": "tractduct.version:VERSION",
    "deliver": "tractduct.delivery.deliver:deliver",
    "delivery_tables": "tractduct.writers.delivery_tables",
    "load_plan": "tractduct.inputs.reader:load_plan",
    "study": "tractduct.study:study",
    "tables": "tractduct.writers.tables",
}


class _Package(ModuleType):
    """Imports a public name when it is first asked for, so that a command which needs none answers at once."""

    def __getattr__(self, name: str) -> object:
        if name not in _HOMES:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
        from pkgutil import resolve_name

        value: object = resolve_name(_HOMES[name])
        setattr(self, name, value)
        return value

    def __setattr__(self, name: str, value: object) -> None:
        # whoever imports the module of that name first: the public name is the function
        super().__setattr__(name, getattr(value, name) if name == "study" and isinstance(value, ModuleType) else value)

    def __dir__(self) -> Iterable[str]:
        return sorted({*super().__dir__(), *_HOMES})


sys.modules[__name__].__class__ = _Package
