"""The files that a night leaves behind: written together, and never over those of another night."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from sleepbrux.archive.file import load_identity, save_night
from sleepbrux.archive.file_sets import write_listed
from sleepbrux.archive.identity import Identity, foreign, identity_of
from sleepbrux.archive.journal.file import JOURNAL
from sleepbrux.archive.manifest import (
    ARCHIVE,
    LIST,
    REVIEWED,
    Listed,
    Manifest,
    list_path,
    listed,
    load_manifest,
    manifest_text,
)
from sleepbrux.core.errors import ArchiveError
from sleepbrux.core.files import changing, safe_stem, settling, write_text
from sleepbrux.core.json_text import SOFTWARE
from sleepbrux.export.summary import report_id, robustness_text, summary_text
from sleepbrux.export.tables import bursts_csv, channel_bursts_csv, episodes_csv
from sleepbrux.report.night_page import render_night
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.robustness import Robustness, side_by_side, threshold_curve

if TYPE_CHECKING:
    from sleepbrux.analysis.agreement.compare import Pair, ScoringAgreement

__all__ = [
    "AGREEMENT",
    "ARCHIVE",
    "LAST",
    "REPORT",
    "REVIEWED",
    "ROBUSTNESS",
    "SUMMARY",
    "free_stem",
    "listed_text",
    "refuse_foreign",
    "refuse_of_archive",
    "refuse_other",
    "report_text",
    "standing",
    "write_agreement",
    "write_beside",
    "write_outputs",
    "write_reviewed",
    "write_robustness",
    "write_set",
]

REPORT = ".report.html"
SUMMARY = ".summary.json"
ROBUSTNESS = ".robustness.json"
AGREEMENT = "agreement.html"
LAST = (SUMMARY, ARCHIVE, LIST)
"""What of a set is renamed last; each stands only where all before it do."""


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


EARLIER_FIELDS = {"person": "pseudonym"}
"""What earlier versions called a field."""


def _identity(said: Mapping[str, Any]) -> Identity:
    names = {f.name: (f.name, EARLIER_FIELDS.get(f.name, f.name)) for f in fields(Identity)}
    return Identity(
        **{name: next((str(said[k]) for k in keys if said.get(k)), "") for name, keys in names.items()}
    )


def _of_table(found: Any) -> Identity:
    """From a JSON object: its ``identity``, or what earlier versions wrote instead."""
    own = {"input_sha256": found.get("input_sha256", "")}
    return _identity({**own, **(found.get("study") or {}), **found, **(found.get("identity") or {})})


def _of_json(path: Path) -> Identity:
    return _of_table(json.loads(path.read_text("utf-8")))


def _of_journal(path: Path) -> Identity:
    with path.open("rb") as file:
        return _of_table(json.loads(file.readline(1 << 20)))


def _of_csv(path: Path) -> Identity:
    with path.open(encoding="utf-8-sig", newline="") as file:
        row = next(csv.DictReader(file), {})
    return _identity(
        {name: (cell or "").removeprefix("'") for name, cell in row.items() if isinstance(cell, str)}
    )


def _of_page(path: Path) -> Identity:
    found = re.search(r"input, SHA-256<[^0-9]{1,60}>([0-9a-f]{64})<", path.read_text("utf-8"))
    return Identity(input_sha256=found[1] if found else "")


SAYS: dict[str, Callable[[Path], Identity]] = {
    LIST: _of_json,
    ARCHIVE: load_identity,
    SUMMARY: _of_json,
    JOURNAL: _of_journal,
    ROBUSTNESS: _of_json,
    REPORT: _of_page,
    **dict.fromkeys((e for e in TEXTS if e != REPORT), _of_csv),
}
"""Files of a set, by ending, and how each says whose night it is."""


def standing(folder: Path, stem: str) -> dict[str, Identity]:
    """Whose night the files of one name are; a file that does not say it, or is damaged, says nothing."""
    found: dict[str, Identity] = {}
    for reviewed in ("", REVIEWED):
        for ending, says in SAYS.items():
            name = f"{stem}{reviewed}{ending}"
            if (folder / name).exists():
                try:
                    found[name] = says(folder / name) if (folder / name).is_file() else Identity()
                except (ArchiveError, OSError, ValueError, TypeError, AttributeError, csv.Error):
                    found[name] = Identity()
    return found


def refuse_foreign(folder: Path, stem: str, whose: Identity, *, other_input: bool = False) -> None:
    """Refuse to write over the files of another person, night or recording.

    Where the list of the set is one of this night, the files in it are this night's to replace, whatever was
    put in their place since.

    Parameters
    ----------
    other_input
        Whether results of another recording of the same night may be replaced, because it is known that
        the recording itself was.

    Raises
    ------
    ArchiveError
        In one sentence that names both.
    """
    due = replace(whose, input_sha256="") if other_input else whose
    manifest = load_manifest(folder, stem)
    own = manifest.files if manifest and not foreign(manifest.identity, due) else {}
    for name, found in standing(folder, stem).items():
        if name.removeprefix(stem) in own:
            continue
        if foreign(found, due) or (found.person and not due.person):
            raise ArchiveError(
                f"{name} in {folder.name or str(folder)!r} is of {found.words}; results of {whose.words} are "
                "not written beside or over it: name another folder, or move those files away"
            )


def free_stem(folder: Path, name: str, whose: Identity, taken: Collection[str] = ()) -> str:
    """A stem under which ``folder`` holds nothing, or only results of the very same recording.

    Everything that has the stem counts: archive, journal, list, tables, page, also of a reviewed night.

    Parameters
    ----------
    taken
        Stems that the same command has written. Of its recordings of one name the second gets ``night-2``.

    Raises
    ------
    ArchiveError
        Results of another recording stand under that name.
    """
    stem = safe_stem(name)
    before: list[str] = []
    for number in range(1, 10000):
        candidate = stem if number == 1 else f"{stem}-{number}"
        found = standing(folder, candidate)
        if not found:
            if all(earlier in taken for earlier in before):
                return candidate
            break
        if any(i.input_sha256 == whose.input_sha256 for i in found.values()):
            refuse_foreign(folder, candidate, whose)
            return candidate
        before.append(candidate)
    refuse_foreign(folder, stem, whose)
    raise ArchiveError(
        f"{', '.join(standing(folder, stem))} in {folder.name or str(folder)!r} cannot be told to be of this "
        "recording; name another folder, or move the files away"
    )


def refuse_other(path: Path, field: str, value: str) -> None:
    """Refuse to write over a JSON file, and the page beside it, that says something else in a field.

    Raises
    ------
    ArchiveError
        In one sentence that names both.
    """
    try:
        table = json.loads(path.read_text("utf-8"))
        found = table.get(field, table.get(EARLIER_FIELDS.get(field)))
    except (OSError, ValueError, AttributeError):
        return
    if found is not None and found != value:
        raise ArchiveError(
            f"{path.name} in {path.parent.name or str(path.parent)!r} is of {field} {found!r}, this result "
            f"of {value!r}: it is not written over it; name another folder, or move that file away"
        )


class _Reported(msgspec.Struct):
    """The part of a summary that names it."""

    report_id: str


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


def _refuse_other_start(night: Night, summary: Path) -> None:
    """Refuse to take a recording that began at another time for a new version of the one before."""
    try:
        began = str(json.loads(summary.read_text("utf-8"))["start"] or "")
    except (OSError, ValueError, KeyError, TypeError):
        return
    own = night.swept.start.isoformat() if night.swept.start else ""
    if began and own and began != own:
        raise ArchiveError(
            f"{summary.name} is of a recording that began {began}, this one began {own}: another night is "
            "not written over it; give the night another id, or move those files away"
        )


def write_outputs(night: Night, folder: Path, *, stem: str | None = None, taken: Collection[str] = ()) -> str:
    """`write_set`; returns the stem that the files share."""
    return write_set(night, folder, stem=stem, taken=taken)[0]


def write_set(
    night: Night,
    folder: Path,
    *,
    stem: str | None = None,
    taken: Collection[str] = (),
    replaced: bool = False,
    archive: bool = True,
) -> tuple[str, Manifest]:
    """Write archive, report, summary, tables and a list of them; returns their stem and that list.

    Everything is written before anything gets its name, then all of it at once, the list last; so a scoring
    that fails leaves the earlier one as it was. Another scoring of the same recording under the same name
    is superseded: the new one names its report id.

    Parameters
    ----------
    stem
        By default the recording's name, where it is free: see `free_stem`, also for ``taken``.
    replaced
        Whether the recording itself is known to have been replaced; then its earlier results are too.
    archive
        Whether there is to be an archive. Without, there must be none yet: see `refuse_of_archive`.

    Raises
    ------
    ArchiveError
        Under that name stand files of another person, night or recording.
    """
    folder.mkdir(parents=True, exist_ok=True)
    whose = identity_of(night)
    if stem is None:
        stem = free_stem(folder, night.swept.name, whose, taken)
    refuse_foreign(folder, stem, whose, other_input=replaced)
    if replaced:
        _refuse_other_start(night, folder / f"{stem}{SUMMARY}")
    night = _superseding(night, folder / f"{stem}{SUMMARY}")
    others, curve = side_by_side(night), threshold_curve(night)
    night.swept.clear_envelope_cache()  # nothing below asks for an envelope: 23 MB a channel
    page = partial(render_night, others=others, threshold=curve)
    texts: dict[str, Callable[[Night], str]] = {**TEXTS, REPORT: page, SUMMARY: summary_text}
    files: dict[str, Listed] = {}

    @contextmanager
    def hold() -> Iterator[None]:
        with changing(folder):
            refuse_foreign(folder, stem, whose, other_input=replaced)
            if not archive:
                refuse_of_archive(folder, stem)
            yield

    with settling(hold, last=LAST) as settle:

        def noted(temporary: Path, path: Path) -> None:
            files[ARCHIVE] = listed(temporary, path.name)
            settle(temporary, path)

        if archive:
            save_night(night, folder / f"{stem}{ARCHIVE}", settle=noted)
        for ending, text in texts.items():
            made = text(night)
            files[ending] = listed_text(made)
            write_text(folder / f"{stem}{ending}", made, settle)
        told = msgspec.json.decode(made, type=_Reported)  # the summary is the last of the texts
        manifest = Manifest(identity=whose, report_id=told.report_id, files=files, software=SOFTWARE)
        write_text(list_path(folder, stem), manifest_text(manifest), settle)
    return stem, manifest


def refuse_of_archive(folder: Path, stem: str) -> None:
    """Refuse to write a night without an archive where an archive, or what was made from one, stands.

    Raises
    ------
    ArchiveError
        In one sentence.
    """
    endings = (ARCHIVE, JOURNAL, f"{REVIEWED}{LIST}", f"{REVIEWED}{SUMMARY}", ROBUSTNESS)
    there = [name for name in (f"{stem}{ending}" for ending in endings) if (folder / name).exists()]
    if there:
        raise ArchiveError(
            f"{', '.join(there)} of an earlier run in {folder.name or str(folder)!r}: a night without an archive is "
            "not written beside it, as it would be taken for this one's; name another folder, move it away, or "
            "keep archives"
        )


def listed_text(text: str) -> Listed:
    """A text as the list of a set names it once it is written."""
    data = text.encode("utf-8")
    return Listed(len(data), hashlib.sha256(data).hexdigest())


def write_reviewed(night: Night, folder: Path, stem: str, *, of: Listed | None = None) -> list[str]:
    """Write report, summary, tables and list of a reviewed night beside the automatic ones; their names.

    They name the report that they replace: an earlier review, else the automatic one.

    Parameters
    ----------
    of
        The archive as it was when it was read; by default as it is now.
    """
    earlier = folder / f"{stem}{REVIEWED}{SUMMARY}"
    night = _superseding(night, earlier if earlier.is_file() else folder / f"{stem}{SUMMARY}")
    made = {ending: text(night) for ending, text in {**TEXTS, SUMMARY: summary_text}.items()}
    archive = folder / f"{stem}{ARCHIVE}"
    if of is None and archive.is_file():
        of = listed(archive)
    manifest = Manifest(
        software=SOFTWARE,
        identity=identity_of(night),
        report_id=report_id(night),
        files={ending: listed_text(text) for ending, text in made.items()},
        archive_sha256=of.sha256 if of else "",
    )
    texts = {f"{REVIEWED}{e}": text for e, text in {**made, LIST: manifest_text(manifest)}.items()}
    with changing(folder):
        refuse_foreign(folder, stem, manifest.identity)
        with settling(last=LAST) as settle:
            for ending, text in texts.items():
                write_text(folder / f"{stem}{ending}", text, settle)
    return [f"{stem}{ending}" for ending in texts]


def write_beside(
    night: Night, folder: Path, stem: str, texts: Mapping[str, str], *, of: Listed | None = None
) -> None:
    """Write files made later from an archive, by ending, and put them into the list of the night's set.

    Parameters
    ----------
    of
        The archive as it was when it was read.

    Raises
    ------
    ArchiveError
        The files there are of another night, or of another archive than was read.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with changing(folder):
        refuse_foreign(folder, stem, identity_of(night))
        manifest = load_manifest(folder, stem)
        known = manifest.files.get(ARCHIVE) if manifest else None
        if known is not None and of is not None and known != of:
            raise ArchiveError(
                f"{stem}{LIST} in {folder.name or str(folder)!r} lists another scoring of this night; name "
                "another folder, or run again"
            )
        with settling(last=LAST) as settle:
            for ending, text in texts.items():
                write_text(folder / f"{stem}{ending}", text, settle)
            if manifest is not None:
                new = {ending: listed_text(text) for ending, text in texts.items()}
                whole = msgspec.structs.replace(manifest, files={**manifest.files, **new})
                write_text(list_path(folder, stem), manifest_text(whole), settle)


def write_agreement(found: ScoringAgreement, pairs: Sequence[Pair], folder: Path) -> list[str]:
    """Write page, JSON and events of two scorings compared; their names."""
    # a night is written without them
    from sleepbrux.export.agreement import agreement_events, agreement_text
    from sleepbrux.report.agreement_page import render_agreement

    folder.mkdir(parents=True, exist_ok=True)
    texts = {
        AGREEMENT: render_agreement(found, pairs),
        "agreement.events.csv": agreement_events(pairs),
        "agreement.json": agreement_text(found),
    }
    write_listed({folder / name: text for name, text in texts.items()}, folder / AGREEMENT)
    return list(texts)


def write_robustness(
    night: Night, robustness: Robustness, folder: Path, stem: str, *, of: Listed | None = None
) -> None:
    """Write the night under many rules as JSON, and the report anew with it inside."""
    page = render_night(night, robustness=robustness)
    texts = {ROBUSTNESS: robustness_text(night, robustness), REPORT: page}
    write_beside(night, folder, stem, texts, of=of)
