"""Names for files."""

from __future__ import annotations

import re
import sys
import unicodedata

_RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in "123456789¹²³")}
_MOST_BYTES = 150  # file systems take 255, of which endings need some


def file_name(text: str) -> str:
    """A name that every file system takes, from a plan's name or path.

    Texts that differ in case or in how an accent is written only, which some file systems hold for the same, give
    the same name. Letters that file names can't have here, as where the locale is ASCII, are left out.
    """
    plain = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())
    encoding = sys.getfilesystemencoding()
    known = plain.encode(encoding, "replace").decode(encoding)
    name = re.sub(r"[^\w]+", "-", known, flags=re.UNICODE).strip("-_")[:60]
    name = name.encode(errors="ignore")[:_MOST_BYTES].decode(errors="ignore")
    return f"{name}-plan".strip("-") if not name or name in _RESERVED else name
