"""The same files and no crash on other systems: encodings, line ends, names that Windows takes, what it lacks."""

from __future__ import annotations

import ast
import copy
import os
import subprocess
import sys
import unicodedata
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_folder import PlanTables, small_plan, with_prices

from tractduct.cli import main
from tractduct.files import file_name, path_inside
from tractduct.portfolio.find import find_plans, read_bundle

PACKAGE = Path(__file__).parents[1] / "tractduct"
MODULES = sorted(PACKAGE.rglob("*.py"))
STRANGE = "Łąka Ø8\u2033"  # in no one-byte encoding together


# --- encodings and line ends -----------------------------------------------------------------------------

# Opened as text, these take the system's encoding unless told; writing, its line ends too.
READERS = ("read_text", "open", "run", "Popen", "check_output", "NamedTemporaryFile", "fdopen", "TextIOWrapper")


def unsaid(source: str) -> Iterator[str]:
    """Calls that leave an encoding, or the line ends of what is written, to the system."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute | ast.Name):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
        said = {word.arg: ast.unparse(word.value) for word in node.keywords if word.arg}
        owner = ast.unparse(node.func.value) if isinstance(node.func, ast.Attribute) else ""
        texts = [a.value for a in node.args if isinstance(a, ast.Constant) and isinstance(a.value, str)]
        mode = said.get("mode", texts[-1] if texts else "").strip("'")
        if (name == "open" and (owner in ("os", "Image", "zipfile") or "b" in mode)) or name not in (
            *READERS, "write_text", "to_csv",
        ):  # fmt: skip
            continue
        if name in ("run", "Popen", "check_output") and owner != "subprocess":
            continue
        where = f"line {node.lineno}: {ast.unparse(node)[:60]}"
        if name == "to_csv":
            if "lineterminator" not in said:
                yield f"{where} leaves its line ends to the system"
        elif said.get("encoding") not in ("'utf-8'", "'utf-8-sig'"):
            yield f"{where} does not say utf-8"
        elif (name == "write_text" or set(mode) & set("wax+")) and "newline" not in said:
            yield f"{where} leaves its line ends to the system"


@pytest.mark.parametrize(
    ("source", "n"),
    [
        ("open('a')", 1),
        ("path.open('w', encoding='utf-8')", 1),
        ("path.open('w', encoding='utf-8', newline='')", 0),
        ("path.open('rb')", 0),
        ("path.read_text()", 1),
        ("path.write_text(t, encoding='utf-8')", 1),
        ("subprocess.run(c, text=True)", 1),
        ("frame.to_csv(p)", 1),
    ],
)
def test_the_reading_of_the_sources_sees_it(source: str, n: int) -> None:
    assert len(list(unsaid(source))) == n


def test_every_text_file_says_utf_8_and_its_line_ends() -> None:
    found = {path.name: list(unsaid(path.read_text(encoding="utf-8"))) for path in MODULES}
    assert {name: said for name, said in found.items() if said} == {}


def program(*arguments: object, encoding: str) -> subprocess.CompletedProcess[bytes]:
    """The program on a console of that encoding, with no UTF-8 anywhere in its surroundings.

    There a module of ours that opens a file in the system's encoding ends with an error; libraries' are not ours.
    """
    code = (
        "import sys, warnings; "
        "warnings.filterwarnings('ignore', category=EncodingWarning); "
        "warnings.filterwarnings('error', category=EncodingWarning, module='tractduct'); "
        "import tractduct.cli; "
        "sys.exit(tractduct.cli.main(sys.argv[1:]))"
    )
    surroundings = {k: v for k, v in os.environ.items() if not k.startswith(("LC_", "LANG", "PYTHON"))}
    return subprocess.run(
        [sys.executable, "-X", "warn_default_encoding", "-c", code, *map(str, arguments)],
        env={**surroundings, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0",
             "PYTHONIOENCODING": encoding, "TRACTDUCT_DEBUG": "1"},
        cwd=PACKAGE.parent,
        capture_output=True,
        check=False,
    )  # fmt: skip


def strange(plan: PlanTables) -> None:
    """The plan with its name, a room and a section in letters that most consoles have not."""
    plan.config["name"] = STRANGE
    room = plan.tables["airflow"][0]["room"]
    for table in plan.tables.values():
        for row in table:
            for column in ("room", "rooms"):
                if row.get(column) == room:
                    row[column] = f"Küche {STRANGE}"


ORDER = ("purchase.csv", "results.json")


@pytest.fixture(scope="module")
def strange_order(tmp_path_factory: pytest.TempPathFactory) -> tuple[PlanTables, Path, dict[str, bytes]]:
    """A plan of such names, and the files of its order as a console that has all letters gets them."""
    top = tmp_path_factory.mktemp("strange")
    plan = with_prices(small_plan(dampers={"least_cfm": 1000}))  # no damper anywhere: there is nothing to search for
    strange(plan)
    folder = plan.write(top / "plan")
    assert program("study", folder, "--only", "order", "--out", top / "out", encoding="utf-8").returncode == 0
    return plan, folder, {file: (top / "out" / file).read_bytes() for file in ORDER}


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_a_console_without_the_letters(
    encoding: str, strange_order: tuple[PlanTables, Path, dict[str, bytes]], tmp_path: Path
) -> None:
    plan, folder, files = strange_order
    faulty = copy.deepcopy(plan)
    faulty.tables["sections"][0]["length_ft"] = f"\u00e9\u4e2d {STRANGE}"
    made = program("study", folder, "--only", "order", "--out", tmp_path / "out", encoding=encoding)
    assert (made.returncode, made.stderr) == (0, b"")
    assert made.stdout.decode(encoding)
    refused = program("check", faulty.write(tmp_path / "faulty"), encoding=encoding)
    assert refused.returncode == 2
    assert b"Traceback" not in refused.stderr
    assert "length_ft" in refused.stderr.decode(encoding)
    assert {file: (tmp_path / "out" / file).read_bytes() for file in ORDER} == files
    for data in files.values():
        assert b"\r" not in data
        data.decode("utf-8")
    assert STRANGE in files["results.json"].decode("utf-8")


# --- names of files --------------------------------------------------------------------------------------

# Microsoft, Naming Files, Paths, and Namespaces: reserved characters and device names, with any extension;
# superscript digits count as digits there. No trailing dot or space. A part has at most 255 UTF-16 units.
FORBIDDEN = set('<>:"/\\|?*') | {chr(i) for i in range(32)}
DEVICES = {"CON", "PRN", "AUX", "NUL", *(f"{p}{d}" for p in ("COM", "LPT") for d in "123456789\u00b9\u00b2\u00b3")}


def windows_takes(name: str) -> bool:
    return (
        bool(name)
        and not set(name) & FORBIDDEN
        and name[-1] not in ". "
        and name.split(".")[0].rstrip(" ").upper() not in DEVICES
        and len(name.encode("utf-16-le")) // 2 <= 255
        and len(name.encode()) <= 255  # most others count bytes
    )


@given(st.one_of(st.text(), st.text("\U00020000", min_size=70), st.sampled_from(sorted(DEVICES))))
def test_every_text_gives_a_name_that_windows_takes(text: str) -> None:
    name = file_name(text)
    for made in (name, f"{name}.xlsx", f"{name}-duct.csv", f"{name}-0123abcd"):
        assert windows_takes(made)


@given(st.text(min_size=1, max_size=20))
def test_names_that_some_systems_hold_for_one_are_one(text: str) -> None:
    """Windows and macOS don't tell cases apart, macOS not the ways to write an accent."""
    forms = {text, text.casefold(), *(unicodedata.normalize(form, text) for form in ("NFC", "NFD"))}
    assert len({file_name(form) for form in forms}) == 1


