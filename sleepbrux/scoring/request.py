"""From recordings and stated levels to scored nights: what every command and `sleepbrux.score` share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from sleepbrux.core.errors import (
    Note,
    RecordingError,
    ReferenceLevelError,
    StudyError,
    UsageError,
)
from sleepbrux.criteria import (
    CHIN_ID,
    DEFAULT_ID,
    DEFAULT_WITHOUT_MVC_ID,
    Criterion,
    Muscle,
    criterion_of,
    load_criterion,
)
from sleepbrux.recording.daylight import window_note
from sleepbrux.recording.files import ends_digest
from sleepbrux.recording.mark_table import with_marks
from sleepbrux.recording.model import Recording
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.recording.window import Window, find_window, seconds_of
from sleepbrux.reference import (
    NATURAL,
    PLACEMENT_NOTES,
    ClenchSettings,
    Cues,
    Level,
    Proposal,
    Reference,
    ReferenceOrigin,
    converted,
    given,
    impossible,
    load_proposal,
    plausibility_notes,
    teeth_note,
    unused_clenches,
)
from sleepbrux.reference.recorded import chair_reference, own_cues, own_reference
from sleepbrux.scoring.closeups import with_traces
from sleepbrux.scoring.night import REPLACED, Night, score, with_alternative_reading, with_notes
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.surroundings.companions import NO_FILES, CompanionFiles, open_companions
from sleepbrux.signal.swept import Swept, sweep_recording
from sleepbrux.signal.wake_model import Sleeper
from sleepbrux.study.file import OWN, Study, StudyNight, StudyReference, entry_digest
from sleepbrux.study.files import find_file, study_hints
from sleepbrux.study.persons import person_notes

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Request:
    """How one recording is to be scored.

    Attributes
    ----------
    criterion
        Rule set, its id or its file; empty: the default, or the default relative to background without an MVC.
    mvc_uv, rest_uv
        One value for all channels, or one a label; None where not stated.
    amplitude
        Whether those values are RMS or mean rectified µV.
    convert_to
        Kind of µV to convert them to; None: as they are.
    from_text, to_text
        Window as the user wrote it, empty for none.
    window
        The window itself; comes before those texts.
    window_said_by
        Basis of such a window.
    reference
        A reference that was measured elsewhere; comes before clenches marked in the night.
    natural
        With a reference that has an appliance in: one on natural teeth, to be shown beside it where the
        night has none of its own.
    proposal
        Clenches of the night itself, from the file beside the recording.
    hints
        What the file does not say itself.
    about
        What a study says of the night.
    beside
        Files that come with the recording: stages, sound.
    """

    criterion: str | Criterion = ""
    channels: tuple[str, ...] = ()
    mvc_uv: float | Mapping[str, float] | None = None
    rest_uv: float | Mapping[str, float] | None = None
    amplitude: Amplitude = "rms"
    convert_to: Amplitude | None = None
    from_text: str = ""
    to_text: str = ""
    window_origin: str = "start and end given by the user"
    reference: Reference | None = None
    natural: Reference | None = None
    proposal: Proposal | None = None
    hints: Hints = field(default_factory=Hints)
    about: tuple[tuple[str, str], ...] = ()
    notes: tuple[Note, ...] = field(default=())
    companions: CompanionFiles = NO_FILES
    window: Window | None = None


def _window(swept: Swept, request: Request) -> Window:
    if request.window is not None:
        return request.window

    def second(text: str, field: str) -> float | None:
        if not text:
            return None
        return seconds_of(text, swept.start_clock, swept.duration_s, field)

    return find_window(
        swept.marks,
        swept.duration_s,
        from_s=second(request.from_text, "window[0]"),
        to_s=second(request.to_text, "window[1]"),
        origin=request.window_origin,
    )


def _without_dead(
    swept: Swept, cues: Cues, amplitude: Amplitude
) -> tuple[Swept, Reference, tuple[Note, ...]]:
    """Reference from the night's own clenches; channels whose clenches cannot be used are left out.

    Raises
    ------
    ReferenceLevelError
        No channel has usable clenches.
    """
    kept: list[int] = []
    levels: list[Level] = []
    notes: list[Note] = []
    reference, reason = None, ReferenceLevelError(f"{swept.name}: no channel")
    for k, frames in enumerate(swept.frames):
        try:
            reference = own_reference(swept.select_channels([k]), cues, amplitude)
        except ReferenceLevelError as error:
            reason = error
            notes.append(
                Note(
                    "channel-left-out",
                    "warning",
                    f"{frames.channel.label} was left out of the scoring: {error}",
                )
            )
            continue
        kept.append(k)
        levels += reference.levels
        notes += [n for n in reference.notes if n not in notes]
    if reference is None:
        raise reason
    whole = replace(reference, levels=tuple(levels), notes=tuple(notes))
    return swept.select_channels(kept), whole, ()


def _reference(
    swept: Swept, window: Window, request: Request, rule: Criterion
) -> tuple[Swept, Reference | None, tuple[Note, ...]]:
    """Reference of a night, and the night without channels that have none.

    Clenches of the night itself are measured in the kind of amplitude that the rules ask for.
    """
    labels = [frames.channel.label for frames in swept.frames]
    if request.mvc_uv is not None:
        try:
            stated = given(labels, request.mvc_uv, rest_uv=request.rest_uv, amplitude=request.amplitude)
        except ReferenceLevelError as error:
            raise UsageError(str(error)) from error
        return swept, converted(stated, request.convert_to or stated.amplitude), ()
    if request.reference is not None:
        return swept, request.reference, ()
    cues = own_cues(swept, window, request.proposal)
    if cues is None:
        why = unused_clenches(swept.marks)
        return swept, None, (Note("clenches-not-used", "warning", why),) if why else ()
    fixed = rule.envelope.amplitude
    return _without_dead(swept, cues, request.amplitude if fixed == "as_reference" else fixed)


def open_as(path: Path, request: Request, progress: Progress | None = None) -> Recording:
    """Open a recording as a request describes it."""
    return open_recording(path, request.hints, progress=progress)


def score_file(
    path: str | Path, request: Request, *, threads: int | None = None, progress: Progress | None = None
) -> Night:
    """Open, sweep and score one recording: `open_as`, `with_file`, then `score_opened`."""
    path = Path(path)
    request = with_file(path, request)
    return score_opened(open_as(path, request, progress), request, threads=threads, progress=progress)


def score_opened(
    recording: Recording,
    request: Request,
    *,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Night:
    """Sweep and score one recording.

    Parameters
    ----------
    threads
        How many filter the signal; the count changes no bit. Default: one a core, at most four.

    Raises
    ------
    SleepbruxError
        In one sentence; a `UsageError` where the request itself is at fault.
    """
    recording = with_marks(recording, request.companions.marks, request.companions.sync)
    request = _by_chin(recording, request)
    rule = criterion_of(request.criterion or DEFAULT_ID)
    swept = _swept(recording, request, rule.muscle, threads=threads, progress=progress)
    window = _window(swept, request)
    if request.proposal is not None and request.proposal.recording_sha256 != swept.digest:
        request = _not_used(request, request.proposal.foreign(recording.name))
    changed = window_note(swept.notes, (request.from_text, request.to_text))
    notes = [*request.notes, *([changed] if changed else [])]
    if request.criterion:
        swept, reference, more = _reference(swept, window, request, rule)
        night = score(swept, criterion=rule, window=window, reference=reference)
        return _told(_both(night, request), recording, request, [*notes, *more])
    try:
        swept, reference, more = _reference(swept, window, request, rule)
        notes += more
        if reference is not None:
            night = score(swept, criterion=rule, window=window, reference=reference)
            return _told(_both(night, request), recording, request, notes)
    except ReferenceLevelError as error:
        if request.mvc_uv is not None or request.reference is not None:
            raise
        notes.append(Note("reference-unusable", "warning", f"the marked clenches: {error}"))
    notes.append(
        Note(
            REPLACED,
            "warning",
            f"scored by {DEFAULT_WITHOUT_MVC_ID}, relative to the resting level, instead of {DEFAULT_ID}: "
            "there is no usable reference clench; do not compare it with counts in % MVC",
        )
    )
    night = score(swept, criterion=load_criterion(DEFAULT_WITHOUT_MVC_ID), window=window)
    return _told(night, recording, request, notes)


def _by_chin(recording: Recording, request: Request) -> Request:
    """The request, by the rule set for the chin where chin channels alone are named and no rule set is."""
    roles = {c.role for c in recording.channels if c.label in request.channels}
    if request.criterion or request.mvc_uv is not None or roles != {"chin"}:
        return request
    note = Note("criterion-for-chin", "note", f"scored by {CHIN_ID}: the channels named are labelled chin")
    return replace(request, criterion=CHIN_ID, notes=(*request.notes, note))


def _swept(
    recording: Recording,
    request: Request,
    muscle: Muscle,
    *,
    threads: int | None,
    progress: Progress | None,
) -> Swept:
    """Sweep of the channels that are asked for; a label that is none is a fault of the request."""
    try:
        return sweep_recording(
            recording,
            request.channels,
            threads=threads,
            progress=progress,
            companions=open_companions(recording, request.companions),
            muscle=muscle,
        )
    except RecordingError as error:
        if request.channels and not set(request.channels) <= {c.label for c in recording.channels}:
            raise UsageError(str(error)) from error
        raise


def with_file(path: Path, request: Request) -> Request:
    """The request with what a recording's file and its neighbour say: `with_clench_file`, and its ends."""
    ends = (("recording_ends_sha256", ends_digest(path)),)
    return replace(with_clench_file(path, request), about=(*request.about, *ends))


