"""What the worker does: the functions that the commands call, with progress, and what a page needs of it.

Every result is plain data, which crosses from one process to the other and into JSON.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sleepbrux.core.errors import SleepbruxError
from sleepbrux.core.files import RESULTS
from sleepbrux.study.file import load_study

if TYPE_CHECKING:
    from sleepbrux.scoring.night import Night

Say = Callable[..., None]
COLUMNS = 1600
_letters: dict[str, Any] = {}


def look_at_night(say: Say, *, file: str, night: str) -> dict[str, Any]:
    """Whether a night's recording can be used, why, and what to do."""
    from sleepbrux.scoring.request import study_request
    from sleepbrux.scoring.usability import absent, judge_file
    from sleepbrux.signal.startup import load_kernels
    from sleepbrux.study.files import find_file

    path = Path(file)
    study = load_study(path)
    entry = next(n for n in study.night if n.id == night)
    say(0.1, "preparing")
    load_kernels(lambda text: say(0.1, text), many_nights=True)
    say(0.2, entry.recording)
    try:
        recording = find_file(path.parent, entry.recording, f"night {night!r}")
        request = study_request(study, entry, path.parent)
    except SleepbruxError as error:
        return asdict(absent(night, str(error)))
    return asdict(judge_file(recording, request, night))


def check_study(say: Say, *, file: str) -> dict[str, Any]:
    """What the study file and its recordings still lack, the most important first."""
    from sleepbrux.study.checking import check, told

    say(0.2, "reading the headers")
    path = Path(file)
    return {"findings": [asdict(f) | {"whole": f.whole} for f in told(check(load_study(path), path.parent))]}


def look_for_clenches(say: Say, *, file: str, recording: str, teeth: str) -> dict[str, Any]:
    """The reference clenches of a recording, those not taken with the reason, and the trace to draw."""
    from sleepbrux.reference.recorded import look
    from sleepbrux.signal.startup import load_kernels
    from sleepbrux.study.files import study_hints

    home = Path(file).parent
    say(0.05, "preparing")
    load_kernels(lambda text: say(0.05, text), many_nights=True)
    path = home / recording
    looked = look(
        path,
        teeth=teeth,
        hints=study_hints(load_study(file)),
        progress=lambda share: say(0.1 + 0.8 * share, recording),
    )
    return _drawn(looked)


def marks_of_clenches(say: Say, *, file: str, recording: str, teeth: str) -> dict[str, Any]:
    """Whether marks in a recording name its clenches."""
    from sleepbrux.recording.opening import open_recording
    from sleepbrux.reference import cues_of, teeth_word
    from sleepbrux.study.files import study_hints

    say(0.5, recording)
    try:
        marks = open_recording(Path(file).parent / recording, study_hints(load_study(file))).marks
    except (SleepbruxError, OSError):
        return {"marked": False}
    return {"marked": cues_of(marks, None, teeth=teeth_word(teeth)) is not None}


def accept_clenches(
    say: Say,
    *,
    file: str,
    recording: str,
    numbers: tuple[int, ...],
    moved: Mapping[int, tuple[float, float]],
    by: str,
    teeth: str,
    steps: tuple[str, str],
) -> dict[str, Any]:
    """Write the chosen clenches beside their recording as accepted, with page and JSON file."""
    from sleepbrux.reference import teeth_word
    from sleepbrux.reference.recorded import accept_beside, look
    from sleepbrux.report.reference_files import write_reference
    from sleepbrux.signal.startup import load_kernels
    from sleepbrux.study.files import study_hints

    home = Path(file).parent
    load_kernels(many_nights=True)
    path = home / recording
    looked = look(
        path,
        teeth=teeth_word(teeth),
        hints=study_hints(load_study(file)),
        choose=dict.fromkeys(numbers) | dict(moved),
        progress=lambda share: say(share, recording),
    )
    looked, _ = accept_beside(path, looked, by=by, on=date.today(), teeth=teeth)
    write_reference(looked, home / RESULTS, recording, steps)
    return _drawn(looked)


