"""``sleepbrux.score``: one verb for a file, an opened recording, an mne ``Raw`` or an array.

It turns its arguments into a `Request` and calls `score_opened`, which the commands call too, so the same
night gives the same numbers whoever asks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, time
from pathlib import Path
from typing import Any, TypedDict, Unpack, cast

import numpy as np
from numpy.typing import ArrayLike

from sleepbrux.core.arguments import (
    CALL,
    LEVELS,
    NONE,
    NUMBER,
    PATH,
    TEXT,
    TEXTS,
    WORDS,
    Kind,
    check,
    each,
    of,
    one_of,
)
from sleepbrux.core.errors import Note, UsageError
from sleepbrux.criteria import Criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark, Recording
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.recording.stages import Hypnogram, coded_stages
from sleepbrux.recording.window import Window
from sleepbrux.reference import Reference
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.request import Request, score_opened, study_request, with_clench_file
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.heart import sleepecg_stage_codes
from sleepbrux.signal.surroundings.companions import CompanionFiles
from sleepbrux.study.file import load_study

Edge = str | float | time | datetime | None

# Codes of common programs by name. yasa's: from memory.
STAGE_LISTS: dict[str, Callable[[], dict[int, str]]] = {
    "sleepecg": sleepecg_stage_codes,
    "yasa": lambda: {-2: "unscored", -1: "unscored", 0: "wake", 1: "n1", 2: "n2", 3: "n3", 4: "rem"},
    "rechtschaffen_kales": lambda: {0: "wake", 1: "n1", 2: "n2", 3: "n3", 4: "n3", 5: "rem", 6: "movement"},
}


class How(TypedDict, total=False):
    """What `score` takes by keyword besides its first six arguments; None is as good as left out.

    Attributes
    ----------
    rate_hz, labels, start, name
        Of an array: samples a second, one label a row, local time of the first sample, a name. ``rate_hz``
        also for a CSV, WAV or HDF5 file that does not say its own.
    unit, scale, hints
        What a file does not say, or says wrongly: see `Hints`; the first two are short for fields of it.
    rest_uv, amplitude
        With ``mvc_uv``: resting level, and ``"rms"`` or ``"rectified"``.
    marks
        `Mark` values that come besides those of the recording: lights, clenches, breathing.
    stages
        A file, a hypnogram, or one stage for every 30 s from the first sample on: names, or numbers with
        ``stage_codes``.
    stage_codes, stages_from
        What each number means, as ``{5: "wake", 4: "rem"}``; or a program whose codes are known:
        ``"sleepecg"``, ``"yasa"`` or ``"rechtschaffen_kales"``.
    sound, sound_start_s
        A file of sound recorded at the same time, and the second at which it begins.
    study
        A study file: its entry for this recording says all the rest.
    threads, progress
        Threads that filter; a function that is called with the share done, 0 to 1.

    Examples
    --------
    >>> import numpy as np
    >>> import sleepbrux as sb
    >>> how = sb.How(rate_hz=1000, labels=["EMG Masseter L"])
    >>> sb.score(np.random.default_rng(1).normal(0, 3, (1, 60_000)), criterion="aasm", **how).swept.duration_s
    60.0
    """

    rate_hz: float
    labels: Sequence[str]
    start: datetime
    name: str
    unit: str | Mapping[str, str]
    scale: float | Mapping[str, float]
    hints: Hints
    rest_uv: float | Mapping[str, float]
    amplitude: Amplitude
    marks: Sequence[Mark]
    stages: str | Path | Hypnogram | Sequence[Any] | ArrayLike
    stage_codes: Mapping[int, str]
    stages_from: str
    sound: str | Path
    sound_start_s: float
    study: str | Path
    threads: int
    progress: Callable[[float], None]


_WINDOW = Kind(
    lambda value: (
        isinstance(value, Window)
        or (isinstance(value, Sequence) and not isinstance(value, str) and len(value) == 2)
    ),
    "(start, end) or a Window",
)
_STAGES = PATH | of(Hypnogram) | Kind(lambda value: hasattr(value, "__len__"), "a list of stages")
KINDS = {
    "rate_hz": NUMBER | TEXT,
    "labels": each(TEXT, "a list of texts"),
    "start": of(datetime),
    "name": TEXT,
    "unit": WORDS,
    "scale": LEVELS,
    "hints": of(Hints),
    "rest_uv": LEVELS,
    "amplitude": one_of("rms", "rectified"),
    "marks": each(of(Mark), "a list of Mark"),
    "stages": _STAGES,
    "stage_codes": Kind(lambda value: isinstance(value, Mapping), "a table of stages by number"),
    "stages_from": TEXT,
    "sound": PATH,
    "sound_start_s": NUMBER,
    "study": PATH,
    "threads": of(int, "a whole number"),
    "progress": CALL,
}
OF_ARRAYS = ("rate_hz", "labels", "start", "name")
OF_FILES = ("rate_hz", "unit", "scale", "hints")


def score(
    recording: str | Path | Recording | ArrayLike | Any,
    *,
    criterion: str | Path | Criterion | None = None,
    reference: Reference | None = None,
    mvc_uv: float | Mapping[str, float] | None = None,
    channels: Sequence[str] = (),
    window: Window | tuple[Edge, Edge] | None = None,
    **how: Unpack[How],
) -> Night:
    """Score a recording from end to end.

    Parameters
    ----------
    recording
        A file, a `Recording`, an mne ``Raw`` (its ``BAD_`` spans and bad channels are left out, and named),
        or an array in µV of shape (n_channels, n_samples) with ``rate_hz`` and ``labels``.
    criterion
        Rule set, its id or its file. Default: ``phasic_tonic_10mvc``, or, where there is no usable
        reference, ``aasm`` with a note that says so.
    reference, mvc_uv
        What 100 % MVC is: a `Reference`, or µV for all channels or by label. Default: the clenches that the
        recording marks, or those written next to the file.
    channels
        Labels to score; default: every jaw muscle.
    window
        Part that counts: (start, end) as clock times such as ``"23:10"``, seconds from the first sample or
        None, or a `Window`. Default: from lights off to lights on where marks say so, else all of it.
    **how
        See `How`.

    Returns
    -------
    Night

    Raises
    ------
    UsageError
        An argument that has no meaning, or two that contradict each other.
    RecordingError
        A recording that cannot be read or scored.
    ReferenceLevelError
        A level or a clench that cannot be used.

    Examples
    --------
    >>> import numpy as np
    >>> import sleepbrux as sb
    >>> noise_uv = np.random.default_rng(1).normal(0, 3, (1, 60_000))
    >>> night = sb.score(noise_uv, rate_hz=1000, labels=["EMG Masseter L"], mvc_uv=190)
    >>> night.measures["episode_count"].value
    0.0
    """
    _refuse_unknown(how)
    check(
        criterion=(criterion, NONE | of(Criterion) | PATH),
        reference=(reference, NONE | of(Reference)),
        mvc_uv=(mvc_uv, NONE | LEVELS),
        channels=(channels, TEXTS),
        window=(window, NONE | _WINDOW),
    )
    how = cast("How", {name: value for name, value in how.items() if value is not None})
    check(**{name: (value, KINDS[name]) for name, value in how.items()})
    threads, progress = how.get("threads"), how.get("progress")
    if "study" in how:
        others = (criterion, reference, mvc_uv, window, *channels)
        if any(v is not None for v in others) or set(how) - {"study", "threads", "progress"}:
            raise UsageError("study says all of it; leave out the other arguments, or change the study file")
        if not isinstance(recording, str | Path):
            raise UsageError("study needs the recording as a file, which the study file names")
        path, request = _of_study(Path(how["study"]), Path(recording), threads)
        request = with_clench_file(path, request)
        return score_opened(open_recording(path, request.hints), request, threads=threads, progress=progress)
    if reference is not None and mvc_uv is not None:
        raise UsageError("reference and mvc_uv both say what 100 % MVC is; give one of them")
    if "rest_uv" in how and mvc_uv is None:
        raise UsageError("rest_uv describes the clench of mvc_uv; give both")
    opened = _opened(recording, how)
    request = Request(
        criterion=criterion if isinstance(criterion, Criterion) else str(criterion or ""),
        channels=(channels,) if isinstance(channels, str) else tuple(channels),
        mvc_uv=mvc_uv,
        rest_uv=how.get("rest_uv"),
        amplitude=how.get("amplitude", "rms"),
        reference=reference,
        companions=_beside(how, opened),
    )
    if isinstance(window, Window):
        request = replace(request, window=window)
    elif window is not None:
        from_text, to_text = _edges(window)
        request = replace(request, from_text=from_text, to_text=to_text)
    if isinstance(recording, str | Path):
        request = with_clench_file(Path(recording), request)
    return score_opened(opened, request, threads=threads, progress=progress)


def _refuse_unknown(how: How) -> None:
    unknown = sorted(set(how) - set(How.__annotations__))
    if unknown:
        raise UsageError(f"score has no argument {unknown[0]}; it has {', '.join(How.__annotations__)}")


def _refuse(how: How, names: Sequence[str], kind: str) -> None:
    """Refuse arguments that this kind of recording has no use for: they would be dropped silently."""
    for name in names:
        if name in how:
            raise UsageError(f"{name} has no meaning for {kind}; leave it out")


def _opened(recording: Any, how: How) -> Recording:
    """The recording that an argument of any kind stands for, with the marks that are given beside it."""
    marks = tuple(how.get("marks", ()))
    if isinstance(recording, str | Path):
        _refuse(how, ("labels", "start", "name"), "a file")
        opened = open_recording(recording, _hints(how), progress=how.get("progress"))
    elif isinstance(recording, Recording):
        _refuse(how, (*OF_ARRAYS, *OF_FILES), "an opened recording")
        opened = recording
    elif any(kind.__module__.partition(".")[0] == "mne" for kind in type(recording).__mro__):
        from sleepbrux.recording.formats.mne_formats import open_with_mne

        if not hasattr(recording, "annotations") or not hasattr(recording, "n_times"):
            raise UsageError(f"`recording` is an mne {type(recording).__name__}; of mne, a Raw is wanted")
        _refuse(how, (*OF_ARRAYS, "scale", "hints"), "an mne Raw")
        opened = open_with_mne(recording, unit=how.get("unit"))
    else:
        return _of_array(recording, how, marks)
    if not marks:
        return opened
    together = sorted((*opened.marks, *marks), key=lambda mark: mark.start_s)
    note = Note("marks-given", "note", f"{len(marks)} marks were given besides those of the recording.")
    return replace(opened, marks=tuple(together), notes=(*opened.notes, note))


def _of_array(array: Any, how: How, marks: tuple[Mark, ...]) -> Recording:
    try:
        data = np.asarray(array, dtype=np.float64)
    except (TypeError, ValueError):
        data = np.empty(0)
    if data.ndim not in (1, 2) or not data.size:
        raise UsageError(
            f"`recording` is a {type(array).__name__}; wanted is a path, a Recording, an mne Raw, or an array in µV "
            "of shape (n_channels, n_samples)"
        )
    _refuse(how, ("unit", "scale", "hints"), "an array, whose values are µV")
    for name in ("rate_hz", "labels"):
        if name not in how:
            raise UsageError(f"`recording` is an array, so `{name}` is wanted too")
    return from_array(
        data, how["rate_hz"], list(how["labels"]), marks, how.get("start"), name=how.get("name", "array")
    )


def _hints(how: How) -> Hints:
    short: dict[str, Any] = {k: v for k, v in how.items() if k in ("unit", "scale", "rate_hz")}
    return replace(how.get("hints", Hints()), **short)


def _beside(how: How, recording: Recording) -> CompanionFiles:
    """Stages and sound that are given beside the recording."""
    codes = how.get("stage_codes")
    if "stages_from" in how:
        if codes is not None:
            raise UsageError("stage_codes and stages_from both say what a number means; give one of them")
        if how["stages_from"] not in STAGE_LISTS:
            raise UsageError(
                f"`stages_from` is {how['stages_from']!r}; known are {', '.join(STAGE_LISTS)}, else give `stage_codes`"
            )
        codes = STAGE_LISTS[how["stages_from"]]()
    stages = how.get("stages")
    if stages is None:
        if codes is not None:
            raise UsageError("stage_codes and stages_from say how stages is to be read; give stages too")
    elif isinstance(stages, str | Path):
        stages = Path(stages)
    elif not isinstance(stages, Hypnogram):
        stages = coded_stages(stages, codes=codes, duration_s=recording.duration_s)  # type: ignore[arg-type]
    if "sound_start_s" in how and "sound" not in how:
        raise UsageError("sound_start_s says when the file of sound begins; give both")
    return CompanionFiles(
        stages=stages,
        sound=Path(how["sound"]) if "sound" in how else None,
        sound_start_s=how.get("sound_start_s"),
        stage_codes=tuple(sorted(codes.items())) if codes and isinstance(stages, Path) else (),
    )


def _edges(window: Any) -> tuple[str, str]:
    """Start and end of a window as the texts that commands take."""
    return _edge(window[0]), _edge(window[1])


def _edge(value: Edge) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, datetime | time):
        return f"{value:%H:%M:%S.%f}"
    try:
        second = float(value)
    except (TypeError, ValueError):
        raise UsageError(
            f"window holds {value!r}; wanted are clock times such as '23:10', seconds or None"
        ) from None
    if not 0 <= second < np.inf:
        raise UsageError(f"window holds {second:g} s; seconds count from the first sample on")
    return np.format_float_positional(second, trim="-")


def _of_study(file: Path, recording: Path, threads: int | None) -> tuple[Path, Request]:
    """The recording's entry in a study file, as a request."""
    study, here = load_study(file), recording.resolve()
    for night in study.recorded:
        if (file.parent / night.recording).resolve() == here:
            return recording, study_request(study, night, file.parent, threads=threads)
    raise UsageError(f"{file.name} has no night with the recording {recording.name!r}")
