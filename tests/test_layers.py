"""The house rules: who may import whom, how long a file and a function may be.

The import table is the one in DEVELOPERS.md; this test reads it there.
"""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "vidspin"
MODULES = sorted(PACKAGE.rglob("*.py"))
NAMES = [str(path.relative_to(PACKAGE)) for path in MODULES]

LONGEST_MODULE = 500
LONGEST_BODY = 60
# A stage has no disk, no clock, no process and no random state of its own.
OUTSIDE = {
    "os", "io", "pathlib", "shutil", "tempfile", "time", "random", "socket", "subprocess",
    "multiprocessing", "sys",
}  # fmt: skip
PURE_FLOORS = ("first words", "words", "path", "readers", "workshop")
EARLIER = "earlier on the path"  # the packages of the path stand in the table in its order


def table(heading: str) -> list[list[str]]:
    """Rows of the table in DEVELOPERS.md whose first column has this heading."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    _, _, rest = text.partition(f"| {heading} |")
    rows = rest.split("\n\n")[0].splitlines()[2:]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]


def words(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


FLOORS = {floor: words(rooms) for floor, rooms, _ in table("floor")}
ALLOWED = {floor: cell for floor, _, cell in table("floor")}
LIBRARIES = {name: set(words(rooms)) for names, rooms in table("library") for name in words(names)}


def room_of(path: Path) -> str:
    relative = path.relative_to(PACKAGE)
    return relative.parts[0] if len(relative.parts) > 1 else relative.stem


def floor_of(room: str) -> str:
    floors = [floor for floor, rooms in FLOORS.items() if room in rooms]
    assert len(floors) == 1, f"{room} needs exactly one row in the table of DEVELOPERS.md"
    return floors[0]


def may_import(room: str) -> set[str]:
    cell = ALLOWED[floor_of(room)]
    if cell == "everything":
        return {other for rooms in FLOORS.values() for other in rooms}
    if cell == "nothing of ours":
        return set()
    allowed = {other for floor in cell.split(", ") if floor != EARLIER for other in FLOORS[floor]}
    if EARLIER in cell:
        allowed |= set(FLOORS["path"][: FLOORS["path"].index(room)])
    return allowed


def imports(path: Path) -> set[str]:
    """Full names of everything a module imports, wherever the statement stands."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: import by full name"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def test_tables_are_found() -> None:
    assert FLOORS["first words"] == ["records", "errors", "units"]
    assert ALLOWED["words"] == "first words, words"
    assert may_import("speed") >= {"mark", "phase"}
    assert not may_import("mark") & {"mark", "phase", "speed"}
    assert "av" in LIBRARIES


@pytest.mark.parametrize("path", MODULES, ids=NAMES)
def test_imports_stay_within_the_house(path: Path) -> None:
    room = room_of(path)
    ours = {name.split(".")[1] for name in imports(path) if name.startswith("vidspin.")}
    # "from vidspin import __version__" takes a name of the package itself
    ours -= {room, "__version__"}
    assert ours <= may_import(room), f"{room} may not import {sorted(ours - may_import(room))}"


@pytest.mark.parametrize("path", MODULES, ids=NAMES)
def test_libraries_stay_where_they_belong(path: Path) -> None:
    room = room_of(path)
    module = path.relative_to(PACKAGE).with_suffix("").as_posix()
    used = {name.split(".")[0] for name in imports(path)}
    for library in used & LIBRARIES.keys():
        assert {room, module} & LIBRARIES[library], f"{library} does not belong in {module}"
    if floor_of(room) in PURE_FLOORS and room != "summary":  # names the folder it is told of
        assert not used & OUTSIDE, f"{room} reaches outside: {sorted(used & OUTSIDE)}"


@pytest.mark.parametrize("path", MODULES, ids=NAMES)
def test_modules_and_functions_are_short(path: Path) -> None:
    source = path.read_text("utf-8")
    length = len(source.splitlines())
    assert length <= LONGEST_MODULE, f"{length} lines: split it by idea"
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body[1:] if ast.get_docstring(node) is not None else node.body
            lines = body[-1].end_lineno - body[0].lineno + 1 if body else 0
            assert lines <= LONGEST_BODY, f"{node.name} has {lines} lines"


def test_every_room_and_every_module_of_the_path_is_described() -> None:
    described = {words(row[0])[0].rstrip("/") for row in table("file")}
    listed = {room for rooms in FLOORS.values() for room in rooms if not room.startswith("__")}
    for package in FLOORS["path"]:
        modules = (PACKAGE / package).glob("*.py")
        listed |= {f"{package}/{path.stem}" for path in modules if path.stem != "__init__"}
    assert described == listed