def with_clench_file(path: Path, request: Request) -> Request:
    """The request with the clenches written beside the recording, or a note on why they cannot be read."""
    try:
        return replace(request, proposal=load_proposal(path))
    except ReferenceLevelError as error:
        return _not_used(request, str(error))


def _not_used(request: Request, why: str) -> Request:
    note = Note("clench-file-unusable", "warning", why)
    return replace(request, proposal=None, notes=(*request.notes, note))


def _both(night: Night, request: Request) -> Night:
    """A night scored against an appliance-in clench, with its reading against natural teeth beside it."""
    if night.reference is None or night.reference.natural:
        return night
    natural, why = request.natural, "the study names no other clench on natural teeth"
    cues = own_cues(night.swept, night.window, request.proposal)
    if cues is not None:
        try:
            natural = own_reference(night.swept, cues, night.reference.amplitude)
        except ReferenceLevelError as error:
            why = str(error)
    if natural is not None and natural.amplitude != night.reference.amplitude:
        natural, why = None, "it is stated in the other kind of µV (see convert_to)"
    if natural is None:
        note = Note(
            "natural-reading-missing",
            "warning",
            f"the reading against a clench on natural teeth cannot be shown: {why}",
        )
        return with_notes(night, note)
    return with_alternative_reading(night, natural)


