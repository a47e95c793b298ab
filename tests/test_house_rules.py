"""The house rules of DEVELOPERS.md, as tests: arrows between rooms, and doors for heavy packages."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "sleepbrux"

# Reading order: a room imports only rooms above it (or its own). `__init__` names the public library.
ROOMS = [
    "core",
    "criteria",
    "recording",
    "signal",
    "reference",
    "study",
    "scoring",
    "archive",
    "analysis",
    "export",
    "report",
    "batch",
    "review",
    "synth",
    "__init__",
    "cli",
    "__main__",
]

DOORS = {
    "numba": {"signal/kernels.py"},
    "mne": {"recording/formats/mne_formats.py", "export/mne_annotations.py"},
    "h5py": {"archive/file.py", "recording/formats/hdf5_reader.py"},
    "pandas": {"export/frames.py", "recording/formats/table.py"},
    "matplotlib": {"report/plots.py"},
    "statsmodels": {"analysis/cohort.py"},
    "sleepecg": {"signal/heart.py"},
    "typst": {"report/letter/typeset.py", "report/sheets/sheets.py"},
    "starlette": {"review/server.py"},
    "uvicorn": {"review/serving.py"},
    "dask": set(),
    "distributed": {"batch/cluster.py"},
}


def modules() -> Iterator[Path]:
    yield from sorted(PACKAGE.rglob("*.py"))


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield str(node.module)
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def test_every_room_is_on_the_list():
    assert {room(path) for path in modules()} <= set(ROOMS)


def test_no_arrow_points_down_the_list():
    wrong = []
    for path in modules():
        here = ROOMS.index(room(path))
        for name in imported(path):
            parts = name.split(".")
            if parts[0] != "sleepbrux" or len(parts) == 1 or parts[1] not in ROOMS:
                continue
            if ROOMS.index(parts[1]) > here:
                wrong.append(f"{path.relative_to(PACKAGE)} imports {name}")
    assert not wrong


@pytest.mark.parametrize("package", sorted(DOORS))
def test_a_heavy_package_enters_by_its_door_only(package):
    users = {
        path.relative_to(PACKAGE).as_posix()
        for path in modules()
        if any(name.split(".")[0] == package for name in imported(path))
    }
    assert users <= DOORS[package]


def test_only_the_face_the_commands_and_the_methods_of_a_night_import_by_name():
    users = {
        path.relative_to(PACKAGE).as_posix()
        for path in modules()
        if "import_module(" in path.read_text("utf-8")
    }
    assert users == {"__init__.py", "cli/__init__.py", "scoring/methods.py"}


def test_kernels_and_their_twins_import_no_project_module():
    for name in ("kernels", "plain"):
        names = set(imported(PACKAGE / "signal" / f"{name}.py"))
        assert not {n for n in names if n.startswith("sleepbrux")}


def test_every_kernel_has_a_plain_twin_with_the_same_arguments():
    def functions(name: str) -> dict[str, list[str]]:
        tree = ast.parse((PACKAGE / "signal" / f"{name}.py").read_text("utf-8"))
        return {
            node.name: [a.arg for a in node.args.args]
            for node in tree.body
            if isinstance(node, ast.FunctionDef)
        }

    kernels = functions("kernels")
    kernels.pop("compiled")
    twins = {name: args for name, args in functions("plain").items() if not name.startswith("_")}
    assert kernels == twins


def test_nothing_prints_outside_the_command_line():
    for path in modules():
        if room(path) == "cli":
            continue
        calls = [
            node
            for node in ast.walk(ast.parse(path.read_text("utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
        ]
        assert not calls, path


def loaded_after(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint(' '.join(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, encoding="utf-8"
    )
    return set(done.stdout.split("\n")[-2].split())


def test_help_imports_no_numpy():
    code = (
        "from sleepbrux.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit as e:\n    assert e.code == 0"
    )
    assert "numpy" not in loaded_after(code)
    assert "numpy" not in loaded_after("import sleepbrux")


def test_scoring_an_edf_imports_no_slow_package(tmp_path):
    excerpt = PACKAGE.parent / "demo_data" / "excerpt.edf"
    code = (
        "from sleepbrux.cli import main\n"
        f"try:\n    main(['score', {str(excerpt)!r}, '--out', {str(tmp_path)!r}])\n"
        "except SystemExit as e:\n    assert e.code == 0, e.code"
    )
    loaded = loaded_after(code)
    assert "numba" in loaded
    slow = (
        "scipy.linalg",
        "scipy.special",
        "scipy.signal",
        "scipy.stats",
        "pandas",
        "mne",
        "matplotlib",
        "edfio",
    )
    assert not loaded & set(slow)
