"""The rooms of the package, read from its import statements, those inside functions included."""

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

import xraymeasure

PACKAGE = Path(xraymeasure.__file__).parent

# In the order in which data flows: a room may use those above it, never one below.
ROOMS = [
    "errors",
    "about",
    "terminal",
    "vocabulary",
    "files",
    "film",
    "reading",
    "geometry",
    "measuring",
    "change",
    "plan",
    "report",
    "examination",
    "detect",
    "carry",
    "series",
    "phantom",
    "samples",
    "cli",
    "__main__",
]
MODULES = sorted(PACKAGE.rglob("*.py"))
SCREEN = {
    "napari",
    "qtpy",
    "PySide6",
    "PySide2",
    "PyQt5",
    "PyQt6",
    "magicgui",
    "napari_xraymeasure",
}
MOST_IN_A_FOLDER = 15


def name_of(path):
    name = ".".join(("xraymeasure", *path.relative_to(PACKAGE).with_suffix("").parts))
    return name.removesuffix(".__init__")


def room_of(module):
    """Return the room of a module of the package: its first part, "" for the package itself."""
    return (*module.split("."), "")[1]


NAMES = {name_of(path) for path in MODULES}


@cache
def imports_of(path):
    """Return every module that a file imports, with the functions around the statement."""

    def visit(node, inside):
        for child in ast.iter_child_nodes(node):
            here = inside
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                here = (*inside, child.name)
            if isinstance(child, ast.Import):
                for alias in child.names:
                    yield alias.name, inside
            elif isinstance(child, ast.ImportFrom):
                assert child.level == 0, f"{path.name}: relative import"
                for alias in child.names:
                    inner = f"{child.module}.{alias.name}"
                    yield (inner if inner in NAMES else child.module), inside
            yield from visit(child, here)

    return tuple(visit(ast.parse(path.read_text(encoding="utf-8")), ()))


def test_imports_point_one_way():
    for path in MODULES:
        name, room = name_of(path), room_of(name_of(path))
        if not room:
            continue  # the face, which opens every room and is used by none
        for module, inside in imports_of(path):
            said = f"{name} uses {module}"
            if module.startswith("xraymeasure."):
                used = room_of(module)
                assert ROOMS.index(used) <= ROOMS.index(room), said
                assert used != "phantom" or room in ("phantom", "cli"), f"{said}: it sees truth"
            if module.split(".")[0] in SCREEN:
                assert (name, inside) == ("xraymeasure.cli", ("view",)), said


def test_modules_do_not_import_one_another_in_a_circle():
    uses = {
        name_of(path): {module for module, _ in imports_of(path)} & NAMES - {"xraymeasure"}
        for path in MODULES
        if name_of(path) != "xraymeasure"
    }
    seen, done = [], set()

    def walk(name):
        if name in done:
            return
        assert name not in seen, f"circle: {' -> '.join([*seen[seen.index(name) :], name])}"
        seen.append(name)
        for used in sorted(uses[name] - {name}):
            walk(used)
        seen.pop()
        done.add(name)

    for name in sorted(uses):
        walk(name)


def test_a_folder_is_read_at_a_glance():
    for folder in {path.parent for path in MODULES}:
        here = [path for path in MODULES if path.parent == folder and path.name != "__init__.py"]
        assert len(here) <= MOST_IN_A_FOLDER, folder


HEAVY = ["numpy", "scipy", "skimage", "matplotlib", "pydicom", "pandas", "PIL", "pydantic"]


@pytest.mark.parametrize(
    ("statement", "absent"),
    [
        ("import xraymeasure", HEAVY),
        ("import xraymeasure.cli", HEAVY),
        (
            "import xraymeasure.errors, xraymeasure.files.atomic, xraymeasure.vocabulary.landmarks",
            HEAVY,
        ),
        (
            "import xraymeasure.film.film, xraymeasure.reading.file, xraymeasure.measuring.results",
            ["scipy", "skimage", "matplotlib", "pydicom", "pandas", "PIL"],
        ),
        ("import xraymeasure.measuring.measure", ["matplotlib", "pydicom", "pandas", "PIL"]),
        ("import xraymeasure.examination, xraymeasure.report.write", sorted(SCREEN)),
    ],
)
def test_importing_loads_only_what_is_used(statement, absent):
    program = f"import sys; {statement}; print(*sorted(set({absent!r}) & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == []


def test_importing_makes_no_files_and_says_nothing(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", "import xraymeasure, xraymeasure.cli, xraymeasure.examination"],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
    )
    assert done.stdout == done.stderr == ""
    assert list(tmp_path.iterdir()) == []
