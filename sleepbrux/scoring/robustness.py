"""The same night under many rules: whether a reading hangs on one choice."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from sleepbrux.core.arguments import CALL, NONE, check, of
from sleepbrux.core.errors import RecordingError, UsageError
from sleepbrux.criteria import Criterion, criterion_ids, load_criterion
from sleepbrux.recording.window import Window
from sleepbrux.reference import Level, Reference
from sleepbrux.scoring.events import find_events
from sleepbrux.scoring.measures import Measure, compute
from sleepbrux.scoring.night import Night
from sleepbrux.signal.swept import Swept

ALWAYS = ("phasic_tonic_10mvc", "lavigne1996", "aasm")
LEVELS_PCT_MVC = tuple(float(v) for v in range(2, 41))
TIMES_BACKGROUND = tuple(v / 4 for v in range(6, 41))
FEW_LEVELS_PCT_MVC = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)
FEW_TIMES_BACKGROUND = (1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0, 10.0)
GAPS_S = (1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0, 10.0)
MINIMA_S = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.75, 1.0)
QUARTER = (0.75, 4 / 3)


@dataclass(frozen=True)
class RuleReading:
    """One night under one criterion; ``reason`` says why where it could not be computed."""

    id: str
    title: str
    measures: dict[str, Measure]
    reason: str = ""


@dataclass(frozen=True)
class Curve:
    """Episodes per valid hour as one setting moves and all others stay.

    Attributes
    ----------
    key
        The setting, ``"section.key"``.
    values, rates
        Settings, and episodes per valid hour at each; None without valid time.
    chosen
        Value of the setting in the night's own criterion.
    """

    key: str
    values: tuple[float, ...]
    rates: tuple[float | None, ...]
    chosen: float


@dataclass(frozen=True)
class Robustness:
    """A night under many rules.

    Attributes
    ----------
    rows
        The night's own criterion first, then the others.
    curves
        Threshold, pause between episodes, least length of a burst.
    clench_band
        Lowest and highest episodes per valid hour when each single trial of the reference in turn is
        the MVC; None without trials.
    sentence
        Over which range the reading holds.
    """

    rows: tuple[RuleReading, ...]
    curves: tuple[Curve, ...]
    clench_band: tuple[float, float] | None
    sentence: str


@dataclass(frozen=True, eq=False)
class _Workspace:
    """One night, ready for any number of rules."""

    swept: Swept
    window: Window
    reference: Reference | None

    def measures(self, rule: Criterion, reference: Reference | None = None) -> dict[str, Measure]:
        events = find_events(
            self.swept,
            criterion=rule,
            window=self.window,
            reference=reference or self.reference,
        )
        return compute(events.selection, events.merged, events.episodes, rule)

    def rate(self, rule: Criterion, reference: Reference | None = None) -> float | None:
        return self.measures(rule, reference)["episodes_per_hour"].value


def side_by_side(night: Night, ids: Sequence[str] = ALWAYS) -> tuple[RuleReading, ...]:
    """The night under its own criterion and under others.

    Parameters
    ----------
    ids
        Criteria beside the night's own; by default 10 % MVC, 20 % MVC and twice the background.
    """
    own, bench = night.criterion, _bench(night)
    measures = night.measures if night.review is None else bench.measures(own)
    others = _rows(bench, _own_first(own, ids)[1:])
    rows = (RuleReading(own.id, own.title, measures), *others, *single_sides(night))
    if night.review is None:
        return rows
    return tuple(replace(row, title=f"{row.title}; automatic, before the review") for row in rows)


@dataclass(frozen=True)
class ThresholdCurve:
    """The rate of a night as its threshold moves, and over which range the reading holds."""

    curve: Curve
    sentence: str


def threshold_curve(night: Night) -> ThresholdCurve:
    """The rate of a night over some thresholds, as its page shows it; `assess_robustness` takes more.

    Of the automatic scoring, also where the night was reviewed.
    """
    own = night.criterion
    if own.threshold.level_pct_mvc is not None:
        wanted: tuple[str, Sequence[float]] = ("threshold.level_pct_mvc", FEW_LEVELS_PCT_MVC)
    else:
        wanted = ("threshold.times_background", FEW_TIMES_BACKGROUND)
    curve = _curve(_bench(night), own, *wanted, lambda: None)
    said = "" if night.review is None else " Automatic, before the review."
    return ThresholdCurve(curve, _sentence(curve) + said)


def single_sides(night: Night) -> tuple[RuleReading, ...]:
    """Each channel alone, where one was lost for so long that a note says so; empty otherwise."""
    if not any(note.code == "side-lost" for note in night.notes):
        return ()
    own, swept = night.criterion, night.swept
    rows = []
    for frames, quality in zip(swept.frames, night.quality, strict=True):
        alone = replace(swept, frames=(frames,), quality=(quality,))
        measures = _Workspace(alone, night.window, night.reference).measures(own)
        hours = measures["valid_hours"].value or 0.0
        title = f"{frames.channel.label} alone, {hours:.2f} valid hours of its own"
        rows.append(RuleReading(own.id, title, measures))
    return tuple(rows)


def _bench(night: Night) -> _Workspace:
    return _Workspace(night.swept, night.window, night.reference)


def _own_first(own: Criterion, ids: Sequence[str]) -> list[Criterion]:
    return [own, *(load_criterion(i) for i in ids if i != own.id and i in criterion_ids(own.muscle))]


def _rows(bench: _Workspace, rules: Iterable[Criterion]) -> tuple[RuleReading, ...]:
    rows = []
    for rule in rules:
        try:
            rows.append(RuleReading(rule.id, rule.title, bench.measures(rule)))
        except (RecordingError, UsageError) as error:
            rows.append(RuleReading(rule.id, rule.title, {}, str(error)))
    return tuple(rows)


def _curve(
    bench: _Workspace, own: Criterion, key: str, values: Sequence[float], progress: Callable[[], None]
) -> Curve:
    chosen = dict(own.values())[key]
    rates = []
    for value in sorted({*values, chosen}):
        rates.append((value, bench.rate(own.derive({key: value}))))
        progress()
    return Curve(key, tuple(v for v, _ in rates), tuple(r for _, r in rates), chosen)


def _clench_band(bench: _Workspace, own: Criterion) -> tuple[float, float] | None:
    """Rates with each trial of the reference in turn as the MVC."""
    reference = bench.reference
    if reference is None or not own.needs_mvc:
        return None
    n = min((len(level.trials_uv) for level in reference.levels), default=0)
    rates = []
    for k in range(n):
        levels = tuple(Level(level.label, level.trials_uv[k], level.rest_uv) for level in reference.levels)
        one = Reference(levels, reference.amplitude, f"trial {k + 1}", reference.origin)
        rate = bench.rate(own, one)
        if rate is not None:
            rates.append(rate)
    return (min(rates), max(rates)) if rates else None


def holding(curve: Curve) -> tuple[float, float] | None:
    """Settings around the chosen one over which the rate stays within a quarter of its own.

    None where there is no rate to compare with.
    """
    at = curve.values.index(curve.chosen)
    own = curve.rates[at]
    if not own:
        return None

    def near(rate: float | None) -> bool:
        return rate is not None and QUARTER[0] * own <= rate <= QUARTER[1] * own

    low = high = at
    while low > 0 and near(curve.rates[low - 1]):
        low -= 1
    while high + 1 < len(curve.rates) and near(curve.rates[high + 1]):
        high += 1
    return curve.values[low], curve.values[high]


def _sentence(curve: Curve) -> str:
    unit = "% MVC" if curve.key == "threshold.level_pct_mvc" else "times the background"
    at = curve.rates[curve.values.index(curve.chosen)]
    span = holding(curve)
    if span is None or at is None:
        return (
            f"No episode was found at {curve.chosen:g} {unit}, so there is no rate whose dependence on "
            "the threshold could be shown."
        )
    low, high = span
    if low == high:
        return (
            f"At {curve.chosen:g} {unit} the rate is {at:.1f} per valid hour; at the next thresholds on "
            "either side it already differs by more than a quarter."
        )
    return (
        f"From {low:g} to {high:g} {unit} the rate stays within a quarter of the {at:.1f} per valid "
        f"hour found at {curve.chosen:g} {unit}."
    )


def assess_robustness(night: Night, *, progress: Callable[[float], None] | None = None) -> Robustness:
    """The night under every criterion, and its rate as threshold, pause and least length move.

    Parameters
    ----------
    night
        A scored night.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    Robustness

    Raises
    ------
    UsageError
        Something that is no night.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> [row.id for row in sb.assess_robustness(night).rows][:2]
    ['phasic_tonic_10mvc', 'aasm']
    """
    check(night=(night, of(Night)), progress=(progress, NONE | CALL))
    bench, own = _bench(night), night.criterion
    if own.threshold.level_pct_mvc is not None:
        first: tuple[str, Sequence[float]] = ("threshold.level_pct_mvc", LEVELS_PCT_MVC)
    else:
        first = ("threshold.times_background", TIMES_BACKGROUND)
    wanted = [first, ("episode.gap_s", GAPS_S)]
    if own.burst.minimum_s:
        wanted.append(("burst.minimum_s", MINIMA_S))
    total = sum(len(values) for _, values in wanted) + 8
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(min(done / total, 1.0))

    curves = tuple(_curve(bench, own, key, values, step) for key, values in wanted)
    return Robustness(
        rows=(*_rows(bench, _own_first(own, criterion_ids())), *single_sides(night)),
        curves=curves,
        clench_band=_clench_band(bench, own),
        sentence=_sentence(curves[0]),
    )
