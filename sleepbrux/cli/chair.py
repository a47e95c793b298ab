"""``sleepbrux chair``: the live chair session."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline
from sleepbrux.core.errors import SleepbruxError, StudyError, UsageError

if TYPE_CHECKING:
    from sleepbrux.live.engine import Engine
    from sleepbrux.live.session import Session
    from sleepbrux.study.file import Study


@click.command()
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False), required=False)
@click.option("--stream", default="", metavar="NAME", help="Name or id of the stream to receive.")
@click.option("--channel", multiple=True, metavar="LABEL", help="Channel to record; repeatable.")
@click.option(
    "--unit",
    default="",
    metavar="UNIT",
    help="Unit of the samples where the stream does not say: uV, mV, nV, V.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder of the recording [default: that of the study file].",
)
@options.running_number
@click.option(
    "--by-itself", is_flag=True, help="Each part begins when the one before is over, without anybody's click."
)
@click.option("--list", "listing", is_flag=True, help="Show the streams on this machine and end.")
@click.option(
    "--electrodes",
    is_flag=True,
    help="Record one minute, say whether the recorder's electrodes hold, and end; needs no study.",
)
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port [default: a free one].")
@click.option("--open/--no-open", "opened", default=True, help="Open the page in the browser.")
def command(
    *,
    study: Path | None,
    stream: str,
    channel: tuple[str, ...],
    unit: str,
    out: Path | None,
    person: int | None,
    by_itself: bool,
    listing: bool,
    electrodes: bool,
    port: int,
    opened: bool,
) -> int:
    """Lead through the clench test of STUDY with a live stream (LSL) of this machine, and keep the recording.

    Battery-powered, isolated equipment only while a person is connected. Stop when clenching hurts. For measuring
    only: no treatment by what the screen shows. Local rules and licensed practice come first.
    """
    if listing:
        return _list()
    if electrodes:
        return _minute(stream, channel, unit, out or Path())
    from sleepbrux.cli.score import load_kernels

    if study is None:
        raise UsageError("name the study file; its conditions are the appliances that are tried")
    plan = _plan(study)
    load_kernels()
    engine = _engine(_stem(plan), stream, channel, unit, out or study.parent)
    session = _session(engine, plan, person, by_itself=by_itself)
    _serve(session, port=port, opened=opened)
    return _told(session)


def _plan(file: Path) -> Study:
    from sleepbrux.report.sheets.words import appliances
    from sleepbrux.study.file import FILL_IN, load_study

    try:
        plan = load_study(file)
    except StudyError as error:
        raise UsageError(str(error)) from error
    if plan.pseudonym == FILL_IN:
        raise UsageError(
            f"{file.name}: pseudonym is still to be filled in; the recording carries it: write a code"
        )
    if not appliances(plan):
        click.echo("note: the study names no appliance, so only natural teeth are measured", err=True)
    return plan


def _stem(plan: Study) -> str:
    from sleepbrux.core.files import own_stem

    return f"{own_stem(plan.pseudonym)}.chair"


def _list() -> int:
    from sleepbrux.core.texts import count_of
    from sleepbrux.live.source import found

    inlets = found()
    headline(f"{count_of(len(inlets), 'stream')} of samples on this machine")
    for inlet in inlets:
        click.echo(inlet.info.text)
        inlet.close()
    next_steps.say_next(("lead through a session with one of them", ("chair", "STUDY.toml")))
    return 0


def _engine(stem: str, stream: str, channel: tuple[str, ...], unit: str, folder: Path) -> Engine:
    """The chosen stream, its rate checked, and a new file for it."""
    from sleepbrux.live.engine import Engine, checked_rate
    from sleepbrux.live.keeper import Keeper
    from sleepbrux.live.screen import Screen
    from sleepbrux.live.source import choose, chosen_channels, found

    inlets = found()
    info = choose([inlet.info for inlet in inlets], stream)
    for inlet in inlets:
        if inlet.info != info:
            inlet.close()
    inlet = next(i for i in inlets if i.info == info)
    chosen = chosen_channels(info, channel, unit)
    click.echo(f"stream: {info.text}", err=True)
    click.echo("checking its rate ...", err=True)
    inlet.start()
    checked_rate(inlet, chosen)
    folder.mkdir(parents=True, exist_ok=True)
    now = datetime.now()
    whole = info.format in ("int8", "int16") and len(set(chosen.gains)) == 1
    path = folder / f"{stem}-{now:%Y%m%d-%H%M%S}.{'edf' if whole else 'bdf'}"
    keeper = Keeper(
        path,
        chosen.labels,
        info.rate,
        bits=16 if whole else 24,
        start=now.replace(microsecond=0),
        step_uv=chosen.gains[0] if whole else None,
        find_ends=info.format not in ("int8", "int16"),
    )
    rails = [32767 * gain if info.format == "int16" else None for gain in chosen.gains]
    return Engine(inlet, chosen, keeper, Screen(chosen.labels, info.rate, rails))


def _session(engine: Engine, plan: Study, person: int | None, *, by_itself: bool) -> Session:
    from sleepbrux.live.protocol import Protocol
    from sleepbrux.live.session import Session
    from sleepbrux.report.sheets import person_number
    from sleepbrux.report.sheets.words import appliances

    names = appliances(plan)
    number = person_number(plan) if person is None else person
    return Session(engine, Protocol(names, number, by_itself), names=names, person=plan.pseudonym)


def _serve(session: Session, *, port: int, opened: bool) -> None:
    from sleepbrux.cli.browser import entrance_of_page, page_of
    from sleepbrux.live.serving import serve
    from sleepbrux.live.words import CAUTIONS

    entrance = entrance_of_page()

    def told(address: str) -> None:
        for caution in CAUTIONS:
            click.echo(caution)
        click.echo(f"Session for this machine only: {address}")
        click.echo(f"Code, to be typed on that page once: {entrance.code()}")
        click.echo(f"Everything received goes to {session.path.name} as it comes. End with Ctrl-C.")
        show(address)

    with page_of(entrance, opened=opened) as show:
        serve(session, entrance, port=port, told=told)


def _told(session: Session) -> int:
    """What became of the session; 1 where no test came of it."""
    from sleepbrux.report.clench_page import answers

    if session.result is not None:
        for answer in answers(session.result):
            headline(answer)
    for note in session.engine.all_notes():
        click.echo(f"{note.severity}: {note.text}")
    for text in session.protocol.departures:
        click.echo(f"departure: {text}")
    click.echo(f"recording: {session.path}")
    if session.result is None:
        click.echo(f"sleepbrux: {session.refusal}", err=True)
        return 1
    for page in session.written:
        click.echo(f"written: {page}")
    next_steps.say_next(
        ("see whether the clenches make a reference", ("reference", session.path)),
    )
    return 0


def _minute(stream: str, channel: tuple[str, ...], unit: str, folder: Path) -> int:
    from sleepbrux.cli.inspect import say_verdict
    from sleepbrux.cli.progress import shown
    from sleepbrux.cli.score import load_kernels
    from sleepbrux.live.minute import judge, receive

    load_kernels()
    engine = _engine("electrodes", stream, channel, unit, folder)
    try:
        with shown("one minute: sit still, then clench once") as progress:
            receive(engine, told=progress)
    except SleepbruxError:
        engine.close()
        raise
    say_verdict(judge(engine.keeper.path))
    click.echo("This says whether the electrodes hold now, and nothing about the person.")
    next_steps.say_next(
        ("after the night, see whether it can be used", ("inspect", "--after-night", "STUDY.toml"))
    )
    return 0
