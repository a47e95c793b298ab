"""Archived nights as a comparison needs them: counts, distributions, and counts under other rules."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.comparison.model import CountedNight
from sleepbrux.analysis.comparison.ratio import Floats
from sleepbrux.archive.journal import rescored
from sleepbrux.archive.made_of import study_mark
from sleepbrux.archive.nights import (
    REVIEW_UNUSED,
    STATED,
    ArchivedNight,
    Basis,
    Due,
    LeftOut,
    Missing,
    NightFigures,
    archived,
    found_figures,
    night_value,
    pool,
)
from sleepbrux.core.errors import StudyError, UsageError
from sleepbrux.core.parallel import made_ahead
from sleepbrux.core.spans import Spans
from sleepbrux.criteria import Criterion, criterion_ids, load_criterion
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.events import find_events
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.uncertainty import hours_between
from sleepbrux.study.file import Study, StudyNight, in_order
from sleepbrux.study.wear import Wear, worn

THRESHOLDS_PCT_MVC = (5.0, 10.0, 15.0, 20.0, 30.0)
OTHER_CRITERIA = ("phasic_tonic_10mvc", "lavigne1996", "aasm")


@dataclass(frozen=True)
class UnderRule:
    """Episodes and valid hours of a night under another rule, in all and in each hour of the window."""

    rule: str
    events: int
    hours: float
    by_hour: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class NightStrip:
    """A night as a figure draws it under others, in seconds of its own clock.

    Attributes
    ----------
    begin_s
        Time of day of the first sample in seconds; None where it is not known.
    spans_s, valid_s
        The analysed window, and its part that could be scored.
    onsets_s
        Of the counted episodes.
    """

    id: str
    condition: str
    begin_s: float | None
    spans_s: tuple[tuple[float, float], ...]
    valid_s: tuple[tuple[float, float], ...]
    onsets_s: tuple[float, ...]

    @property
    def valid_hours(self) -> float:
        """Hours that could be scored."""
        return sum(b - a for a, b in self.valid_s) / 3600


def _strip(entry: StudyNight, night: Night) -> NightStrip:
    chosen, begin = night.selection, night.swept.start_clock
    slot = float(night.episodes.grid.slot_s)
    begin_s = None if begin is None else float(begin.hour * 3600 + begin.minute * 60 + begin.second)
    onsets_s = tuple((night.episodes.starts[chosen.episodes] * slot).tolist())
    valid_s, spans_s = ((a, b) for a, b in chosen.valid.seconds()), night.window.spans_s
    return NightStrip(entry.id, entry.condition, begin_s, spans_s, tuple(valid_s), onsets_s)


@dataclass(frozen=True, eq=False)
class NightRecord:
    """One archived night.

    Attributes
    ----------
    peak_pct_mvc, peak_uv, duration_s
        Of the bursts inside counted episodes; not-a-number where unknown.
    episode_duration_s
        Of the counted episodes.
    under_rules
        The night under other thresholds and criteria.
    rescored_from
        Criterion of the archive, where the night was scored again by the study's.
    by_hour
        Measure to events and valid hours in each hour since the window began.
    strip
        For a figure of all nights.
    """

    entry: StudyNight
    strip: NightStrip
    figures: NightFigures
    wear: Wear
    peak_pct_mvc: Floats
    peak_uv: Floats
    duration_s: Floats
    episode_duration_s: Floats
    warnings: int
    under_rules: tuple[UnderRule, ...] = ()
    rescored_from: str = ""
    by_hour: dict[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Reading:
    """The nights of a study as they were read.

    Attributes
    ----------
    records
        Nights on one basis, in order of time.
    basis
        What they share; None where no night was read.
    left_out, missing
        Nights on another basis, and nights without an archive; with the reasons.
    how
        What puts the nights in order.
    unread
        Nights whose review could not be used, and why, a sentence each.
    made_of
        A word for the archives and the decisions that were read (`sleepbrux.archive.made_of`).
    """

    records: tuple[NightRecord, ...]
    basis: Basis | None
    left_out: tuple[LeftOut, ...]
    missing: tuple[Missing, ...]
    how: str
    unread: tuple[str, ...] = ()
    made_of: str = ""

    @property
    def reviewed(self) -> bool:
        """Whether these are the reviewed scorings."""
        return any(r.figures.scoring and r.figures.scoring != REVIEW_UNUSED for r in self.records)

    @property
    def with_review(self) -> int:
        """Nights that a reader has decided on, whether or not that scoring is used."""
        return sum(bool(r.figures.scoring) for r in self.records)


def study_rules(study: Study) -> Criterion | None:
    """The rule set that the study file names, where it is one of the package's."""
    return load_criterion(study.criterion) if study.criterion in criterion_ids() else None


