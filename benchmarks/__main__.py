"""All benchmarks: ``python -m benchmarks`` prints their tables, writes ``reports/benchmarks.json``.

Each part runs in a process of its own, one after another, so that none warms up another: ``python -m
benchmarks.PART`` runs one alone. A part that fails, say for want of a package, is named at the end and leaves the
others standing.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

PARTS = {
    "solver": "least cost and trade-off against the naive program and CP-SAT",
    "options": "least cost of ten houses with options against one house",
    "airflow": "delivered airflow against a general solver and a network engine",
    "front": "sizes and dampers searched together against one prediction",
    "marks": "damper marks against one prediction, classes against variants",
    "demo": "the demo command against import and plain writing, and by phase; all losses",
    "portfolio": "many plans: phases, growth, processes, the stock list",
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)} (default: all)")
    parser.add_argument("--quick", action="store_true", help="small inputs, to see that everything runs")
    parser.add_argument("--json", type=Path, default=Path("reports/benchmarks.json"))
    args = parser.parse_args()
    unknown = set(args.parts) - set(PARTS)
    if unknown:
        parser.error(f"no part {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
    measured: dict[str, object] = {}
    failed = []
    with tempfile.TemporaryDirectory() as scratch:
        for part in args.parts or PARTS:
            print(f"== {part}: {PARTS[part]}", flush=True)
            written = Path(scratch, f"{part}.json")
            command = [sys.executable, "-m", f"benchmarks.{part}", "--json", str(written)]
            ended = subprocess.run(command + ["--quick"] * args.quick, check=False)
            if ended.returncode == 0 and written.exists():
                measured[part] = json.loads(written.read_text(encoding="utf-8"))
            else:
                failed.append(part)
            print(flush=True)
    args.json.parent.mkdir(parents=True, exist_ok=True)
    args.json.write_text(json.dumps(measured, indent=1) + "\n", encoding="utf-8")
    print(f"wrote {args.json}" + (f"; failed: {', '.join(failed)}" if failed else ""))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
