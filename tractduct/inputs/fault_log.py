"""Faults and findings, collected while reading so that one pass reports them all."""

from __future__ import annotations

from functools import partialmethod
from typing import Unpack

from tractduct.errors import Fault, InputFaults, Place
from tractduct.findings import Finding, Severity
from tractduct.inputs.cells import sentence
from tractduct.inputs.limits import MAX_FAULTS
from tractduct.inputs.schema import Field
from tractduct.model.plan import Untyped


class FaultLog:
    """What reading has found so far.

    ``unread`` names the tables that can't be read: what hangs on them is not checked. ``derived`` and ``assumed`` are
    the values that nobody typed.
    """

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self.findings: list[Finding] = []
        self.unread: set[str] = set()
        self.derived: list[Untyped] = []
        self.assumed: list[Untyped] = []
        self._known: set[Fault] = set()

    def fault(self, file: str, problem: str, remedy: str, **place: Unpack[Place]) -> None:
        self.add(Fault(file=file, problem=problem, remedy=remedy, **place))

    def add(self, fault: Fault) -> None:
        """Note a fault, once. InputFaults where there are so many that reading on helps nobody."""
        if fault in self._known:
            return
        self._known.add(fault)
        self.faults.append(fault)
        if len(self.faults) >= MAX_FAULTS:
            problem = f"reading stopped here, at {MAX_FAULTS:,} faults"
            rest = Fault(file=fault.file, problem=problem, remedy="Correct what these have in common first")
            raise InputFaults([*self.faults, rest])

    def derive(self, what: str, where: str, value: str, rule: str) -> None:
        self.derived.append(Untyped(what=what, where=where, value=value, rule=rule))

    def assume(self, what: str, where: str, value: str, rule: str) -> None:
        self.assumed.append(Untyped(what=what, where=where, value=value, rule=rule))

    def _find(self, severity: Severity, rule: str, subject: str, message: str, advice: str) -> None:
        self.findings.append(Finding(severity, rule, subject, message, advice))

    warning = partialmethod(_find, Severity.WARNING)
    caution = partialmethod(_find, Severity.CAUTION)
    note = partialmethod(_find, Severity.NOTE)

    def unusual(self, place: str, column: str, field: Field, value: float) -> None:
        """A caution where a value is allowed but outside what such plans have."""
        if field.usual and value != 0.0 and not field.usual[0] <= value <= field.usual[1]:
            message = " ".join(f"{value:g} {field.unit}".split())
            message += f" is outside the usual {field.usual[0]:g} to {field.usual[1]:g}"
            self.caution("believable input", f"{place}, '{column}'", message, sentence(field.hint) or "Check the value")
