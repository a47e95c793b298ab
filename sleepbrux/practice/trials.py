"""Actions beside the way to the letter: nights planned, clenches compared by appliance, a sample judged."""

from __future__ import annotations

import secrets
from dataclasses import asdict
from pathlib import Path
from typing import Any

import msgspec

from sleepbrux.analysis.plan_arguments import wish_of
from sleepbrux.core.errors import UsageError
from sleepbrux.practice.doing import DRAW, Done, Fields, Question, number_in
from sleepbrux.practice.state import Practice
from sleepbrux.practice.worker import Job

OWN_NIGHTS = "own nights"
MOST_SAMPLE = 10_000
PLAN, SCHEDULE = "plan.json", "schedule.csv"


class Planned(msgspec.Struct, frozen=True):
    """What a plan that was made says, by page or by command, as `plan.json` holds it."""

    answers: tuple[str, ...]
    design: str
    source: str
    rows: tuple[dict[str, Any], ...]
    analysis: str
    warning: str
    nights: tuple[tuple[str, str, str], ...]


def planned_in(results: Path) -> Planned | None:
    """The plan that was made last; None without one that can be read."""
    try:
        return msgspec.json.decode((results / PLAN).read_bytes(), type=Planned)
    except (OSError, msgspec.MsgspecError):
        return None


def plan(practice: Practice, fields: Fields) -> Done:
    """Have planned how many nights a comparison needs, and when to wear what if a schedule is wished."""
    own = fields.get("spread") == OWN_NIGHTS
    wish = wish_of(dict(fields) | {"spread": ""} if own else fields)
    if not own and wish.rate is None:
        raise UsageError("rate: write how many episodes per valid hour are expected without an appliance")
    if not own and (wish.spread is None) == (wish.cv_pct is None):
        raise UsageError("variation: choose a published one, or write one of your own; one of both")
    if wish.schedule is not None and wish.start is None:
        raise UsageError("a schedule needs the date of the first night")
    known = practice.known

    def keep(job: Job) -> None:
        known.plan_failed = job.result.get("failed", "")

    practice.worker.ask(
        "plan", "planning nights", done=keep, file=str(practice.study_file), own=own, wish=asdict(wish)
    )
    return Done()


class _Share(msgspec.Struct, frozen=True):
    pct: float


class _Level(msgspec.Struct, frozen=True):
    condition: str
    as_measured: _Share | None = None


class _Channel(msgspec.Struct, frozen=True):
    label: str
    muscle: str
    side: str
    conditions: tuple[_Level, ...]


class _Test(msgspec.Struct, frozen=True):
    """Of the file of a clench test what its answers are made of."""

    channels: tuple[_Channel, ...]


def clench_answers(file: Path) -> tuple[str, ...]:
    """What a clench test that was made says; empty without one that can be read."""
    try:
        test: Any = msgspec.json.decode(file.read_bytes(), type=_Test)
    except (OSError, msgspec.MsgspecError):
        return ()
    from sleepbrux.report.clench_page import answers

    return tuple(answers(test))


def compare_clenches(practice: Practice, _: Fields) -> Done:
    """Have the clenches on natural teeth and with each appliance compared."""
    known = practice.known

    def keep(job: Job) -> None:
        known.clench_failed = job.result.get("failed", "")
        known.clench_notes = tuple(job.result.get("notes", ()))

    practice.worker.ask("clench_test", "comparing the clenches", done=keep, file=str(practice.study_file))
    return Done()


def sample(practice: Practice, fields: Fields) -> Done:
    """Draw a sample of a night's episodes and near misses, or go on with the last, and go to judge it."""
    k = number_in(fields)
    night = practice.night(k)
    if not practice.rows(practice.study)[k].scored:
        raise UsageError(f"{night.id} is not scored yet; score it first")
    text = fields.get("size", "")
    if not (text.isdecimal() and len(text) < 7 and 1 <= int(text) <= MOST_SAMPLE):
        raise UsageError(f"write how many of each kind are judged: a whole number from 1 to {MOST_SAMPLE}")
    practice.sample_size = int(text)
    wish = {
        "night": k,
        "size": practice.sample_size,
        "seed": secrets.randbelow(2**31),
        "anew": fields.get("anew") == "yes",
    }
    asked = Question(practice.study_file, "POST", DRAW, body=msgspec.json.encode(wish))
    answer = practice.reviewer.ask(asked).result()
    if answer.status != 200:
        raise UsageError(msgspec.json.decode(answer.body)["error"])
    return Done(go=f"/sample#night={k}")
