"""What writes: a scoring, a batch, a decision, an export, the comparison's record, the local page."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from sleepbrux.archive.file import load_night, save_night
from sleepbrux.archive.file_sets import folder_doubts
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.file import append, header_of, load_journal
from sleepbrux.archive.journal.model import DecisionDraft, Journal
from sleepbrux.archive.journal.reviewed_night import review_of, reviewed
from sleepbrux.archive.manifest import LIST, doubts
from sleepbrux.core.errors import SleepbruxError
from sleepbrux.criteria import load_criterion
from sleepbrux.scoring.night import Night, rescore
from sleepbrux.scoring.request import Request, score_opened
from tests.core.test_fuzz_texts import STUDY
from tests.fuzz.inputs import made
from tests.power.cut import Scenario, content, in_child

ABOUT = (("person", "P01"), ("night", "n1"), ("condition", "none"))


@cache
def night() -> Night:
    """A short night by the default rules."""
    return replace(score_opened(made(), Request(mvc_uv=200.0), threads=1), about=ABOUT)


@cache
def other() -> Night:
    """The same by others."""
    return replace(rescore(night(), load_criterion("lavigne1996")), about=ABOUT)


def digests(folder: Path) -> dict[str, str]:
    return {name: hashlib.sha256(data).hexdigest() for name, data in content(folder).items()}


# a scoring over an earlier one


def _score(folder: Path, one: Night) -> None:
    from sleepbrux.report.outputs import write_outputs

    write_outputs(one, folder, stem="n1")


def _set(folder: Path) -> Any:
    """The archive as every command loads it, and all files beside it unless what is wrong with them is said."""
    archive = folder / "n1.night.h5"
    if not archive.exists():
        rest = sorted(content(folder))
        if rest:
            raise SleepbruxError(f"there is no archive, but {rest[0]}")
        return "nothing"
    rules = load_night(archive).criterion.id
    if wrong := doubts(archive):
        raise SleepbruxError(wrong[0])
    return rules, {k: v for k, v in digests(folder).items() if not k.endswith((LIST, ".kept-1"))}


# a decision


def _decide(folder: Path, action: str, target: str) -> None:
    path = folder / "n1.review.jsonl"
    journal = load_journal(path) if path.exists() else Journal(path.name)
    entry, _ = decided(
        review_of(night(), journal),
        journal,
        DecisionDraft(action=action, target=target, reason="other"),
        "AB",
    )
    append(path, header_of(night()), entry)


def _begin_review(folder: Path) -> None:
    save_night(night(), folder / "n1.night.h5")
    _decide(folder, "reject", "e0")


def _decide_once(folder: Path) -> None:
    """The decision, unless it stands already: what a reader does who looks again."""
    if load_journal(folder / "n1.review.jsonl").seq < 2:
        _decide(folder, "accept", "e1")


def _journal(folder: Path) -> Any:
    path = folder / "n1.review.jsonl"
    if not path.exists():
        return []
    return [(e.action, e.target) for e in load_journal(path).entries]


def _reviewed(folder: Path) -> None:
    from sleepbrux.report.outputs import write_reviewed

    write_reviewed(reviewed(night(), load_journal(folder / "n1.review.jsonl")), folder, "n1")


def _begin_reviewed(folder: Path) -> None:
    _score(folder, night())
    _decide(folder, "reject", "e0")
    _reviewed(folder)
    _decide(folder, "reject", "e1")


# an export over an earlier one


def _export(folder: Path, one: Night, kinds: tuple[str, ...]) -> None:
    from sleepbrux.export.files import ExportRequest, write_files

    if folder.joinpath("bids").is_dir():  # all of it or nothing, and never written over
        return
    write_files([("n1", one)], folder, ExportRequest(kinds))


def sets(folder: Path) -> Any:
    """The files that belong together, unless what is wrong with them is said, as every command does."""
    for place in (folder, *(path for path in sorted(folder.rglob("*")) if path.is_dir())):
        if wrong := folder_doubts(place):
            raise SleepbruxError(wrong[0])
    return {
        name: digest
        for name, digest in digests(folder).items()
        if not name.endswith((LIST, ".fixed.jsonl")) and not name.startswith(".bids")
    }


KINDS = ("csv", "json", "edf", "study")


# the comparison's record


def _study(folder: Path, **changes: str) -> Any:
    from sleepbrux.study.file import load_study

    path = folder / "study.toml"
    if not path.exists():
        path.write_bytes(STUDY)
    text = path.read_text("utf-8")
    for old, new in changes.items():
        text = text.replace(old, new)
    path.write_text(text, "utf-8")
    return load_study(path)


def _begin_study(folder: Path) -> None:
    _study(folder)


def _fix(folder: Path, outcome: str) -> None:
    from sleepbrux.analysis.comparison.fixing import fix, record_path

    study = _study(folder)
    import msgspec

    study = msgspec.structs.replace(study, primary_outcome=outcome)
    fix(record_path(folder / "study.toml"), study, scored=0, now=datetime(2026, 3, 2, tzinfo=UTC))


def _record(folder: Path) -> Any:
    from sleepbrux.analysis.comparison.fixing import load_record, record_path

    found = load_record(record_path(folder / "study.toml"))
    return [(e.seq, e.kind) for e in found.entries], found.broken_at


def _edit(folder: Path) -> None:
    from sleepbrux.study.editing import Place, set_fields

    set_fields(folder / "study.toml", Place("night", ("n1",)), {"morning_jaw_pain": "7", "note": "loud"})


def _loaded(folder: Path) -> Any:
    from sleepbrux.study.file import load_study

    return repr(load_study(folder / "study.toml"))


def _letter_fields(folder: Path, words: str) -> None:
    from sleepbrux.core.files import write_text
    from sleepbrux.report.letter import fields_text, load_fields

    write_text(folder / "letter.toml", fields_text(load_fields(None, (f"question={words}",))))


def _letter(folder: Path, words: str) -> None:
    from sleepbrux.report.letter import load_fields
    from sleepbrux.report.letter.nights import Letter
    from sleepbrux.report.letter.writing import LetterBasis, write_letter

    basis = LetterBasis([Letter("n1", "0" * 64, night())])
    write_letter(basis, load_fields(None, (f"question={words}",)), folder / "letter.pdf")


def _agreement(folder: Path, rules: str) -> None:
    import sleepbrux.analysis.agreement.compare as comparing
    from sleepbrux.analysis.agreement.loading import Wanted, load_pair
    from sleepbrux.report.outputs import write_agreement

    found, pairs = comparing.compare([load_pair(night(), f"criterion:{rules}", Wanted())])
    write_agreement(found, pairs, folder)


NIGHTS = tuple((f"n{k}", ("none", "splint")[k % 2]) for k in range(1, 5))


def _apart(make: Callable[[], Any]) -> Any:
    """Made in a child: threads that a library began here would be missing in the children that are cut."""
    code, made_there = in_child(make)
    assert code == 0, made_there
    return made_there


@cache
def compared(criterion: str) -> Any:
    """A study of four nights, compared."""
    return _apart(lambda: _compared(criterion))


def _compared(criterion: str) -> Any:
    from sleepbrux.analysis.comparison.records import read_records
    from sleepbrux.analysis.comparison.study import compare_study
    from sleepbrux.analysis.comparison.table import study_from_table

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "study"
        folder.mkdir()
        for k, (id_, condition) in enumerate(NIGHTS):
            one = score_opened(made(k + 1), Request(mvc_uv=200.0), threads=1)
            about = (("night", id_), ("condition", condition))
            save_night(replace(one, about=about), folder / f"{id_}.night.h5")
        table = folder / "nights.csv"
        table.write_text("night,condition\n" + "".join(f"{a},{b}\n" for a, b in NIGHTS))
        study = study_from_table(table, criterion=criterion)
        return compare_study(study, read_records(study, folder, suffix=".night.h5", robust=False))


def _study_page(folder: Path, criterion: str) -> None:
    from sleepbrux.report.study_files import write_study

    write_study(compared(criterion), folder)


# the local page


@cache
def practised() -> dict[str, bytes]:
    """A folder of four nights of ten seconds, of which three are scored, compared, told in a letter and exported."""
    return _apart(_practised)


def _practised() -> dict[str, bytes]:
    from tests.fuzz.inputs import Place

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole = Place(folder).edf("n1.edf").read_bytes()
        text = STUDY.decode().split("[[night]]")[0].replace("rate_hz = 1000.0\n", "")
        text = text.replace('scale_uv = { "EMG L" = 1.5 }\n', "")
        text = text.replace('"EMG L" = 200.0', '"EMG Mass L" = 200.0, "EMG Mass R" = 200.0')
        for k, (id_, condition) in enumerate(NIGHTS):
            data = bytearray(whole)
            data[-40:-20] = bytes([k]) * 20
            (folder / f"{id_}.edf").write_bytes(bytes(data))
            text += f'[[night]]\nid = "{id_}"\nrecording = "{id_}.edf"\ncondition = "{condition}"\n'
            text += f'reference = "r1"\ndate = 2026-03-0{k + 2}\n'
        (folder / "study.toml").write_text(text, "utf-8")
        said = _job("score", folder, nights=tuple(id_ for id_, _ in NIGHTS[:3]))
        assert not said["failed"], said
        _job("compare", folder)
        _page_letter(folder, "why")
        _page_export(folder)
        return content(folder)


def _job(name: str, folder: Path, **given: Any) -> Any:
    """What the page's worker does, in this process."""
    from sleepbrux.practice import jobs

    return jobs.JOBS[name](lambda *_: None, file=str(folder / "study.toml"), **given)


