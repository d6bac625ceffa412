"""Text from input in a CSV file: it must not act when a spreadsheet opens the file."""

from __future__ import annotations

_ACTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def harmless(text: str) -> str:
    """The text, with an apostrophe before it where a spreadsheet would take it for a formula."""
    return "'" + text if text.lstrip(" ").startswith(_ACTS) else text
