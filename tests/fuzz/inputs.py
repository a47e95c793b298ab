"""Each input: valid seeds, how it is bent, and what is done with it, which is what commands do."""

from __future__ import annotations

import random
import shutil
import struct
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from sleepbrux.archive.file import load_night, save_night
from sleepbrux.archive.journal.chain import Head, head_path, head_text, link_of, sealed
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.file import append, header_of, load_journal
from sleepbrux.archive.journal.model import DecisionDraft
from sleepbrux.archive.journal.repair import repair
from sleepbrux.archive.journal.reviewed_night import review_of, with_review
from sleepbrux.core.errors import SleepbruxError
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.request import Request, score_opened
from tests.core import test_fuzz_texts as texts
from tests.fuzz.bending import NUMBERS, TEXTS, bent_table, bytes_bent, odd_value, table_bent, toml_bent
from tests.nights import recording_of, rhythm
from tests.recording.build import edf_plus, emg, tal, times

Bend = Callable[[bytes, random.Random], bytes]


def made(seed: int = 1, *, cues: bool = False) -> Any:
    """A recording of a minute and a half with marks and two episodes; ``cues``: with clenches and sync marks."""
    marks = [(1.0, 0.0, "Lights off"), (88.0, 0.0, "Lights on")]
    marks += [(3.0, 2.0, "clench"), (12.0, 0.0, "sync"), (78.0, 0.0, "sync")] if cues else []
    bursts = [(3.0, 5.0, 190.0), *rhythm(20, 3 + seed), (60.0, 63.0, 90.0)]
    return recording_of([bursts, bursts], seconds=90, marks=sorted(marks), seed=seed)


@dataclass
class Place:
    """What a worker makes once: a folder with a recording and its archive."""

    folder: Path
    kept: dict[str, Any] = field(default_factory=dict)

    @property
    def recording(self) -> Any:
        """A minute and a half with marks, in memory."""
        if "recording" not in self.kept:
            self.kept["recording"] = made()
        return self.kept["recording"]

    @property
    def cued(self) -> Any:
        """The same with clenches and sync marks in it."""
        if "cued" not in self.kept:
            self.kept["cued"] = made(cues=True)
        return self.kept["cued"]

    @property
    def night(self) -> Night:
        """Its scoring."""
        if "night" not in self.kept:
            night = score_opened(self.recording, Request(mvc_uv=200.0))
            about = (("person", "P01"), ("night", "n1"), ("condition", "none"))
            self.kept["night"] = replace(night, about=about)
        return self.kept["night"]

    @property
    def archive(self) -> Path:
        """The same in a file; beside it those of three more nights."""
        path = self.folder / "n1.night.h5"
        if not path.exists():
            for k, condition in enumerate(("none", "splint", "none", "splint"), start=1):
                about = (("person", "P01"), ("night", f"n{k}"), ("condition", condition))
                night = self.night if k == 1 else score_opened(made(k), Request(mvc_uv=200.0))
                save_night(replace(night, about=about), path.with_name(f"n{k}.night.h5"))
        return path

    def edf(self, name: str) -> Path:
        """A recording of ten seconds."""
        path = self.folder / name
        if not path.exists():
            onsets = [f"+{i}" for i in range(10)]
            marks = (3, tal("+3.5", "Lights off", duration="2") + tal("+4", "clench"))
            other = emg(label="EMG Mass R")
            path.write_bytes(edf_plus(emg(), other, times(onsets, marks)).to_bytes())
        return path


def _scored(recording: Any, request: Request) -> None:
    from sleepbrux.export.summary import summary_text

    summary_text(score_opened(recording, request, threads=1))


# --- texts


