"""Where a night lies among the same person's other nights: a line on the page, written when all are there.

A page is made while later nights are still to be scored, so the line is filled in at the end. It depends
on the summaries that lie in the folder, and on nothing else.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

import msgspec
from markupsafe import escape

from sleepbrux.archive.manifest import list_path, load_manifest, manifest_text
from sleepbrux.core.files import changing, settling, write_text
from sleepbrux.report.numbers import text
from sleepbrux.report.outputs import LAST, REPORT, SUMMARY, listed_text
from sleepbrux.report.wording import condition_words

OPEN, CLOSE = '<span id="among">', "</span>"
REVIEWED = ".reviewed"


@dataclass(frozen=True)
class RatedNight:
    """A night by its summary.

    Attributes
    ----------
    alike
        What must be the same for two rates to lie side by side: person, condition, rules, window, channels.
    rate
        Episodes per valid hour.
    """

    stem: str
    night: str
    condition: str
    alike: tuple[str, ...]
    rate: float


def _rated(path: Path) -> RatedNight | None:
    """A night of a study from its summary; None where it has no person, no rate, or cannot be read."""
    try:
        found: dict[str, Any] = json.loads(path.read_text("utf-8"))
        study, identity = found["study"] or {}, found["identity"]
        rate = found["measures"]["episodes_per_hour"]["value"]
        alike = (
            identity["person"],
            study["condition"],
            found["criterion"]["digest"],
            found["window"]["basis"],
            *(channel["label"] for channel in found["channels"]),
        )
        night = str(identity["night"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if not alike[0] or not night or rate is None:
        return None
    return RatedNight(path.name.removesuffix(SUMMARY), night, str(study["condition"]), alike, float(rate))


def among_words(own: RatedNight, others: Sequence[RatedNight]) -> str:
    """The line for one night; empty where there is no other like it.

    Examples
    --------
    >>> nights = [RatedNight(f"n{k}", f"n{k}", "none", ("P",), rate) for k, rate in enumerate((4.0, 6.0, 5.0))]
    >>> among_words(nights[0], nights)
    'Other nights with no appliance (2): 5.0–6.0 per hour, median 5.5.'
    """
    rates = sorted(o.rate for o in others if o.alike == own.alike and o.night != own.night)
    if not rates:
        return ""
    low, high, middle = (text(v, "1/h") for v in (rates[0], rates[-1], median(rates)))
    span = f"{low}–{high} per hour, median {middle}" if low != high else f"{low} per hour"
    return f"Other nights with {condition_words(own.condition)} ({len(rates)}): {span}."


def fill_in(folder: Path, stems: Collection[str]) -> list[str]:
    """Write the line into the pages of these nights, and the changed pages into the lists of their sets.

    A page that is not as its list says, or has no list, is left alone.

    Returns
    -------
    list of str
        Stems of the nights whose page changed.
    """
    paths = (p for p in sorted(folder.glob(f"*{SUMMARY}")) if not p.name.endswith(f"{REVIEWED}{SUMMARY}"))
    nights = [night for night in map(_rated, paths) if night is not None]
    with changing(folder):
        return [
            night.stem
            for night in nights
            if night.stem in stems and _fill(folder, night, among_words(night, nights))
        ]


def _fill(folder: Path, night: RatedNight, words: str) -> bool:
    """Write the line into one page; whether it was another before."""
    manifest, page = load_manifest(folder, night.stem), folder / f"{night.stem}{REPORT}"
    try:
        old = page.read_text("utf-8")
    except (OSError, ValueError):
        return False
    if manifest is None or manifest.files.get(REPORT) != listed_text(old):
        return False
    before, found, rest = old.partition(OPEN)
    if not found:
        return False
    made = f"{before}{OPEN}{escape(words)}{CLOSE}{rest.partition(CLOSE)[2]}"
    if made == old:
        return False
    whole = msgspec.structs.replace(manifest, files={**manifest.files, REPORT: listed_text(made)})
    with settling(last=LAST) as settle:
        write_text(page, made, settle)
        write_text(list_path(folder, night.stem), manifest_text(whole), settle)
    return True
