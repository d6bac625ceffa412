"""A command in a process of its own, and the memory that it takes."""

from __future__ import annotations

import atexit
import functools
import json
import subprocess
import sys
import tempfile
from pathlib import Path

# It imports once what commands import, and forks for each, before anything is read or solved. Memory is that of the
# fork alone; what getrusage tells of a child counts its parent's too, from before it was another process.
SERVER = """
import json, os, re, resource, signal, sys, traceback
import matplotlib.backends.backend_agg, openpyxl, scipy.optimize, tqdm
import tractduct.batch, tractduct.cli, tractduct.portfolio.find, tractduct.portfolio.store, tractduct.writers.output

def peak_mb():
    try:
        return int(re.search("VmHWM:\\\\s*([0-9]+)", open("/proc/self/status").read())[1]) / 1024
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)

for line in sys.stdin:
    arguments, said = json.loads(line)
    child = os.fork()
    if not child:
        signal.alarm(900)
        for descriptor, path in ((0, os.devnull), (1, os.devnull), (2, said)):
            os.dup2(os.open(path, os.O_RDWR), descriptor)
        code = 99
        try:
            code = tractduct.cli.main(arguments)
        except BaseException:
            traceback.print_exc()
        finally:
            print(f"peak {peak_mb():.0f} MB", file=sys.stderr, flush=True)
            os._exit(code)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


@functools.cache
def _server() -> subprocess.Popen[str]:
    server = subprocess.Popen(
        [sys.executable, "-W", "ignore", "-c", SERVER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    atexit.register(server.communicate)  # without input it ends
    return server


def run_measured(*arguments: str | Path, most_mb: int) -> tuple[int, str]:
    """Exit code and stderr of a command that may hold so much memory at most, and show no traceback."""
    server = _server()
    assert server.stdin
    assert server.stdout
    with tempfile.NamedTemporaryFile("r", encoding="utf-8") as told:
        print(json.dumps([[str(argument) for argument in arguments], told.name]), file=server.stdin, flush=True)
        code = int(server.stdout.readline())
        *lines, peak = told.read().splitlines() or [""]
    said = "\n".join(lines)
    assert peak.startswith("peak "), said + peak
    assert int(peak.split()[1]) <= most_mb, said + peak
    assert "Traceback" not in said
    return code, said
