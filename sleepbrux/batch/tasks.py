"""Study files and folders to a list of nights, each with the place where its results stand."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

import msgspec

from sleepbrux.core.errors import Note, RecordingError, StudyError, UsageError
from sleepbrux.core.files import own_stem, safe_stem
from sleepbrux.core.texts import visible
from sleepbrux.criteria import criterion_ids
from sleepbrux.recording.candidates import Candidate, candidate
from sleepbrux.recording.opening import READ, Hints
from sleepbrux.recording.storage import Stored, find, is_address
from sleepbrux.report.outputs import ARCHIVE
from sleepbrux.study.file import Study, StudyNight, load_study, person_folder
from sleepbrux.study.persons import person_notes

STUDY_NAME = "study.toml"
RECORDS = ".batch"
OnOther = Callable[[Path | str, str], None]


@dataclass(frozen=True)
class Common:
    """How recordings are scored that no study file describes; as in `sleepbrux.scoring.request.Request`.

    Attributes
    ----------
    stages_ending, marks_ending
        What the names of the files with sleep stages and with marks end in, beside each recording:
        ``.stages.csv`` for ``n1.stages.csv`` beside ``n1.edf``; empty for none.
    archives
        Whether archives are written, also of the nights of a study file.
    """

    criterion: str = ""
    channels: tuple[str, ...] = ()
    hints: Hints = field(default_factory=Hints)
    mvc_uv: float | Mapping[str, float] | None = None
    from_text: str = ""
    to_text: str = ""
    stages_ending: str = ""
    marks_ending: str = ""
    archives: bool = True

    @property
    def endings(self) -> tuple[str, ...]:
        """Endings of files that lie beside a recording and are none."""
        return tuple(filter(None, (self.stages_ending, self.marks_ending)))


@dataclass(frozen=True)
class Task:
    """One night to score.

    Attributes
    ----------
    key
        Folder and stem of its results below the output folder, with ``/`` between.
    night, study_name, condition
        What the table calls it: night's id or recording's name, pseudonym, what was worn.
    home, recording
        Folder of the study file, or of the recording; the recording itself. Absolute.
    study
        The study with this night alone; None for a recording that no study describes.
    common
        How such a recording is scored.
    study_file
        The study file; None likewise.
    fault
        Why there is nothing to score, such as a study file that cannot be read.
    path
        Of the recording, relative to the folder that all inputs of the run share, with ``/`` between.
    notes
        What its study's other recordings say about it: see `sleepbrux.study.persons`.
    stored
        The recording in a store, from which it is copied to be scored; None for one on this machine.
    """

    key: str
    night: str
    home: Path
    recording: Path
    study_name: str = ""
    condition: str = ""
    study: Study | None = None
    study_file: Path | None = None
    common: Common = Common()
    fault: str = ""
    path: str = ""
    notes: tuple[Note, ...] = ()
    stored: Stored | None = None

    @property
    def folder(self) -> PurePosixPath:
        """Folder of the results below the output folder."""
        return PurePosixPath(self.key).parent

    @property
    def stem(self) -> str:
        """Stem that the results share."""
        return PurePosixPath(self.key).name

    def archive(self, out: Path) -> Path:
        """Where its archive stands, or would."""
        return out / self.folder / f"{self.stem}{ARCHIVE}"

    @property
    def name(self) -> str:
        """What tells the night from every other of the run: person and night, or the recording's path."""
        return " ".join(filter(None, (self.study_name, self.night))) if self.study else self.path

    @property
    def place(self) -> str:
        """SHA-256 over where it lies: the study file's folder, or the recording itself."""
        where = self.stored.address if self.stored else self.home if self.study else self.recording
        return hashlib.sha256(os.fsencode(where)).hexdigest()

    @property
    def entry(self) -> StudyNight | None:
        """The night as the study file describes it."""
        return self.study.night[0] if self.study else None


