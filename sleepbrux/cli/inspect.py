"""``sleepbrux inspect``: what a recording holds, before anything is scored."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline, table_lines
from sleepbrux.core.errors import SleepbruxError
from sleepbrux.core.json_text import SOFTWARE, json_text
from sleepbrux.core.texts import count_of

if TYPE_CHECKING:
    from sleepbrux.recording.model import Recording
    from sleepbrux.recording.opening import Hints
    from sleepbrux.scoring.usability import UsabilityVerdict


def look(recording: Recording, progress: Callable[[float], None] = lambda share: None) -> dict[str, Any]:
    """Everything that ``inspect --json`` prints; half of the time goes to lowest and highest values."""
    from sleepbrux.signal.survey import survey

    channels = []
    for k, channel in enumerate(recording.channels):
        progress(k / len(recording.channels) / 2)
        seen = survey(recording, channel)
        channels.append(
            {
                "label": channel.label,
                "role": channel.role,
                "side": channel.side,
                "unit": channel.unit,
                "rate": str(channel.rate),
                "samples": channel.n_stored,
                "min_uv": seen.lowest,
                "max_uv": seen.highest,
                "p99_9_abs_uv": seen.p99_9_abs,
                "muscle": channel.muscle,
                "prefilter": channel.prefilter,
                "fault": channel.fault,
            }
        )
    return {
        "software": SOFTWARE,
        "input_sha256": recording.source.digest(),
        "name": recording.name,
        "format": recording.format,
        "start": recording.start.isoformat() if recording.start else None,
        "start_clock": recording.start_clock.isoformat() if recording.start_clock else None,
        "duration_s": recording.duration_s,
        "channels": channels,
        "gaps": [{"start_s": a, "end_s": b} for a, b in recording.gaps],
        "marks": [
            {"start_s": m.start_s, "duration_s": m.duration_s, "text": m.text, "channel": m.channel}
            for m in recording.marks
        ],
        "window": _window(recording),
        "quality": _first_look(recording, lambda share: progress((1 + share) / 2)),
        "notes": [{"code": n.code, "severity": n.severity, "text": n.text} for n in recording.notes],
    }


def _window(recording: Recording) -> dict[str, Any]:
    """What marks say of the night, and what is odd about them."""
    from sleepbrux.recording.window import find_window

    try:
        window = find_window(recording.marks, recording.duration_s)
    except SleepbruxError as error:
        return {"basis": "", "spans_s": [], "notes": [str(error)]}
    return {
        "basis": window.basis,
        "spans_s": window.spans_s,
        "notes": [n.text for n in window.notes],
    }


def _first_look(recording: Recording, progress: Callable[[float], None]) -> list[dict[str, Any]]:
    """Usable hours and faults of the channels that would be scored."""
    from sleepbrux.signal.held import held_of
    from sleepbrux.signal.plausible import rest_note
    from sleepbrux.signal.quality import REASONS, examine
    from sleepbrux.signal.sweep import sweep
    from sleepbrux.signal.swept import pick_channels

    try:
        channels = pick_channels(recording)
    except SleepbruxError:
        return []
    rows = []
    swept = sweep(recording, channels, progress=progress)
    for frames, held in zip(swept, held_of(swept), strict=True):
        quality = examine(frames, held=held)[1]
        flat = quality.faults.get("flat")
        count = max(float(frames.stat("samples").sum()), 1.0)
        doubt = rest_note(frames, quality)
        rows.append(
            {
                "channel": frames.channel.label,
                "usable_hours": quality.usable.hours,
                "clipped_s": quality.clipped.duration_s,
                "samples_at_rail_pct": 100 * float(frames.stat("at_rail").sum()) / count,
                "samples_unchanged_pct": 100 * float(frames.stat("unchanged").sum()) / count,
                "longest_flat_s": max((b - a for a, b in flat.seconds()), default=0.0) if flat else 0.0,
                "faults": [
                    {"reason": reason, "text": REASONS[reason], "seconds": spans.duration_s}
                    for reason, spans in quality.faults.items()
                ],
                "notes": [doubt.text] if doubt else [],
            }
        )
    return rows


def _show(seen: dict[str, Any]) -> None:
    start = seen["start"] or (f"date unknown, {seen['start_clock'] or 'time unknown'}")
    headline(
        f"{seen['name']}: {seen['duration_s'] / 3600:.2f} h, {count_of(len(seen['channels']), 'channel')}, "
        f"{seen['format']}, start {start}"
    )
    rows = []
    for c in seen["channels"]:
        rate = c["rate"] if "/" not in c["rate"] else f"{_ratio(c['rate']):.6g}"
        numbers = [c["min_uv"], c["max_uv"], c["p99_9_abs_uv"]]
        shown = [f"{v:z.2f}" if v is not None else "-" for v in numbers]
        role = " ".join(filter(None, (c["role"], c["muscle"], c["side"])))
        rows.append((c["label"], role, rate, c["unit"], *shown, c["fault"]))
    heads = ("channel", "is", "rate", "unit", "lowest", "highest", "99.9 % of |x|", "")
    click.echo("\n".join(table_lines(heads, rows, texts=(0, 1, 3, 7))))
    for gap in seen["gaps"]:
        click.echo(f"  gap from {gap['start_s']:.2f} s to {gap['end_s']:.2f} s")
    for mark in seen["marks"][:50]:
        click.echo(f"  mark at {mark['start_s']:.2f} s ({mark['duration_s']:.2f} s): {mark['text']}")
    if len(seen["marks"]) > 50:
        click.echo(f"  and {len(seen['marks']) - 50} more marks; --json prints all")
    _show_usable(seen)
    for note in seen["notes"]:
        click.echo(f"  {note['severity']}: {note['text']} [{note['code']}]")


def _show_usable(seen: dict[str, Any]) -> None:
    from sleepbrux.core.printed import hours_text, lasting

    window = seen["window"]
    hours = sum(b - a for a, b in window["spans_s"]) / 3600
    click.echo(f"  window: {hours:.2f} h, {window['basis'] or 'none'}")
    for text in window["notes"]:
        click.echo(f"  warning: {text}")
    for row in seen["quality"]:
        said = [f"{f['text']} {lasting(f['seconds'])}" for f in row["faults"]]
        if row["samples_at_rail_pct"]:
            said.append(f"{row['samples_at_rail_pct']:.2g} % of samples at the end of the range")
        if row["longest_flat_s"]:
            said.append(f"longest run without change {row['longest_flat_s']:.0f} s")
        click.echo("; ".join([f"  {row['channel']}: {hours_text(row['usable_hours'])} usable", *said]))
        for text in row["notes"]:
            click.echo(f"  warning: {text} [rest-implausible]")


def _ratio(text: str) -> float:
    over, _, under = text.partition("/")
    return int(over) / int(under or 1)


def _mornings(paths: tuple[Path, ...], mvc_uv: float | None, hints: Hints) -> list[UsabilityVerdict]:
    """The answer for each recording, and for each night of each study file."""
    from sleepbrux.scoring.request import Request
    from sleepbrux.scoring.usability import judge_file, judge_study

    found: list[UsabilityVerdict] = []
    for path in paths:
        if path.suffix.casefold() == ".toml":
            found += judge_study(path)
        else:
            found.append(judge_file(path, Request(mvc_uv=mvc_uv, hints=hints)))
    return found


def say_verdict(morning: UsabilityVerdict) -> None:
    """Show whether a recording can be used, why, and what to do."""
    from sleepbrux.core.printed import hours_text

    of = (
        f" ({hours_text(morning.valid_hours)} of {hours_text(morning.window_hours)} can be scored)"
        if morning.valid_hours is not None
        else ""
    )
    headline(f"{morning.name}: {morning.verdict or 'not judged'}{of}")
    alike: dict[str, list[str]] = {}
    for finding in morning.findings:
        alike.setdefault(finding.remedy, []).append(f"{finding.cause}: {finding.text}")
    for remedy, texts in alike.items():
        for text in texts:
            click.echo(f"  {text}")
        click.echo(f"    what to do: {remedy}")


def _after_night(paths: tuple[Path, ...], mvc_uv: float | None, hints: Hints, *, as_json: bool) -> int:

    mornings = _mornings(paths, mvc_uv, hints)
    if as_json:
        click.echo(json_text([{"software": SOFTWARE, **asdict(m)} for m in mornings]).rstrip())
    else:
        for morning in mornings:
            say_verdict(morning)
        click.echo("This says whether the recording can be read, and nothing about the person.")
        _next(paths, mornings, mvc_uv)
    return 1 if any(m.valid_hours is None for m in mornings) else 0


def _next(paths: tuple[Path, ...], mornings: list[UsabilityVerdict], mvc_uv: float | None) -> None:
    lost = all(m.verdict in (None, "repeat") for m in mornings)
    first = paths[0]
    level = () if mvc_uv is None else ("--mvc-uv", f"{mvc_uv:g}")
    words = ("--study", first) if first.suffix.casefold() == ".toml" else (*paths, *level)
    next_steps.say_next(
        (
            "record again where you can, and score what there is" if lost else "score",
            ("score", *words),
        )
    )


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option(
    "--after-night",
    is_flag=True,
    help="Say whether each recording (or each night of a STUDY.toml) is usable, usable with limits or "
    "to be repeated, why, and what to do. Repeat: no side alone has the hours that the rules ask for.",
)
@click.option(
    "--mvc-uv",
    type=options.Number(min=0, min_open=True),
    default=None,
    metavar="UV",
    help="With --after-night: level of a maximal clench, where the recording has none.",
)
@options.hints
def command(
    recordings: tuple[Path, ...],
    as_json: bool,
    after_night: bool,
    mvc_uv: float | None,
    hints: Hints,
) -> int:
    """Show channels, rates, units, roles, gaps, marks and a first look at quality."""
    if after_night:
        return _after_night(recordings, mvc_uv, hints, as_json=as_json)

    from sleepbrux.cli.progress import shown
    from sleepbrux.recording.opening import open_recording

    failures, found = 0, []
    for path in recordings:
        try:
            with shown(f"{path.name}: opening") as progress:
                recording = open_recording(path, hints, progress=progress)
            with shown(path.name) as progress:
                found.append(look(recording, progress))
        except SleepbruxError as error:
            failures += 1
            click.echo(f"sleepbrux: {error}", err=True)
    if as_json:
        value = found[0] if len(recordings) == 1 and found else found
        if found:
            click.echo(json_text(value).rstrip())
    else:
        for seen in found:
            _show(seen)
        if found:
            next_steps.say_next(("see whether it can be used", ("inspect", "--after-night", *recordings)))
    return 1 if failures else 0