def _other_rules(own: Criterion) -> Iterator[tuple[str, Criterion]]:
    if own.threshold.level_pct_mvc is not None:
        for level in THRESHOLDS_PCT_MVC:
            if level != own.threshold.level_pct_mvc:
                yield (
                    f"{own.id} at {level:g} % MVC",
                    own.derive({"threshold.level_pct_mvc": level}),
                )
    yield from ((i, load_criterion(i)) for i in OTHER_CRITERIA if i != own.id and own.muscle == "jaw")


def under_rules(night: Night) -> tuple[UnderRule, ...]:
    """Episodes of a night under other thresholds and criteria, from its frames."""
    rows = []
    for name, rule in _other_rules(night.criterion):
        try:
            events = find_events(night.swept, criterion=rule, window=night.window, reference=night.reference)
        except UsageError:
            continue
        onsets = events.episodes.starts[events.selection.episodes]
        rows.append(
            UnderRule(
                name,
                len(onsets),
                events.selection.valid.hours,
                in_hours(onsets, events.selection.window, events.selection.valid),
            )
        )
    return tuple(rows)


def in_hours(onsets: NDArray[np.int64], window: Spans, valid: Spans) -> tuple[tuple[float, float], ...]:
    """Events and valid hours in each hour since the analysed window began, which is lights off if known."""
    if not len(window):
        return ()
    hour = valid.grid.slots_for(3600)
    first, last = int(window.starts[0]), int(window.stops[-1])
    edges = np.arange(first, last + hour, hour)
    events = np.histogram(onsets, bins=edges)[0]
    hours = hours_between(valid, edges)
    return tuple(zip(events.astype(float).tolist(), hours.tolist(), strict=True))


def episodes_by_hour(night: Night) -> tuple[tuple[float, float], ...]:
    """Episodes and valid hours of each hour of the night; empty where not every episode falls in one."""
    chosen = night.selection
    found = in_hours(night.episodes.starts[chosen.episodes], chosen.window, chosen.valid)
    return found if sum(events for events, _ in found) == len(chosen.episodes) else ()


def _by_hour(night: Night) -> dict[str, tuple[tuple[float, float], ...]]:
    """Measures that count events, hour by hour."""
    chosen, episodes, merged = night.selection, night.episodes, night.merged
    starts, kind = episodes.starts[chosen.episodes], episodes.kind[chosen.episodes]
    in_episode = chosen.bursts[episodes.of_burst[chosen.bursts] >= 0]
    onsets = {
        "episodes_per_hour": starts,
        **{f"{word}_episodes_per_hour": starts[kind == k] for k, word in enumerate(KINDS[:3])},
        "bursts_per_hour": merged.starts[in_episode],
    }
    return {name: in_hours(at, chosen.window, chosen.valid) for name, at in onsets.items()}


def record(found: ArchivedNight, night: Night, *, robust: bool, rescored_from: str = "") -> NightRecord:
    """What a comparison needs of one of the scorings of a night."""
    entry = found.entry
    merged, episodes = night.merged, night.episodes
    slot = float(merged.grid.slot_s)
    index = night.selection.bursts[episodes.of_burst[night.selection.bursts] >= 0]
    lengths = (merged.stops - merged.starts)[index] * slot
    spans = (episodes.stops - episodes.starts)[night.selection.episodes] * slot
    return NightRecord(
        entry=entry,
        strip=_strip(entry, night),
        figures=found_figures(found, night),
        wear=worn(entry, night.selection.valid, night.swept.start_clock),
        peak_pct_mvc=merged.peak_pct_mvc[index].astype(np.float64),
        peak_uv=merged.peak_uv[index].astype(np.float64),
        duration_s=lengths.astype(np.float64),
        episode_duration_s=spans.astype(np.float64),
        warnings=sum(note.severity == "warning" for note in night.notes),
        under_rules=under_rules(night) if robust else (),
        rescored_from=rescored_from,
        by_hour=_by_hour(night),
    )


def read_records(
    study: Study,
    folder: Path,
    *,
    suffix: str,
    due: Due = STATED,
    robust: bool = True,
    automatic: bool = False,
    progress: Callable[[], None] | None = None,
) -> Reading:
    """Read the archives of a study; nights scored by other rules are scored again by the study's.

    Parameters
    ----------
    due
        Whose archives they must be: see `archived`.
    robust
        Also count under other thresholds and criteria, which takes about a second a night.
    automatic
        Never the reviewed scoring, even where every night has one.
    """
    made_of = study_mark(study, folder)  # before they are read
    nights = archived(study, folder, suffix=suffix, due=due)
    reading = records_of(study, nights, robust=robust, automatic=automatic, progress=progress)
    return replace(reading, made_of=made_of)