def _drawn(looked: Any) -> dict[str, Any]:
    """A look at clenches as data: lowest and highest level of each column, and every stretch."""
    import numpy as np

    from sleepbrux.report.reference_page import AROUND_S, WINDOW_S, panels, sentences

    parts = [(max(a - AROUND_S, 0.0), b + AROUND_S) for a, b in panels(looked)]
    channels = []
    for frames, (clenches, wrong, notes) in zip(looked.swept.frames, looked.channels, strict=True):
        grid = frames.grid
        n = max(grid.slots_for(WINDOW_S), 1)
        drawn = []
        for a, b in parts:
            first, stop = max(grid.slot_at(a), 0), min(grid.slot_at(b), len(frames.energy))
            power = np.convolve(frames.energy[first:stop].astype(np.float64), np.ones(n) / n, "same")
            level = np.sqrt(np.maximum(power, 0.0))
            size = max(-(-len(level) // COLUMNS), 1)
            kept = level[: len(level) // size * size].reshape(-1, size)
            drawn.append(
                {
                    "start_s": grid.seconds(first),
                    "step_s": grid.seconds(size),
                    "low": [None if np.isnan(v) else round(float(v), 1) for v in kept.min(axis=1)],
                    "high": [None if np.isnan(v) else round(float(v), 1) for v in kept.max(axis=1)],
                }
            )
        channels.append(
            {
                "label": frames.channel.label,
                "level_uv": clenches.level_uv(),
                "rest_uv": clenches.rest_uv,
                "parts": drawn,
                "sentences": sentences(looked, clenches),
                "refused": list(wrong),
                "notes": [note.text for note in notes],
            }
        )
    return {
        "duration_s": looked.swept.duration_s,
        "marked": looked.marked,
        "confirmed": looked.cues.confirmed,
        "origin": looked.cues.origin,
        "teeth": looked.cues.teeth,
        "usable": looked.usable,
        "rests": [list(r) for r in looked.cues.rests_s],
        "clenches": [asdict(c) for c in looked.clenches],
        "channels": channels,
    }


def score(say: Say, *, file: str, nights: tuple[str, ...]) -> dict[str, Any]:
    """Score nights of a study as the command does; what failed, and how many were scored."""
    from sleepbrux.analysis.comparison.fixing import fix_at_scoring
    from sleepbrux.batch.one_by_one import Listener, score_one_by_one, study_work
    from sleepbrux.report.outputs import ARCHIVE
    from sleepbrux.scoring.usability import after_night
    from sleepbrux.signal.startup import load_kernels

    path = Path(file)
    study, out = load_study(path), path.parent / RESULTS
    out.mkdir(parents=True, exist_ok=True)
    chosen = [night for night in study.recorded if night.id in nights]
    failed: list[str] = []
    verdicts: dict[str, Any] = {}
    done = 0

    @contextmanager
    def shown(what: str) -> Iterator[Callable[[float], None]]:
        yield lambda share: say((done + share) / max(len(chosen), 1), f"{what}, {done + 1} of {len(chosen)}")

    def scored(_: Path, __: str, night: Night) -> None:
        nonlocal done
        done += 1
        name = dict(night.about)["night"]
        verdicts[name] = asdict(after_night(night, name))
        say(done / max(len(chosen), 1), f"{done} of {len(chosen)} scored")

    say(0.0, "reading the reference")
    work = study_work(study, chosen, path.parent, failed.append)
    if work and (hindered := fix_at_scoring(path, study, out, ARCHIVE)):
        failed.append(hindered)
    begun = lambda: load_kernels(lambda text: say(0.0, text), many_nights=True)  # noqa: E731
    came = score_one_by_one(work, out, Listener(begun, shown, scored, failed.append))
    return {"scored": len(came.archives), "failed": failed, "verdicts": verdicts}


def write_reviewed(say: Say, *, archives: tuple[str, ...]) -> dict[str, Any]:
    """Leave the reviewed report and tables of nights that a reader has decided on."""
    from sleepbrux.archive.journal import load_journal
    from sleepbrux.archive.journal.file import journal_path
    from sleepbrux.review.result import write_result

    failed, written = [], 0
    for k, name in enumerate(archives):
        archive = Path(name)
        say(k / len(archives), archive.name)
        try:
            written += bool(write_result(archive, load_journal(journal_path(archive))).files)
        except SleepbruxError as error:
            failed.append(str(error))
    return {"written": written, "failed": failed}


def compare(say: Say, *, file: str) -> dict[str, Any]:
    """Compare the conditions, plan more nights, and leave page, JSON and tables."""
    from sleepbrux.analysis.comparison.fixing import load_record, record_path
    from sleepbrux.analysis.comparison.records import read_records
    from sleepbrux.archive.nights import Due
    from sleepbrux.report.outputs import ARCHIVE
    from sleepbrux.report.study_files import compare_archives, write_compared
    from sleepbrux.study.file import result_folder

    path = Path(file)
    plan, folder = load_study(path), path.parent / RESULTS
    read = 0

    def progress() -> None:
        nonlocal read
        read += 1
        say(0.7 * min(read / max(len(plan.night), 1), 1.0), "reading the nights")

    reading = read_records(plan, folder, suffix=ARCHIVE, due=Due(home=path.parent), progress=progress)
    say(0.8, "comparing and planning")
    compared = compare_archives(plan, reading, record_path(path))
    write_compared(compared, plan, folder, result_folder(plan, folder))
    found, plans = compared.found, compared.plans
    record = load_record(record_path(path))
    fixed = next((entry.at for entry in record.entries if entry.kind == "fixed"), None)
    return {
        "answers": [contrast.sentence for contrast in found.comparison.contrasts],
        "plans": [f"to {p.ratio:g} times: {p.needed_text}" for p in plans],
        "power_pct": round(100 * plans[0].power) if plans else None,
        "outcome": found.comparison.outcome,
        "fixed": str(fixed or "")[:10],
        "cautions": [note.text for note in (*found.fixing, *found.comparison.cautions)],
        "missing": [f"{n.id}: {n.reason}" for n in found.missing],
        "left_out": [f"{n.id}: {'; '.join(n.reasons)}" for n in found.left_out],
    }


def letter(say: Say, *, file: str, fields: Mapping[str, str], stamp: str) -> dict[str, Any]:
    """The letter as HTML for the preview; the archives are read once for one state of the study."""
    from sleepbrux.report.letter import letter_answer

    basis = _basis(say, Path(file), stamp)
    made = _fields(fields)
    return {
        "html": basis.page(made),
        "answer": letter_answer(basis.letters, basis.comparison)[0],
        "notes": [f"the letter goes without {n.id}: {n.reason}" for n in basis.missing] + list(basis.doubts),
    }


def write_letter(say: Say, *, file: str, fields: Mapping[str, str], stamp: str) -> dict[str, Any]:
    """Write the letter as PDF and HTML next to the study file."""
    from sleepbrux.report.letter.writing import write_letter as write

    path = Path(file)
    page = write(_basis(say, path, stamp), _fields(fields), path.with_name("letter.pdf"))
    return {"page": str(page)}


def _fields(fields: Mapping[str, str]) -> Any:
    from sleepbrux.report.letter import load_fields

    return load_fields(None, tuple(f"{name}={text}" for name, text in fields.items()))


def _basis(say: Say, path: Path, stamp: str) -> Any:
    from sleepbrux.report.letter.writing import study_basis

    key = f"{path}:{stamp}"
    if key not in _letters:
        say(0.3, "reading the nights")
        _letters.clear()
        _letters[key] = study_basis(path, load_study(path), path.parent / RESULTS)
    return _letters[key]


def plan(say: Say, *, file: str, own: bool, wish: dict[str, Any]) -> dict[str, Any]:
    """Plan nights as the command does: from the study's own nights, or a rate and a stated variation."""
    from sleepbrux.analysis.comparison.records import read_records
    from sleepbrux.analysis.plan_arguments import Wish
    from sleepbrux.analysis.planning import Variation
    from sleepbrux.analysis.planning.planning_files import (
        plans_of_nights,
        plans_wished,
        published,
        write_planned,
    )
    from sleepbrux.archive.nights import Due
    from sleepbrux.report.outputs import ARCHIVE

    path, wanted = Path(file), Wish(**wish)
    out, done = path.parent / RESULTS, 0

    def step() -> None:
        nonlocal done
        done += 1
        say(1 - 0.9**done, f"{done} numbers of nights simulated")

    if own:
        study = load_study(path)
        reading = read_records(study, out, suffix=ARCHIVE, due=Due(home=path.parent), robust=False)
        plans = plans_of_nights(
            study,
            reading,
            wanted.ratios,
            power=wanted.power,
            most_nights=wanted.most_nights,
            progress=step,
        )
    else:
        events = (wanted.rate or 0.0) * wanted.hours
        stated = Variation(wanted.cv_pct or 0.0, "as given")
        variation = published(wanted.spread, events) if wanted.spread else stated
        plans = plans_wished(wanted, events, variation, progress=step)
    write_planned(plans, wanted, out)
    return {}


def clench_test(say: Say, *, file: str) -> dict[str, Any]:
    """Compare clenches on natural teeth and with each appliance as the command does; page and JSON file."""
    from sleepbrux.report.clench_files import nights_beside, write_clench_test
    from sleepbrux.report.clench_page import answers
    from sleepbrux.signal.startup import load_kernels
    from sleepbrux.study.clench_tests import study_tests

    path = Path(file)
    study, out = load_study(path), path.parent / RESULTS
    load_kernels(lambda text: say(0.05, text), many_nights=True)
    say(0.2, "measuring the clenches")
    tests = study_tests(study, path.parent)
    if not tests:
        raise SleepbruxError(
            "no reference recording holds clenches under two conditions; record clenches on natural teeth and with "
            "the appliance in one recording of the chair, each with a mark that says which"
        )
    nights, unshown = nights_beside(study, out, path.parent) if out.is_dir() else ([], [])
    pages = [write_clench_test(test, nights, out, study.pseudonym) for test in tests]
    return {
        "answers": [answer for test in tests for answer in answers(test)],
        "notes": [note.text for test in tests for note in test.notes] + unshown,
        "pages": [str(page) for page in pages],
    }


def sheets(say: Say, *, file: str) -> dict[str, Any]:
    """Write chair sheet and patient sheet next to the study file."""
    from sleepbrux.report.sheets import write_sheets

    path = Path(file)
    say(0.3, "setting in type")
    made = write_sheets(load_study(path), path.parent, path.parent)
    return {"files": [str(p) for p in made.values()]}


def export(say: Say, *, file: str, archives: tuple[str, ...], kinds: tuple[str, ...]) -> dict[str, Any]:
    """Write files for other programs into the folder ``files`` of the results; nobody is named."""
    from sleepbrux.archive.file import load_night
    from sleepbrux.archive.journal import with_review
    from sleepbrux.archive.manifest import stem_of
    from sleepbrux.export.files import ExportRequest, shared_names
    from sleepbrux.export.sharing import NOTHING_SHOWN
    from sleepbrux.report.handing_over import letters_of, report_sentences, write_exports

    nights, automatic, failed = [], [], []
    for k, name in enumerate(archives):
        path = Path(name)
        say(0.6 * k / len(archives), path.name)
        try:
            night = load_night(path)
            nights.append((stem_of(path), with_review(night, path)))
            automatic.append(night)
        except SleepbruxError as error:
            failed.append(str(error))
    say(0.6, "writing")
    out = Path(file).parent / RESULTS / "files"
    letter = letters_of([Path(name) for name in archives], nights, shared_names(nights, NOTHING_SHOWN))
    wish = ExportRequest(kinds, sentences=report_sentences, letter=letter)
    return {"files": [str(p) for p in write_exports(nights, automatic, out, wish)], "failed": failed}


def _told(job: Callable[..., dict[str, Any]]) -> Callable[..., dict[str, Any]]:
    """A job whose refusal stays on its screen, also when another job has been done since."""

    def done(say: Say, **given: Any) -> dict[str, Any]:
        try:
            return job(say, **given)
        except SleepbruxError as error:
            return {"failed": str(error)}

    return done


JOBS: dict[str, Callable[..., dict[str, Any]]] = {
    "check": check_study,
    "marks": marks_of_clenches,
    "look": look_at_night,
    "clenches": look_for_clenches,
    "accept": accept_clenches,
    "score": score,
    "reviewed": write_reviewed,
    "compare": compare,
    "letter": letter,
    "write_letter": write_letter,
    "plan": _told(plan),
    "clench_test": _told(clench_test),
    "sheets": sheets,
    "export": export,
}
