"""What a person should look at: findings with a severity, from reading and from the study."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from tractduct.errors import ended


class Severity(IntEnum):
    """How urgent a finding is; sorts with the most urgent first."""

    WARNING = 0  # likely wrong or unsafe as drawn: settle it before building
    CAUTION = 1  # close to a limit or outside common practice: look at it
    NOTE = 2  # good to know

    @property
    def word(self) -> str:
        return self.name.lower()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing to look at. ``subject`` names the section, run, room or file; ``rule`` says the topic."""

    severity: Severity
    rule: str
    subject: str
    message: str
    advice: str

    def __str__(self) -> str:
        return f"{self.severity.word}: {self.subject}: {self.message}. {ended(self.advice)}"
