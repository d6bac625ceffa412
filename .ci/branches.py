"""What part of the package's branches the tests took: fails below the least that pyproject.toml allows."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import tomllib
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[1]
RULES = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["tractduct-branches"]

with tempfile.TemporaryDirectory() as folder:
    report = Path(folder) / "coverage.json"
    subprocess.run([sys.executable, "-m", "coverage", "json", "--quiet", "-o", report], cwd=ROOT, check=True)
    files = json.loads(report.read_text(encoding="utf-8"))["files"]

taken: Counter[str] = Counter()
there: Counter[str] = Counter()
for name, file in files.items():
    part = Path(name).relative_to("tractduct").parts[0].removesuffix(".py")
    taken[part] += file["summary"]["covered_branches"]
    there[part] += file["summary"]["num_branches"]

low = []
for rule in RULES:
    for part in rule["parts"]:
        if not there[part]:
            raise SystemExit(f"no branch of {part} was seen: is it still there?")
        print(f"{part}: {100.0 * taken[part] / there[part]:.1f} % of {there[part]} branches")
    percent = 100.0 * sum(taken[part] for part in rule["parts"]) / sum(there[part] for part in rule["parts"])
    print(f"{rule['name']} together: {percent:.1f} %, at least {rule['least_pct']} % wanted")
    if percent < rule["least_pct"]:
        low.append(rule["name"])
if low:
    raise SystemExit(f"too few branches taken: {', '.join(low)}")
