"""What the page has open: a folder, a study, its worker; and what can be taken back.

Nothing is kept here that is not in the study folder or can be made from it again: a page that is killed and
started anew shows the same.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sleepbrux.core.errors import ReferenceLevelError, UsageError
from sleepbrux.core.files import CLENCHES, RESULTS, replacing
from sleepbrux.practice.desk import Reviewer
from sleepbrux.practice.nights import NightRow, night_rows, stamp
from sleepbrux.practice.worker import Job, Worker
from sleepbrux.study.file import OWN, Study, StudyNight, entry_digest, load_study

STUDY_NAME = "study.toml"
LETTER, LETTER_FIELDS = "letter.pdf", "letter.fields.toml"
MARKED = "marks in the recording"
MOST_UNDO = 50
OTHER_STUDY = (
    "another study was opened in another window or by a second start, so nothing was written; load this page again to "
    "go on with that one"
)


class OtherStudyError(UsageError):
    """A window shows another study than the one that is open."""


@dataclass(frozen=True)
class Change:
    """Files before and after something that a person did; None where there was none."""

    words: str
    files: tuple[tuple[Path, bytes | None, bytes | None], ...]


@dataclass(frozen=True)
class Served:
    """A file that the page may show or hand out under an address that tells nothing.

    Attributes
    ----------
    path
        Where it lies; for a preview ``text`` holds it instead.
    name
        What a browser saves it as; empty to show it.
    together
        Files that are handed out as one archive.
    """

    path: Path | None
    text: str = ""
    name: str = ""
    together: tuple[Path, ...] = ()


@dataclass(frozen=True)
class ClenchSource:
    """A recording whose clenches are a reference: of the chair, or of a night itself."""

    number: int
    recording: str
    about: str
    teeth: str
    accepted: str


@dataclass
class Known:
    """What the worker found, each with the state of the files that it was found in."""

    verdicts: dict[str, tuple[object, dict[str, Any]]] = field(default_factory=dict)
    clenches: dict[str, tuple[object, dict[str, Any]]] = field(default_factory=dict)
    lacks: dict[str, tuple[object, str]] = field(default_factory=dict)
    beside: dict[str, tuple[object, str]] = field(default_factory=dict)
    findings: tuple[object, list[dict[str, Any]]] = (None, [])
    compared: tuple[object, dict[str, Any]] = (None, {})
    letter: tuple[object, dict[str, Any]] = (None, {})
    plan_failed: str = ""
    clench_failed: str = ""
    clench_notes: tuple[str, ...] = ()
    last: str = ""


def content(path: Path) -> bytes | None:
    """The bytes of a file; None where there is none."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def beside(recording: Path) -> Path:
    """The file of clenches beside a recording."""
    return recording.with_name(recording.name + CLENCHES)


