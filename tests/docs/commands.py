"""``python -m tests.docs.commands DEMO [PROGRAM]``: every command of README and of ``docs/start``, run on a demo.

``DEMO`` is the folder that ``sleepbrux demo`` wrote; it is copied first (recordings as hard links). ``PROGRAM`` is
the installed ``sleepbrux`` (default: that of this Python). A placeholder such as ``FOLDER`` becomes the copy; the rest
is run word for word. Prints a line a command and ends with 1 where one fails. Not part of the suite: it scores nights.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TEXTS = (ROOT / "README.md", *sorted((ROOT / "sleepbrux" / "docs" / "start").glob("*.md")))
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
INLINE = re.compile(r"`((?:\.venv/bin/)?sleepbrux [^`]+)`")
SERVES = ("start", "review")  # begun, awaited until it names its address, and ended as by Ctrl-C
NOT_RUN = {
    "demo": "made DEMO",
    "chair": "needs a live stream; held by tests/live",
}
DELETED = "is not next to the study file"  # the demo keeps the recordings of its first nights only
NAMED = ("batch", "deidentify", "plan", "trace")  # in a text by name only: their help is shown
MOST_S = 600


def commands(text: str) -> Iterator[str]:
    """The commands of a text in its order, each once; without the set-up."""
    seen = set()
    blocks = [body.splitlines() for kind, body in BLOCK.findall(text) if kind in ("", "text")]
    inline = [" ".join(found.split()) for found in INLINE.findall(BLOCK.sub("", text))]
    for line in [line for body in blocks for line in body] + inline:
        words = shlex.split(line, comments=True)
        if words and words[0].endswith("sleepbrux") and tuple(words) not in seen:
            seen.add(tuple(words))
            yield shlex.join(words)


def scripts(text: str) -> list[str]:
    """The Python of a text."""
    return [body for kind, body in BLOCK.findall(text) if kind == "python"]


def filled(words: list[str], demo: Path, empty: Path) -> list[str]:
    """A command with the demo's own files in the place of its placeholders."""
    results = demo / "results"
    archive = results / "night-04.night.h5"
    places = {
        "FOLDER/study.toml": demo / "study.toml",
        "FOLDER/CLENCHES.edf": demo / "reference.edf",
        "FOLDER/results/NIGHT.night.h5": archive,
        "NIGHT.night.h5": archive,
        "NIGHT.edf": demo.parent / "alone" / "night-01.edf",  # away from the results of the study
        "YOURS.edf": next((demo.parent / "files").glob("*.edf"), archive),
        "ID": "phasic_tonic_10mvc",
        "FOLDER": empty if words[1:3] == ["study", "new"] else demo,
    }
    if len(words) == 2 and words[1] in NAMED:
        return [words[1], "--help"]
    return [str(places.get(word, word)) for word in words[1:]]


def served(line: list[str], where: Path) -> str:
    """Begin a command that serves a page, and end it once it has named its address; empty where it did."""
    with subprocess.Popen(
        [*line, "--no-open"], cwd=where, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        assert process.stdout is not None
        told = ""
        for text in process.stdout:
            told += text
            if "http://" in text:
                break
        time.sleep(1)
        process.send_signal(signal.SIGINT)
        code = process.wait(30)
    return "" if "http://" in told and code in (0, 130) else f"ended with {code}: {told}"


def run(line: list[str], where: Path) -> str:
    """Run a command; empty where it ended with 0, or with 1 because of recordings that the demo deleted."""
    done = subprocess.run(line, cwd=where, capture_output=True, text=True, timeout=MOST_S, check=False)
    text = done.stdout + done.stderr
    fine = done.returncode == 0 or (done.returncode == 1 and DELETED in text)
    return "" if fine else f"ended with {done.returncode}: {text[-1000:]}"


def copied(demo: Path, to: Path) -> Path:
    """A demo whose recordings are hard links, as nothing writes to them."""

    def copy(a: str, b: str) -> str:
        linked = Path(a).suffix in {".edf", ".bdf"}
        return str(os.link(a, b) or b) if linked else str(shutil.copy2(a, b))

    return Path(shutil.copytree(demo, to, copy_function=copy))


def said(what: str, wrong: str, began: float) -> int:
    """Print how it went; 1 where it failed."""
    how = "FAILED" if wrong else "ok"
    print(f"  {how} {time.monotonic() - began:.1f} s: {what} {wrong}".rstrip(), flush=True)
    return int(bool(wrong))


def followed(text: str, demo: Path, program: str) -> int:
    """Run the commands and the Python of a text next to a copy of the demo; how many failed."""
    failed, folder = 0, demo.parent
    for command in commands(text):
        words = shlex.split(command)
        if words[1] in NOT_RUN:
            print(f"  not run ({NOT_RUN[words[1]]}): {command}")
            continue
        line = [program, *filled(words, demo, folder / "new")]
        began = time.monotonic()
        failed += said(command, (served if words[1] in SERVES else run)(line, folder), began)
    for script in scripts(text):
        began, where = time.monotonic(), ROOT if "demo_data" in script else folder
        wrong = run([str(Path(program).parent / "python"), "-c", script], where)
        failed += said(f"Python of {len(script.splitlines())} lines", wrong, began)
    return failed


def main(demo: Path, program: str) -> int:
    """Run all and say what each did."""
    failed, demo = 0, demo.resolve()
    with tempfile.TemporaryDirectory(dir=demo.parent) as made:
        copy = copied(demo, Path(made) / "study")
        new, alone = copy.parent / "new", copy.parent / "alone"
        alone.mkdir()
        os.link(copy / "night-01.edf", alone / "night-01.edf")  # the demo keeps its first recordings
        for path in TEXTS:
            print(path.relative_to(ROOT))
            shutil.rmtree(new, ignore_errors=True)
            new.mkdir()
            failed += followed(path.read_text("utf-8"), copy, program)
    print(f"{failed} failed")
    return int(failed > 0)


if __name__ == "__main__":
    own = str(Path(sys.executable).parent / "sleepbrux")
    sys.exit(main(Path(sys.argv[1]), str(Path((*sys.argv[2:], own)[0]).absolute())))