def use_study(path: Path, place: Place) -> None:
    from sleepbrux.analysis.comparison.records import read_records
    from sleepbrux.analysis.comparison.study import compare_study, comparison_table, comparison_text
    from sleepbrux.archive.manifest import ARCHIVE
    from sleepbrux.report.letter.fields import Fields, from_study
    from sleepbrux.scoring.request import study_request
    from sleepbrux.study.checking import check, told
    from sleepbrux.study.editing import asked_about, conditions_of
    from sleepbrux.study.file import entry_digest, load_study, night_stems, person_folder, result_folder

    place.edf("n1.edf")
    study = load_study(path)
    told(check(study, place.folder))
    conditions_of(study), person_folder(study), result_folder(study, place.folder)
    from_study(Fields(), study)
    for night in study.recorded[:3]:
        asked_about(study, night.condition), night_stems(night), entry_digest(study, night)
        try:
            request = study_request(study, night, place.folder, threads=1)
            _scored(place.recording, request)
        except SleepbruxError as error:
            _fits(error)
    place.archive  # noqa: B018  made once
    reading = read_records(study, place.folder, suffix=ARCHIVE, robust=False)
    found = compare_study(study, reading)
    comparison_table(found), comparison_text(found)


def use_rules(path: Path, place: Place) -> None:
    from sleepbrux.criteria.loading import load_criterion
    from sleepbrux.export.summary import summary_text
    from sleepbrux.report.outputs import report_text
    from sleepbrux.scoring.night import rescore

    criterion = load_criterion(path)
    night = rescore(place.night, criterion)
    summary_text(night), report_text(night)


def use_fields(path: Path, place: Place) -> None:
    from sleepbrux.report.letter import letter_html, load_fields
    from sleepbrux.report.letter.nights import Letter

    fields = load_fields(path)
    letter_html([Letter("n1", "0" * 64, place.night)], fields)
    if random.Random(path.read_bytes()).random() < 0.05:  # slow
        from sleepbrux.report.letter import letter_pdf

        letter_pdf([Letter("n1", "0" * 64, place.night)], fields)


def use_nights(path: Path, place: Place) -> None:
    from sleepbrux.analysis.comparison.records import read_records
    from sleepbrux.analysis.comparison.study import compare_study, comparison_text
    from sleepbrux.analysis.comparison.table import study_from_table
    from sleepbrux.archive.manifest import ARCHIVE

    place.archive  # noqa: B018
    study = study_from_table(path, person="P01")
    comparison_text(compare_study(study, read_records(study, path.parent, suffix=ARCHIVE, robust=False)))


def use_cohort(path: Path, place: Place) -> None:
    from sleepbrux.analysis.cohort import cohort_text, compare_cohort, read_cohort
    from sleepbrux.report.cohort_page import render_cohort

    nights = read_cohort(path)
    found = compare_cohort(nights)
    cohort_text(found), render_cohort(found, nights)


def use_events(path: Path, place: Place) -> None:
    from sleepbrux.analysis.agreement.compare import compare
    from sleepbrux.analysis.agreement.loading import Wanted, load_pair
    from sleepbrux.export.agreement import agreement_events, agreement_table, agreement_text
    from sleepbrux.report.agreement_page import render_agreement

    found, pairs = compare([load_pair(place.archive, str(path), Wanted())], cut_off_per_h=2.0)
    agreement_table(found), agreement_text(found), agreement_events(pairs), render_agreement(found, pairs)


def use_stages(path: Path, place: Place) -> None:
    from sleepbrux.signal.surroundings.companions import CompanionFiles

    coded = b"N" not in path.read_bytes()
    codes = ((0, "wake"), (2, "n2"), (5, "rem")) if coded else ()
    _scored(place.recording, Request(mvc_uv=200.0, companions=CompanionFiles(stages=path, stage_codes=codes)))


def use_marks(path: Path, place: Place) -> None:
    from sleepbrux.signal.surroundings.companions import CompanionFiles

    _scored(place.cued, Request(companions=CompanionFiles(marks=path)))