def plan(
    inputs: Iterable[Path | str], out: Path, common: Common, *, on_other: OnOther | None = None
) -> list[Task]:
    """The nights of study files, folders and recordings, in the order given.

    A folder with a ``study.toml`` stands for that study. In any other folder every recording counts,
    of every format, by what is in the file; subfolders are searched, all by name. The results of a
    study stand in a folder named by its pseudonym, those of other recordings as they lay in the folder
    that was named.

    Parameters
    ----------
    inputs
        Paths of this machine, and addresses in a store: see `sleepbrux.recording.storage`.
    out
        Output folder; never searched.
    on_other
        Called with each file of a folder that might be taken for a recording and is none, and with each
        recording in a hidden folder or file, which is not scored; and why.

    Raises
    ------
    UsageError
        Nothing to score, or two nights whose results would have one name.
    """
    inputs = list(inputs)
    shared = shared_folder(inputs)
    tasks: list[Task] = []
    hidden: list[Path] = []

    def other(path: Path | str, reason: str) -> None:
        if reason == HIDDEN and isinstance(path, Path):
            hidden.append(path)
        if on_other is not None:
            on_other(path, reason)

    for given in inputs:
        if is_address(given):
            tasks += _of_store(str(given), common, other)
            continue
        path = Path(os.path.abspath(given))  # noqa: PTH100 - links keep the user's names
        if path.is_dir() and path.suffix.lower() != ".mff":
            found = list(_of_folder(path, Path(os.path.abspath(out)), common, other))  # noqa: PTH100
            if not found:
                lies = [p.relative_to(path).as_posix() for p in hidden if p.is_relative_to(path)]
                raise UsageError(
                    f"{str(given)!r} holds neither a {STUDY_NAME} nor recordings ("
                    f"{READ}); name the folder that does, or a study file"
                    + (f" (hidden, so not scored: {', '.join(lies[:5])})" if lies else "")
                )
            tasks += found
        elif not path.exists():
            raise UsageError(f"{str(given)!r}: there is no such file or folder; check the path")
        elif path.suffix.lower() == ".toml":
            tasks += _of_study(path, common)
        else:
            tasks.append(_loose(path, PurePosixPath(), common))
    return [
        replace(task, path=task.stored.address if task.stored else below(task.recording, shared))
        for task in _distinct(tasks)
    ]


def _of_store(address: str, common: Common, on_other: OnOther) -> Iterator[Task]:
    try:
        found, others = find(address, common.endings)
    except RecordingError as error:
        raise UsageError(str(error)) from error
    for other, reason in others:
        on_other(other, reason)
    if not found:
        raise UsageError(
            f"{address!r} holds no recordings (EDF, BDF); name the folder that does, or a recording"
        )
    stems = Counter((one.folder, PurePosixPath(one.name).stem.casefold()) for one in found)
    for one in found:
        name = PurePosixPath(one.name)
        alone = stems[one.folder, name.stem.casefold()] == 1
        yield replace(
            _loose(Path(name), one.folder, common, "" if alone else name.name.replace(".", "-")), stored=one
        )


def _of_folder(top: Path, out: Path, common: Common, on_other: OnOther) -> Iterator[Task]:
    for here, folders, files in os.walk(top):
        folder = Path(here)
        if STUDY_NAME in files:
            folders.clear()
            yield from _of_study(folder / STUDY_NAME, common)
            continue
        packages = sorted(f for f in folders if f.lower().endswith(".mff"))
        folders[:] = sorted(f for f in folders if f not in packages and folder / f != out)
        hidden = [name for name in folders if name.startswith(".")]
        folders[:] = [name for name in folders if name not in hidden]
        for name in hidden:
            _say_hidden(folder / name, common, on_other)
        nights: list[Path] = []
        for name in sorted([*files, *packages]):
            path = folder / name
            if name.startswith("."):
                _say_if_recording(path, common, on_other)
                continue
            if path.name.endswith(common.endings):
                continue
            seen = _look(path, files, common)
            if seen.verdict == "recording":
                nights.append(path)
            elif seen.verdict == "other":
                on_other(path, seen.reason)
        stems = Counter(path.stem.casefold() for path in nights)
        for path in nights:
            alone = stems[path.stem.casefold()] == 1 or path.suffix.lower() in {".edf", ".bdf"}
            stem = path.stem if alone else path.name.replace(".", "-")
            yield _loose(path, PurePosixPath(folder.relative_to(top)), common, stem)


HIDDEN = "it is hidden, so it is not scored; name it, or its folder, to have it scored"


def _say_hidden(top: Path, common: Common, on_other: OnOther) -> None:
    """Say of each recording below a hidden folder that it is passed over; records of a batch hold none."""
    if top.name == RECORDS:
        return
    for here, folders, files in os.walk(top):
        packages = [name for name in folders if name.lower().endswith(".mff")]
        folders[:] = sorted(name for name in folders if name not in packages)
        for name in sorted([*files, *packages]):
            _say_if_recording(Path(here) / name, common, on_other)


def _say_if_recording(path: Path, common: Common, on_other: OnOther) -> None:
    pipe = not path.is_file() and not path.is_dir()
    if not pipe and candidate(path, common.hints, common.channels).verdict == "recording":
        on_other(path, HIDDEN)


def _look(path: Path, beside: list[str], common: Common) -> Candidate:
    """What a file of a folder is; tables that scoring left beside an archive are no recordings."""
    stem = path.stem.rpartition(".")[0]
    if path.suffix.lower() == ".csv" and f"{stem}{ARCHIVE}" in beside:
        return Candidate("unsaid")
    return candidate(path, common.hints, common.channels)