class Practice:
    """What one running page knows.

    Parameters
    ----------
    home
        Folder of studies, or of one study, where looking begins.
    changed
        Called, from any thread, when a page has something new to show.
    clench_steps
        How clenches are accepted, and others taken, as the page about them says it to those without this page.
    """

    def __init__(
        self,
        home: Path,
        changed: Callable[[], None] = lambda: None,
        clench_steps: tuple[str, str] = ("on the screen of the clenches", "on the screen of the clenches"),
    ) -> None:
        self.clench_steps = clench_steps
        self.home = self.folder = home
        self.file: Path | None = None
        self.bell = changed
        self.lock = threading.RLock()
        self.worker = Worker(self.changed)
        self.reviewer = Reviewer()
        self.known = Known()
        self.undo: list[Change] = []
        self.dropped: set[Path] = set()  # copied by this page, and not yet taken into the study
        self.sample_size = 20  # episodes, and near misses, of a night that are judged without labels
        self.turn = secrets.token_urlsafe(9)
        self._marks: dict[object, str] = {}
        self._tickets: dict[Served, str] = {}
        self._served: dict[str, Served] = {}
        if (home / STUDY_NAME).is_file():
            self.open(home / STUDY_NAME)

    def changed(self) -> None:
        """Tell the open pages that there is something new."""
        self.bell()

    def open(self, file: Path) -> None:
        """Open a study; what was found of another is forgotten."""
        self.file, self.folder = file, file.parent
        self.known, self.undo, self.dropped = Known(), [], set()
        self.turn = secrets.token_urlsafe(9)
        self.changed()

    def stop(self) -> None:
        """End both processes."""
        self.worker.stop()
        self.reviewer.stop()

    def close(self) -> None:
        """Leave the study."""
        self.file, self.known, self.undo = None, Known(), []
        self.turn = secrets.token_urlsafe(9)

    def meant(self, turn: str) -> None:
        """Refuse what a window asks for while it shows a study that is not the open one any more.

        Parameters
        ----------
        turn
            By which a window knows the study that it shows; another one each time that a study is opened. Empty
            for a window that shows none.

        Raises
        ------
        OtherStudyError
            Another study was opened since.
        """
        if turn and turn != self.turn:
            raise OtherStudyError(OTHER_STUDY)

    @property
    def study_file(self) -> Path:
        """The study file that is open.

        Raises
        ------
        UsageError
            None is.
        """
        if self.file is None:
            raise UsageError("no study is open; choose one, or make a new one")
        return self.file

    @property
    def study(self) -> Study:
        """The study as its file says it now."""
        return load_study(self.study_file)

    @property
    def results(self) -> Path:
        """Folder of its results."""
        return self.study_file.parent / RESULTS

    def rows(self, study: Study) -> list[NightRow]:
        """Its nights."""
        return night_rows(study, self.study_file.parent, self.results)

    def night(self, number: int) -> StudyNight:
        """A night by its place in the file.

        Raises
        ------
        UsageError
            There is none.
        """
        nights = self.study.night
        if not 0 <= number < len(nights):
            raise UsageError("there is no such night any more; the study file was changed")
        return nights[number]

    def clench_sources(self, study: Study) -> list[ClenchSource]:
        """Recordings that give a reference: those of the chair, then nights that are their own."""
        home = self.study_file.parent
        listed = [(r.recording, r.id, r.teeth) for r in study.reference if r.recording]
        chairs = len(listed)
        listed += [(n.recording, n.id, "natural") for n in study.recorded if n.reference == OWN]
        return [
            ClenchSource(
                k,
                recording,
                id_,
                teeth,
                _accepted(home / recording) or (self._marked(home / recording, teeth) if k < chairs else ""),
            )
            for k, (recording, id_, teeth) in enumerate(listed)
        ]

    def _marked(self, recording: Path, teeth: str) -> str:
        """`MARKED` where marks in a recording name its clenches; looked at once for one state of it, by the worker."""
        key = (recording, teeth, stamp(recording))
        if key not in self._marks:
            self._marks[key] = ""  # until it is known

            def keep(job: Job) -> None:
                self._marks[key] = MARKED if job.result["marked"] else ""

            self.worker.ask(
                "marks",
                f"looking for marks in {recording.name}",
                done=keep,
                file=str(self.study_file),
                recording=recording.name,
                teeth=teeth,
            )
        return self._marks[key]

    @contextmanager
    def changing(self, words: str, *paths: Path) -> Iterator[None]:
        """Something that a person does to files, which can be taken back afterwards."""
        with self.lock:
            before = {path: content(path) for path in paths}
            yield
            self.changed_files(self.undo, words, before)
        self.changed()

    def changed_files(self, undo: list[Change], words: str, before: Mapping[Path, bytes | None]) -> None:
        """Note what files were before something that a person did, so that it can be taken back."""
        files = tuple((path, old, new) for path, old in before.items() if (new := content(path)) != old)
        if files:
            undo.append(Change(words, files))
            del undo[:-MOST_UNDO]

    def take_back(self) -> str:
        """Undo the last change; what it was.

        Raises
        ------
        UsageError
            There is none, or its file was changed since by somebody else.
        """
        with self.lock:
            if not self.undo:
                raise UsageError("there is nothing to take back")
            last = self.undo[-1]
            for path, before, after in last.files:  # before: where writing was broken off the last time
                if content(path) not in (before, after):
                    raise UsageError(
                        f"{path.name} was changed since by another window, command or editor; it stays as it is"
                    )
            for path, before, _ in last.files:
                if before is None:
                    path.unlink(missing_ok=True)
                else:
                    with replacing(path) as temporary:
                        temporary.write_bytes(before)
            self.undo.pop()
        self.changed()
        return last.words

    def ticket(self, served: Served) -> str:
        """The address of a file: a random word, the same as long as the page runs."""
        with self.lock:
            if served not in self._tickets:
                word = secrets.token_urlsafe(18)
                self._tickets[served] = word
                self._served[word] = served
            return f"/file/{self._tickets[served]}"

    def served(self, word: str) -> Served | None:
        """What stands under an address."""
        return self._served.get(word)

    def night_stamp(self, study: Study, night: StudyNight) -> object:
        """The state of what decides on a night's usability: how it is read and scored, its files, its reference."""
        home = self.study_file.parent
        chair = next((r.recording for r in study.reference if r.id == night.reference), "")
        names = [night.recording, *filter(None, (night.stages, night.sound, night.marks, chair))]
        said = (study.criterion, entry_digest(study, night))
        clenches = beside(home / (chair or night.recording))
        return (said, stamp(*(home / name for name in names), clenches))

    def archive_stamp(self, rows: list[NightRow]) -> tuple[object, ...]:
        """The state of the study and of all that is scored and decided in it."""
        archives = [row.archive for row in rows]
        journals = [a.with_name(a.name.replace(".night.h5", ".review.jsonl")) for a in archives]
        return stamp(self.study_file, *archives, *journals)

    def verdict(self, study: Study, night: StudyNight) -> dict[str, Any] | None:
        """What was found of a night's recording, as long as it is the same."""
        found = self.known.verdicts.get(night.id)
        return found[1] if found is not None and found[0] == self.night_stamp(study, night) else None

    def look(self, study: Study, nights: tuple[StudyNight, ...]) -> None:
        """Have recordings looked at."""
        for night in nights:
            state, known = self.night_stamp(study, night), self.known

            def keep(
                job: Job, night: StudyNight = night, state: object = state, known: Known = known
            ) -> None:
                known.verdicts[night.id] = (state, job.result)

            self.worker.ask(
                "look", f"looking at {night.id}", done=keep, file=str(self.study_file), night=night.id
            )

    def check(self) -> None:
        """Have the study checked against its recordings."""
        study, home = self.study, self.study_file.parent
        names = [n.recording for n in study.recorded] + [r.recording for r in study.reference]
        state = stamp(self.study_file, *(beside(home / name) for name in names))
        if self.known.findings[0] == state or self.worker.busy("check"):
            return

        known = self.known

        def keep(job: Job) -> None:
            known.findings = (state, job.result["findings"])

        self.worker.ask("check", "checking the study", done=keep, file=str(self.study_file))

    def letter_fields(self) -> Mapping[str, str]:
        """What was entered for the letter."""
        import msgspec

        from sleepbrux.report.letter import load_fields

        path = self.study_file.with_name(LETTER_FIELDS)
        return msgspec.structs.asdict(load_fields(path if path.is_file() else None))


def _accepted(recording: Path) -> str:
    """Who accepted the clenches of a recording; empty for nobody."""
    if not beside(recording).is_file():
        return ""
    from sleepbrux.recording.clenches import load_proposal

    try:
        found = load_proposal(recording)
    except ReferenceLevelError:
        return ""
    return found.accepted_by if found is not None and found.accepted else ""