def _page_letter(folder: Path, words: str) -> None:
    _job("write_letter", folder, fields={"question": words}, stamp=words)


def _page_export(folder: Path) -> None:
    archives = tuple(str(path) for path in sorted((folder / "results").glob("*.night.h5")))
    _job("export", folder, archives=archives, kinds=("csv", "json", "edf", "fhir", "study"))


def _begin_page(folder: Path) -> None:
    for name, data in practised().items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)


def _begin_page_all_scored(folder: Path) -> None:
    _begin_page(folder)
    _job("score", folder, nights=("n4",))


def _page_seen(folder: Path) -> Any:
    """Study, nights and sets as the page reads them, unless what is wrong with them is said."""
    from sleepbrux.practice.compared import written_in
    from sleepbrux.practice.state import Practice

    practice = Practice(folder)
    rows = practice.rows(practice.study)
    for row in rows:
        if row.scored:
            load_night(row.archive)
            if wrong := doubts(row.archive):
                raise SleepbruxError(wrong[0])
    found = written_in(practice.results)
    return [(row.id, row.condition, row.scored) for row in rows], repr(found), sets(folder)


def _name_condition(folder: Path) -> None:
    from sleepbrux.practice.actions import set_night
    from sleepbrux.practice.state import Practice

    set_night(Practice(folder), {"n": "3", "condition": "night guard", "meant": "yes"})


