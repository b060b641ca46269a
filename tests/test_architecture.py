"""The layers of the package, read from its import statements."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import xraymeasure

PACKAGE = Path(xraymeasure.__file__).parent

# Each layer may use what stands in it or above it, and nothing below.
LAYERS = [
    {"errors", "caution"},
    {"strict", "spreadsheet"},
    {"files", "landmarks", "about"},
    {"spacing", "greys", "dicom_attributes", "jpeg_stream", "identity", "samples"},
    {"dicom_greys", "dicom_pixels", "film_geometry", "film", "film_dicom", "film_picture"},
    {"reading", "reading_file"},
    {"measurements"},
    {"least_squares"},
    {"fitting", "projection", "orientation"},
    {"calibration", "cup", "femur", "uncertainty"},
    {"setting", "requirements", "inputs", "scene", "evaluate"},
    {"quality", "drawing", "limit"},
    {"measure"},
    {"plan", "plan_file", "planned", "change"},
    {"report"},
    {"detect", "exchange", "series", "phantom"},
    {"cli", "console", "__main__"},
]
LEVEL = {room: level for level, rooms in enumerate(LAYERS) for room in rooms}
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


def name_of(path):
    return ".".join(("xraymeasure", *path.relative_to(PACKAGE).with_suffix("").parts))


def room_of(module):
    """Return the room of a module of the package: its first part, "" for the package itself."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


def imports_of(path):
    """Yield every module that a file imports, with the functions around the statement."""

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
                inner = [f"{child.module}.{alias.name}" for alias in child.names]
                modules = [name for name in inner if is_module(name)]
                if len(modules) < len(inner):
                    modules.append(child.module)
                for module in modules:
                    yield module, inside
            yield from visit(child, here)

    yield from visit(ast.parse(path.read_text(encoding="utf-8")), ())


def is_module(name):
    """Whether a dotted name is a module or a folder of the package, not something in one."""
    place = PACKAGE.parent / Path(*name.split("."))
    return name.startswith("xraymeasure.") and (place.is_dir() or place.with_suffix(".py").exists())


def test_every_module_belongs_to_a_layer():
    rooms = {room_of(name_of(path)) for path in MODULES} - {"__init__"}
    assert rooms <= set(LEVEL), "name the new room in LAYERS, where it belongs"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_point_one_way(path):
    room = room_of(name_of(path))
    if room == "__init__":
        return
    for module, _ in imports_of(path):
        if module.split(".")[0] != "xraymeasure" or module == "xraymeasure":
            continue
        used = room_of(module)
        assert LEVEL[used] <= LEVEL[room], f"{name_of(path)} uses {module}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_window_in_the_package(path):
    for module, inside in imports_of(path):
        if module.split(".")[0] in SCREEN:
            assert (name_of(path), inside) == ("xraymeasure.cli", ("view",)), module


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_what_measures_never_sees_how_sample_films_are_made(path):
    room = room_of(name_of(path))
    if LEVEL.get(room, 0) >= LEVEL["phantom"]:
        return
    assert not [module for module, _ in imports_of(path) if room_of(module) == "phantom"]


def test_modules_do_not_import_one_another_in_a_circle():
    uses = {
        name_of(path): {
            module for module, inside in imports_of(path) if not inside and module != "xraymeasure"
        }
        for path in MODULES
    }
    uses = {name.removesuffix(".__init__"): used for name, used in uses.items()}
    for_types_only = {("xraymeasure.measuring.prepared", "xraymeasure.film.film")}
    seen, done = [], set()

    def walk(name):
        if name in done:
            return
        assert name not in seen, f"circle: {' -> '.join([*seen[seen.index(name) :], name])}"
        seen.append(name)
        for used in sorted(uses.get(name, ())):
            if used in uses and (name, used) not in for_types_only:
                walk(used)
        seen.pop()
        done.add(name)

    for name in sorted(uses):
        walk(name)


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
        (
            "import xraymeasure.measuring.measure, xraymeasure.plan.compare, xraymeasure.report",
            sorted(SCREEN),
        ),
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
        [
            sys.executable,
            "-c",
            "import xraymeasure, xraymeasure.cli, xraymeasure.measuring.measure",
        ],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
    )
    assert done.stdout == done.stderr == ""
    assert list(tmp_path.iterdir()) == []


def test_how_long_the_modules_are(capsys):
    """Reported, not held: a module of more than 420 lines may have two subjects."""
    lengths = {name_of(path): len(path.read_text().splitlines()) for path in MODULES}
    assert lengths["xraymeasure.measuring.measure"] > 0
    with capsys.disabled():
        for name, length in sorted(lengths.items(), key=lambda pair: -pair[1]):
            if length > 420:
                print(f"\n{name} has {length} lines", end="")
