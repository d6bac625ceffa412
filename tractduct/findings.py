"""What a person should look at: findings with a severity, from reading and from the study."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import partial

from tractduct.errors import ended


class Severity(IntEnum):
    """How urgent a finding is; sorts with the most urgent first."""

    WARNING = 0  # likely wrong or unsafe as drawn: settle it before building
    CAUTION = 1  # close to a limit or outside common practice: look at it
    NOTE = 2  # good to know

    @property
    def word(self) -> str:
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to look at.

    Attributes
    ----------
    rule : the topic, the same word for all findings of a kind
    subject : the section, run, room or file; ``room`` names the room where it is about one
    message, advice : what is so, and what to do about it
    cause : findings of one rule and cause are told as one, the first of them leading; empty: each for itself
    amount : in a few words what is so at this place, for where another leads
    air_cfm : air that a room may miss by it; the most first, among the equally urgent
    places : all subjects of one cause
    """

    severity: Severity
    rule: str
    subject: str
    message: str
    advice: str
    room: str = ""
    cause: str = ""
    amount: str = ""
    air_cfm: float = 0.0
    places: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.severity.word}: {self.subject}: {self.message}. {ended(self.advice)}"


# A finding of each severity by its rule, subject, message and advice.
warning, caution, note = (partial(Finding, severity) for severity in Severity)


def by_cause(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Each cause once with all its places, the most urgent first, then those that cost the most air."""
    gathered: dict[tuple[object, ...], list[Finding]] = {}
    for number, finding in enumerate(findings):
        key = (finding.severity, finding.rule, finding.cause) if finding.cause else (number,)
        gathered.setdefault(key, []).append(finding)
    told = []
    for first, *others in gathered.values():
        message = first.message
        if others:
            also = [f"{other.subject} ({other.amount})" if other.amount else other.subject for other in others]
            message += f". The same at {', '.join(also)}"
        told.append(
            replace(
                first,
                message=message,
                air_cfm=max(f.air_cfm for f in (first, *others)),
                places=(first.subject, *(other.subject for other in others)),
            )
        )
    return tuple(sorted(told, key=lambda f: (f.severity, -f.air_cfm)))
