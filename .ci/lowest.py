"""Print the lowest versions that pyproject.toml declares, as pins for pip: `numpy>=1.26` comes out as `numpy==1.26`."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

from packaging.requirements import Requirement

PROJECT = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def pins(requirements: list[str]) -> Iterator[str]:
    for text in requirements:
        requirement = Requirement(text)
        if requirement.name == PROJECT["name"]:  # its own extras
            for extra in sorted(requirement.extras):
                yield from pins(PROJECT["optional-dependencies"][extra])
            continue
        lowest = [part.version for part in requirement.specifier if part.operator in (">=", "==", "~=")]
        if len(lowest) != 1:
            raise SystemExit(f"pyproject.toml: {text!r} declares no lowest version")
        yield f"{requirement.name}=={lowest[0]}"


print("\n".join(pins([*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]])))
