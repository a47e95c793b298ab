"""One night under review: what the page asks for, and what it may change."""

from __future__ import annotations

import math
import threading
from pathlib import Path
from typing import Any

from sleepbrux.archive.identity import study_words
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.decision_state import kinds_for, last_to_undo
from sleepbrux.archive.journal.file import (
    ConflictError,
    DecisionDraft,
    Entry,
    Journal,
    append,
    archive_of,
    check_about,
    header_of,
    load_journal,
)
from sleepbrux.archive.journal.reviewed_night import Reviewed, review_of
from sleepbrux.archive.journal.witness import check_witness
from sleepbrux.core.errors import JournalError
from sleepbrux.core.files import seal_digest
from sleepbrux.core.printed import printed
from sleepbrux.report.numbers import seconds_of_day
from sleepbrux.report.payload import excluded
from sleepbrux.report.wording import reason_words, window_words
from sleepbrux.review import sampling
from sleepbrux.review.lanes import lanes_of
from sleepbrux.review.near_misses import near_misses
from sleepbrux.review.trace import Trace
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.numbering import episode_numbers

SHOWN = (
    "episodes_per_hour",
    "phasic_episodes_per_hour",
    "tonic_episodes_per_hour",
    "mixed_episodes_per_hour",
    "bursts_per_hour",
    "time_in_episodes_pct",
    "valid_hours",
)
REASONS = (
    "swallow, cough or sigh",
    "movement",
    "speech or yawn",
    "awake",
    "electrode or interference",
    "heartbeat in the signal",
    "not above rest to my eye",
)
LONGEST_NAME = 40


def _seal_of(journal: Path) -> str:
    """What the archive beside a journal is; empty where there is none."""
    archive = archive_of(journal)
    return seal_digest(archive) if archive.is_file() else ""