def _drop(folder: Path) -> None:
    from sleepbrux.practice.upload import receiving

    data = (folder / "n1.edf").read_bytes() + b"more"
    with receiving(folder, "n5.edf", len(data)) as incoming:
        incoming.write(data)


def _batch(folder: Path) -> None:
    from sleepbrux.batch.run import score_many

    score_many(folder / "in", out=folder / "out", workers=1, mvc_uv=200.0)


def _begin_batch(folder: Path) -> None:
    from tests.fuzz.inputs import Place

    (folder / "in").mkdir()
    Place(folder / "in").edf("n1.edf")
    _batch(folder)
    more = bytearray((folder / "in" / "n1.edf").read_bytes())
    more[-40:-20] = bytes(20)
    (folder / "in" / "n2.edf").write_bytes(bytes(more))


def _batch_seen(folder: Path) -> Any:
    """Each night as every command loads it; the table of the batch is written anew by the next run."""
    out = folder / "out"
    for archive in sorted(out.glob("*.night.h5")):
        load_night(archive)
        if wrong := doubts(archive):
            raise SleepbruxError(wrong[0])
    return {
        k: v for k, v in digests(out).items() if not k.endswith(("nights.csv", ".json")) or "summary" in k
    }


def _rename_free(folder: Path) -> None:
    folder.mkdir(exist_ok=True)


