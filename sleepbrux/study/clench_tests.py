"""Clench tests from the recordings of a study, or from one recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sleepbrux.core.errors import Note, ReferenceLevelError
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.reference import NATURAL, NOT_STATED
from sleepbrux.reference.clench_test import ClenchTest, clench_test, clenches_of
from sleepbrux.signal.swept import Swept, sweep_recording
from sleepbrux.study.file import FILL_IN, NO_APPLIANCE, Study, StudyReference
from sleepbrux.study.files import find_file, study_hints


def recording_test(
    path: Path,
    *,
    channels: tuple[str, ...] = (),
    hints: Hints | None = None,
    names: Sequence[str] = (),
) -> ClenchTest:
    """The clench test of one recording; its marks say what was between the teeth.

    Raises
    ------
    ReferenceLevelError
        Marks that make no test: see `clench.clench_test`.
    """
    swept = sweep_recording(open_recording(path, hints), channels)
    test = clench_test(path.stem, swept.frames, clenches_of(swept.frames, swept.marks, names=names))
    return replace(test, input_sha256=(swept.digest,))


def study_tests(study: Study, folder: Path) -> list[ClenchTest]:
    """Every clench test of a study's reference recordings.

    A recording with clenches under two conditions is a test of its own. Recordings of one day with one
    condition each are one test, in order of their start, if their channels agree: the electrodes have to
    have stayed where they were.
    """
    conditions = (*study.conditions, *(night.condition for night in study.night))
    names = [n for n in dict.fromkeys(conditions) if n not in (NO_APPLIANCE, FILL_IN)]
    names += [r.teeth for r in study.reference if not r.natural and r.teeth not in names]
    swept: dict[str, tuple[StudyReference, Swept]] = {}
    for reference in study.reference:
        if reference.recording and reference.recording not in swept:
            path = find_file(folder, reference.recording, f"reference {reference.id!r}")
            opened = open_recording(path, study_hints(study))
            swept[reference.recording] = (reference, sweep_recording(opened, study.channels))
    tests, alone = [], dict[str, list[tuple[StudyReference, Swept]]]()
    for reference, one in swept.values():
        trials = clenches_of(one.frames, one.marks, names=names, otherwise=_teeth(reference))
        if len({t.condition for t in trials}) > 1:
            test = clench_test(Path(reference.recording).stem, one.frames, trials)
            tests.append(replace(test, input_sha256=(one.digest,)))
        elif trials and (reference.date or one.start):
            day = str(reference.date or (one.start.date() if one.start else ""))
            alone.setdefault(day, []).append((reference, one))
    for day, group in sorted(alone.items()):
        if len({_teeth(r) for r, _ in group}) > 1:
            joined = _joined(day, group, names)
            tests.append(replace(joined, input_sha256=tuple(one.digest for _, one in group)))
    return tests


def _teeth(reference: StudyReference) -> str:
    return NATURAL if reference.natural else reference.teeth or NOT_STATED


def _joined(day: str, group: list[tuple[StudyReference, Swept]], names: Sequence[str]) -> ClenchTest:
    """One test of several recordings of a day."""
    if any(one.start is None for _, one in group):
        raise ReferenceLevelError(
            f"the clench recordings of {day} do not all say when they start, so their order is unknown; "
            "record the whole test in one file"
        )
    ordered = sorted(group, key=lambda pair: str(pair[1].start))
    labels = [tuple(f.channel.label for f in one.frames) for _, one in ordered]
    if len(set(labels)) > 1:
        raise ReferenceLevelError(
            f"the clench recordings of {day} have different channels ({labels[0]}, {labels[1]}); they "
            "cannot be compared"
        )
    begin = ordered[0][1].start
    trials = []
    for reference, one in ordered:
        assert one.start is not None and begin is not None  # noqa: S101, PT018
        offset = (one.start - begin).total_seconds()
        trials += clenches_of(
            one.frames, one.marks, names=names, otherwise=_teeth(reference), offset_s=offset
        )
    test = clench_test(f"clenches-{day}", ordered[0][1].frames, trials)
    note = Note(
        "several-recordings",
        "warning",
        f"the test is of {len(ordered)} recordings; levels compare only if no electrode was moved "
        "between them",
    )
    return ClenchTest(**{**vars(test), "notes": (note, *test.notes)})
