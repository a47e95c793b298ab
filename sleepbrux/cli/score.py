"""``sleepbrux score``: recordings in, scored nights and reports out."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.progress import shown
from sleepbrux.cli.terminal import headline
from sleepbrux.core.errors import CriterionError, StudyError, UsageError

if TYPE_CHECKING:
    from sleepbrux.batch.one_by_one import Work
    from sleepbrux.recording.opening import Hints
    from sleepbrux.scoring.night import Night
    from sleepbrux.signal.surroundings.companions import CompanionFiles
    from sleepbrux.study.file import Study


def levels_of(values: tuple[str, ...], option: str) -> float | dict[str, float] | None:
    """``("172",)`` to 172.0, ``("L=172", "R=180")`` to a table; None for nothing."""
    table: dict[str, float] = {}
    for text in values:
        label, equals, number = text.rpartition("=")
        try:
            value = float(number)
        except ValueError:
            raise UsageError(
                f"{option} {text!r} is no level; write {option} 172 or {option} LABEL=172 (µV)"
            ) from None
        if not equals:
            if len(values) > 1:
                raise UsageError(
                    f"{option} is given {len(values)} times, once without a label; write one value "
                    "for all channels, or LABEL=VALUE for each"
                )
            return value
        if label in table:
            raise UsageError(f"{option} is given twice for {label!r}; give it once")
        table[label] = value
    return table or None


def _say(path: Path, stem: str, night: Night, out: Path) -> None:
    """The answer first, then what it was counted by, and where the report is."""
    from sleepbrux.report.numbers import count_of
    from sleepbrux.report.outputs import REPORT
    from sleepbrux.report.wording import count_phrase, next_words, rate_phrase, verdict_words
    from sleepbrux.scoring.night import REPLACED, meant_criterion
    from sleepbrux.scoring.rate_range import range_of
    from sleepbrux.scoring.usability import after_night

    warnings = sum(n.severity == "warning" for n in night.notes)
    replaced = next((n.text for n in night.notes if n.code == REPLACED), "")
    meant = meant_criterion(night)
    instead = f", by {night.criterion.id} instead of {meant}: no usable reference clench" if meant else ""
    headline(f"{path.name}: {rate_phrase(night)}{instead}")
    if replaced:
        click.echo(f"  {replaced}")
    click.echo(
        f"  {count_phrase(night)}; rules {night.criterion.id}"
        + (f"; {count_of(warnings, 'warning')} in the report" if warnings else "")
    )
    click.echo(f"  {verdict_words(after_night(night))}. {next_words(night)}")
    moved = range_of(night)
    if moved is not None and moved.low_per_hour < moved.high_per_hour:
        click.echo(f"  {moved.sentence}")
    click.echo(f"  report: {out / (stem + REPORT)}")


def load_kernels() -> None:
    """Load the compiled code; says so when it has to be compiled first."""
    from sleepbrux.signal import startup

    startup.load_kernels(lambda notice: click.echo(notice, err=True))


@click.command()
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for the results [default: results next to the study file, or next to the first recording].",
)
@click.option(
    "--mvc-uv",
    multiple=True,
    metavar="VALUE | LABEL=VALUE",
    help="Level of a maximal clench in µV, for all channels or for one.",
)
@click.option("--rest-uv", multiple=True, metavar="VALUE | LABEL=VALUE", help="Resting level in µV.")
@click.option(
    "--uv-kind",
    type=click.Choice(["rms", "rectified"]),
    default=None,
    help="Whether these µV are root mean square or mean rectified [default: rms].",
)
@click.option(
    "--convert-uv",
    type=click.Choice(["rms", "rectified"]),
    default=None,
    help="Convert these µV to that kind, by 1.253, the ratio of Gaussian EMG [default: never].",
)
@click.option(
    "--criterion",
    default="",
    metavar="ID | FILE",
    help="Rule set [default: phasic_tonic_10mvc; aasm without a clench].",
)
@click.option("--channel", multiple=True, metavar="LABEL", help="Channel to score; repeatable.")
@click.option(
    "--from",
    "from_text",
    default="",
    metavar="TIME",
    help="Start of the window: clock time (23:10) or seconds.",
)
@click.option("--to", "to_text", default="", metavar="TIME", help="End of the window.")
@options.hints
@click.option(
    "--stages",
    type=click.Path(path_type=Path),
    default=None,
    help="Sleep stages of the recording: EDF+ annotations or a table.",
)
@click.option(
    "--sound",
    type=click.Path(path_type=Path),
    default=None,
    help="Sound recorded at the same time; only level and flags are kept.",
)
@click.option(
    "--sound-start",
    type=options.Second(),
    default=None,
    metavar="SECONDS",
    help="Second of the recording at which the sound begins [default: by the start times].",
)
@options.marks
@options.sync
@click.option(
    "--position",
    multiple=True,
    metavar="CODE=WORD",
    help="What a code of the position channel means, such as 1=supine; repeatable.",
)
@click.option(
    "--study",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="Study file that says all of this for its nights.",
)
def command(
    recordings: tuple[Path, ...],
    out: Path | None,
    mvc_uv: tuple[str, ...],
    rest_uv: tuple[str, ...],
    uv_kind: str | None,
    convert_uv: str | None,
    criterion: str,
    channel: tuple[str, ...],
    hints: Hints,
    from_text: str,
    to_text: str,
    stages: Path | None,
    sound: Path | None,
    sound_start: float | None,
    marks: Path | None,
    sync: tuple[str, ...],
    position: tuple[str, ...],
    study: Path | None,
) -> int:
    """Score RECORDINGS and write report, tables and archive for each into a folder.

    The reference clench comes from --mvc-uv, from the study file, or from clenches that are marked
    in the recording. Without any, a criterion relative to background is used, and the result says so.
    """
    from sleepbrux.recording.opening import Hints
    from sleepbrux.scoring.request import Request

    beside = _beside(recordings, stages, sound, sound_start, position, marks, sync)
    stated = (
        mvc_uv,
        rest_uv,
        criterion,
        channel,
        from_text,
        to_text,
        hints != Hints(),
        stages,
        sound,
        sound_start is not None,
        position,
        marks,
        sync,
    )
    if study is not None and (any(stated) or uv_kind is not None or convert_uv is not None):
        raise UsageError("--study says all of it: leave out the other options, or change the study file")
    if not recordings and study is None:
        raise UsageError(
            "no recording is named; write: sleepbrux score NIGHT.edf, or sleepbrux score --study STUDY.toml"
        )
    if rest_uv and not mvc_uv:
        raise UsageError("--rest-uv describes the clench given by --mvc-uv; give both")
    if convert_uv is not None and not mvc_uv:
        raise UsageError("--convert-uv converts the clench given by --mvc-uv; give both")
    out = out if out is not None else next_steps.results_of(study or recordings[0])
    if study is not None:
        return _score_study(study, recordings, out)
    make_folder(out)
    for option, text in (("--from", from_text), ("--to", to_text)):
        check_time(text, option)
    if criterion:
        from sleepbrux.criteria import load_criterion

        try:
            load_criterion(criterion)
        except CriterionError as error:
            raise UsageError(str(error)) from error
    levels = levels_of(mvc_uv, "--mvc-uv"), levels_of(rest_uv, "--rest-uv")
    request = Request(
        criterion=criterion,
        channels=channel,
        hints=hints,
        mvc_uv=levels[0],
        rest_uv=levels[1],
        amplitude="rectified" if uv_kind == "rectified" else "rms",
        convert_to=None if convert_uv is None else "rms" if convert_uv == "rms" else "rectified",
        from_text=from_text,
        to_text=to_text,
        companions=beside,
    )
    code, archives = _score_all([(path, request, None) for path in recordings], out)
    for archive in archives[:1]:
        next_steps.say_next(
            ("look at every episode and decide", ("review", archive)),
            ("write the letter", ("letter", archive)),
        )
    return code


def _beside(
    recordings: tuple[Path, ...],
    stages: Path | None,
    sound: Path | None,
    sound_start: float | None,
    position: tuple[str, ...],
    marks: Path | None,
    sync: tuple[str, ...],
) -> CompanionFiles:
    """Files that come with a recording, checked before it is read."""
    from sleepbrux.signal.surroundings import companions as beside

    if (stages or sound or marks) and len(recordings) > 1:
        raise UsageError(
            "--stages, --sound and --marks belong to one recording; name one, or use a study file"
        )
    if sync and not (stages or sound or marks):
        raise UsageError("--sync joins the clock of another file; give --stages, --marks or --sound")
    if sound_start is not None and sound is None:
        raise UsageError("--sound-start says when the file of --sound begins; give both")
    words = []
    for text in position:
        code, equals, word = text.partition("=")
        if not equals or not word.strip() or not re.fullmatch(r"-?\d{1,4}", code.strip()):
            raise UsageError(f"--position {text!r} names no position; write --position 1=supine")
        words.append((int(code), word.strip()))
    return beside.CompanionFiles(
        stages, sound, sound_start, tuple(words), marks, tuple(options.pair(text) for text in sync)
    )


def make_folder(out: Path) -> None:
    """The output folder, before anything is computed."""
    if not str(out).strip() or str(out) == ".":
        raise UsageError("--out names no folder; write --out results")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"--out {str(out)!r} cannot be made: {error.strerror}") from error


def check_time(text: str, option: str) -> None:
    """Refuse what is no time before any recording is read."""
    from sleepbrux.recording.window import TIME_FORMS

    if text and not TIME_FORMS.fullmatch(text):
        raise UsageError(
            f"{option} {text!r} is no time; write a clock time such as 23:10 or 23:10:05, or seconds "
            "from the first sample"
        )


def _score_all(work: list[Work], out: Path) -> tuple[int, list[Path]]:
    """Score one after the other and say what came of each; exit code, and the archives."""
    from sleepbrux.batch.one_by_one import Listener, score_one_by_one

    done = score_one_by_one(
        work,
        out,
        Listener(
            load_kernels,
            shown,
            lambda path, stem, night: _say(path, stem, night, out),
            lambda sentence: click.echo(f"sleepbrux: {sentence}", err=True),
        ),
    )
    if done.failures and len(work) > 1:
        click.echo(f"{done.failures} of {len(work)} recordings were not scored", err=True)
    if done.usage and done.usage == done.failures == len(work):
        return 2, done.archives
    return (1 if done.failures else 0), done.archives


def ask_names(study: Study) -> None:
    """Ask about conditions whose names may not say what is meant, before anything rests on them."""
    from sleepbrux.study.checking import name_questions

    for one in name_questions(study):
        click.echo(f"question: {one.where}: {one.whole}", err=True)


def recorded_study(file: Path) -> Study:
    """A study with at least one recorded night; asks about names of conditions.

    Raises
    ------
    UsageError
        The file is at fault, or names no recording.
    """
    from sleepbrux.study.file import load_study
    from sleepbrux.study.persons import of_other_persons, other_person_text

    try:
        study = load_study(file)
    except StudyError as error:
        raise UsageError(str(error)) from error
    if not study.recorded:
        raise UsageError(f"{file.name} has no recording yet; write the name of each recording at its night")
    ask_names(study)
    for id_, name, usual in of_other_persons(study, file.parent):
        click.echo(f"question: recording of {id_}: {other_person_text(name, usual)}", err=True)
    return study


def _score_study(file: Path, recordings: tuple[Path, ...], out: Path) -> int:
    from sleepbrux.analysis.comparison.fixing import fix_at_scoring
    from sleepbrux.batch.one_by_one import study_work
    from sleepbrux.report.outputs import ARCHIVE

    study = recorded_study(file)
    make_folder(out)
    wanted = {path.resolve() for path in recordings}
    places = {(file.parent / n.recording).resolve(): n for n in study.recorded}
    unknown = wanted - places.keys()
    if unknown:
        raise UsageError(f"{file.name} has no night with the recording {min(unknown).name!r}")
    nights = [n for n in study.recorded if not wanted or (file.parent / n.recording).resolve() in wanted]
    work = study_work(study, nights, file.parent, lambda text: click.echo(f"sleepbrux: {text}", err=True))
    if work and (hindered := fix_at_scoring(file, study, out, ARCHIVE)):
        click.echo(f"warning: {hindered}", err=True)
    code, archives = _score_all(work, out)
    planned = [n.id for n in study.night if not n.recording]
    if planned and not wanted:
        click.echo(f"{_are(len(planned))} not recorded yet: {', '.join(planned)}")
    if archives:
        next_steps.say_next(
            ("look at every episode and decide", ("review", archives[0])),
            *study_steps(study, file, out),
        )
    return max(code, 1 if len(work) < len(nights) else 0)


def _are(n: int) -> str:
    return "1 night is" if n == 1 else f"{n} nights are"


def study_steps(study: Study, file: Path, results: Path) -> list[tuple[str, tuple[object, ...]]]:
    """What comes once nights of a study are scored: the comparison where there is something to compare."""
    where = next_steps.naming(file, results)
    if len({n.condition for n in study.recorded}) > 1:
        return [("compare the conditions", ("compare", file, *where))]
    return [("write the letter", ("letter", "--study", file, *where))]
