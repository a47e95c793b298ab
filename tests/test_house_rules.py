"""The house rules of DEVELOPERS.md, as tests: arrows between rooms, and doors for heavy packages."""

import ast
import re
import subprocess
import sys
from collections.abc import Container, Iterator
from functools import cache
from pathlib import Path

import pytest

from sleepbrux.cli.arguments import OPTIONS

PACKAGE = Path(__file__).resolve().parents[1] / "sleepbrux"

# Reading order, and what each room takes in: a room imports only rooms above it (or its own).
# `python -m tests.docs` writes the table of DEVELOPERS.md from this.
ROOMS = {
    "core": "errors and notes, spans on a grid, files that lose nothing, texts as they may be shown, printed "
    "numbers, parallel work, provenance, the sentence of purpose, the version",
    "criteria": "rule sets as frozen values, their loader, one TOML file a published criterion",
    "recording": "a lazy `Recording` from a file (`formats/`: EDF, tables, WAV, HDF5, XDF, mne), an array or marks; "
    "labels, units, stages, clocks, the analysed window; its accepted clenches; copies without the person",
    "signal": "kernels and their plain twins, filters, the sweep of a recording, envelope, quality, heart, "
    "movement, sound; `surroundings/`: what else was recorded",
    "reference": "what 100 % MVC and rest mean: levels, trials, detector; the clench test",
    "study": "the study file, its drafting and checking, wear, clench tests of a study",
    "scoring": "bursts, episodes, lost time, measures, uncertainty, distributions, robustness, usability; "
    "`context/`: what surrounds an episode; `night.py`: the one order of stages",
    "archive": "one night in one HDF5 file, the list of its files, whose night it is, the nights of a study; "
    "`journal/`: a reader's decisions",
    "analysis": "what several nights say: comparison of conditions, planning, cohort, agreement, summary",
    "export": "tables, JSON, EDF+, BIDS, FHIR, the chain behind a number",
    "report": "pages and figures, letter, sheets, the set of files that a night leaves",
    "batch": "many nights: planned, resumed, in worker processes or on a cluster, one table",
    "review": "the page on which a person looks and decides, served to this machine only",
    "practice": "the page from recordings to a letter: screens, one worker, the files that are dropped on it",
    "live": "the chair session: a stream received, kept as it comes, shown, measured from what was kept",
    "synth": "generated nights whose truth is known, the demo's scenario",
    "__init__": "the public library, by name",
    "cli": "one module a verb; no arithmetic",
    "__main__": "`python -m sleepbrux`",
}
ORDER = list(ROOMS)

DOORS = {
    "numba": {"signal/kernels/compiling.py", "signal/ready.py"},
    "mne": {"recording/formats/mne_formats.py", "export/mne_annotations.py"},
    # wake_model: the weights of a model lie in an HDF5 file of another package's wheel, of known origin
    "h5py": {
        "archive/file.py",
        "archive/writing.py",
        "recording/formats/hdf5_reader.py",
        "signal/wake_model.py",
    },
    "pandas": {"export/frames.py", "recording/formats/table.py"},
    "matplotlib": {"report/plots.py"},
    "statsmodels": {"analysis/cohort/gee.py"},
    "sleepecg": {"signal/heart.py", "signal/wake_model.py"},
    "typst": {"report/letter/typeset.py", "report/sheets/sheets.py"},
    "starlette": {
        "review/guard.py",
        "review/server.py",
        "review/serving.py",
        "practice/reviewing.py",
        "practice/server.py",
        "live/server.py",
    },
    "tomlkit": {"study/editing.py"},
    "uvicorn": {"review/serving.py"},
    "pylsl": {"live/source.py", "synth/stream.py"},
    "pyxdf": {"recording/formats/xdf.py"},
    "fsspec": {"recording/storage.py"},
    "dask": set(),
    "distributed": {"batch/cluster.py"},
}


def modules() -> Iterator[Path]:
    yield from sorted(PACKAGE.rglob("*.py"))


@cache
def imported(path: Path) -> tuple[str, ...]:
    names = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names += [str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)]
    return tuple(names)


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def room_table() -> str:
    """The rooms as the table of DEVELOPERS.md."""
    rows = [
        f"| `{name}{'/' if (PACKAGE / name).is_dir() else '.py'}` | {text} |" for name, text in ROOMS.items()
    ]
    return "\n".join(("| room | what it takes in |", "| --- | --- |", *rows))


