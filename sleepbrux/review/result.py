"""What a sampled review says, in words and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal import reviewed
from sleepbrux.archive.journal.file import Journal, check_about
from sleepbrux.archive.journal.witness import check_witness
from sleepbrux.archive.manifest import listed, stem_of
from sleepbrux.report.outputs import write_reviewed
from sleepbrux.review import sampling
from sleepbrux.review.near_misses import near_misses
from sleepbrux.scoring.night import Night


@dataclass(frozen=True, eq=False)
class Result:
    """A night before and after its review, and the files that were written of it; none without a decision."""

    night: Night
    after: Night
    journal: Journal
    files: tuple[str, ...] = ()


def write_result(archive: Path, journal: Journal) -> Result:
    """Leave the reviewed report and tables next to an archive, where something was decided.

    Raises
    ------
    SleepbruxError
        The journal is not about this archive.
    """
    of = listed(archive) if archive.is_file() else None
    night = load_night(archive)
    check_about(journal, night)
    check_witness(night, archive, journal)
    after = reviewed(night, journal)
    if after.review is None:
        return Result(night, after, journal)
    return Result(
        night, after, journal, tuple(write_reviewed(after, archive.parent, stem_of(archive), of=of))
    )


def sample_shares(night: Night, journal: Journal) -> list[sampling.ConfirmedShare]:
    """Shares of the last sample; empty without one."""
    if sampling.last_sample(journal) is None:
        return []
    return sampling.shares(journal, sampling.all_items(night, near_misses(night)))


def sample_lines(night: Night, journal: Journal) -> Iterator[str]:
    """The shares as sentences, each with its denominator and its limits."""
    sample = sampling.last_sample(journal)
    shares = sample_shares(night, journal)
    for share in shares:
        who = f" (reader {share.who})" if share.who else ""
        if share.share is None:
            said = "nothing was judged"
        else:
            said = f"{share.accepted} of {share.judged}, {100 * share.share:.0f} %"
            if share.low is not None and share.high is not None:
                said += f" [{100 * share.low:.0f} to {100 * share.high:.0f} %]"
            said += f"; {share.meaning}"
        yield f"{share.name}{who}: {said}"
    if shares and sample is not None:
        yield f"Sample drawn with seed {sample.seed}, shuffled, labels hidden until decided."
        yield sampling.CAUTION
