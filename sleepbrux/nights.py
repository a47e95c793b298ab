"""Archived nights of a study: what each stands on, and which may be pooled with which."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sleepbrux.errors import ArchiveError
from sleepbrux.files import safe_stem
from sleepbrux.journal import scoring_words, unused_review, with_review
from sleepbrux.measures import Measure
from sleepbrux.night import Night
from sleepbrux.provenance import METHOD
from sleepbrux.store import load_night
from sleepbrux.study import Study, StudyNight

REVIEW_UNUSED = "automatic scoring: its review is not used, as not every night has one"


@dataclass(frozen=True)
class Basis:
    """What a night's numbers stand on; nights are pooled only where all of it is the same.

    Attributes
    ----------
    criterion, criterion_digest
        Id of the rule set and SHA-256 over its values.
    window
        Whose word the analysed window is.
    channels
        Labels of the scored channels, sorted.
    reference
        Kind of the reference clench: statistic, amplitude, placement and teeth; ``"none"`` without.
    method
        Version of the method that the archive was made with; see `provenance.METHOD`.
    """

    criterion: str
    criterion_digest: str
    window: str
    channels: tuple[str, ...]
    reference: str
    method: int = METHOD


@dataclass(frozen=True)
class NightFigures:
    """What a summary needs of one archived night.

    Attributes
    ----------
    input_sha256
        Digest of the recording.
    valid_hours, minimum_valid_hours
        Hours that counted, and those that the rules ask for.
    labelled
        Condition that the archive was written with; empty where it says none.
    scoring
        What a reader has to do with these numbers; empty where no review exists.
    unread
        Why the review of this night could not be used; empty where it could, or where there is none.
    """

    id: str
    condition: str
    basis: Basis
    input_sha256: str
    valid_hours: float
    minimum_valid_hours: float
    measures: dict[str, Measure]
    labelled: str = ""
    scoring: str = ""
    unread: str = ""


@dataclass(frozen=True)
class Missing:
    """A night of the study without a readable archive, and why."""

    id: str
    condition: str
    reason: str


@dataclass(frozen=True)
class LeftOut:
    """A night that was read and is not pooled; every reason is one sentence."""

    id: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Found:
    """A night of the study with its archive, and the night after a reader's decisions, if any.

    Where these could not be used, a warning among the night's notes says why.
    """

    entry: StudyNight
    night: Night
    reviewed: Night | None
    archive: Path


def archived(study: Study, folder: Path, *, suffix: str) -> Iterator[Found | Missing]:
    """Every night of a study with its archive, or why there is none; one archive in memory at a time.

    Parameters
    ----------
    folder
        Where the archives lie, named after the night's id or else after its recording; or the folder
        above, in which a batch has one folder a pseudonym.
    suffix
        Ending of an archive's name.
    """
    own = folder / safe_stem(study.pseudonym)
    folder = own if own.is_dir() else folder
    for entry in study.recorded:
        stems = dict.fromkeys((safe_stem(entry.id), safe_stem(Path(entry.recording).stem)))
        names = [f"{stem}{suffix}" for stem in stems]
        try:
            found = next((name for name in names if (folder / name).is_file()), None)
            if found is None:
                raise ArchiveError(f"no archive {' or '.join(names)} in {folder.name or folder}")
            night = load_night(folder / found)
            said = dict(night.about).get("night", entry.id)
            if said != entry.id:
                raise ArchiveError(f"{found} is the archive of night {said!r}")
        except ArchiveError as error:
            yield Missing(entry.id, entry.condition, str(error))
            continue
        after = with_review(night, folder / found)
        night = after if unused_review(after) else night
        yield Found(entry, night, after if after.review else None, folder / found)


def read_nights(
    study: Study, folder: Path, *, suffix: str
) -> tuple[list[NightFigures], list[Missing]]:
    """Figures of every archived night of a study; see `archived`.

    Reviewed scorings count only where every night that was found has one, so that nights that a reader
    has corrected are never pooled with nights that nobody has seen.
    """
    nights: list[tuple[NightFigures, NightFigures | None]] = []
    missing = []
    for found in archived(study, folder, suffix=suffix):
        if isinstance(found, Missing):
            missing.append(found)
        else:
            after = found.reviewed
            nights.append(
                (figures(found.entry, found.night), figures(found.entry, after) if after else None)
            )
    if nights and all(after for _, after in nights):
        return [after for _, after in nights if after], missing
    return [
        replace(night, scoring=REVIEW_UNUSED) if after else night for night, after in nights
    ], missing


def figures(entry: StudyNight, night: Night) -> NightFigures:
    """What a summary needs of a scored night."""
    return NightFigures(
        id=entry.id,
        condition=entry.condition,
        basis=Basis(
            criterion=night.criterion.id,
            criterion_digest=night.criterion.digest(),
            window=night.window.basis,
            channels=tuple(sorted(frames.channel.label for frames in night.swept.frames)),
            reference=night.reference.kind if night.reference else "none",
            method=night.swept.method,
        ),
        input_sha256=night.swept.digest,
        valid_hours=night.measures["valid_hours"].value or 0.0,
        minimum_valid_hours=night.criterion.window.minimum_valid_hours,
        measures=night.measures,
        labelled=dict(night.about).get("condition", ""),
        scoring=scoring_words(night),
        unread=unused_review(night),
    )


@dataclass(frozen=True)
class NightValue:
    """One measure of one night.

    Attributes
    ----------
    value
        In the unit of the measure; None where it could not be computed, and ``reason`` says why.
    count, exposure
        Events, and what they were divided by: valid hours for a rate, 1 (night) for a count. None for
        a measure that does not count events.
    """

    id: str
    value: float | None
    count: int | None = None
    exposure: float | None = None
    reason: str = ""


def night_value(night: NightFigures, name: str) -> NightValue:
    """One measure of a night; for rates and counts of events with the count behind it."""
    measure = night.measures.get(name)
    if measure is None:
        return NightValue(night.id, None, reason="not in the archive")
    value = measure.value
    if value is None:
        return NightValue(night.id, None, reason=measure.reason)
    exposure = night.valid_hours if measure.unit == "1/h" else 1.0
    if measure.unit != "1/h" and not name.endswith("_count"):
        return NightValue(night.id, value)
    return NightValue(night.id, value, round(value * exposure), exposure)


def unlike(basis: Basis, pooled: Basis) -> tuple[str, ...]:
    """Why a night cannot be pooled with others: one sentence each, empty where it can."""
    reasons = []
    if basis.criterion != pooled.criterion:
        reasons.append(f"criterion {basis.criterion}, the pooled nights have {pooled.criterion}")
    elif basis.criterion_digest != pooled.criterion_digest:
        reasons.append(f"criterion {basis.criterion} with other values or another version of it")
    for what in ("window", "channels", "reference"):
        own, theirs = (words(getattr(b, what)) for b in (basis, pooled))
        if own != theirs:
            reasons.append(f"{what} {own!r}, the pooled nights have {theirs!r}")
    if basis.method != pooled.method:
        reasons.append(
            f"scored by method {basis.method}, the pooled nights by method {pooled.method}: score "
            "the recordings again"
        )
    return tuple(reasons)


def words(value: str | tuple[str, ...]) -> str:
    """A basis' field as text."""
    return value if isinstance(value, str) else " + ".join(value)


def pool(
    nights: Sequence[NightFigures], seen: dict[str, str]
) -> tuple[Basis | None, list[NightFigures], list[LeftOut]]:
    """The nights on the commonest basis (of equals, the one met first), and the rest with reasons.

    ``seen`` maps recordings to the night that has each: a recording counts once in a study.
    """
    fresh, left = [], []
    for night in nights:
        twin = seen.setdefault(night.input_sha256, night.id)
        if twin != night.id:
            left.append(LeftOut(night.id, (f"the same recording as night {twin}",)))
        else:
            fresh.append(night)
    if not fresh:
        return None, [], left
    basis = Counter(night.basis for night in fresh).most_common(1)[0][0]
    left += [
        LeftOut(night.id, unlike(night.basis, basis)) for night in fresh if night.basis != basis
    ]
    return basis, [night for night in fresh if night.basis == basis], left


def in_order(study: Study) -> tuple[list[StudyNight], str]:
    """Recorded nights by date where every one has a date, else as the study file lists them."""
    nights = study.recorded
    dates = {night.id: night.date for night in nights if night.date is not None}
    if len(dates) == len(nights):
        return sorted(nights, key=lambda night: dates[night.id]), "by date"
    return list(nights), "as listed in the study file (not every night has a date)"
