"""The version, as the package's metadata has it, and what the code is."""

from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

try:
    VERSION = version("tractduct")
except PackageNotFoundError:  # run from a source tree that was never installed
    VERSION = "0 (not installed)"


@cache
def code_key() -> str:
    """A hash of the package's source: two programs of one version number need not be the same."""
    import hashlib  # not for every command

    package = Path(__file__).parent
    digest = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        for part in (path.relative_to(package).as_posix().encode(), path.read_bytes()):
            digest.update(len(part).to_bytes(8, "big"))
            digest.update(part)
    return digest.hexdigest()