def _loose(path: Path, folder: PurePosixPath, common: Common, stem: str = "") -> Task:
    parts = [safe_stem(part) for part in folder.parts]
    return Task(
        key="/".join([*parts, safe_stem(stem or path.stem)]),
        night=visible(path.stem),
        home=path.parent,
        recording=path,
        common=replace(common, criterion=_anywhere(common.criterion)),
    )


def _anywhere(criterion: str) -> str:
    """A rule file by its absolute path, so that a worker elsewhere finds it; ids as they are."""
    if not criterion or criterion in criterion_ids():
        return criterion
    return os.path.abspath(criterion)  # noqa: PTH100


def _of_study(file: Path, common: Common) -> list[Task]:
    try:
        study = load_study(file)
    except StudyError as error:
        name = file.parent.name if file.name == STUDY_NAME else file.stem
        key = f"{safe_stem(name)}/{safe_stem(file.stem)}"
        return [Task(key, "", file.parent, file, name, fault=str(error))]
    whole = msgspec.structs.replace(study, criterion=_anywhere(study.criterion))
    return [
        Task(
            key=f"{person_folder(study)}/{own_stem(night.id)}",
            night=night.id,
            home=file.parent,
            recording=file.parent / night.recording,
            study_name=study.pseudonym,
            condition=night.condition,
            study=msgspec.structs.replace(whole, night=(night,)),
            notes=person_notes(study, file.parent, night),
            study_file=file,
            common=Common(archives=common.archives),
        )
        for night in study.recorded
    ]


def _distinct(tasks: Iterable[Task]) -> list[Task]:
    """Tasks named twice once; two nights of one place are refused."""
    seen: dict[str, Task] = {}
    for task in tasks:
        first = seen.setdefault(task.key.casefold(), task)
        if first is not task and first != task:
            raise UsageError(
                f"{_said(first)} and {_said(task)} would both be written to "
                f"{task.key}; pseudonyms, night ids and names must differ (for folders, name the "
                "folder above both)"
            )
    return list(seen.values())


def _said(task: Task) -> str:
    whose = f"night {task.night!r} of {task.study_name!r}, " if task.study else ""
    return f"{whose}{task.stored.address if task.stored else str(task.recording)!r}"


def shared_folder(inputs: Iterable[Path | str]) -> Path:
    """The folder that all inputs of this machine share; the root where they lie on different drives."""
    places = [Path(os.path.abspath(given)) for given in inputs if not is_address(given)]  # noqa: PTH100
    if not places:
        return Path()
    folders = [p if p.is_dir() and p.suffix.lower() != ".mff" else p.parent for p in places]
    try:
        return Path(os.path.commonpath(folders))
    except ValueError:
        return Path(folders[0].anchor)


def below(path: Path | str, shared: Path) -> str:
    """A path relative to `shared_folder`, with ``/`` between; whole where it is not below it, or an address."""
    if isinstance(path, str):
        return visible(path)
    try:
        return Path(os.path.relpath(path, shared)).as_posix()
    except ValueError:
        return path.as_posix()


def shard_of(tasks: list[Task], part: tuple[int, int]) -> list[Task]:
    """Every n-th task from the i-th on, for ``part = (i, n)`` counted from 1."""
    i, n = part
    return tasks[i - 1 :: n]


def companions_of(recording: Path, common: Common) -> dict[str, Path]:
    """The files with stages and with marks that lie beside a recording, by ``"stages"`` and ``"marks"``."""
    endings = {"stages": common.stages_ending, "marks": common.marks_ending}
    places = {what: recording.with_name(recording.stem + end) for what, end in endings.items() if end}
    return {what: path for what, path in places.items() if path.is_file()}


def without_companion(tasks: Iterable[Task], common: Common) -> list[str]:
    """A sentence for each kind of file that is to lie beside recordings and is not beside all.

    Raises
    ------
    UsageError
        It lies beside none.
    """
    loose = [task for task in tasks if task.study is None and not task.fault]
    said = []
    for ending in common.endings:
        lacking = [task for task in loose if not _has(task, ending)]
        if loose and len(lacking) == len(loose):
            raise UsageError(
                f"no recording has a file beside it whose name ends in {ending!r}, such as "
                f"{loose[0].recording.stem + ending!r}; check the ending"
            )
        if lacking:
            names = ", ".join(task.path for task in lacking[:5]) + (" and more" if len(lacking) > 5 else "")
            said.append(
                f"{len(lacking)} of {len(loose)} recordings have no {ending!r} file beside them and are scored "
                f"without it: {names}"
            )
    return said


def _has(task: Task, ending: str) -> bool:
    name = task.recording.stem + ending
    if task.stored:
        return name in task.stored.beside
    return task.recording.with_name(name).is_file()
