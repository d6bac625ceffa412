"""The version, as the package's metadata has it."""

from importlib.metadata import PackageNotFoundError, version

try:
    VERSION = version("tractduct")
except PackageNotFoundError:  # run from a source tree that was never installed
    VERSION = "0 (not installed)"
