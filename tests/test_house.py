"""The house keeps its order: who may import whom, how large a module may be, what lies at the top.

No outside source: these are the project's own rules, read from the files themselves.
"""

from __future__ import annotations

import ast
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("calibration", "vision", "projector")
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "projector", "vision", "calibration", "tests", "fixtures"}
MOST_LINES = 400
MOST_FIXTURE_BYTES = 30_000_000

# Who may import what of ours, the longest prefix of a module's name counting; a room may always import itself.
MAY_IMPORT: dict[str, tuple[str, ...]] = {
    "calibration": (),
    "vision": ("calibration",),
    "projector": ("projector", "vision", "calibration"),
    "projector.piecing": (),
    "projector.guide": ("projector.piecing", "vision"),
    "projector.rehearsal": (
        "projector.piecing",
        "vision.frames.cameras",
        "projector.light.display",
        "projector.table.clock",
    ),
}
PYGAME = {"projector.light.display", "projector.light.quietly", "projector.light.lettering"}
SQL = {f"projector.records.{name}" for name in ("connecting", "layout", "schema", "store")}
TRUTH = {"projector.score", "projector.rehearsing"}  # the summary's door to what really happened

MODULES = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imports_of(tree: ast.AST) -> Iterator[str]:
    """Full names of everything imported, also inside functions: `from a import b` gives `a.b`."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room_of(module: str) -> str:
    return max((room for room in MAY_IMPORT if within(module, room)), key=len)


def within(name: str, room: str) -> bool:
    return name == room or name.startswith(f"{room}.")


def strays(module: str, imported: list[str]) -> list[str]:
    """Imports of ours that a module's room does not allow."""
    room = room_of(module)
    ours = [name for name in imported if name.split(".")[0] in (*PACKAGES, "tests")]
    return [name for name in ours if not any(within(name, other) for other in (room, *MAY_IMPORT[room]))]


@pytest.fixture(scope="module")
def trees() -> dict[str, ast.Module]:
    return {name_of(path): ast.parse(path.read_text(encoding="utf-8")) for path in MODULES}


def test_every_module_imports_only_what_its_room_allows(trees: dict[str, ast.Module]) -> None:
    found = {module: strays(module, list(imports_of(tree))) for module, tree in trees.items()}
    assert {module: names for module, names in found.items() if names} == {}


@pytest.mark.parametrize(
    ("module", "imported", "allowed"),
    [
        ("vision.finding.regions", "calibration.pinhole.Pinhole", True),
        ("vision.finding.regions", "projector.table.clock.Clock", False),
        ("calibration.rig", "vision.light", False),
        ("projector.piecing.plans", "projector.table.clock", False),
        ("projector.guide.units.stage", "calibration.rig.Rig", False),
        ("projector.rehearsal.camera.view", "vision.frames.cameras.Frame", True),
        ("projector.rehearsal.camera.view", "vision.light.linear_image", False),
        ("projector.rehearsal.camera.view", "calibration.pinhole", False),
        ("projector.table.devices", "tests.whole.studio", False),
        ("calibration.rig", "numpy", True),
    ],
)
def test_the_table_of_imports_tells_right_from_wrong(module: str, imported: str, allowed: bool) -> None:
    assert (strays(module, [imported]) == []) is allowed


def test_pygame_is_known_to_the_window_and_to_lettering_alone(trees: dict[str, ast.Module]) -> None:
    users = {module for module, tree in trees.items() if any(within(name, "pygame") for name in imports_of(tree))}
    assert users
    assert users <= PYGAME


def test_databases_are_known_to_the_stores_own_modules_alone(trees: dict[str, ast.Module]) -> None:
    """They take a quarter of a second to load; `projector.records.opening` loads them when records are opened."""
    users = {module for module, tree in trees.items() if any(within(n, "sqlalchemy") for n in imports_of(tree))}
    assert users == SQL


def test_only_the_summary_opens_the_truth(trees: dict[str, ast.Module]) -> None:
    """Nobody outside the virtual table imports its truth or its ledger; nobody but the rehearsal builds a table."""
    hidden = ("projector.rehearsal.truth", "projector.rehearsal.ledger", "projector.rehearsal.world")
    outside = {module: tree for module, tree in trees.items() if not within(module, "projector.rehearsal")}
    users = {m for m, tree in outside.items() if any(within(n, door) for n in imports_of(tree) for door in hidden)}
    assert users == TRUTH


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_stays_readable_in_one_go(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES


def tracked() -> list[Path]:
    """All files that belong to the project."""
    try:
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git checkout, so what belongs to the project is not known")
    return [Path(name) for name in listed.split("\0") if name]


def test_nothing_else_lies_at_the_top() -> None:
    top = {path.parts[0] for path in tracked()}
    assert {name for name in top if not name.startswith(".")} == TOP


def test_fixtures_are_small_and_data_alone() -> None:
    fixtures = [path for path in tracked() if path.parts[0] == "fixtures"]
    assert [path for path in fixtures if path.suffix in (".py", ".pyc", ".sh")] == []
    assert sum((ROOT / path).stat().st_size for path in fixtures) < MOST_FIXTURE_BYTES


def is_an_error_class(name: str) -> bool:
    return name.endswith("Error") and name not in ("ValueError", "OSError", "IsADirectoryError", "AssertionError")


def lines_for_the_person(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line number and text of every message given to an exception of our own; what is put in shows as {name}."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and is_an_error_class(node.func.id):
            yield from ((node.lineno, spelled(argument)) for argument in node.args if not node.func.id.startswith("_"))


def spelled(node: ast.AST) -> str:
    """The text of a string expression, as far as the source tells."""
    if isinstance(node, ast.JoinedStr):
        return "".join(spelled(part) for part in node.values)
    if isinstance(node, ast.FormattedValue):
        return f"{{{ast.unparse(node.value)}}}"
    return str(node.value) if isinstance(node, ast.Constant) else f"{{{ast.unparse(node)}}}"


# What is put into a message and ends it: an error that has a remedy of its own, or a remedy by that name.
ENDINGS = ("{do}", "{error}", "{str(error)}", "{str(end)}", "{NO_SCREEN}")


def test_what_is_wrong_is_always_followed_by_what_to_do(trees: dict[str, ast.Module]) -> None:
    """Scripts are told both apart (`message`, `do`), and the last "; " parts them."""
    said = {f"{module}:{number}": text for module, tree in trees.items() for number, text in lines_for_the_person(tree)}
    assert len(said) > 50
    dead_ends = {at: text for at, text in said.items() if "; " not in text and not text.endswith(ENDINGS)}
    assert dead_ends == {}
