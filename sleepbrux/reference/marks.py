"""Which clenches and rests the marks of a recording name, and what was between the teeth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sleepbrux.core.texts import count_of
from sleepbrux.recording.clenches import NATURAL, NOT_STATED, Proposal
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Mark

MARKED = "clenches marked"


def teeth_of(text: str) -> str:
    """What a clench mark says was between the teeth.

    Examples
    --------
    >>> teeth_of("Clench natural teeth"), teeth_of("MVC 2"), teeth_of("Clench with splint")
    ('natural teeth', 'not stated', 'splint')
    """
    plain = text.strip().casefold()
    if "natural" in plain:
        return NATURAL
    _, found, rest = plain.partition("with ")
    return rest.strip() or NOT_STATED if found else NOT_STATED


def marked_clenches(
    marks: Sequence[Mark],
    *,
    before_s: float | None = None,
    night_s: tuple[float, float] | None = None,
    teeth: str = NATURAL,
) -> tuple[list[tuple[float, float]], str]:
    """(start, stop) of the clenches that marks name, and what was between the teeth.

    Clenches with an appliance in are left out, unless ``teeth`` asks for one: then those count that name
    it, and those that name nothing. With two or more before ``before_s`` only those
    count: the clenches of the evening, not the repetition on waking. Marks inside ``night_s`` name what
    happened in the night, not a reference.
    """
    wanted = (teeth.casefold(), NOT_STATED)
    clenches = [
        m
        for m in marks
        if classify(m.text) == "clench"
        and m.duration_s > 0
        and teeth_of(m.text) in wanted
        and not (night_s is not None and night_s[0] <= m.start_s < night_s[1])
    ]
    evening = [m for m in clenches if before_s is not None and m.start_s < before_s]
    if len(evening) >= 2:
        clenches = evening
    words = {teeth_of(m.text) for m in clenches}
    said = teeth if words == {wanted[0]} else NOT_STATED
    return [(m.start_s, m.start_s + m.duration_s) for m in clenches], said


def unused_clenches(marks: Sequence[Mark]) -> str:
    """Why marks that name a clench give no reference; empty where there is no such mark."""
    clenches = [m for m in marks if classify(m.text) == "clench"]
    if not clenches:
        return ""
    timeless = sum(m.duration_s <= 0 for m in clenches)
    other = sum(teeth_of(m.text) not in (NATURAL, NOT_STATED) for m in clenches)
    why = [f"{count_of(len(clenches), 'mark')} of a clench"]
    if timeless:
        why.append(f"{timeless} without a duration")
    if other:
        why.append(f"{other} with an appliance in")
    return (
        f"{', '.join(why)}: two with a duration, on natural teeth, are needed for a reference, so none "
        "was taken from them"
    )


def marked_rests(marks: Sequence[Mark], *, before_s: float | None = None) -> list[tuple[float, float]]:
    """(start, stop) of the resting stretches that marks name; those before ``before_s`` where any is."""
    rests = [m for m in marks if classify(m.text) == "rest" and m.duration_s > 0]
    evening = [m for m in rests if before_s is not None and m.start_s < before_s]
    return [(m.start_s, m.start_s + m.duration_s) for m in evening or rests]


@dataclass(frozen=True)
class Cues:
    """Clenches and rests of a recording, and on whose word.

    Attributes
    ----------
    clenches_s, rests_s
        (start, stop) of each in seconds of the night clock.
    teeth
        What was between them.
    origin
        Who says so, in words.
    confirmed
        False where the program found them and they are not confirmed.
    """

    clenches_s: tuple[tuple[float, float], ...]
    rests_s: tuple[tuple[float, float], ...]
    teeth: str
    origin: str
    confirmed: bool = True


def cues_of(
    marks: Sequence[Mark],
    proposal: Proposal | None,
    *,
    night_s: tuple[float, float] | None = None,
    teeth: str = NATURAL,
) -> Cues | None:
    """The reference clenches of a recording; None where fewer than two are known.

    What a person accepted comes first, then marks in the recording, then what the program found and
    nobody has accepted.

    Parameters
    ----------
    proposal
        The file beside the recording, where there is one.
    night_s
        Start and end of a window that somebody stated.
    teeth
        ``"natural teeth"``, or the appliance that is asked for.
    """
    written = None
    if proposal is not None and proposal.teeth.casefold() in (teeth.casefold(), NOT_STATED):
        who = f"accepted by {proposal.accepted_by}" if proposal.accepted else "not confirmed"
        written = Cues(
            proposal.clenches_s,
            proposal.rests_s,
            proposal.teeth,
            f"clenches detected automatically, {who}",
            proposal.accepted,
        )
    if written is not None and written.confirmed:
        return written
    before = night_s[0] if night_s else None
    clenches, said = marked_clenches(marks, before_s=before, night_s=night_s, teeth=teeth)
    if len(clenches) >= 2:
        rests = marked_rests(marks, before_s=before)
        return Cues(tuple(clenches), tuple(rests), said, f"{MARKED} in this recording")
    return written
