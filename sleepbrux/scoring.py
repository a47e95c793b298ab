"""From files and stated levels to scored nights: what the verbs ``score`` and ``demo`` share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from sleepbrux.calibration import (
    Placement,
    Reference,
    from_clenches,
    given,
    marked_clenches,
    marked_rests,
)
from sleepbrux.criteria import DEFAULT_ID, DEFAULT_WITHOUT_MVC_ID, load_criterion
from sleepbrux.errors import Note, RecordingError, ReferenceLevelError, StudyError
from sleepbrux.night import Night, Swept, score, sweep_recording, with_notes
from sleepbrux.recording.opening import open_recording
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.study import OWN, Study, StudyNight, StudyReference
from sleepbrux.window import Window, find_window, seconds_of

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


def own_reference(
    swept: Swept,
    window: Window,
    amplitude: Amplitude = "rms",
    *,
    origin: str = "clenches marked in this recording",
    placement: Placement = "same electrodes",
) -> Reference:
    """Reference from the clenches that are marked in a recording itself.

    Raises
    ------
    ReferenceLevelError
        Fewer than two marked, or clenches that cannot be used.
    """
    before = window.spans_s[0][0] if window.basis.startswith("lights") else None
    clenches, teeth = marked_clenches(swept.marks, before_s=before)
    return from_clenches(
        swept.frames, clenches, marked_rests(swept.marks),
        amplitude=amplitude, origin=origin, placement=placement, teeth=teeth,
    )  # fmt: skip


def _reference(swept: Swept, window: Window, request: Request) -> Reference | None:
    labels = [frames.channel.label for frames in swept.frames]
    if request.mvc_uv is not None:
        return given(labels, request.mvc_uv, rest_uv=request.rest_uv, amplitude=request.amplitude)
    if request.reference is not None:
        return request.reference
    if len(marked_clenches(swept.marks)[0]) < 2:
        return None
    return own_reference(swept, window, request.amplitude)


def score_file(path: Path, request: Request, *, progress: Progress | None = None) -> Night:
    """Open, sweep and score one recording."""
    recording = open_recording(path, unit=request.unit)
    swept = sweep_recording(recording, request.channels, progress=progress)
    window = _window(swept, request)
    notes = list(request.notes)
    try:
        reference = _reference(swept, window, request)
    except ReferenceLevelError as error:
        if request.mvc_uv is not None or request.criterion:
            raise
        reference = None
        notes.append(Note("reference-unusable", "warning", f"the marked clenches: {error}"))
    name = request.criterion or DEFAULT_ID
    if not request.criterion and reference is None:
        name = DEFAULT_WITHOUT_MVC_ID
        notes.append(
            Note("criterion-replaced", "warning",
                 f"without a usable MVC the default criterion ({DEFAULT_ID}) cannot be applied; "
                 f"{name}, relative to background, was used")
        )  # fmt: skip
    night = score(swept, criterion=load_criterion(name), window=window, reference=reference)
    return with_notes(night, *notes)


def find_file(folder: Path, name: str, what: str) -> Path:
    """A file that a study names, relative to the study file's folder."""
    path = folder / name
    if not path.is_file():
        raise RecordingError(f"{what}: the file {name!r} is not beside the study file")
    return path


def study_request(
    study: Study, night: StudyNight, folder: Path, *, progress: Progress | None = None
) -> Request:
    """How the study file wants one of its nights scored."""
    request = Request(criterion=study.criterion, channels=study.channels)
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
    if stated.mvc_uv:
        return replace(request, mvc_uv=stated.mvc_uv, amplitude=_amplitude(stated))
    return replace(request, reference=_measured(stated, study, folder, progress))


def _amplitude(stated: StudyReference) -> Amplitude:
    return "rectified" if stated.uv_kind == "rectified" else "rms"


def _measured(
    stated: StudyReference, study: Study, folder: Path, progress: Progress | None
) -> Reference:
    """A reference from the clenches marked in a recording of its own."""
    path = find_file(folder, stated.recording, f"reference {stated.id!r}")
    swept = sweep_recording(open_recording(path), study.channels, progress=progress)
    clenches, teeth = marked_clenches(swept.marks)
    reference = from_clenches(
        swept.frames, clenches, marked_rests(swept.marks), amplitude=_amplitude(stated),
        origin=f"reference {stated.id}", placement="other placement", teeth=teeth,
    )  # fmt: skip
    other = Note(
        "reference-other-placement", "warning",
        "the reference clench was made with other electrodes than the night's: electrodes placed "
        "anew change the gain, and every % MVC with it",
    )  # fmt: skip
    return replace(reference, notes=(*reference.notes, other))
