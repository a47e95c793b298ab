"""From files and stated levels to scored nights: what the verbs ``score`` and ``demo`` share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from sleepbrux.calibration import (
    NATURAL,
    Level,
    Placement,
    Reference,
    from_clenches,
    given,
    marked_clenches,
    marked_rests,
    unused_clenches,
)
from sleepbrux.criteria import DEFAULT_ID, DEFAULT_WITHOUT_MVC_ID, load_criterion
from sleepbrux.errors import (
    Note,
    RecordingError,
    ReferenceLevelError,
    StudyError,
    UsageError,
)
from sleepbrux.night import Night, Swept, score, sweep_recording, with_notes
from sleepbrux.recording.model import Recording
from sleepbrux.recording.opening import open_recording
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.study import OWN, Study, StudyNight, StudyReference
from sleepbrux.traces import with_traces
from sleepbrux.window import LIGHTS_UNKNOWN, Window, find_window, seconds_of

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Request:
    """How one recording is to be scored.

    Attributes
    ----------
    criterion
        Id or rule file; empty: the default, or the default relative to background without an MVC.
    mvc_uv, rest_uv
        One value for all channels, or one a label; None where not stated.
    amplitude
        Whether those values are RMS or mean rectified µV.
    from_text, to_text
        Window as the user wrote it, empty for none.
    window_said_by
        Basis of such a window.
    reference
        A reference that was measured elsewhere; comes before clenches marked in the night.
    record_duration_s
        Seconds a data record, for an EDF file that states none.
    about
        What a study says of the night.
    """

    criterion: str = ""
    channels: tuple[str, ...] = ()
    unit: str | None = None
    mvc_uv: float | Mapping[str, float] | None = None
    rest_uv: float | Mapping[str, float] | None = None
    amplitude: Amplitude = "rms"
    from_text: str = ""
    to_text: str = ""
    window_said_by: str = "start and end given by the user"
    reference: Reference | None = None
    record_duration_s: float | None = None
    about: tuple[tuple[str, str], ...] = ()
    notes: tuple[Note, ...] = field(default=())


def _window(swept: Swept, request: Request) -> Window:
    def second(text: str, option: str) -> float | None:
        if not text:
            return None
        return seconds_of(text, swept.start_clock, swept.duration_s, option)

    return find_window(
        swept.marks,
        swept.duration_s,
        from_s=second(request.from_text, "--from"),
        to_s=second(request.to_text, "--to"),
        said_by=request.window_said_by,
    )


def _night_of(window: Window) -> tuple[float, float] | None:
    """Start and end of a window that somebody stated; None where it is the whole recording."""
    if not window.spans_s or window.basis == LIGHTS_UNKNOWN:
        return None
    return window.spans_s[0][0], window.spans_s[-1][1]


def own_reference(
    swept: Swept,
    window: Window,
    amplitude: Amplitude = "rms",
    *,
    origin: str = "clenches marked in this recording",
    placement: Placement = "same electrodes",
) -> Reference:
    """Reference from the clenches that are marked in a recording itself.

    With two or more before the start of a known window only those count: the clenches of the evening.

    Raises
    ------
    ReferenceLevelError
        Fewer than two marked, or clenches that cannot be used.
    """
    night = _night_of(window)
    before = night[0] if night else None
    clenches, teeth = marked_clenches(swept.marks, before_s=before, night_s=night)
    return from_clenches(
        swept.frames, clenches, marked_rests(swept.marks, before_s=before),
        amplitude=amplitude, origin=origin, placement=placement, teeth=teeth,
    )  # fmt: skip


def _without_dead(
    swept: Swept, window: Window, amplitude: Amplitude
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
            reference = own_reference(swept.keeping([k]), window, amplitude)
        except ReferenceLevelError as error:
            reason = error
            notes.append(
                Note("channel-left-out", "warning",
                     f"{frames.channel.label} was left out of the scoring: {error}")
            )  # fmt: skip
            continue
        kept.append(k)
        levels += reference.levels
        notes += [n for n in reference.notes if n not in notes]
    if reference is None:
        raise reason
    whole = replace(reference, levels=tuple(levels), notes=tuple(notes))
    return swept.keeping(kept), whole, ()


def _reference(
    swept: Swept, window: Window, request: Request
) -> tuple[Swept, Reference | None, tuple[Note, ...]]:
    """Reference of a night, and the night without channels that have none."""
    labels = [frames.channel.label for frames in swept.frames]
    if request.mvc_uv is not None:
        try:
            stated = given(
                labels, request.mvc_uv, rest_uv=request.rest_uv, amplitude=request.amplitude
            )
        except ReferenceLevelError as error:
            raise UsageError(str(error)) from error
        return swept, stated, ()
    if request.reference is not None:
        return swept, request.reference, ()
    if len(marked_clenches(swept.marks, night_s=_night_of(window))[0]) < 2:
        why = unused_clenches(swept.marks)
        return swept, None, (Note("clenches-not-used", "warning", why),) if why else ()
    return _without_dead(swept, window, request.amplitude)


def open_as(path: Path, request: Request) -> Recording:
    """Open a recording as a request describes it."""
    return open_recording(path, unit=request.unit, record_duration=request.record_duration_s)


def score_file(
    path: Path, request: Request, *, threads: int | None = None, progress: Progress | None = None
) -> Night:
    """Open, sweep and score one recording: `open_as`, then `score_opened`."""
    return score_opened(open_as(path, request), request, threads=threads, progress=progress)


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
    try:
        swept = sweep_recording(recording, request.channels, threads=threads, progress=progress)
    except RecordingError as error:
        if request.channels and not set(request.channels) <= {c.label for c in recording.channels}:
            raise UsageError(str(error)) from error
        raise
    window = _window(swept, request)
    notes = list(request.notes)
    if request.criterion:
        swept, reference, more = _reference(swept, window, request)
        night = score(
            swept, criterion=load_criterion(request.criterion), window=window, reference=reference
        )
        return _told(night, recording, request, (*notes, *more))
    try:
        swept, reference, more = _reference(swept, window, request)
        notes += more
        if reference is not None:
            night = score(
                swept, criterion=load_criterion(DEFAULT_ID), window=window, reference=reference
            )
            return _told(night, recording, request, notes)
    except ReferenceLevelError as error:
        if request.mvc_uv is not None or request.reference is not None:
            raise
        notes.append(Note("reference-unusable", "warning", f"the marked clenches: {error}"))
    notes.append(
        Note("criterion-replaced", "warning",
             f"without a usable MVC the default criterion ({DEFAULT_ID}) cannot be applied; "
             f"{DEFAULT_WITHOUT_MVC_ID}, relative to background, was used")
    )  # fmt: skip
    night = score(swept, criterion=load_criterion(DEFAULT_WITHOUT_MVC_ID), window=window)
    return _told(night, recording, request, notes)


def _told(night: Night, recording: Recording, request: Request, notes: Iterable[Note]) -> Night:
    told = replace(with_notes(night, *notes), about=request.about)
    return with_traces(told, recording)


def find_file(folder: Path, name: str, what: str) -> Path:
    """A file that a study names, relative to the study file's folder."""
    path = folder / name
    if not path.is_file():
        raise RecordingError(f"{what}: the file {name!r} is not beside the study file")
    return path


