"""``sleepbrux.agree``: how far two scorings agree, from nights in memory, files or folders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from sleepbrux.analysis.agreement.compare import ScoringAgreement, compare
from sleepbrux.analysis.agreement.loading import Wanted, check_labels, load_pair, pairs
from sleepbrux.analysis.agreement.scorings import Level
from sleepbrux.core.arguments import NONE, NUMBER, PAIR, PATH, TEXT, by_label, check, each, of, one_of
from sleepbrux.core.errors import UsageError
from sleepbrux.scoring.night import Night

Side = Night | str | Path


def agree(
    a: Side | Sequence[Side],
    b: Side | Sequence[Side],
    *,
    level: Level = "episode",
    labels: Mapping[str, str] | None = None,
    scored: Sequence[tuple[float, float]] | str | None = None,
    cut_off_per_h: float | None = None,
) -> ScoringAgreement:
    """Compare two scorings of the same night, or of several nights one by one.

    Parameters
    ----------
    a, b
        Each a `Night`, an archive, a review's journal, a person's file, a folder of these, or a list of them
        as long as the other. ``b`` may be ``"criterion:ID"``, or ``"reviewed"`` for the journals of the
        archives of ``a``.
    level
        ``"episode"`` or ``"burst"``: which events are compared.
    labels
        Label in a person's file to the kind that it stands for.
    scored
        Time that a person's file covers where it does not say so itself: (start, stop) in seconds, or
        ``"all"``.
    cut_off_per_h
        Also class persons at this rate; with cautions.

    Returns
    -------
    ScoringAgreement

    Raises
    ------
    UsageError
        Scorings of different recordings, lists of different lengths, a file that is none that is read.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> strict = sb.rescore(night, sb.load_criterion("lavigne1996"))
    >>> sb.agree(night, strict).level
    'episode'
    """
    side = of(Night, "a Night") | PATH
    one_or_more = side | each(side, "a list of these")
    check(
        a=(a, one_or_more),
        b=(b, one_or_more),
        level=(level, one_of("episode", "burst")),
        labels=(labels, NONE | by_label(TEXT, "a table of kinds by label")),
        scored=(
            scored,
            NONE | TEXT | each(PAIR, "a list of (start, stop) in seconds"),
        ),
        cut_off_per_h=(cut_off_per_h, NONE | NUMBER),
    )
    spans = scored if scored is None or isinstance(scored, str) else tuple((x, y) for x, y in scored)
    wanted = Wanted(level, dict(labels or {}), spans)
    check_labels(wanted.labels, level)
    sides = [[s] if isinstance(s, Night | str | Path) else list(s) for s in (a, b)]
    if len(sides[0]) != len(sides[1]) or not sides[0]:
        raise UsageError(
            f"a holds {len(sides[0])} scorings and b {len(sides[1])}; give as many of one as of the other"
        )
    both: list[tuple[Path | Night, str | Night]] = []
    for first, second in zip(*sides, strict=True):
        if isinstance(first, Night) or isinstance(second, Night):
            both.append((_as_path(first), second if isinstance(second, Night) else str(second)))
        else:
            both += pairs(Path(first), str(second))
    found, _ = compare([load_pair(x, y, wanted) for x, y in both], cut_off_per_h=cut_off_per_h)
    return found


def _as_path(side: Side) -> Path | Night:
    return side if isinstance(side, Night) else Path(side)