def circles() -> list[list[str]]:
    """Modules that import each other, also inside functions, in groups."""
    names = {
        ".".join(("sleepbrux", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(
            ".__init__"
        ): path
        for path in modules()
    }
    graph = {
        name: {other for other in targets(path, names) if other != name}
        for name, path in names.items()
        if name != "sleepbrux"  # the public library names everything
    }
    reach: dict[str, set[str]] = {}
    for start in graph:
        seen, due = set[str](), [start]
        while due:
            for other in graph.get(due.pop(), set()):
                if other not in seen:
                    seen.add(other)
                    due.append(other)
        reach[start] = seen
    groups = {
        tuple(sorted({name} | {o for o in reach[name] if name in reach.get(o, ())}))
        for name in graph
        if name in reach[name]
    }
    return [list(group) for group in sorted(groups)]


def targets(path: Path, names: Container[str]) -> Iterator[str]:
    """The modules that a module names, for types too; of a package the module that a name stands for, if any."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in names)
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in names else str(node.module)


def test_no_module_imports_itself_by_way_of_others():
    assert circles() == []


def test_the_top_of_the_package_stays_small():
    assert len({path.name for path in PACKAGE.iterdir() if path.name != "__pycache__"}) <= 21


def test_nothing_below_imports_the_public_library():
    users = [
        path.relative_to(PACKAGE).as_posix()
        for path in modules()
        if room(path) not in ("__init__", "__main__", "cli") and "sleepbrux" in imported_modules(path)
    ]
    assert not users


def imported_modules(path: Path) -> set[str]:
    """What stands behind `import` and `from`, without the names taken from it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(str(node.module))
    return found


def test_the_table_of_rooms_is_that_of_this_list():
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text("utf-8")
    assert f"<!-- rooms -->\n{room_table()}\n<!-- /rooms -->" in text


def test_every_file_that_the_note_on_the_layout_names_is_there():
    note = (PACKAGE / "docs" / "decisions" / "layout.md").read_text("utf-8")
    named = re.findall(r"\? \| `([a-z_/]+\.py)` \|", note)
    assert len(named) == 10
    assert [name for name in named if not (PACKAGE / name).is_file()] == []


def test_every_room_is_on_the_list():
    assert {room(path) for path in modules()} <= set(ROOMS)


def test_no_arrow_points_down_the_list():
    wrong = []
    for path in modules():
        here = ORDER.index(room(path))
        for name in imported(path):
            parts = name.split(".")
            if parts[0] != "sleepbrux" or len(parts) == 1 or parts[1] not in ROOMS:
                continue
            if ORDER.index(parts[1]) > here:
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


def loops(kind: str) -> list[Path]:
    return sorted((PACKAGE / "signal" / kind).glob("*.py"))


@pytest.mark.parametrize("kind", ["kernels", "plain"])
def test_kernels_and_their_twins_import_no_project_module(kind):
    """But the compiler; and no loop of another file, which its cache would not see change."""
    allowed = {"sleepbrux.signal.kernels.compiling", "sleepbrux.signal.kernels.compiling.compiled"}
    for path in loops(kind):
        if path.name not in ("__init__.py", "compiling.py"):
            assert {n for n in imported(path) if n.startswith("sleepbrux")} <= allowed, path


def test_every_kernel_has_a_plain_twin_with_the_same_arguments_in_the_file_of_the_same_name():
    def functions(kind: str) -> dict[tuple[str, str], list[str]]:
        return {
            (path.name, node.name): [a.arg for a in node.args.args]
            for path in loops(kind)
            for node in ast.parse(path.read_text("utf-8")).body
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
        }

    kernels = functions("kernels")
    kernels.pop(("compiling.py", "compiled"))
    assert kernels == functions("plain")
    assert len(kernels) > 20


def test_no_public_function_has_more_than_eight_parameters():
    """But the loops, which a compiler reads, and the verbs, whose parameters are options."""
    for path in modules():
        if room(path) == "cli" or path.parent.name in ("kernels", "plain", "sheets"):
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                names = [a.arg for a in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
                own = [n for n in names if n not in ("self", "cls")]
                assert len(own) <= 8, (path, node.name, own)


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


def texts(path: Path) -> Iterator[str]:
    """Every string of a module, pieces of formatted ones and docstrings too."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def test_no_sentence_outside_the_command_line_names_an_option():
    option = re.compile(r"(?<![\w(-])--[a-z]")  # var(--ink) is a colour of a page
    named = {
        path.relative_to(PACKAGE).as_posix()
        for path in modules()
        if room(path) != "cli" and any(option.search(text) for text in texts(path))
    }
    assert named == {"synth/stream.py"}  # the player has a command line of its own


def test_every_option_that_stands_for_an_argument_is_one_of_a_verb():
    table = "cli/arguments.py"
    verbs = "".join(p.read_text("utf-8") for p in modules() if room(p) == "cli" and not p.match(table))
    for option in " and ".join(OPTIONS.values()).split(" and "):
        assert f'"{option}"' in verbs, option


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