def study_request(
    study: Study,
    night: StudyNight,
    folder: Path,
    *,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Request:
    """How the study file wants one of its nights scored.

    A night that is to be scored against its own clenches and has none is scored relative to
    background, with a note, when the study keeps the default criterion.
    """
    request = Request(
        criterion=""
        if night.reference == OWN and study.criterion == DEFAULT_ID
        else study.criterion,
        channels=study.channels,
        unit=study.unit or None,
        about=(("pseudonym", study.pseudonym), ("night", night.id), ("condition", night.condition)),
    )
    if bool(night.lights_off) != bool(night.lights_on):
        raise StudyError(f"night {night.id!r} needs both lights_off and lights_on, or neither")
    if night.lights_off and night.lights_on:
        request = replace(
            request,
            from_text=f"{night.lights_off:%H:%M:%S}",
            to_text=f"{night.lights_on:%H:%M:%S}",
            window_said_by="lights off to lights on (study file)",
        )
    if night.reference == OWN:
        return request
    stated = next(r for r in study.reference if r.id == night.reference)
    return replace(request, reference=_stated(stated, study, folder, threads, progress))


PLACEMENT_NOTES = {
    "other placement": Note(
        "reference-other-placement", "warning",
        "the reference clench was made with other electrodes than the night's: electrodes placed "
        "anew change the gain, and every % MVC with it",
    ),
    "not stated": Note(
        "reference-placement-unknown", "warning",
        "it is not stated whether the reference clench was made with the same electrodes and "
        "recorder; electrodes placed anew change the gain",
    ),
}  # fmt: skip


def _stated(
    stated: StudyReference,
    study: Study,
    folder: Path,
    threads: int | None,
    progress: Progress | None,
) -> Reference:
    """A reference of the study file: from levels, or from the clenches marked in its recording."""
    amplitude: Amplitude = stated.uv_kind
    note = PLACEMENT_NOTES.get(stated.placement)
    if stated.mvc_uv:
        levels = tuple(
            Level(label, uv, stated.rest_uv.get(label)) for label, uv in stated.mvc_uv.items()
        )
        return Reference(
            levels, amplitude, "as given", f"reference {stated.id} of the study file",
            stated.placement, NATURAL, (note,) if note else (),
        )  # fmt: skip
    path = find_file(folder, stated.recording, f"reference {stated.id!r}")
    swept = sweep_recording(
        open_recording(path, unit=study.unit or None),
        study.channels,
        threads=threads,
        progress=progress,
    )
    clenches, _ = marked_clenches(swept.marks)
    reference = from_clenches(
        swept.frames, clenches, marked_rests(swept.marks), amplitude=amplitude,
        origin=f"reference {stated.id} of the study file", placement=stated.placement, teeth=NATURAL,
    )  # fmt: skip
    return replace(reference, notes=(*reference.notes, *((note,) if note else ())))