def records_of(
    study: Study,
    nights: Iterable[ArchivedNight | Missing],
    *,
    robust: bool = True,
    automatic: bool = False,
    progress: Callable[[], None] | None = None,
) -> Reading:
    """`read_records` of archives that are read by somebody else."""
    rules = study_rules(study)
    pairs: list[tuple[NightRecord, NightRecord | None]] = []
    missing: list[Missing] = []

    def read(one: ArchivedNight | Missing) -> Missing | tuple[NightRecord, NightRecord | None]:
        if isinstance(one, Missing):
            return one
        try:
            return _both(one, rules, robust=robust)
        except (StudyError, UsageError) as error:
            return Missing(one.entry.id, one.entry.condition, str(error))

    for one in made_ahead(read, nights):
        if isinstance(one, Missing):
            missing.append(one)
        else:
            pairs.append(one)
        if progress is not None:
            progress()
    found = _scored_alike(pairs, automatic=automatic)
    order, how = in_order(study)
    place = {entry.id: k for k, entry in enumerate(order)}
    found.sort(key=lambda r: place[r.entry.id])
    basis, kept, left = pool([r.figures for r in found], {})
    ids = {f.id for f in kept}
    unread = tuple(f"night {r.entry.id}: {r.figures.unread}" for r in found if r.figures.unread)
    return Reading(
        tuple(r for r in found if r.entry.id in ids),
        basis,
        tuple(left),
        tuple(missing),
        how,
        unread,
    )


def scorings(one: ArchivedNight, rules: Criterion | None) -> tuple[Night, Night | None]:
    """The automatic scoring of a night by the study's rules, and the one after a reader's decisions.

    A night that had to be scored again has no reviewed scoring: decisions belong to the scoring that the
    reader saw.

    Raises
    ------
    UsageError
        The study's rules need what the night does not have.
    """
    if rules is not None and rules.digest() != one.night.criterion.digest():
        return rescored(one.night, one.reviewed, rules), None
    return one.night, one.reviewed


def _both(
    one: ArchivedNight, rules: Criterion | None, *, robust: bool
) -> tuple[NightRecord, NightRecord | None]:
    """The automatic scoring of a night, and the one after a reader's decisions."""
    night, reviewed = scorings(one, rules)
    automatic = record(
        one,
        night,
        robust=robust,
        rescored_from="" if night is one.night else one.night.criterion.id,
    )
    if reviewed is None:
        return automatic, None
    after = record(one, reviewed, robust=False)
    return automatic, replace(after, under_rules=automatic.under_rules)


def _scored_alike(
    pairs: Sequence[tuple[NightRecord, NightRecord | None]], *, automatic: bool
) -> list[NightRecord]:
    """Reviewed nights only where every one is reviewed; the two are never mixed."""
    if pairs and not automatic and all(after for _, after in pairs):
        return [after for _, after in pairs if after]
    return [
        replace(r, figures=replace(r.figures, scoring=REVIEW_UNUSED)) if after else r for r, after in pairs
    ]


def counted(records: Sequence[NightRecord], name: str) -> tuple[list[CountedNight], bool]:
    """Nights of one measure for `compare_nights`, and whether it counts events.

    Raises
    ------
    UsageError
        The measure is in no archive.
    """
    values = [(r, night_value(r.figures, name)) for r in records]
    if records and all(v.reason == "not in the archive" for _, v in values):
        known = sorted({n for r in records for n in r.figures.measures})
        raise UsageError(f"{name!r} is no measure of these nights; there are {', '.join(known)}")
    counts = all(v.count is not None for _, v in values if v.value is not None)
    nights = []
    for r, v in values:
        events = float(v.count) if counts and v.count is not None else (v.value or 0.0)
        hours = (v.exposure or 0.0) if counts else float(v.value is not None)
        by_hour = r.by_hour.get(name, ()) if counts else ()
        nights.append(replace(_counted(r, events, hours, by_hour), interval=_own_interval(r, name)))
    return nights, counts


def _own_interval(r: NightRecord, name: str) -> tuple[float, float] | None:
    """What the night's own report gives as the interval of its rate, if anything."""
    drawn = r.figures.measures[name].own_interval if name in r.figures.measures else None
    return (drawn.low, drawn.high) if drawn else None


def under_rule(records: Sequence[NightRecord], rule: str) -> list[CountedNight]:
    """Nights of episodes under another rule; those that have it."""
    return [
        _counted(r, float(u.events), u.hours, u.by_hour)
        for r in records
        for u in r.under_rules
        if u.rule == rule
    ]


def _counted(
    r: NightRecord, events: float, hours: float, by_hour: tuple[tuple[float, float], ...]
) -> CountedNight:
    entry = r.entry
    whole = sum(e for e, _ in by_hour) == events
    return CountedNight(
        entry.id,
        entry.condition,
        events,
        hours,
        entry.date,
        entry.block,
        entry.days_since_first_worn,
        r.wear.status != "partly worn",
        by_hour if whole else (),
    )
