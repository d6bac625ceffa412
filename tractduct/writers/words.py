"""Numbers and names in the words that sheets, pages and the command line share."""

from __future__ import annotations

from collections.abc import Sequence


def counted(number: int, word: str, plural: str = "") -> str:
    """A number with its word, in the plural where it is not one."""
    return f"{number} {word if number == 1 else plural or word + 's'}"


def named(words: Sequence[str], most: int = 6) -> str:
    """Words in a row, the rest counted."""
    more = f" and {len(words) - most} more" if len(words) > most else ""
    return ", ".join(words[:most]) + more