def test_two_plans_never_share_a_folder_of_results(plan: PlanTables, tmp_path: Path) -> None:
    top = tmp_path / "plans"
    for name in ("a b", "a-b", "A_B", "com1", "caf\u00e9", "cafe\u0301", "x/con", "all-plans"):
        plan.write(top / name)
    found = [place.name for place in find_plans([top])]
    assert len({unicodedata.normalize("NFC", name.casefold()) for name in found}) == len(found) == 8
    assert all(windows_takes(name) for name in found)


def test_every_file_that_is_written_has_a_name_that_windows_takes(tmp_path: Path) -> None:
    assert main(["study", str(PACKAGE.parent / "configs" / "quernby-1180"), "--out", str(tmp_path / "out")]) == 0
    made = [path.relative_to(tmp_path / "out") for path in (tmp_path / "out").rglob("*")]
    assert len(made) > 3
    assert all(windows_takes(part) for path in made for part in path.parts)
    assert len({str(path).casefold() for path in made}) == len(made)


# --- paths -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("given", ["tables\\airflow.csv", "tables/airflow.csv", ".\\tables\\airflow.csv"])
def test_a_batch_takes_the_files_that_a_study_does(given: str, plan: PlanTables, tmp_path: Path) -> None:
    """Either slash, wherever the plan was written."""
    folder = plan.write(tmp_path / "plan")
    (folder / "tables").mkdir()
    (folder / "airflow.csv").rename(folder / "tables" / "airflow.csv")
    text = (folder / "plan.toml").read_text(encoding="utf-8")
    (folder / "plan.toml").write_text(f"{text}\n[tables]\nairflow = '{given}'\n", encoding="utf-8")
    assert main(["study", str(folder), "--only", "lots", "--out", str(tmp_path / "study")]) == 0
    bundle = read_bundle(find_plans([folder])[0], "")
    assert "tables/airflow.csv" in [path for path, _ in bundle.files]
    assert main(["batch", str(folder), "--quick", "--jobs", "1", "--out", str(tmp_path / "batch")]) == 0


