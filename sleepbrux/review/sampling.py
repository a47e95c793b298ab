"""A shuffled sample of episodes and near misses, judged without their labels, and what it says."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any

from sleepbrux.archive.journal.decision_state import in_force
from sleepbrux.archive.journal.file import DecisionDraft, Entry, Journal
from sleepbrux.review.near_misses import NearMiss
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.uncertainty import LEVEL

EPISODE, NEAR = "automatic episode", "near miss"
SHARE = "share of automatic episodes that a reader of this trace accepts"
NEAR_SHARE = "share of near misses that a reader of this trace would call an episode"
CAUTION = (
    "The reader saw the trace and what was recorded beside it, no video. Neither share is precision or "
    "sensitivity against true bruxism, and the near misses speak only for near misses as defined here, "
    "not for the rest of the night."
)


@dataclass(frozen=True)
class Item:
    """One stretch to be judged; ``clauses`` only for a near miss."""

    id: str
    start_s: float
    stop_s: float
    stratum: str
    kind: str
    clauses: tuple[str, ...] = ()


@dataclass(frozen=True)
class ConfirmedShare:
    """How many of a stratum one reader accepted.

    Attributes
    ----------
    of
        Items of that stratum in the night, of which ``drawn`` are in the sample.
    low, high
        95 % interval of the share; None where nothing was judged, or where all were.
    meaning
        What the interval is, or why there is none.
    same_kind, kinds_given
        Accepted items to which the reader gave the automatic kind, and those given any.
    """

    name: str
    stratum: str
    who: str
    of: int
    drawn: int
    judged: int
    accepted: int
    share: float | None
    low: float | None
    high: float | None
    meaning: str
    same_kind: int
    kinds_given: int


def all_items(night: Night, near: tuple[NearMiss, ...]) -> list[Item]:
    """Counted automatic episodes, and near misses."""
    grid, table = night.merged.grid, night.episodes
    items = [
        Item(
            f"e{k}",
            grid.seconds(table.starts[k]),
            grid.seconds(table.stops[k]),
            EPISODE,
            KINDS[table.kind[k]],
        )
        for k in night.selection.episodes.tolist()
    ]
    items += [Item(f"n{k}", m.start_s, m.stop_s, NEAR, m.kind, m.clauses) for k, m in enumerate(near)]
    return items


def draw(items: list[Item], size: int, seed: int) -> tuple[Item, ...]:
    """At most ``size`` items of each stratum, drawn without replacement and shuffled together."""
    generator = random.Random(seed)
    picked: list[Item] = []
    for stratum in (EPISODE, NEAR):
        own = [item for item in items if item.stratum == stratum]
        picked += generator.sample(own, min(size, len(own)))
    generator.shuffle(picked)
    return tuple(picked)


def sample_draft(size: int, seed: int, picked: tuple[Item, ...]) -> DecisionDraft:
    """The line of the journal that records a sample."""
    return DecisionDraft(action="sample", size=size, seed=seed, items=tuple(item.id for item in picked))


def last_sample(journal: Journal) -> Entry | None:
    """The sample that is being judged, if any."""
    samples = [e for e in journal.entries if e.action == "sample"]
    return samples[-1] if samples else None


def verdicts(journal: Journal) -> dict[tuple[str, str], Entry]:
    """Last verdict that stands on each item of the last sample, by (reader, item)."""
    sample = last_sample(journal)
    if sample is None:
        return {}
    return {
        (e.who, e.target): e
        for e in in_force(journal)
        if e.action == "judge" and e.seq > sample.seq and e.target in sample.items
    }


def exact_interval(accepted: int, judged: int) -> tuple[float, float]:
    """Exact binomial interval (Clopper and Pearson 1934, Biometrika 26:404-413)."""
    from scipy.special import betaincinv

    tail = (1 - LEVEL) / 2
    low = float(betaincinv(accepted, judged - accepted + 1, tail)) if accepted else 0.0
    high = float(betaincinv(accepted + 1, judged - accepted, 1 - tail)) if accepted < judged else 1.0
    return low, high


def shares(journal: Journal, items: list[Item]) -> list[ConfirmedShare]:
    """Result of the last sample for each reader and stratum."""
    sample = last_sample(journal)
    if sample is None:
        return []
    said = verdicts(journal)
    known = {item.id: item for item in items}
    out = []
    for who in dict.fromkeys(w for w, _ in said) or [""]:
        for stratum, name in ((EPISODE, SHARE), (NEAR, NEAR_SHARE)):
            of = sum(item.stratum == stratum for item in items)
            drawn = [i for i in sample.items if i in known and known[i].stratum == stratum]
            judged = [(known[i], said[who, i]) for i in drawn if (who, i) in said]
            accepted = [(item, e) for item, e in judged if e.accepted]
            out.append(_share(name, stratum, who, of, len(drawn), len(judged), accepted))
    return out


def _share(
    name: str,
    stratum: str,
    who: str,
    of: int,
    drawn: int,
    judged: int,
    accepted: list[tuple[Item, Entry]],
) -> ConfirmedShare:
    low = high = None
    n = len(accepted)
    if not judged:
        meaning = "nothing was judged"
    elif judged == of:
        meaning = "every one of this night was judged, so there is no sampling to be unsure of"
    else:
        low, high = exact_interval(n, judged)
        meaning = (
            f"95 %, exact binomial; {judged} of {of} drawn at random without replacement, for which it "
            "is rather too wide; says nothing of other nights or readers"
        )
    return ConfirmedShare(
        name,
        stratum,
        who,
        of,
        drawn,
        judged,
        n,
        n / judged if judged else None,
        low,
        high,
        meaning,
        sum(e.kind == item.kind for item, e in accepted),
        sum(bool(e.kind) for _, e in accepted),
    )


def as_table(item: Item) -> dict[str, Any]:
    """An item as the page reveals it once it is decided."""
    from sleepbrux.review.near_misses import WORDS

    said = (
        f"{item.kind} episode"
        if item.stratum == EPISODE
        else ("near miss: " + ", ".join(f"{WORDS[c]} ({c})" for c in item.clauses))
    )
    return {"stratum": item.stratum, "kind": item.kind, "said": said}
