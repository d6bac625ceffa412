"""What `import tractduct` offers: complete, documented, typed, and the same as what the command line does."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import subprocess
import sys
import tomllib
import types
import typing
from pathlib import Path

import pytest
from plan_folder import with_prices

import tractduct
from tractduct.cli import main
from tractduct.report import Wanted, work_out

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "tractduct"
TABLES = [name for name in tractduct.__all__ if name.endswith("tables")]
WITH_EXAMPLES = [path for path in sorted(PACKAGE.rglob("*.py")) if ">>> " in path.read_text(encoding="utf-8")]


def own_functions(module: types.ModuleType) -> list[types.FunctionType]:
    return [
        value
        for name, value in vars(module).items()
        if inspect.isfunction(value) and value.__module__ == module.__name__ and not name.startswith("_")
    ]


@pytest.mark.parametrize("name", tractduct.__all__)
def test_each_public_name_is_there_and_documented(name: str) -> None:
    thing = getattr(tractduct, name)
    assert name in dir(tractduct)
    if name == "__version__":
        assert thing == tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
        return
    functions = own_functions(thing) if inspect.ismodule(thing) else [thing] if inspect.isfunction(thing) else []
    assert functions or inspect.isclass(thing)
    for documented in (thing, *functions):
        assert len(documented.__doc__ or "") > 20, documented  # a dataclass without one would have its signature
        assert not (documented.__doc__ or "").startswith(f"{documented.__name__}("), documented
    for function in functions:
        assert set(typing.get_type_hints(function)) == {*inspect.signature(function).parameters, "return"}


def test_the_package_says_what_it_offers() -> None:
    functions = [name for name in tractduct.__all__ if inspect.isfunction(getattr(tractduct, name))]
    for name in (*functions, *TABLES):
        assert f"``{name}``" in (tractduct.__doc__ or "")
    assert {"buy", "deliver", "load_plan", "study", "study_orientation", "write"} <= set(functions)
    assert len(TABLES) == 4


def test_type_checkers_see_the_same_names() -> None:
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    (typed,) = [node for node in tree.body if isinstance(node, ast.If) and isinstance(node.test, ast.Name)]
    homes = {
        alias.asname or alias.name: (node.module, alias.name)
        for node in typed.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert sorted(homes) == sorted(tractduct.__all__)
    for name, (module, original) in homes.items():
        if name not in TABLES:
            assert getattr(importlib.import_module(str(module)), original) is getattr(tractduct, name)
    assert (PACKAGE / "py.typed").exists()


def test_no_public_name_is_that_of_a_module() -> None:
    """Else importing that module would put it in the function's place: `import tractduct.study` once did."""
    assert not {path.stem for path in PACKAGE.iterdir()} & set(tractduct.__all__)
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.stem != "__main__":
            importlib.import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
    assert inspect.isfunction(tractduct.study)


def test_nothing_is_imported_before_it_is_asked_for() -> None:
    code = "import sys, tractduct; print(*[n for n in sys.modules if n.startswith(('tractduct.', 'numpy', 'pandas'))])"
    found = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == ""


def test_a_name_that_is_not_there() -> None:
    with pytest.raises(AttributeError, match="module 'tractduct' has no attribute 'stduy'"):
        _ = tractduct.stduy  # type: ignore[attr-defined]


def test_faults_of_a_plan_are_value_errors(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"plan\.toml") as caught:
        tractduct.load_plan(tmp_path)
    assert isinstance(caught.value, tractduct.InputFaults)
    assert all(isinstance(fault, tractduct.Fault) for fault in caught.value.faults)


def test_write_leaves_what_the_command_line_does(plan, write_plan, tmp_path: Path) -> None:
    """Workbook, results, pages of the lots and purchase list: the same bytes, so that two runs agree too."""
    priced = with_prices(plan)
    priced.tables["lots"] = [{"lot": "1", "front_faces": "N", "flex": "granite"}]
    folder = write_plan(priced)
    plan = tractduct.load_plan(folder)
    for command, wanted in (("study", Wanted()), ("buy", Wanted(bought=True)), ("lots", Wanted(turned=True))):
        made = tractduct.write(work_out(plan, wanted), tmp_path / f"my {command}")
        assert all((made.folder / name).is_file() for name in made.names)
        assert main([command, str(folder), "--out", str(tmp_path / command)]) == 0
        ours, theirs = (
            {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*.*")}
            for folder in (tmp_path / f"my {command}", tmp_path / command)
        )
        assert ours == theirs
        assert {"test-plan-lots.pdf", "lots/1.pdf", "test-plan-readings.xlsx"} <= set(theirs)


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_the_examples_are_true(path: Path) -> None:
    """As `pytest --doctest-modules tractduct` runs them; nothing but what the program itself needs is installed."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    name = ".".join(part for part in parts if part != "__init__")
    found = doctest.testmod(importlib.import_module(name))
    assert found.attempted > 0
    assert found.failed == 0
