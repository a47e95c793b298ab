"""``python -m tests.validation [truth] [pasted] [page]``: remake the figures and the page."""

import json
import sys
from collections.abc import Callable

from tqdm import tqdm

from sleepbrux.core.errors import SleepbruxError
from tests.validation import pasted, truth
from tests.validation.events import Tally
from tests.validation.page import FIGURES, PAGE, load_figures, row_of, store, write

SEEDS = (1, 2, 3, 4, 5)


def row(group: str, name: str, one: Callable[[int], Tally]) -> dict[str, object]:
    tallies, refused = [], 0
    for seed in SEEDS:
        try:
            tallies.append(one(seed))
        except SleepbruxError:
            refused += 1
    return row_of(group, name, tallies, refused)


RATCHETED = (
    "base: as described above",
    "burst level: 1.2–1.5 times the threshold",
    "sampling rate: 500 Hz",
    "contact lost: one side, 10 min of 60",
    "converter: 8 bit over ± 1 mV",
)


def write_ratchet() -> None:
    """Figures of the first seed that the suite holds."""
    names = ("expected", "matched", "false", "other_kind")

    def kept(tally: Tally) -> dict[str, int]:
        return {n: getattr(tally, n) for n in names}

    by_name = {f"{c.group}: {c.name}": c for c in truth.conditions()}
    found = {
        "truth": {name: kept(truth.run(by_name[name], SEEDS[0])) for name in RATCHETED},
        "pasted": {name: kept(pasted.run(name, SEEDS[0])) for name in pasted.FILES},
    }
    path = FIGURES.with_name("ratchet.json")
    path.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def main(parts: list[str]) -> None:
    figures = load_figures() if FIGURES.exists() else {}
    if not parts or "truth" in parts:
        figures["truth_seeds"] = f"{SEEDS[0]}–{SEEDS[-1]}"
        figures["truth"] = [
            row(c.group, c.name, lambda seed, c=c: truth.run(c, seed))
            for c in tqdm(list(truth.conditions()), desc="truth nights")
        ]
        store(figures)
    if not parts or "pasted" in parts:
        figures["pasted"] = [
            row("pasted", name, lambda seed, name=name: pasted.run(name, seed))
            for name in tqdm(pasted.FILES, desc="pasted bursts")
        ]
    if parts != ["page"]:
        write_ratchet()
    write(figures)
    print(f"figures in {FIGURES.name}, page in sleepbrux/docs/{PAGE.name}")


main(sys.argv[1:])
