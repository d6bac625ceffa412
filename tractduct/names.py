"""Names for files."""

from __future__ import annotations

import re

_RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in "123456789¹²³")}
_MOST_BYTES = 150  # file systems take 255, of which endings need some


def file_name(text: str) -> str:
    """A name that every file system takes, from a plan's name or path."""
    name = re.sub(r"[^\w]+", "-", text.casefold(), flags=re.UNICODE).strip("-_")[:60]
    name = name.encode(errors="ignore")[:_MOST_BYTES].decode(errors="ignore")
    return f"{name}-plan".strip("-") if not name or name in _RESERVED else name