class ReviewSession:
    """A night, its journal and its trace; safe to ask from several threads.

    Parameters
    ----------
    sample
        Whether a sample is judged, without labels, instead of an open review.
    reader
        Name or initials that the page begins with.
    """

    def __init__(
        self, night: Night, path: Path, trace: Trace, *, sample: bool = False, reader: str = ""
    ) -> None:
        self.night, self.path, self.trace = night, path, trace
        self._lock = threading.Lock()
        self._seal = _seal_of(path)
        self._header = header_of(night)
        self._journal = load_journal(path)
        check_about(self._journal, night)
        check_witness(night, archive_of(path), self._journal)
        self._now = review_of(night, self._journal)
        self.sampled, self.reader = sample, reader
        self.items = sampling.all_items(night, near_misses(night)) if sample else []

    def begin_sample(self, size: int, seed: int, who: str, *, anew: bool) -> None:
        """Go on with the last sample of the journal, or draw one."""
        last = sampling.last_sample(self._journal)
        known = {item.id for item in self.items}
        if last is not None and not anew and set(last.items) <= known:
            return
        picked = sampling.draw(self.items, size, seed)
        if not picked:
            raise JournalError("there is neither an episode nor a near miss to draw a sample from")
        self.decide(self.seq, sampling.sample_draft(size, seed, picked), who)

    @property
    def seq(self) -> int:
        """Number of the last decision that this desk has seen."""
        return self._journal.seq

    def latest(self) -> int:
        """Number of the last decision on disk, by whomever."""
        with self._lock:
            self._look_again()
            return self.seq

    def _look_again(self) -> None:
        journal = load_journal(self.path)
        if journal != self._journal:
            check_about(journal, self.night)
            self._now = review_of(self.night, journal)
            self._journal = journal

    def decide(self, seen: int, draft: DecisionDraft, who: str) -> None:
        """Take a decision that was made with ``seen`` decisions in view; on disk when this returns.

        Raises
        ------
        ConflictError
            Another window decided in the meantime.
        JournalError
            The decision has no meaning, or nobody's name stands under it.
        """
        if not who.strip() or len(who) > LONGEST_NAME or not who.isprintable():
            raise JournalError(f"reader: give a name or initials of 1 to {LONGEST_NAME} printable characters")
        with self._lock:
            if _seal_of(self.path) != self._seal:
                raise JournalError(
                    f"{archive_of(self.path).name} is another file than when this page was opened, perhaps another "
                    "person's; nothing was written. Stop the review and start it again"
                )
            self._look_again()
            if seen != self.seq:
                raise ConflictError("another window has decided something; look again, then decide")
            if draft.action == "undo":
                self._check_undo(draft, who.strip())
            elif draft.action == "judge":
                self._check_judged(draft)
            elif self.sampled and draft.action != "sample":
                raise JournalError(f"{draft.action}: while a sample is judged nothing else is decided")
            entry, after = decided(self._now, self._journal, draft, who.strip())
            self._journal = append(self.path, self._header, entry)
            self._now = after

    def _last(self, journal: Journal, who: str) -> Entry | None:
        """What this reader's undo takes back here: a sample and an open review are kept apart."""
        return last_to_undo(journal, judged_by=who if self.sampled else None)

    def _check_undo(self, draft: DecisionDraft, who: str) -> None:
        last = self._last(self._journal, who)
        if last is None or draft.undoes != last.seq:
            raise JournalError("undo: only the last decision that stands can be taken back")

    def _check_judged(self, draft: DecisionDraft) -> None:
        sample = sampling.last_sample(self._journal)
        if not self.sampled or sample is None or draft.target not in sample.items:
            raise JournalError(f"judge: there is no item {draft.target!r} in the sample")
        if draft.accepted is None:
            raise JournalError("judge: neither accepted nor not")
        if draft.kind and draft.kind not in kinds_for(self.night, "episode"):
            raise JournalError(f"judge: there is no kind {draft.kind!r} under this criterion")

    def fixed(self) -> dict[str, Any]:
        """What no decision changes."""
        night = self.night
        spans = excluded(night.quality)
        channels = []
        for frames in night.swept.frames:
            label = frames.channel.label
            channels.append(
                {
                    "label": label,
                    "unit": "µV" if frames.channel.unit == "uV" else frames.channel.unit,
                    "rate": float(frames.channel.rate),
                    "mvc": night.mvc_uv(label),
                    "threshold": None if self.sampled else night.threshold_uv.get(label),
                }
            )
        return {
            "name": night.swept.name,
            "about": study_words(night),
            "duration_s": night.swept.duration_s,
            "clock_s": seconds_of_day(night.swept.start_clock),
            "criterion": night.criterion.title,
            "channels": channels,
            "window": [list(s) for s in night.window.spans_s],
            "basis": window_words(night.window.basis, origin=True),
            "excluded": [[k, reason_words(r), a, b] for k, r, a, b in spans],
            "lanes": [lane.as_table() for lane in lanes_of(night)],
            "episode_kinds": list(kinds_for(night, "episode")),
            "burst_kinds": list(kinds_for(night, "burst")),
            "reasons": list(REASONS),
            "sampled": self.sampled,
            "reader": self.reader,
            "recording": self.trace.recorded,
            "journal": self.path.name,
            "amplitude": "RMS" if night.amplitude == "rms" else "mean rectified value",
            "window_s": night.criterion.envelope.window_s,
            "threshold_follows": night.criterion.threshold.times_background is not None
            and night.criterion.background.estimator == "running_median",
            "slot_s": float(night.merged.grid.slot_s),
        }

    def state(self, who: str = "") -> dict[str, Any]:
        """What decisions have made of it so far."""
        with self._lock:
            self._look_again()
            journal, now = self._journal, self._now
        last = self._last(journal, who)
        head = {
            "seq": journal.seq,
            "undo": None if last is None else _said(last),
            "notes": [note.text for note in journal.notes],
        }
        if self.sampled:
            return head | self._sample(journal, who)
        review = now.night.review
        return head | {
            "episodes": _events(now, "episode"),
            "bursts": _events(now, "burst"),
            "measures": printed({n: self._measure(now.night, n) for n in SHOWN}),
            "automatic": printed({n: self._measure(self.night, n) for n in SHOWN}),
            "sentence": review.sentence if review else "Nothing decided yet: automatic scoring.",
            "decided": review.decided if review else 0,
            "of": len(self.night.selection.episodes),
        }

    @staticmethod
    def _measure(night: Night, name: str) -> dict[str, Any]:
        measure = night.measures[name]
        return {"value": measure.value, "unit": measure.unit, "reason": measure.reason}

    def _sample(self, journal: Journal, who: str) -> dict[str, Any]:
        """Items in the order shown; the label of each only once this reader has decided it."""
        sample = sampling.last_sample(journal)
        known = {item.id: item for item in self.items}
        said = sampling.verdicts(journal)
        rows = []
        for place, name in enumerate(sample.items if sample else ()):
            if name not in known:
                continue
            item, entry = known[name], said.get((who, name))
            row: dict[str, Any] = {"id": place, "start_s": item.start_s, "stop_s": item.stop_s}
            if entry is not None:
                row |= {"accepted": entry.accepted, "given": entry.kind, **sampling.as_table(item)}
            rows.append(row)
        done = [row for row in rows if "accepted" in row]
        result = sampling.shares(journal, self.items)
        return {
            "items": rows,
            "seed": sample.seed if sample else None,
            "decided": len(done),
            "of": len(rows),
            "shares": [share_table(s) for s in result if s.who == who] if done else [],
            "caution": sampling.CAUTION,
        }

    def counts(self) -> tuple[int, int]:
        """How many were decided, and of how many: counted automatic episodes, or items of the sample."""
        with self._lock:
            journal, review = self._journal, self._now.night.review
        if not self.sampled:
            return review.decided if review else 0, len(self.night.selection.episodes)
        sample = sampling.last_sample(journal)
        judged = {target for _, target in sampling.verdicts(journal)}
        return len(judged), len(sample.items) if sample else 0

    def item(self, place: int) -> str:
        """Name of an item of the sample by its place; the page never sees the names, which tell."""
        sample = sampling.last_sample(self._journal)
        if sample is None or not 0 <= place < len(sample.items):
            raise JournalError(f"judge: there is no item {place} in the sample")
        return sample.items[place]