def use_sync(path: Path, place: Place) -> None:
    from sleepbrux.cli.options import pair
    from sleepbrux.signal.surroundings.companions import CompanionFiles

    pairs = tuple(pair(text) for text in path.read_bytes().decode("utf-8", "replace").split(" ") if text)
    marks, stages = place.folder / "sync-marks.csv", place.folder / "sync-stages.csv"
    if not marks.exists():
        marks.write_bytes(texts.MARKS)
        stages.write_bytes(texts.STAGES)
    beside = CompanionFiles(marks=marks, stages=stages, sync=pairs)
    _scored(place.recording, Request(mvc_uv=200.0, companions=beside))


def use_clenches(path: Path, place: Place) -> None:
    from sleepbrux.recording.clenches import load_proposal

    proposal = load_proposal(path.with_name("n.edf"))
    if proposal is not None:
        mine = msgspec.structs.replace if isinstance(proposal, msgspec.Struct) else replace
        _scored(place.recording, Request(proposal=mine(proposal, recording_sha256=place.night.swept.digest)))


# --- the journal


def journal_seed(place: Place) -> bytes:
    path = place.folder / "seed.review.jsonl"
    if not path.exists():
        drafts: list[dict[str, Any]] = [
            {"action": "reject", "target": "e0", "reason": "swallow, cough or sigh"},
            {"action": "relabel", "target": "e1", "kind": "phasic"},
            {"action": "add", "level": "episode", "kind": "phasic", "start_s": 70.0, "stop_s": 72.0},
            {"action": "accept", "target": "e1"},
            {"action": "move", "target": "b0", "start_s": 19.5, "stop_s": 20.6},
            {"action": "note", "target": "e1", "reason": "by hand"},
        ]
        for draft in drafts:
            if not path.exists():
                from sleepbrux.archive.journal.model import Journal

                journal = Journal(path.name, header_of(place.night))
            else:
                journal = load_journal(path)
            try:
                entry, _ = decided(review_of(place.night, journal), journal, DecisionDraft(**draft), "AB")
            except SleepbruxError:
                continue
            append(path, header_of(place.night), entry)
    return path.read_bytes()


def journal_bent(data: bytes, rng: random.Random) -> bytes:
    """Bytes, or lines whose values are bent and whose chain is made anew."""
    if rng.random() < 0.3:
        return bytes_bent(data, rng)
    bodies = [msgspec.json.decode(link_of(line).body) for line in data.split(b"\n") if line]
    bodies = bent_table(bodies, rng, moments=False)
    if rng.random() < 0.5:
        for k, body in enumerate(bodies):
            if k and isinstance(body, dict):
                body["seq"] = k
    previous, lines = "", []
    for body in bodies:
        try:
            line, previous = sealed(msgspec.json.encode(body), previous)
        except (UnicodeEncodeError, msgspec.MsgspecError, OverflowError):
            return bytes_bent(data, rng)
        lines.append(line)
    return b"".join(line if line.endswith(b"\n") else line + b"\n" for line in lines)


def use_journal(path: Path, place: Place) -> None:
    from sleepbrux.export.summary import summary_text
    from sleepbrux.report.outputs import report_text

    data = path.read_bytes()
    lines = [line for line in data.split(b"\n") if line]
    last = link_of(lines[-1]) if lines else None
    head = head_path(path)
    if last is not None and len(data) % 3:
        digest = sealed(last.body, last.previous)[1]
        head.write_bytes(head_text(Head(decisions=len(lines) - 1, last=digest)))
    else:
        head.unlink(missing_ok=True)
    try:
        after = review_of(place.night, load_journal(path)).night
        summary_text(after), report_text(after)
    except SleepbruxError as error:
        _fits(error)
        repair(path, place.night)
        summary_text(review_of(place.night, load_journal(path)).night)
    finally:
        for kept in path.parent.glob(f"{path.stem}*.kept-*"):
            kept.unlink()


# --- the archive


