"""Archived nights of a study: what each stands on, and which may be pooled with which."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sleepbrux.archive.file import load_identity, load_night
from sleepbrux.archive.identity import Identity, foreign, identity_of
from sleepbrux.archive.journal import scoring_words, unused_review, with_review
from sleepbrux.archive.manifest import doubts, listed
from sleepbrux.core.errors import ArchiveError
from sleepbrux.core.parallel import made_ahead
from sleepbrux.core.provenance import METHOD
from sleepbrux.recording.files import ends_digest
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night
from sleepbrux.study.file import Study, StudyNight, entry_digest, night_stems, result_folder
from sleepbrux.study.persons import OTHER_PERSON

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
    doubts, unproved
        See `ArchivedNight`.
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
    doubts: tuple[str, ...] = ()
    unproved: bool = False


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
class ArchivedNight:
    """A night of the study with its archive, and the night after a reader's decisions, if any.

    Where these could not be used, a warning among the night's notes says why.

    Attributes
    ----------
    doubts
        What is wrong with the files beside the archive, one sentence each.
    unproved
        Whether the archive says too little to show that it is this person's and this night's.
    """

    entry: StudyNight
    night: Night
    reviewed: Night | None
    archive: Path
    doubts: tuple[str, ...] = ()
    unproved: bool = False


@dataclass(frozen=True)
class Due:
    """Whose archives are looked for.

    Attributes
    ----------
    home
        Folder of the study file, in which its recordings may lie; None where that is not known.
    stated
        Whether the study is one in a study file, which says who the person is. A table of nights does
        not: there all archives must be of one person, whoever that is.
    """

    home: Path | None = None
    stated: bool = True


STATED = Due()


def archived(
    study: Study, folder: Path, *, suffix: str, due: Due = STATED
) -> Iterator[ArchivedNight | Missing]:
    """Every night of a study with its archive, or why there is none; the next one is read while one is used.

    An archive is taken only where all that it says of person, night, study entry and recording is so: see
    `why_not`.

    Parameters
    ----------
    folder
        Where the archives lie, named after the night's id or else after its recording; or the folder
        above, in which a batch has one folder a pseudonym.
    suffix
        Ending of an archive's name.
    due
        What is known of whose they must be.
    """
    places = tuple(dict.fromkeys((result_folder(study, folder), folder)))
    person = ""
    for found in made_ahead(lambda entry: _one(study, entry, places, suffix, due), study.recorded, most=1):
        if isinstance(found, Missing):
            yield found
            continue
        own = identity_of(found.night).person
        if not due.stated and person and own and own != person:
            why = f"{found.archive.name} is of {own!r}, another archive here of {person!r}"
            yield Missing(found.entry.id, found.entry.condition, why)
            continue
        person = person or own
        yield found


def _one(
    study: Study, entry: StudyNight, places: Sequence[Path], suffix: str, due: Due
) -> ArchivedNight | Missing:
    """A night of a study with its archive, or why there is none."""
    names = [f"{stem}{suffix}" for stem in night_stems(entry)]
    try:
        lies = [[p / n for n in names if (p / n).is_file()] for p in places]
        whose = Identity(study.pseudonym if due.stated else "", night=entry.id)
        archive = _one_archive([paths[0] for paths in lies if paths], whose)
        if archive is None:
            raise ArchiveError(f"no archive {' or '.join(names)} in {places[0].name or places[0]}")
        night = load_night(archive)
        if why := why_not(night, archive, study, entry, due):
            raise ArchiveError(why)
        after = with_review(night, archive)
    except ArchiveError as error:
        return Missing(entry.id, entry.condition, str(error))
    night = after if unused_review(after) else night
    proved = identity_of(night).study_sha256 or same_recording(night, entry, due)
    return ArchivedNight(
        entry,
        night,
        after if after.review else None,
        archive,
        (*doubts(archive), *person_doubts(night)),
        unproved=due.stated and not proved,
    )


def person_doubts(night: Night) -> tuple[str, ...]:
    """What the headers of a study's recordings said against this night being of its person."""
    return tuple(note.text for note in night.notes if note.code == OTHER_PERSON)


def _one_archive(paths: Sequence[Path], whose: Identity) -> Path | None:
    """The archive of a night among those that have its name; two different ones of it are refused."""
    if len({listed(path).sha256 for path in paths}) > 1:
        own = [path for path in paths if not _is_foreign(path, whose)]
        if len(own) > 1:
            raise ArchiveError(
                f"{own[0].name} stands in {own[0].parent.name!r} and {own[1].name} in "
                f"{own[1].parent.name!r}, two scorings of one night; move one of them away"
            )
        paths = own or paths
    return paths[0] if paths else None


def _is_foreign(path: Path, whose: Identity) -> bool:
    try:
        return foreign(load_identity(path), whose)
    except ArchiveError:
        return False


def why_not(night: Night, archive: Path, study: Study, entry: StudyNight, due: Due) -> str:
    """Why an archive is not that of a study's night, in one sentence; empty where it may be."""
    return next(_against(night, archive, study, entry, due), "")


