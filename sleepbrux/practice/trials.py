"""Actions beside the way to the letter: nights planned, clenches compared by appliance, a sample judged."""

from __future__ import annotations

import math
import secrets
from datetime import date
from typing import Any

import msgspec

from sleepbrux.core.errors import UsageError
from sleepbrux.practice.doing import DRAW, Done, Fields, Question, number_in
from sleepbrux.practice.state import Practice
from sleepbrux.practice.worker import Job

OWN_NIGHTS = "own nights"
SPREADS = {
    "lavigne2001 episodes": "Lavigne 2001, episodes/h: 9 persons, moderate to severe",
    "lavigne2001 bursts": "Lavigne 2001, bursts/h: the same persons",
    "miettinen2018 episodes": "Miettinen 2018, episodes/h: 16 persons, mostly mild",
}
DESIGNS = ("randomised nights", "randomised blocks", "A-B-A")
MOST_RATE, MOST_HOURS, MOST_SAMPLE = 10_000, 24, 10_000


def plan(practice: Practice, fields: Fields) -> Done:
    """Have planned how many nights a comparison needs, and when to wear what if a first date is given."""
    spread = fields.get("spread", "")
    given: dict[str, Any] = {"file": str(practice.study_file), "spread": spread}
    if spread != OWN_NIGHTS:
        given |= {
            "rate": _between(fields, "rate", "episodes per valid hour", MOST_RATE),
            "hours": _between(fields, "hours", "valid hours of a night", MOST_HOURS),
        }
    names = tuple(name.strip() for name in fields.get("conditions", "").splitlines() if name.strip())
    if len(names) < 2 or len(set(names)) < len(names):
        raise UsageError(
            "write two conditions or more, each on a line of its own and once, the baseline first"
        )
    if fields.get("design") not in DESIGNS or spread not in (*SPREADS, OWN_NIGHTS):
        raise UsageError("the page asked for something that is not there; load it again")
    known = practice.known

    def keep(job: Job) -> None:
        known.planned = job.result

    practice.worker.ask(
        "plan",
        "planning nights",
        done=keep,
        **given,
        design=fields["design"],
        conditions=names,
        start=_day(fields.get("start", "")),
    )
    return Done()


def _between(fields: Fields, name: str, words: str, most: float) -> float:
    try:
        value = float(fields.get(name, ""))
    except ValueError:
        value = math.nan
    if not 0 < value <= most:
        raise UsageError(f"{words}: write a number above 0 and up to {most}")
    return value


def _day(text: str) -> str:
    """A date as it was typed; empty for none."""
    try:
        return date.fromisoformat(text).isoformat() if text else ""
    except ValueError:
        raise UsageError(f"first night: {text!r} is no date; write it as 2026-03-02") from None


def compare_clenches(practice: Practice, _: Fields) -> Done:
    """Have the clenches on natural teeth and with each appliance compared."""
    known, state = practice.known, practice.archive_stamp(practice.rows(practice.study))

    def keep(job: Job) -> None:
        known.clench_test = (state, job.result)

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