def use_archive(path: Path, place: Place) -> None:
    from tests.archive_mutants import use

    try:
        use(path, place.folder / "out")
        with_review(load_night(path), path)
    finally:
        shutil.rmtree(place.folder / "out", ignore_errors=True)


def archive_bent(data: bytes, rng: random.Random) -> bytes:
    import tempfile

    from tests import archive_mutants

    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "m.night.h5"
        path.write_bytes(data)
        for _ in range(rng.choice([1, 1, 2])):
            try:
                archive_mutants.mutate(path, rng)
            except (OSError, KeyError, ValueError, RuntimeError):
                break  # bent so far that it cannot be opened to be bent again
        return path.read_bytes()


# --- sound


def wav_seed(place: Place) -> bytes:
    del place
    rate, n = 2000, 2000 * 20
    wave = (np.random.default_rng(1).normal(0, 900, n)).astype("<i2").tobytes()
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, rate, rate * 2, 2, 16)
    body = b"WAVE" + form + struct.pack("<4sI", b"data", len(wave)) + wave
    return b"RIFF" + struct.pack("<I", len(body)) + body


def wav_bent(data: bytes, rng: random.Random) -> bytes:
    if rng.random() < 0.5:
        return bytes_bent(data, rng)
    bad = bytearray(data)
    for _ in range(rng.choice([1, 2, 3])):
        at, form = rng.choice(
            [
                (4, "<I"),
                (16, "<I"),
                (20, "<H"),
                (22, "<H"),
                (24, "<I"),
                (28, "<I"),
                (32, "<H"),
                (34, "<H"),
                (40, "<I"),
            ]
        )
        top = 1 << (8 * struct.calcsize(form))
        struct.pack_into(
            form,
            bad,
            at,
            rng.choice([0, 1, 2, 3, 8, 24, 32, 49, 50, 51, 400, 65534, top - 1, top // 2]) % top,
        )
    return bytes(bad)


def use_sound(path: Path, place: Place) -> None:
    from sleepbrux.signal.surroundings.companions import CompanionFiles

    rng = random.Random(path.read_bytes())
    start = rng.choice([None, None, 0.0, -5.0, 80.0, float("nan"), float("inf"), 1e308, -1e308, -0.0, 89.99])
    sync = rng.choice([(), (), ((1.0, 2.0),), ((0.0, 1.0), (70.0, 71.1))])
    beside = CompanionFiles(sound=path, sound_start_s=start, sync=sync)
    _scored(place.recording, Request(mvc_uv=200.0, companions=beside))


# --- streams


def _xdf(rng: random.Random | None) -> bytes:  # noqa: C901  one branch a way
    from tests.recording.xdf_files import Stream, xdf

    n, rate = 3000, 500
    wave = np.stack((np.sin(np.arange(n) / 9), np.cos(np.arange(n) / 7)), axis=1) * 100
    stamps = 5000 + np.arange(n) / rate
    marks_at = np.array([5001.0, 5002.5, 5004.0])
    words: list[str] = ["Lights off", "clench", "cough"]
    about: dict[str, Any] = {
        "name": "amp", "rate": rate, "labels": ("EMG Masseter L", "EMG Masseter R"), "unit": "microvolts",
        "type": "EMG", "format": "float32", "offset_s": 0.25, "footer": True,
    }  # fmt: skip
    opened = "2026-11-30T18:02:03"
    if rng is not None:
        for _ in range(rng.choice([1, 1, 2, 3])):
            way = rng.randrange(9)
            if way == 0:
                key = rng.choice(["name", "unit", "type"])
                about[key] = rng.choice(TEXTS).replace("<", "").replace("&", "")
            elif way == 1:
                about["rate"] = rng.choice([*NUMBERS, float("nan"), float("inf"), "", "x"])
            elif way == 2:
                about["labels"] = rng.choice(
                    [(), ("A",), ("EMG Masseter L",) * 2, ("", ""), tuple(rng.choices(TEXTS, k=3))]
                )
            elif way == 3:
                stamps = stamps.copy()
                k = rng.randrange(n)
                stamps[k : k + rng.choice([1, 5, 500])] = rng.choice(
                    [0.0, -1e9, 1e9, 1e300, np.nan, np.inf, -np.inf, stamps[0], stamps[-1], 5000.0000001]
                )
            elif way == 4:
                stamps = rng.choice(
                    [stamps[::-1], stamps * 0, stamps * 1e-9, stamps * 1e6, stamps + np.arange(n) ** 2 * 1e-6]
                )
            elif way == 5:
                wave = wave.copy()
                wave[rng.randrange(n) :: rng.choice([1, 7, 900])] = rng.choice(
                    [np.nan, np.inf, -np.inf, 1e38, 0.0]
                )
            elif way == 6:
                about["offset_s"] = rng.choice([None, 0.0, 1e9, -1e300, float("nan"), float("inf")])
                about["footer"] = rng.random() < 0.5
            elif way == 7:
                marks_at = marks_at + rng.choice([0, -1e9, 1e12, np.nan, np.inf, -10])
                words = rng.choices(TEXTS, k=3)
            else:
                about["format"] = rng.choice(["float32", "double64", "int16", "int32"])
                opened = rng.choice(["", "x", "9999-12-31T23:59:59", "0001-01-01T00:00:00+14:00", opened])
    words = [word.encode("utf-8", "replace").decode("utf-8") for word in words]
    about = {k: v.encode("utf-8", "replace").decode() if isinstance(v, str) else v for k, v in about.items()}
    about["labels"] = tuple(x.encode("utf-8", "replace").decode() for x in about["labels"])
    with np.errstate(all="ignore"):
        return xdf(
            Stream(values=wave, stamps=stamps, **about),
            Stream("marks", words, marks_at, format="string", type="Markers"),
            opened=opened,
        )


def xdf_bent(data: bytes, rng: random.Random) -> bytes:
    if rng.random() < 0.5:
        return bytes_bent(data, rng)
    try:
        return _xdf(rng)
    except (ValueError, OverflowError, struct.error, UnicodeError):
        return bytes_bent(data, rng)


def use_streams(path: Path, place: Place) -> None:
    from sleepbrux.recording.opening import Hints, open_recording

    del place
    recording = open_recording(path, Hints())
    _scored(recording, Request(criterion="aasm"))


def _fits(error: SleepbruxError) -> None:
    """One sentence: printable, one line, not long."""
    text = str(error)
    assert text.isprintable(), f"not one line that can be printed: {text!r}"
    assert 8 < len(text) <= 1250, f"no sentence: {text!r}"


@dataclass(frozen=True)
class Input:
    """One input: the name of its file, its seeds, how they are bent and what is done with one."""

    name: str
    seeds: Callable[[Place], list[bytes]]
    bend: Bend
    use: Callable[[Path, Place], None]

    def try_seed(self, seed: bytes, place: Place) -> None:
        """A seed ends in a result, else what is bent would never get far."""
        path = place.folder / self.name
        path.write_bytes(seed)
        self.use(path, place)


def _texts(*data: bytes) -> Callable[[Place], list[bytes]]:
    return lambda _place: list(data)


NIGHTS = texts.NIGHTS + b"n3,none,2026-03-04,2,0.5,\nn4,splint,2026-03-05,1,,23:10:05\n"
MARKS = texts.MARKS.replace(b"\n9,", b"\n12.5,") + b"78.5,,sync\n"
EVENTS = texts.EVENTS + b"62,2,phasic\n"
MORE_NIGHTS = b"".join(
    b'[[night]]\nid = "n%d"\nrecording = "n%d.edf"\ncondition = "%s"\nreference = "r1"\ndate = 2026-03-0%d\n'
    % (k, k, condition, k + 1)
    for k, condition in ((2, b"splint"), (3, b"none"), (4, b"splint"))
)
STUDY = texts.STUDY + MORE_NIGHTS
STUDY_WHOLE = (
    b'study_id = "abcd-1234"\nconditions = ["none", "splint"]\nage_years = 41.5\nsex = "female"\n'
    b'looks = [6, 9]\norder = "randomised nights"\nbaseline = "none"\n'
    + texts.STUDY.replace(b'pseudonym = "P01"', b'pseudonym = "P01"\ntime_unit = "ms"\nunit = "mV"')
    + b"appliance_in = 23:10:00\nappliance_out = 05:00:00\nlights_on = 07:00:00\nsetting_mm = 1.5\nblock = 1\n"
    b'[[night]]\nid = "n4"\nrecording = "n4.edf"\ncondition = "splint"\nreference = "own"\nblock = 1\n'
    b'days_since_first_worn = 3\nchannels = ["EMG Mass R"]\n'
    b'[letter]\nrecorder = "x"\ncaffeine = "none"\ndates = true\n[dataset]\n'
)
SYNC = b"12.5=14.0 80.0=81.501 300=301.51"


def _rules() -> list[bytes]:
    from sleepbrux.criteria.loading import _folder

    based = (
        b'base = "lavigne1996"\nid = "own"\n[burst]\nminimum_s = 0.3\n[threshold]\nlevel_pct_mvc = 12.0\n'
        b'[sources]\n"burst.minimum_s" = { status = "our choice", source = "a test" }\n'
    )
    needs_more = ("aasm_chin", "castroflorio2013_emg_hr", "gallo1999_contraction", "ikeda1996")
    return [*(p.read_bytes() for p in sorted(_folder().glob("*.toml")) if p.stem not in needs_more), based]


INPUTS = {
    "study": Input("study.toml", lambda _: [STUDY, STUDY_WHOLE], toml_bent, use_study),
    "rules": Input("rules.toml", lambda _: _rules(), toml_bent, use_rules),
    "journal": Input("m.review.jsonl", lambda p: [journal_seed(p)], journal_bent, use_journal),
    "archive": Input("m.night.h5", lambda p: [p.archive.read_bytes()], archive_bent, use_archive),
    "fields": Input("fields.toml", _texts(texts.FIELDS), toml_bent, use_fields),
    "nights": Input("nights.csv", _texts(NIGHTS), table_bent, use_nights),
    "cohort": Input("cohort.csv", _texts(texts.COHORT), table_bent, use_cohort),
    "events": Input("reader.csv", _texts(EVENTS), table_bent, use_events),
    "stages": Input(
        "stages.csv",
        _texts(texts.STAGES, b"stage\n0\n2\n5\n", b"onset,duration,stage\n0,30,N1\n30,60,N2\n"),
        table_bent,
        use_stages,
    ),
    "marks": Input("marks.csv", _texts(MARKS), table_bent, use_marks),
    "clenches": Input("n.edf.clenches.toml", _texts(texts.CLENCHES), toml_bent, use_clenches),
    "sound": Input("sound.wav", lambda p: [wav_seed(p)], wav_bent, use_sound),
    "sync": Input("sync.txt", _texts(SYNC, b"12.5=14.0"), texts.bent, use_sync),
    "streams": Input("chair.xdf", lambda _: [_xdf(None)], xdf_bent, use_streams),
}


def mutant(kind: str, number: int, seeds: list[bytes]) -> bytes:
    """The bent file of one number, always the same."""
    rng = random.Random(f"{kind} {number}")
    return INPUTS[kind].bend(rng.choice(seeds), rng)


def outcome(kind: str, data: bytes, place: Place) -> str:
    """``result`` or ``refused``; anything else is raised."""
    path = place.folder / INPUTS[kind].name
    path.write_bytes(data)
    try:
        INPUTS[kind].use(path, place)
    except SleepbruxError as error:
        _fits(error)
        return "refused"
    return "result"


__all__ = ["INPUTS", "Place", "mutant", "odd_value", "outcome"]
