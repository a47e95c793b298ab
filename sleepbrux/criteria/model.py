"""A scoring criterion as a value: every clause and every choice has a name, a unit and a range."""

from __future__ import annotations

import hashlib
import json
import re
import typing
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

from sleepbrux.core.arguments import check_struct
from sleepbrux.core.errors import CriterionError
from sleepbrux.core.files import write_text

Seconds = Annotated[float, Meta(ge=0, le=3600)]
LONGEST_ID = 80
Status = Literal["read", "from memory", "our choice"]
Muscle = Literal["jaw", "chin"]


class EnvelopeRule(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How amplitude is followed over time.

    ``amplitude`` ``as_reference`` means root mean square unless the reference clench is stated as
    mean rectified. ``window_s`` is rounded to the nearest odd number of frames (ties up). ``edges``
    ``corrected`` re-estimates on- and offset from the 10-ms frames; ``crossing`` keeps the frames at
    which the envelope crosses the threshold.
    """

    amplitude: Literal["rms", "rectified", "as_reference"]
    window_s: Annotated[float, Meta(gt=0, le=10)]
    edges: Literal["corrected", "crossing"]


class ThresholdRule(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What counts as activity.

    Exactly one of ``level_pct_mvc`` and ``times_background`` is given; ``floor_pct_mvc`` adds a
    lower limit in % MVC to a background criterion. ``release_ratio`` is the hysteresis: a burst
    lasts until the envelope falls below that part of the threshold. ``test`` asks in addition that
    the burst's mean or peak lies above the threshold (``crossing``: nothing more).
    """

    level_pct_mvc: Annotated[float, Meta(gt=0, le=200)] | None = None
    times_background: Annotated[float, Meta(gt=1, le=100)] | None = None
    floor_pct_mvc: Annotated[float, Meta(gt=0, le=200)] | None = None
    comparison: Literal[">", ">="]
    release_ratio: Annotated[float, Meta(gt=0, le=1)]
    test: Literal["crossing", "mean", "peak"]


class Background(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Resting activity: median of the envelope outside bursts.

    ``estimator`` ``running_median``: within ``half_window_s`` either way; ``night_median``: one value
    for the whole recording. The first round of a running median finds bursts above the quiet level of the
    time around (the lower fifth of medians of 5 s, times 1.02), which activity does not lift; each later
    round takes the median of what lies outside the bursts of the round before. The converter's own noise
    is taken off in power, and where a threshold falls below twice that noise it is not known.
    ``guard_s`` before and after each burst is left out; ``passes`` counts the rounds (with one, the
    quiet level itself is the background); ``minimum_quiet_s`` is the least quiet time that a window needs.
    """

    estimator: Literal["running_median", "night_median"]
    half_window_s: Annotated[float, Meta(ge=10, le=14400)]
    passes: Annotated[int, Meta(ge=1, le=5)]
    guard_s: Annotated[float, Meta(ge=0, le=30)]
    minimum_quiet_s: Annotated[float, Meta(ge=1, le=3600)]


class BurstRule(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How long a burst is, and what kind that makes it.

    Dips of at most ``bridge_s`` inside a burst are closed. ``types`` false: no phasic or tonic.
    """

    minimum_s: Seconds
    minimum_inclusive: bool
    phasic_maximum_s: Seconds
    phasic_maximum_inclusive: bool
    bridge_s: Seconds
    types: bool


class EpisodeRule(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Which bursts belong together, and what kind of episode they make.

    A new episode starts after a pause of ``gap_s`` (``gap_inclusive``: a pause of exactly that
    length is enough). The pause runs ``gap_clock``, and must be free of ``gap_free_of``; in lost time its
    clock stands still, unless the lost time itself is as long as the pause. ``mixed``
    ``one_of_each``: one tonic and one phasic burst or more; ``phasic_minimum``: the phasic part must
    suffice alone; ``tonic_flagged``: such an episode is tonic, flagged ``phasic-bursts``.
    ``at_edges`` says whether an episode with lost time in it, or nearer to it than the pause, counts and is
    flagged, or does not count. ``two_tonic`` says whether tonic bursts within the pause are one episode.
    ``regular`` asks the
    phasic bursts to follow each other onset to onset within the two limits.
    """

    gap_s: Seconds
    gap_inclusive: bool
    gap_clock: Literal["offset_to_onset", "onset_to_onset"]
    gap_free_of: Literal["qualifying_bursts", "any_activity"]
    minimum_phasic_bursts: Annotated[int, Meta(ge=1, le=100)]
    mixed: Literal["one_of_each", "phasic_minimum", "tonic_flagged"]
    two_tonic: Literal["one_episode", "separate"]
    at_edges: Literal["flag", "drop"]
    regular: bool
    regular_minimum_s: Seconds
    regular_maximum_s: Seconds


class Sides(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How channels become one list: ``any`` side, ``both`` at once, or the ``mean`` of their % MVC."""

    combine: Literal["any", "both", "mean"]


class WindowRule(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How much of a night is enough not to be marked as short."""

    minimum_valid_hours: Annotated[float, Meta(ge=0, le=24)]


class HeartRate(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A rise of the heart rate that an event must come with.

    ``rise_pct`` over the ``baseline`` within ``within_s`` before the onset. A ``running`` baseline is the
    median rate over the ``baseline_s`` that end ``baseline_gap_s`` before the onset, ``night_mean`` the mean
    over the analysed window.
    """

    rise_pct: Annotated[float, Meta(gt=0, le=200)]
    comparison: Literal[">", ">="]
    within_s: Annotated[float, Meta(gt=0, le=60)]
    baseline: Literal["running", "night_mean"]
    baseline_s: Annotated[float, Meta(ge=5, le=3600)] = 60.0
    baseline_gap_s: Annotated[float, Meta(ge=0, le=600)] = 10.0


class ContextRule(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What becomes of events in wake or in a body movement; by default both counts are reported.

    ``wake`` ``drop_scored`` counts only events that begin in scored sleep and divides by its hours;
    ``drop_probable`` drops events that begin while probably awake, by ECG and accelerometer, or in scored
    wake where stages are there, and leaves the hours as they are. ``movement`` ``drop`` drops events of
    which at least ``movement_share`` lies in a body movement.
    """

    wake: Literal["label", "drop_scored", "drop_probable"] = "label"
    movement: Literal["label", "drop"] = "label"
    movement_share: Annotated[float, Meta(gt=0, le=1)] = 0.5


class CutOff(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A published cut-off; printed with the rule, never applied to a recording by itself."""

    measure: str
    comparison: Literal[">", ">=", "<", "unknown"]
    value: float
    made_for: str
    status: Status
    source: str


class SourceNote(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where one value comes from."""

    status: Status
    source: str


class Criterion(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One complete rule set.

    Attributes
    ----------
    id, title, summary
        Short name for files and commands, one line, one paragraph.
    parent
        Id of the rule set that this one was derived from, or empty.
    muscle
        Muscles that the rule set was made for: ``"jaw"``, or ``"chin"`` for channels labelled chin or submental.
    sources
        ``"section.key"`` to status and source, for every value of the rule sets in the package.
    departures
        Where this rule set leaves or completes its source.
    cut_offs
        Published cut-offs with what they were made for.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> rule = sb.load_criterion("lavigne1996").derive(level_pct_mvc=12, id="mine")
    >>> rule.id, rule.parent, rule.threshold.level_pct_mvc
    ('mine', 'lavigne1996', 12.0)
    """

    id: Annotated[str, Meta(pattern=r"^[a-z0-9][a-z0-9_.+-]*$", max_length=LONGEST_ID)]
    title: str
    summary: str
    parent: str = ""
    muscle: Muscle = "jaw"
    envelope: EnvelopeRule
    threshold: ThresholdRule
    background: Background
    burst: BurstRule
    episode: EpisodeRule
    sides: Sides
    window: WindowRule
    heart_rate: HeartRate | None = None
    context: ContextRule = ContextRule()
    sources: dict[str, SourceNote] = {}
    departures: tuple[str, ...] = ()
    cut_offs: tuple[CutOff, ...] = ()

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check_struct(self)

    @property
    def needs_mvc(self) -> bool:
        """Whether the threshold needs a reference clench."""
        return self.threshold.level_pct_mvc is not None or self.threshold.floor_pct_mvc is not None

    def values(self) -> Iterator[tuple[str, Any]]:
        """Every setting as (``section.key``, value), in the order of the rule file."""
        for section in SECTIONS:
            table = getattr(self, section)
            if table is None:
                continue
            for key in table.__struct_fields__:
                yield f"{section}.{key}", getattr(table, key)

    def digest(self) -> str:
        """SHA-256 over every value, source and departure, 64 hexadecimal digits."""
        table = msgspec.to_builtins(self)
        if self.muscle == "jaw":
            del table["muscle"]  # as before there was a choice
        text = msgspec.json.encode(table, order="sorted")
        return hashlib.sha256(text).hexdigest()

    def derive(
        self, changes: Mapping[str, Any] | None = None, /, *, new_id: str = "", **settings: Any
    ) -> Criterion:
        """Copy with other values; its id, unless given, names this rule set and the changes.

        Parameters
        ----------
        changes
            ``{"threshold.level_pct_mvc": 20.0}``.
        new_id, id
            Id of the copy; two words for the same.
        settings
            The same by keyword: the name of a setting that one section alone has, as
            ``level_pct_mvc=20``, or with its section, as ``episode_gap_s=5``.

        Returns
        -------
        Criterion

        Raises
        ------
        CriterionError
            A setting that does not exist, or a value that is not allowed.

        Examples
        --------
        >>> import sleepbrux as sb
        >>> rule = sb.load_criterion("lavigne1996").derive(level_pct_mvc=12, id="mine")
        >>> rule.id, rule.parent, rule.threshold.level_pct_mvc
        ('mine', 'lavigne1996', 12.0)
        """
        name = str(settings.pop("id", "") or new_id)
        wanted = dict(changes or {}) | {self._path_of(key): value for key, value in settings.items()}
        if not wanted and not name:
            raise CriterionError("derive: nothing is changed; name a setting or give id")
        table = changed(msgspec.to_builtins(self), wanted, "derive", self.id)
        return from_table(table | {"id": name or _derived_id(self.id, wanted), "parent": self.id}, "derive")

    def _path_of(self, key: str) -> str:
        """``section.key`` for the name of a setting, with or without its section."""
        paths = [path for path, _ in self.values()]
        found = [p for p in paths if key in (p.partition(".")[2], p.replace(".", "_", 1))]
        if len(found) == 1:
            return found[0]
        if found:
            raise CriterionError(
                f"derive: {key} is a setting of several sections; write one of "
                f"{', '.join(p.replace('.', '_', 1) for p in found)}"
            )
        near = get_close_matches(key, [p.partition(".")[2] for p in paths], 1)
        meant = f"; did you mean {near[0]}?" if near else "; Criterion.values() lists them"
        raise CriterionError(f"derive: {self.id} has no setting {key}{meant}")

    def save(self, path: str | Path) -> None:
        """Write the rule set as a complete rule file, which `load_criterion` reads.

        Parameters
        ----------
        path
            A file that ends in ``.toml``.

        Raises
        ------
        CriterionError
            Another ending, which would not be read again.
        """
        path = Path(path)
        if path.suffix != ".toml":
            raise CriterionError(f"save: path {path.name!r} does not end in .toml, as rule files do")
        table = msgspec.to_builtins(self)
        write_text(path, "\n".join(_toml_lines(table)) + "\n")


def changed(table: dict[str, Any], changes: Mapping[str, Any], name: str, parent: str) -> dict[str, Any]:
    """Tables of a rule set with other values, each noted as our choice."""
    for path, value in changes.items():
        section, _, key = path.partition(".")
        if section not in SECTIONS:
            raise CriterionError(f"{name}: key {path}: no such section; there are {', '.join(SECTIONS)}")
        if table[section] is None:
            raise CriterionError(f"{name}: key {path}: {parent} has no section {section}")
        table[section][key] = value
        table["sources"][path] = {"status": "our choice", "source": f"changed from {parent}"}
    return table


def _toml_lines(table: Mapping[str, Any], head: str = "") -> Iterator[str]:
    """A table as TOML: values first, then the tables in it; what is None is left out."""
    deeper = {k: v for k, v in table.items() if isinstance(v, Mapping)}
    lists = {
        k: v for k, v in table.items() if isinstance(v, (list, tuple)) and v and isinstance(v[0], Mapping)
    }
    for key, value in table.items():
        if value is not None and key not in deeper and key not in lists:
            yield f"{_toml_key(key)} = {_toml_value(value)}"
    for key, inner in deeper.items():
        name = f"{head}{_toml_key(key)}"
        if inner:
            yield from ("", f"[{name}]", *_toml_lines(inner, f"{name}."))
    for key, rows in lists.items():
        for row in rows:
            yield from ("", f"[[{head}{_toml_key(key)}]]", *_toml_lines(row))


def _toml_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key)


def _toml_value(value: Any) -> str:
    """A plain value; JSON writes text, numbers and truth values as TOML does."""
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_toml_value, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def _derived_id(parent: str, changes: Mapping[str, Any]) -> str:
    """An id that names the parent and the changes, shortened to a digest where it grows too long."""
    parts = [f"{path.split('.')[-1]}-{value}" for path, value in sorted(changes.items())]
    text = "+".join(parts).lower().replace(">=", "at-least").replace(">", "above")
    name = f"{parent}+{re.sub(r'[^a-z0-9_.+-]', '-', text)}"
    if len(name) <= LONGEST_ID:
        return name
    return f"{parent[:60]}+{hashlib.sha256(name.encode()).hexdigest()[:12]}"


SECTIONS = (
    "envelope",
    "threshold",
    "background",
    "burst",
    "episode",
    "sides",
    "window",
    "heart_rate",
    "context",
)


@lru_cache(maxsize=1024)
def exact(value_s: float) -> Fraction:
    """The decimal that a rule file writes, exactly: 0.29 is 29/100."""
    return Fraction(repr(value_s))


def from_table(table: Mapping[str, Any], name: str) -> Criterion:
    """A rule set from nested tables, checked."""
    try:
        criterion = msgspec.convert(dict(table), Criterion)
    except msgspec.ValidationError as error:
        raise CriterionError(f"{name}: {_plain(str(error))}") from error
    _check(criterion, name)
    return criterion


def _plain(message: str) -> str:
    """Msgspec's sentence with the key as the rule file writes it."""
    found = re.fullmatch(r"(.*?)(?: - at `\$\.?(.*)`)?", message, flags=re.DOTALL)
    text, key = (found.group(1), found.group(2)) if found else (message, None)
    text = text.replace("Object contains", "there is an").replace("Object missing", "there is no")
    if "Invalid enum value" in text and key:
        text = f"{text.replace('Invalid enum value', 'there is')}; allowed are {_allowed(key)}"
    return f"key {key}: {text}" if key else text


def _allowed(key: str) -> str:
    """Words that a setting may be, as a list for a sentence."""
    section, _, name = key.partition(".")
    kind = typing.get_type_hints(Criterion).get(section.partition("[")[0])
    while kind is not None and not isinstance(kind, type):  # a dict, a tuple or a union of the struct
        kind = next((k for k in typing.get_args(kind) if k not in (str, type(None), ...)), None)
    hints = typing.get_type_hints(kind) if kind is not None else {}
    words = typing.get_args(hints.get(name.rpartition(".")[2]))
    return ", ".join(repr(word) for word in words) or "those of the rule files in the package"


def _check(criterion: Criterion, name: str) -> None:
    """Contradictions that no single key shows."""
    threshold, burst, episode = criterion.threshold, criterion.burst, criterion.episode
    if (threshold.level_pct_mvc is None) == (threshold.times_background is None):
        raise CriterionError(f"{name}: key threshold: give exactly one of level_pct_mvc and times_background")
    if threshold.floor_pct_mvc is not None and threshold.times_background is None:
        raise CriterionError(f"{name}: key threshold.floor_pct_mvc: needs times_background as well")
    if burst.types and burst.phasic_maximum_s <= burst.minimum_s:
        raise CriterionError(
            f"{name}: key burst.phasic_maximum_s: {burst.phasic_maximum_s} is not above "
            f"burst.minimum_s, {burst.minimum_s}"
        )
    if episode.regular and episode.regular_maximum_s <= episode.regular_minimum_s:
        raise CriterionError(f"{name}: key episode.regular_maximum_s: must lie above regular_minimum_s")
    known = {path for path, _ in criterion.values()}
    for path in criterion.sources:
        if path not in known:
            raise CriterionError(
                f"{name}: key sources.{path}: no such setting; sections are {', '.join(SECTIONS)}"
            )
