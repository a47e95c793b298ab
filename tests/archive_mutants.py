"""Archives bent after they were written, with check sums made anew: what somebody could hand over.

``python -m tests.archive_mutants --mutants 5000`` runs more of them than the suite does. Each must be loaded
and used by trace, export and report, or refused in one sentence; none may end in another error or not end.
"""

from __future__ import annotations

import argparse
import faulthandler
import json
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from sleepbrux.archive.file import load_night, save_night
from sleepbrux.core.errors import SleepbruxError
from sleepbrux.core.files import seal
from sleepbrux.export.chain import chain_of
from sleepbrux.export.files import ExportRequest, write_files
from sleepbrux.report.outputs import report_text
from sleepbrux.scoring.request import Request, score_file
from sleepbrux.synth.channels import write_around
from sleepbrux.synth.confounders import Around, plan_around
from sleepbrux.synth.layout import Recipe

LONGEST_S = 120
NONSENSE: list[Any] = [
    None,
    -1,
    0,
    1,
    1e308,
    -1e308,
    10**18,
    -(10**18),
    2**63,
    1e-300,
    "",
    "x",
    "1/0",
    "0/1",
    "-1/100",
    "1/1000000000000000000000",
    "9999999999/1",
    True,
    [],
    {},
    [1],
    "2026-13-40",
    "á" * 50,
    "\x1b[31m",
]
FOR_OTHERS = ("tables/", "spans/")  # written and never read
KINDS = ("bytes", "header", "header", "data", "data", "attribute", "missing")


def seed_archive(folder: Path) -> Path:
    """A night of twelve minutes with every signal that may surround an episode."""
    recipe = Recipe(
        hours=0.2,
        episodes_per_hour=20,
        awake_s=60.0,
        settle_s=60.0,
        isolated_per_hour=2.0,
        twitches_per_hour=6.0,
    )
    rates = {"short wakes": 5, "body movements": 7, "sleep talking": 4, "swallows": 8}
    write_around(plan_around(recipe, Around(rates, breathing_per_hour=8.0), seed=3), folder / "n.edf")
    night = score_file(folder / "n.edf", Request())
    about = (("person", "P"), ("night", "n"), ("condition", "c"))
    save_night(replace(night, about=about), folder / "seed.night.h5")
    return folder / "seed.night.h5"


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in items:
        yield from _places(each, (*path, key))
    if path:
        yield path


def _bend_json(text: bytes | str, rng: random.Random) -> tuple[str, str]:
    """A JSON text with one value replaced, and which."""
    table = json.loads(text)
    places = list(_places(table))
    if not places:
        return json.dumps(table), "nothing"
    place = rng.choice(places)
    above = table
    for key in place[:-1]:
        above = above[key]
    old, new = above[place[-1]], rng.choice(NONSENSE)
    if isinstance(old, int | float) and not isinstance(old, bool) and rng.random() < 0.5:
        new = rng.choice([-old - 1, old * 1e6 + 1, old / 1e6, 1e300, 10**15])
    above[place[-1]] = new
    return json.dumps(table), f"{'.'.join(map(str, place))} = {new!r}"


def _bend_bytes(path: Path, rng: random.Random) -> str:
    raw = bytearray(path.read_bytes())
    at = rng.randrange(len(raw) if rng.random() < 0.5 else 20_000)
    new = rng.choice([0, 1, 127, 128, 255, -1])
    for k in range(at, min(at + rng.choice([1, 1, 2, 8, 64]), len(raw))):
        raw[k] = rng.randrange(256) if new < 0 else new
    path.write_bytes(bytes(raw))
    return f"bytes at {at}"


