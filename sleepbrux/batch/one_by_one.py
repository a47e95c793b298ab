"""Nights scored one after the other in this process: what the command and the page do with a study."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from sleepbrux.core.errors import SleepbruxError, UsageError
from sleepbrux.core.texts import file_name
from sleepbrux.study.file import Study, StudyNight, night_stems
from sleepbrux.study.files import find_file

if TYPE_CHECKING:
    from sleepbrux.recording.model import Recording
    from sleepbrux.scoring.night import Night
    from sleepbrux.scoring.request import Request

Progress = Callable[[float], None]
Shown = Callable[[str], AbstractContextManager[Progress]]
Work = tuple[Path, "Request", str | None]


@contextlib.contextmanager
def _silent(_: str) -> Iterator[Progress]:
    yield lambda share: None


@dataclass(frozen=True)
class Listener:
    """Who hears of the work; nobody by default.

    Attributes
    ----------
    begun
        Called before the compiled code is needed.
    shown
        Shows progress of what it is given the name of.
    scored
        Takes recording, stem of the files and the night.
    failed
        Takes the sentence about a recording that was not scored.
    """

    begun: Callable[[], None] = lambda: None
    shown: Shown = _silent
    scored: Callable[[Path, str, Night], None] = lambda path, stem, night: None
    failed: Callable[[str], None] = lambda sentence: None


@dataclass
class Scored:
    """What came of it: the archives, and how many recordings failed, how many of these by wrong usage."""

    archives: list[Path] = field(default_factory=list)
    failures: int = 0
    usage: int = 0


class _Relay:
    """Takes the share done from a thread at work, and passes it on once somebody watches."""

    def __init__(self) -> None:
        self.watcher: Progress | None = None

    def __call__(self, share: float) -> None:
        watcher = self.watcher
        if watcher is not None:
            watcher(share)


@contextlib.contextmanager
def alone(out: Path) -> Iterator[None]:
    """Hold the lock of a batch where the folder is one of a batch; runs beside it wait or are refused."""
    if not (out / ".batch").is_dir():
        yield
        return
    from sleepbrux.batch.ledger import locked

    with locked(out, None):
        yield


def _opener(path: Path, request: Request, relay: _Relay) -> Callable[[], Recording]:
    def opener() -> Recording:
        from sleepbrux.scoring.request import open_as

        return open_as(path, request, relay)

    return opener


def score_one_by_one(work: Sequence[Work], out: Path, listener: Listener) -> Scored:
    """Score one after the other, the next opened meanwhile; one that fails never stops the rest."""
    from sleepbrux.recording.prefetch import opened_ahead

    done = Scored()
    relays = [_Relay() for _ in work]
    openers = [_opener(*each[:2], relay) for each, relay in zip(work, relays, strict=True)]
    taken: set[str] = set()
    with opened_ahead(openers) as opened, alone(out):
        listener.begun()
        from sleepbrux.report.outputs import ARCHIVE, write_outputs
        from sleepbrux.scoring.request import score_opened, with_file

        for (path, request, stem), relay, opening in zip(work, relays, opened, strict=True):
            try:
                with listener.shown(f"{path.name}: opening") as relay.watcher:
                    recording = opening()
                relay.watcher = None
                with listener.shown(path.name) as progress:
                    night = score_opened(recording, with_file(path, request), progress=progress)
                written = write_outputs(night, out, stem=stem, taken=taken)
                taken.add(written)
                done.archives.append(out / f"{written}{ARCHIVE}")
                listener.scored(path, written, night)
            except (SleepbruxError, OSError) as error:
                done.failures += 1
                done.usage += isinstance(error, UsageError)
                text = str(error)
                own = text.startswith(file_name(path))
                listener.failed(text if own else f"{path.name} was not scored: {text}")
        if len(taken) > 1:
            from sleepbrux.report.other_nights import fill_in

            fill_in(out, taken)
    return done


def study_work(
    study: Study, nights: Sequence[StudyNight], home: Path, failed: Callable[[str], None]
) -> list[Work]:
    """What the study file wants scored, night by night; a night whose files are not there is told."""
    from sleepbrux.scoring.request import study_request

    work: list[Work] = []
    for night in nights:
        try:
            path = find_file(home, night.recording, f"night {night.id!r}")
            work.append((path, study_request(study, night, home), night_stems(night)[0]))
        except SleepbruxError as error:
            failed(f"night {night.id} was not scored: {error}")
    return work