@pytest.mark.parametrize(
    "given", ["C:/a.csv", "C:a.csv", "\\a.csv", "//host/share/a.csv", "..\\a.csv", "b/../../a.csv", ""]
)
def test_a_path_that_leads_out_on_some_system_is_refused_on_all(given: str, tmp_path: Path) -> None:
    assert path_inside(tmp_path, given) is None


def test_a_path_inside(tmp_path: Path) -> None:
    assert path_inside(tmp_path, "b\\a.csv") == path_inside(tmp_path, "b/./a.csv") == tmp_path / "b" / "a.csv"


# --- what not every system has ---------------------------------------------------------------------------

# Of the standard library's documentation: these modules are on Unix only, or on Windows only.
ONE_SYSTEM = {
    "crypt", "curses", "fcntl", "grp", "msvcrt", "nis", "posix", "pty", "pwd", "readline", "resource", "spwd",
    "syslog", "termios", "tty", "winreg", "winsound", "_winapi",
}  # fmt: skip
# Windows: a rename fails where the target exists (`os.replace` does not); no fork, no such signals.
NOT_ON_WINDOWS = {
    "os.rename", "os.fork", "os.getuid", "os.geteuid", "os.kill", "os.killpg", "os.mkfifo", "os.chown", "os.uname",
    "signal.SIGKILL", "signal.SIGHUP", "signal.SIGALRM", "signal.alarm", "signal.SIGUSR1",
}  # fmt: skip


def only_here(source: str) -> set[str]:
    """What a module imports or uses that is not on every system."""
    nodes = list(ast.walk(ast.parse(source)))
    names = {alias.name.split(".")[0] for n in nodes if isinstance(n, ast.Import) for alias in n.names}
    names |= {(n.module or "").split(".")[0] for n in nodes if isinstance(n, ast.ImportFrom)}
    used = {ast.unparse(n) for n in nodes if isinstance(n, ast.Attribute)}
    renames = {
        "Path.rename"
        for n in nodes
        if isinstance(n, ast.Call)
        and isinstance(n.func, ast.Attribute)
        and n.func.attr == "rename"
        and "columns" not in {word.arg for word in n.keywords}  # of a DataFrame
    }
    return names & ONE_SYSTEM | used & NOT_ON_WINDOWS | renames


def test_nothing_that_only_one_system_has() -> None:
    found = {path.name: only_here(path.read_text(encoding="utf-8")) for path in MODULES}
    assert {name: what for name, what in found.items() if what} == {}
    seen = only_here("import fcntl\nos.rename(a, b)\na.rename(b)\nframe.rename(columns={})")
    assert seen == {"fcntl", "os.rename", "Path.rename"}