def _bent_column(data: np.ndarray, rng: random.Random) -> tuple[str, np.ndarray]:
    how = rng.choice(["extreme", "negative", "nan", "half", "type", "none", "backward", "big"])
    number = data.dtype.kind in "iuf"
    if how == "extreme" and data.size and number:
        data = data.copy()
        top = np.iinfo(data.dtype).max if data.dtype.kind in "iu" else 1e30
        data.flat[rng.randrange(data.size)] = rng.choice([-1, 100, top])
    elif how == "negative":
        data = -data if number and data.dtype.kind != "u" else np.invert(data)
    elif how == "nan":
        data = np.full(data.shape, np.nan)
    elif how == "half":
        data = data.reshape(-1)[: data.size // 2]
    elif how == "type":
        with np.errstate(all="ignore"):
            data = data.astype(rng.choice(["f8", "i1", "S4", "u8"]))
    elif how == "none":
        data = data[:0]
    elif how == "backward":
        data = data[::-1].copy()
    elif number:
        with np.errstate(all="ignore"):
            data = (data.astype("f8") * 1e9).astype(data.dtype)
    return how, data


def mutate(path: Path, rng: random.Random) -> str:
    """Bend one thing of an archive and make its check sums anew; what it was."""
    kind = rng.choice(KINDS)
    if kind == "bytes":
        said = _bend_bytes(path, rng)
    else:
        with h5py.File(path, "r+") as file:
            said = f"{kind} {_bend(file, kind, rng)}"
    seal(path)
    return said


def _bend(file: h5py.File, kind: str, rng: random.Random) -> str:
    names: list[str] = []
    groups = ["/"]
    file.visititems(lambda n, o: (names if isinstance(o, h5py.Dataset) else groups).append(n))
    names = [n for n in names if not n.startswith(FOR_OTHERS)]
    if kind == "header":
        text, said = _bend_json(file["header"][()].tobytes(), rng)
        del file["header"]
        file["header"] = np.frombuffer(text.encode(), np.uint8)
        return said
    if kind == "attribute":
        group, name = rng.choice([(g, a) for g in groups for a in file[g].attrs])
        if name == "values":
            file[group].attrs[name], said = _bend_json(file[group].attrs[name], rng)
            return f"{group} {said}"
        file[group].attrs[name] = rng.choice(["x", -1, 10**18, "1/0", "0/1", 1e300])
        return f"{group} {name}"
    name = rng.choice([n for n in names if n != "header"])
    if kind == "missing":
        del file[name]
        return name
    how, data = _bent_column(file[name][()], rng)
    del file[name]
    file[name] = data
    return f"{name} {how}"


def use(path: Path, folder: Path) -> None:
    """What commands do with an archive: load it, follow each number, export it, draw its page."""
    night = load_night(path)
    for name in night.measures:
        chain_of(night, name, archive=path)
    write_files([("x", night)], folder, ExportRequest(("csv", "json", "edf", "fhir", "study")))
    report_text(night, mark_texts=True)


def outcome(path: Path, folder: Path) -> str:
    """``used``, or ``refused`` in one sentence; any other error is raised."""
    try:
        use(path, folder)
    except SleepbruxError as error:
        return "refused" if "\n" not in str(error) else f"refused at length: {error}"
    return "used"


def run(seed: Path, folder: Path, numbers: range) -> Counter[str]:
    """Outcomes of mutants; one that does not end ends the process, with a trace of where."""
    outcomes: Counter[str] = Counter()
    for number in numbers:
        rng = random.Random(number)
        path = folder / "mutant.night.h5"
        shutil.copy(seed, path)
        said = mutate(path, rng)
        faulthandler.dump_traceback_later(LONGEST_S, exit=True)
        try:
            outcomes[outcome(path, folder / "out")] += 1
        except Exception as error:
            raise AssertionError(f"mutant {number}: {said}") from error
        finally:
            faulthandler.cancel_dump_traceback_later()
            shutil.rmtree(folder / "out", ignore_errors=True)
    return outcomes


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--mutants", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        print(
            run(
                seed_archive(Path(name)),
                Path(name),
                range(given.first, given.first + given.mutants),
            )
        )