SCENARIOS = {
    "first scoring": Scenario(_rename_free, lambda f: _score(f, night()), _set),
    "scoring again": Scenario(lambda f: _score(f, night()), lambda f: _score(f, other()), _set),
    "first decision": Scenario(
        lambda f: save_night(night(), f / "n1.night.h5"),
        lambda f: None if _journal(f) else _decide(f, "reject", "e0"),
        _journal,
    ),
    "decision": Scenario(_begin_review, _decide_once, _journal),
    "reviewed files": Scenario(_begin_reviewed, _reviewed, _set),
    "first export": Scenario(_rename_free, lambda f: _export(f, night(), KINDS), sets),
    "export": Scenario(lambda f: _export(f, night(), KINDS), lambda f: _export(f, other(), KINDS), sets),
    "export for BIDS": Scenario(
        lambda f: _export(f, night(), ("csv",)), lambda f: _export(f, other(), ("csv", "bids")), sets
    ),
    "first record": Scenario(_begin_study, lambda f: _fix(f, "episodes_per_hour"), _record),
    "record": Scenario(
        lambda f: _fix(f, "episodes_per_hour"), lambda f: _fix(f, "phasic_episodes_per_hour"), _record
    ),
    "study of the page": Scenario(_begin_study, _edit, _loaded),
    "letter fields": Scenario(
        lambda f: _letter_fields(f, "why"), lambda f: _letter_fields(f, "how"), digests
    ),
    "first letter": Scenario(_rename_free, lambda f: _letter(f, "why"), sets),
    "letter": Scenario(lambda f: _letter(f, "why"), lambda f: _letter(f, "how"), sets),
    "first agreement": Scenario(_rename_free, lambda f: _agreement(f, "lavigne1996"), sets),
    "agreement": Scenario(
        lambda f: _agreement(f, "lavigne1996"), lambda f: _agreement(f, "submaximal_12mvc"), sets
    ),
    "first study page": Scenario(_rename_free, lambda f: _study_page(f, "phasic_tonic_10mvc"), sets),
    "study page": Scenario(
        lambda f: _study_page(f, "phasic_tonic_10mvc"), lambda f: _study_page(f, "lavigne1996"), sets
    ),
    "batch": Scenario(_begin_batch, _batch, _batch_seen),
    "page: condition": Scenario(_begin_page, _name_condition, _page_seen),
    "page: dropped file": Scenario(_begin_page, _drop, _page_seen),
    "page: scoring": Scenario(_begin_page, lambda f: _job("score", f, nights=("n4",)), _page_seen),
    "page: comparison": Scenario(_begin_page_all_scored, lambda f: _job("compare", f), _page_seen),
    "page: letter": Scenario(_begin_page, lambda f: _page_letter(f, "how"), _page_seen),
    "page: export": Scenario(_begin_page_all_scored, _page_export, _page_seen),
}


def prepare(names: Iterable[str]) -> None:
    """Make once what some scenarios begin with."""
    night(), other()
    if any("study page" in name for name in names):
        compared("phasic_tonic_10mvc"), compared("lavigne1996")
    if any(name.startswith("page:") for name in names):
        practised()
