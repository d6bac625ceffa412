"""A command in a process of its own, and the memory that it takes."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

# Memory is that of the process alone; what getrusage tells of a child counts its parent's too, from before it
# became another program.
MEASURED = """
import re, resource, sys
from tractduct.cli import main
code = main(sys.argv[1:])
try:
    peak = int(re.search("VmHWM:\\\\s*([0-9]+)", open("/proc/self/status").read())[1]) / 1024
except OSError:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)
print(f"peak {peak:.0f} MB", file=sys.stderr)
sys.exit(code)
"""


def run_measured(*arguments: str | Path, most_mb: int) -> tuple[int, str]:
    """Exit code and stderr of a command that may hold so much memory at most, and show no traceback."""
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
    )
    peak = re.search("peak ([0-9]+) MB", done.stderr)
    assert peak, done.stderr
    assert int(peak[1]) <= most_mb, done.stderr[-300:]
    assert "Traceback" not in done.stderr
    return done.returncode, done.stderr
