"""Code that was compiled beforehand: used where processor, Python, numba and source agree, else compiled anew."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from sleepbrux.signal import ready

LOOP = "from sleepbrux.signal.kernels.compiling import compiled\n@compiled\ndef twice(x):\n    return {}\n"
USE = """
import json, sys
from pathlib import Path
from sleepbrux.signal import ready
ready.READY = Path(sys.argv[1])
exec(sys.argv[2])
import loop
value = loop.twice(3.0)
kept = len(list(Path(sys.argv[3]).rglob("*.nbc")))
print(json.dumps({"value": value, "ready": ready.is_ready(loop.twice), "kept": kept}))
"""
HAS = all(
    name in Path("/proc/cpuinfo").read_text("utf-8") if Path("/proc/cpuinfo").exists() else False
    for name in ("avx2", "bmi2", "fma")
)
pytestmark = pytest.mark.skipif(not HAS, reason="code is made beforehand for x86 processors with AVX2")


def run(folder, *, before="", **environment):
    """What a new process, with a cache of its own, makes of the loop, and what it had to compile."""
    cache = folder / f"cache{len(list(folder.glob('cache*')))}"
    cache.mkdir()
    told = {k: v for k, v in os.environ.items() if not k.startswith("NUMBA_")}
    told |= {"NUMBA_CACHE_DIR": str(cache), **environment}
    told["PYTHONPATH"] = os.pathsep.join([str(folder), *filter(None, sys.path)])
    done = subprocess.run(
        [sys.executable, "-c", USE, str(folder / "ready"), before, str(cache)],
        env=told,
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout), cache


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A loop and its code, compiled for the processor family."""
    folder = tmp_path_factory.mktemp("made")
    (folder / "loop.py").write_text(LOOP.format("x + x"))
    _, cache = run(folder, NUMBA_CPU_NAME=ready.CPU, NUMBA_CPU_FEATURES=ready.FEATURES)
    (folder / "ready").mkdir()
    for path in cache.rglob("*.nb[ci]"):
        shutil.copy(path, folder / "ready" / path.name)
    return folder


def test_code_of_this_source_is_used_and_nothing_is_compiled(made):
    assert run(made)[0] == {"value": 6.0, "ready": True, "kept": 0}


def test_a_changed_source_is_compiled(made, tmp_path):
    (tmp_path / "loop.py").write_text(LOOP.format("x + x + x"))
    shutil.copytree(made / "ready", tmp_path / "ready")
    assert run(tmp_path)[0] == {"value": 9.0, "ready": False, "kept": 1}


def test_a_copy_that_was_cut_off_is_compiled(made, tmp_path):
    shutil.copytree(made / "ready", tmp_path / "ready")
    shutil.copy(made / "loop.py", tmp_path)
    for path in (tmp_path / "ready").iterdir():
        path.write_bytes(path.read_bytes()[: -len(path.read_bytes()) // 2])
    assert run(tmp_path)[0]["value"] == 6.0


@pytest.mark.parametrize(
    ("before", "environment"),
    [
        ("", {"NUMBA_BOUNDSCHECK": "1"}),
        ("", {"NUMBA_CPU_NAME": "generic"}),
        ("ready.NEEDED = ('an instruction of tomorrow',)", {}),
    ],
)
def test_code_is_compiled_where_the_ready_one_would_be_another(made, before, environment):
    found, _ = run(made, before=before, **environment)
    assert found == {"value": 6.0, "ready": False, "kept": 1}