def _against(night: Night, archive: Path, study: Study, entry: StudyNight, due: Due) -> Iterator[str]:
    own = identity_of(night)
    if own.night and own.night != entry.id:
        yield f"{archive.name} is the archive of night {own.night!r}"
    if not due.stated:
        return
    if own.person and own.person != study.pseudonym:
        yield (
            f"{archive.name} is of {own.person!r}, the study of {study.pseudonym!r}; score this study "
            "into a folder of its own"
        )
    if own.study_id and study.study_id and own.study_id != study.study_id:
        yield (
            f"{archive.name} is of study {own.study_id!r}, this study file is {study.study_id!r}: two studies "
            f"call a person {study.pseudonym!r}; score this study into a folder of its own"
        )
    name = Path(entry.recording).name
    named = night.swept.format != "array"  # one that was in memory has no file's name
    if not own.night and named and night.swept.name not in (Path(name).stem, name):
        yield (f"{archive.name} was made from a recording called {night.swept.name!r}, not from {name!r}")
    if same_recording(night, entry, due) is False:
        yield (
            f"{archive.name} was made from another recording than {name} next to the study file; score the "
            "night again"
        )
    if own.study_sha256 and own.study_sha256 != entry_digest(study, entry):
        yield (
            f"{archive.name} was scored when the study file said something else of this night (recording, "
            "reference, times, files or how they are read); score it again"
        )


def same_recording(night: Night, entry: StudyNight, due: Due) -> bool | None:
    """Whether the recording beside the study file is the one of the archive; None where that is not known."""
    before = dict(night.about).get("recording_ends_sha256", "")
    now = ends_digest(due.home / entry.recording) if due.home and before else ""
    return now == before if now else None


def unproved_text(ids: Sequence[str]) -> str:
    """What is said once of archives that do not say whose they are; empty without any."""
    if not ids:
        return ""
    return (
        f"the archives of {', '.join(ids)} do not say of which study they are (scored without a study file, "
        "or by an earlier version): that they are of this person is known by their names alone"
    )


def read_nights(
    study: Study, folder: Path, *, suffix: str, due: Due = STATED
) -> tuple[list[NightFigures], list[Missing]]:
    """Figures of every archived night of a study; see `archived`.

    Reviewed scorings count only where every night that was found has one, so that nights that a reader
    has corrected are never pooled with nights that nobody has seen.
    """
    nights: list[tuple[NightFigures, NightFigures | None]] = []
    missing = []
    for found in archived(study, folder, suffix=suffix, due=due):
        if isinstance(found, Missing):
            missing.append(found)
        else:
            after = found.reviewed
            own = found_figures(found, found.night)
            nights.append((own, found_figures(found, after) if after else None))
    if nights and all(after for _, after in nights):
        return [after for _, after in nights if after], missing
    return [replace(night, scoring=REVIEW_UNUSED) if after else night for night, after in nights], missing


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


def found_figures(found: ArchivedNight, night: Night) -> NightFigures:
    """`figures` of one of the scorings of a night that was found."""
    return replace(figures(found.entry, night), doubts=found.doubts, unproved=found.unproved)


# Rates that are not per valid hour, and the measure that holds their hours; without stages there are no
# sleep hours, and such a rate is per valid hour again.
HOURS_OF = {
    "episodes_per_hour_of_sleep": "sleep_hours",
    "episodes_outside_wake_per_hour": "sleep_hours",
    "episodes_outside_wake_and_movement_per_hour": "sleep_hours",
    "episodes_in_probable_sleep_per_hour": "awake_estimated_hours",
}
_OF_PART = re.compile(r"episodes_(in|position)_\w+_per_hour")


def of_part(name: str) -> bool:
    """Whether a rate is per hour of one stage or position, hours that no measure of the night holds.

    Examples
    --------
    >>> [of_part(f"episodes_{name}_per_hour") for name in ("in_n2", "position_left", "in_probable_sleep")]
    [True, True, False]
    """
    return name not in HOURS_OF and _OF_PART.fullmatch(name) is not None


@dataclass(frozen=True)
class NightValue:
    """One measure of one night.

    Attributes
    ----------
    value
        In the unit of the measure; None where it could not be computed, and ``reason`` says why.
    count, exposure
        Events, and what they were divided by: for a rate valid hours, or its own (`HOURS_OF`), 1 (night)
        for a count. None for a measure that does not count events, and for a rate whose hours are not known.
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
    own = night.measures.get(HOURS_OF.get(name, ""))
    hours = night.valid_hours if own is None or own.value is None else own.value
    exposure = hours if measure.unit == "1/h" else 1.0
    if of_part(name) or (measure.unit != "1/h" and not name.endswith("_count")):
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
    left += [LeftOut(night.id, unlike(night.basis, basis)) for night in fresh if night.basis != basis]
    return basis, [night for night in fresh if night.basis == basis], left
