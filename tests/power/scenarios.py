"""What writes: a scoring, a batch, a decision, an export, the comparison's record, the local page."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from sleepbrux.archive.file import load_night, save_night
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
from tests.power.cut import Scenario, content

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

    write_files([("n1", one)], folder, ExportRequest(kinds))


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


# the local page


def _practice(folder: Path) -> Any:
    from sleepbrux.practice.state import Practice

    return Practice(folder)


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
    "export": Scenario(
        lambda f: _export(f, night(), ("csv", "json", "edf", "study")),
        lambda f: _export(f, other(), ("csv", "json", "edf", "study")),
        digests,
    ),
    "export for BIDS": Scenario(
        lambda f: _export(f, night(), ("bids",)), lambda f: _export(f, other(), ("bids",)), digests
    ),
    "first record": Scenario(_begin_study, lambda f: _fix(f, "episodes_per_hour"), _record),
    "record": Scenario(
        lambda f: _fix(f, "episodes_per_hour"), lambda f: _fix(f, "phasic_episodes_per_hour"), _record
    ),
    "study of the page": Scenario(_begin_study, _edit, _loaded),
    "letter fields": Scenario(
        lambda f: _letter_fields(f, "why"), lambda f: _letter_fields(f, "how"), digests
    ),
    "first letter": Scenario(_rename_free, lambda f: _letter(f, "why"), digests),
    "letter": Scenario(lambda f: _letter(f, "why"), lambda f: _letter(f, "how"), digests),
    "agreement": Scenario(
        lambda f: _agreement(f, "lavigne1996"), lambda f: _agreement(f, "submaximal_12mvc"), digests
    ),
    "batch": Scenario(_begin_batch, _batch, _batch_seen),
}
