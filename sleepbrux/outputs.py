"""The files that a night leaves behind."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from sleepbrux.export.summary import report_id, robustness_text, summary_text
from sleepbrux.export.tables import bursts_csv, channel_bursts_csv, episodes_csv
from sleepbrux.files import safe_stem, settling, write_text
from sleepbrux.night import Night
from sleepbrux.report.night_page import render_night
from sleepbrux.robustness import Robustness, side_by_side, threshold_curve
from sleepbrux.store import save_night

if TYPE_CHECKING:
    from sleepbrux.agreement.compare import Agreement, Pair

ARCHIVE = ".night.h5"
REPORT = ".report.html"
SUMMARY = ".summary.json"
REVIEWED = ".reviewed"
ROBUSTNESS = ".robustness.json"


def free_stem(folder: Path, name: str, digest: str) -> str:
    """A stem under which ``folder`` holds nothing, or only results of the very same input.

    Two recordings of one name in different folders get ``night`` and ``night-2``.
    """
    stem = safe_stem(name)
    for number in range(1, 10000):
        candidate = stem if number == 1 else f"{stem}-{number}"
        if _owner(folder / f"{candidate}{SUMMARY}") in (None, digest):
            return candidate
    raise FileExistsError(f"{stem}: too many results of that name")


def _owner(path: Path) -> str | None:
    """Digest of the input that a summary belongs to; None where there is no summary."""
    try:
        return str(json.loads(path.read_text("utf-8")).get("input_sha256"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, AttributeError):
        return ""


def _superseding(night: Night, earlier: Path) -> Night:
    """The night with the id of the report that it replaces: another scoring of the same input."""
    try:
        table = json.loads(earlier.read_text("utf-8"))
        if table["input_sha256"] != night.swept.digest:
            return night
        before, old = str(table["report_id"]), str(table["supersedes"] or "")
    except (OSError, ValueError, KeyError, TypeError):
        return night
    return replace(night, supersedes=old if before == report_id(night) else before)


def report_text(night: Night, *, mark_texts: bool = False) -> str:
    """The page about a night as `write_outputs` leaves it."""
    others, curve = side_by_side(night), threshold_curve(night)
    return render_night(night, others=others, threshold=curve, mark_texts=mark_texts)


TEXTS: dict[str, Callable[[Night], str]] = {
    REPORT: report_text,
    ".episodes.csv": episodes_csv,
    ".bursts.csv": bursts_csv,
    ".channel_bursts.csv": channel_bursts_csv,
}


def output_names(stem: str) -> list[str]:
    """Names of the files that `write_outputs` writes."""
    return [f"{stem}{ending}" for ending in (ARCHIVE, *TEXTS, SUMMARY)]


def write_outputs(night: Night, folder: Path, *, stem: str | None = None) -> str:
    """Write archive, report, summary and tables; returns the stem that they share.

    Another scoring of the same recording under the same name is superseded: the new one names its
    report id. The summary comes last, and an earlier one goes first: where it stands, the others are whole.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stem = stem or free_stem(folder, night.swept.name, night.swept.digest)
    night = _superseding(night, folder / f"{stem}{SUMMARY}")
    (folder / f"{stem}{SUMMARY}").unlink(missing_ok=True)
    others, curve = side_by_side(night), threshold_curve(night)
    night.swept.let_go()  # nothing below asks for an envelope: 23 MB a channel
    page = partial(render_night, others=others, threshold=curve)
    texts: dict[str, Callable[[Night], str]] = {**TEXTS, REPORT: page, SUMMARY: summary_text}
    with settling() as settle:
        save_night(night, folder / f"{stem}{ARCHIVE}", settle=settle)
        for ending, text in texts.items():
            write_text(folder / f"{stem}{ending}", text(night), settle)
    return stem


def write_reviewed(night: Night, folder: Path, stem: str) -> list[str]:
    """Write report, summary and tables of a reviewed night beside the automatic ones; their names.

    They name the report that they replace: an earlier review, else the automatic one.
    """
    earlier = folder / f"{stem}{REVIEWED}{SUMMARY}"
    night = _superseding(night, earlier if earlier.is_file() else folder / f"{stem}{SUMMARY}")
    texts = {**TEXTS, SUMMARY: summary_text}
    for ending, text in texts.items():
        write_text(folder / f"{stem}{REVIEWED}{ending}", text(night))
    return [f"{stem}{REVIEWED}{ending}" for ending in texts]


def write_agreement(found: Agreement, pairs: Sequence[Pair], folder: Path) -> list[str]:
    """Write page, JSON and events of two scorings compared; their names."""
    # a night is written without them
    from sleepbrux.export.agreement import agreement_events, agreement_text
    from sleepbrux.report.agreement_page import render_agreement

    folder.mkdir(parents=True, exist_ok=True)
    texts = {
        "agreement.html": render_agreement(found, pairs),
        "agreement.events.csv": agreement_events(pairs),
        "agreement.json": agreement_text(found),
    }
    for name, text in texts.items():
        write_text(folder / name, text)
    return list(texts)


def write_robustness(night: Night, robustness: Robustness, folder: Path, stem: str) -> None:
    """Write the night under many rules as JSON, and the report anew with it inside."""
    write_text(folder / f"{stem}{ROBUSTNESS}", robustness_text(night, robustness))
    write_text(folder / f"{stem}{REPORT}", render_night(night, robustness=robustness))