def share_table(share: sampling.ConfirmedShare) -> dict[str, Any]:
    """A share, ready for JSON."""
    names = share.__dataclass_fields__
    table: dict[str, Any] = printed({name: getattr(share, name) for name in names})
    return table


def _said(entry: Entry) -> dict[str, Any]:
    words = {
        "accept": "accepted",
        "reject": "rejected",
        "relabel": "relabelled",
        "move": "moved",
        "add": "added",
        "judge": "judged",
    }
    place = entry.after or entry.before or {}
    at = place.get("start_s", entry.start_s)
    return {
        "seq": entry.seq,
        "who": entry.who,
        "words": words.get(entry.action, entry.action),
        "kind": entry.kind or str(place.get("kind", "")),
        "target": entry.target,
        "at_s": at if isinstance(at, int | float) else None,
    }


def _events(now: Reviewed, level: str) -> list[dict[str, Any]]:
    """Events of a level as they stand, and those that were rejected, in order of onset."""
    night, auto = now.night, now.automatic
    if level == "episode":
        ids, table, words, counts = now.episode_ids, night.episodes, EPISODE_KINDS, "episodes"
        before = auto.episodes
    else:
        ids, table, words, counts = now.burst_ids, night.merged, BURST_KINDS, "bursts"  # type: ignore[assignment]
        before = auto.merged  # type: ignore[assignment]
    counted = set(getattr(night.selection, counts).tolist())
    numbers = episode_numbers(night) if level == "episode" else {}
    automatic = episode_numbers(auto) if level == "episode" else {}
    grid = night.merged.grid
    rows: list[dict[str, Any]] = []
    for k, name in enumerate(ids):
        said = now.standings.get(name)
        rows.append(
            {
                "id": name,
                "a": grid.seconds(table.starts[k]),
                "b": grid.seconds(table.stops[k]),
                "kind": words[table.kind[k]],
                "counts": k in counted,
                "verdict": said.verdict if said else "",
                "own": bool(said and said.added),
                "changed": bool(said and (said.kind or said.moved or said.added)),
                "peak": _number(table.peak_pct_mvc[k]),
                "number": numbers.get(k),
            }
        )
        if level == "episode":
            rows[-1] |= {"n": int(night.episodes.n_bursts[k]), "flags": list(night.episodes.flags[k])}
        else:
            of = int(night.episodes.of_burst[k])
            rows[-1]["in"] = now.episode_ids[of] if of >= 0 else ""
    for name, said in now.standings.items():
        if said.level != level or said.verdict != "rejected":
            continue
        row: dict[str, Any] = {
            "id": name,
            "verdict": "rejected",
            "reason": said.reason,
            "counts": False,
            "own": said.added,
            "changed": False,
            "peak": None,
        }
        if said.start_s is not None:
            row |= {"a": said.start_s, "b": said.stop_s}
        elif name[:1] in "eb":
            k = int(name[1:])
            row |= {"a": grid.seconds(before.starts[k]), "b": grid.seconds(before.stops[k])}
        else:
            continue
        k = int(name[1:]) if name[:1] in "eb" else -1
        row["kind"] = said.kind or (words[before.kind[k]] if k >= 0 else "unclassified")
        row["number"] = automatic.get(k)
        rows.append(row)
    return sorted(rows, key=lambda r: (r["a"], r["b"]))


def _number(value: float) -> float | None:
    return None if math.isnan(value) else round(float(value), 1)
