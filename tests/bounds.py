"""``python -m tests.bounds``: the lowest versions that are named, and other Pythons, installed and tried.

In a new environment (made by uv, which must be installed) the package is installed with the lowest version of each
direct dependency, or with ``--resolution highest`` with the newest, then what the tests need, then the core part
of the suite runs. Prints one row of the table in ``tests/bounds.md``; what did not hold stands above it.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
CORE = (
    "tests/criteria",
    "tests/core",
    "tests/scoring/test_night.py",
    "tests/archive/test_file.py",
    "tests/cli/test_score.py",
)
TOOLS = (
    "pytest",
    "pytest-timeout",
    "pytest-xdist",
    "hypothesis",
    "psutil",
    "scipy",
    "jsonschema",
    "pyyaml",
    "httpx",
    "edfio",
    "pyedflib",
    "mir_eval",
    "pingouin",
)


def names(requirements: list[str]) -> list[str]:
    """Names of packages without bounds and extras."""
    return [re.split(r"[\[<>=~! ;]", text, maxsplit=1)[0] for text in requirements]


def make(folder: Path, python: str, resolution: str) -> Path:
    """An environment with the package and what the core part of the suite needs; its interpreter."""
    uv = (sys.executable, "-m", "uv") if _has_uv() else ("uv",)
    subprocess.run([*uv, "venv", "-q", "--python", python, str(folder)], check=True)
    inside = folder / "bin" / "python"
    install = [*uv, "pip", "install", "-q", "--python", str(inside)]
    subprocess.run([*install, "--resolution", resolution, "."], check=True, cwd=ROOT)
    frozen = subprocess.run(
        [*uv, "pip", "freeze", "--python", str(inside)], check=True, capture_output=True, text=True
    ).stdout
    with tempfile.TemporaryDirectory() as temporary:
        held = Path(temporary) / "held.txt"
        held.write_text("".join(f"{line}\n" for line in frozen.splitlines() if "==" in line), "utf-8")
        subprocess.run([*install, "--constraint", str(held), *TOOLS], check=True, cwd=ROOT)
    subprocess.run([*uv, "pip", "uninstall", "-q", "--python", str(inside), "sleepbrux"], check=True)
    return inside


def _has_uv() -> bool:
    return (
        subprocess.run([sys.executable, "-m", "uv", "--version"], check=False, capture_output=True).returncode
        == 0
    )


def versions(inside: Path) -> str:
    """The direct dependencies as they were installed."""
    wanted = names(tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["dependencies"])
    code = (
        "import sys, importlib.metadata as m; print(', '.join(f'{n} {m.version(n)}' for n in sys.argv[1:]))"
    )
    run = subprocess.run([inside, "-c", code, *wanted], check=True, capture_output=True, text=True)
    return run.stdout.strip()


def main() -> int:
    """Make the environment, run the tests, print the row."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--python", default="3.11")
    parser.add_argument("--resolution", default="lowest-direct", choices=("lowest-direct", "highest"))
    parser.add_argument("--folder", type=Path, default=None, help="keep the environment here")
    parser.add_argument("tests", nargs="*", default=list(CORE))
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.folder or Path(temporary) / "environment"
        inside = folder / "bin" / "python"
        if not inside.exists():
            make(folder, options.python, options.resolution)
        run = subprocess.run(
            [inside, "-m", "pytest", "-n", "0", "-q", "-W", "default", *options.tests],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT), "NUMBA_CACHE_DIR": str(folder / "compiled")},
            capture_output=True,
            text=True,
            check=False,
        )
        told = run.stdout.strip().splitlines()
        if run.returncode:
            print("\n".join(told[-40:]), run.stderr[-2000:], sep="\n")
        result = re.sub(r" in [\d.]+s.*", "", told[-1]) if told else "nothing ran"
        print(
            f"| {time.strftime('%Y-%m-%d')} | {options.python} | {options.resolution} | {result} | {versions(inside)} |"
        )
    return run.returncode


if __name__ == "__main__":
    sys.exit(main())