def _told(night: Night, recording: Recording, request: Request, notes: Iterable[Note]) -> Night:
    told = replace(with_notes(night, *notes), about=request.about)
    return with_traces(told, recording)


def study_request(
    study: Study,
    night: StudyNight,
    folder: Path,
    *,
    notes: tuple[Note, ...] | None = None,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Request:
    """How the study file wants one of its nights scored.

    A night that is to be scored against its own clenches and has none is scored relative to
    background, with a note, when the study keeps the default criterion.
    """
    request = Request(
        criterion="" if night.reference == OWN and study.criterion == DEFAULT_ID else study.criterion,
        channels=night.channels or study.channels,
        hints=study_hints(study),
        about=(
            ("person", study.pseudonym),
            ("night", night.id),
            ("condition", night.condition),
            ("study_sha256", entry_digest(study, night)),
            *((("study_id", study.study_id),) if study.study_id else ()),
        ),
        companions=_beside(study, night, folder),
        notes=person_notes(study, folder, night) if notes is None else notes,
    )
    if bool(night.lights_off) != bool(night.lights_on):
        raise StudyError(f"night {night.id!r} needs both lights_off and lights_on, or neither")
    if night.lights_off and night.lights_on:
        request = replace(
            request,
            from_text=f"{night.lights_off:%H:%M:%S}",
            to_text=f"{night.lights_on:%H:%M:%S}",
            window_origin="lights off to lights on (study file)",
        )
    if night.reference == OWN:
        return request
    stated = next(r for r in study.reference if r.id == night.reference)
    request = replace(request, reference=_stated(stated, study, folder, threads, progress))
    if stated.natural:
        return request
    other = next((r for r in study.reference if r.natural), None)
    return replace(request, natural=_stated(other, study, folder, threads, progress) if other else None)


def _beside(study: Study, night: StudyNight, folder: Path) -> CompanionFiles:
    """Files that the study file names beside a night's recording."""
    what = f"night {night.id!r}"
    return CompanionFiles(
        find_file(folder, night.stages, what) if night.stages else None,
        find_file(folder, night.sound, what) if night.sound else None,
        night.sound_start_s,
        tuple((int(code), word) for code, word in sorted(study.positions.items())),
        find_file(folder, night.marks, what) if night.marks else None,
        night.sync,
        sleeper=Sleeper(study.age_years, study.sex),
    )


def _stated(
    stated: StudyReference,
    study: Study,
    folder: Path,
    threads: int | None,
    progress: Progress | None,
) -> Reference:
    """A reference of the study file: from levels, or from the clenches of its recording."""
    teeth = NATURAL if stated.natural else stated.teeth
    said = f"reference {stated.id} of the study file"
    if stated.mvc_uv:
        levels = []
        for label, uv in stated.mvc_uv.items():
            scale = 100 / stated.effort_pct
            if why := impossible(label, uv * scale):
                raise ReferenceLevelError(f"reference {stated.id!r}: {why}")
            levels.append(Level(label, uv * scale, stated.rest_uv.get(label)))
        reference = Reference(
            tuple(levels),
            stated.uv_kind,
            "as given",
            said,
            stated.placement,
            teeth,
            tuple(plausibility_notes(levels)),
            date=stated.date,
            effort_pct=stated.effort_pct,
        )
    else:
        path = find_file(folder, stated.recording, f"reference {stated.id!r}")
        reference = chair_reference(
            path,
            ReferenceOrigin(said, stated.placement, teeth, day=stated.date),
            ClenchSettings(
                stated.uv_kind,
                stated.statistic,
                stated.effort_pct,
                load_criterion(study.criterion).threshold.level_pct_mvc,
            ),
            channels=study.channels,
            hints=study_hints(study),
            threads=threads,
            progress=progress,
        )
    notes = [n for n in (PLACEMENT_NOTES.get(stated.placement),) if n is not None]
    notes += [] if stated.natural else [teeth_note(teeth)]
    reference = replace(reference, notes=(*reference.notes, *notes))
    return converted(reference, stated.convert_to) if stated.convert_to else reference
