"""``sleepbrux trace``: from a number of a night down to its samples."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from sleepbrux.cli import next_steps
from sleepbrux.cli.options import say_doubts
from sleepbrux.cli.terminal import headline
from sleepbrux.core.errors import UsageError
from sleepbrux.core.json_text import json_text
from sleepbrux.core.texts import count_of

SHOWN = 10
SURROUNDINGS = {
    "stage": "stage",
    "awake": "probably awake",
    "wake_probability": "probability of being awake by the ECG",
    "movement": "in a body movement",
    "grinding_like_sound": "grinding-like sound",
    "heart_rate_rise_5s_pct": "rise of the heart rate in %",
    "position": "position",
    "sound_db": "sound over its background in dB",
    "breathing_lag_s": "seconds from a respiratory event",
    "rhythm_hz": "rhythm in Hz",
    "other": "like",
}


def _clip(rows: list[str], *, everything: bool) -> list[str]:
    if everything or len(rows) <= SHOWN:
        return rows
    return [*rows[:SHOWN], f"... and {len(rows) - SHOWN} more: --all shows them"]


def _samples(places: dict[str, list[list[int]]]) -> str:
    return "; ".join(
        f"{label} samples " + ", ".join(f"[{a}, {b})" for a, b in pairs) if pairs else f"{label} none"
        for label, pairs in places.items()
    )


def _said(value: object) -> str:
    """A value in words, with the digits that a reader needs; --json has all of them."""
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _event(row: dict[str, Any]) -> str:
    surroundings = "".join(f"; {SURROUNDINGS[k]}: {_said(v)}" for k, v in row.get("surroundings", {}).items())
    if "episode" in row:
        name = f"episode {row['episode']}"
    else:
        name = f"in episode {row['in_episode']}" if row["in_episode"] else "single"
    return (
        f"{name:<15}{row['start_s']:.3f} to {row['end_s']:.3f} s  {row['kind']}  "
        f"{_samples(row['stored_samples'])}{surroundings}"
    )


def _value(table: dict[str, Any]) -> str:
    if table["value"] is None:
        return f"not computable ({table['reason']})"
    return f"{table['value']:.6g} {'' if table['unit'] == '1' else table['unit']}".strip()


def lines(table: dict[str, Any], *, everything: bool) -> list[tuple[str, list[str]]]:
    """The chain as headings with lines below them."""
    from sleepbrux.report.numbers import plain

    intervals = [
        f"95 %: {i['low']:.6g} to {i['high']:.6g}, {i['meaning']}" for i in table.get("intervals_95", ())
    ]
    events = table["events"]
    window, valid = table["window"], table["valid"]
    reference = table["reference"]
    return [
        (f"{table['measure']}: {_value(table)}", [f"basis: {table['basis']}", *intervals]),
        ("computed again from the events below", [table["computed_again"] or "no ratio of a count"]),
        (
            "rules",
            [f"{r['key']} = {plain(r['value'])}   ({r['status']}) {r['source']}" for r in table["rules"]]
            or ["none"],
        ),
        (
            f"events: {events['what']}" + ("" if events["count"] is None else f" ({events['count']})"),
            _clip([_event(e) for e in events["list"]], everything=everything),
        ),
        (
            "time",
            [
                f"window: {window['basis']}, {window['hours']:.6g} h",
                f"valid: {valid['hours']:.6g} h in {count_of(len(valid['spans_s']), 'stretch', 'stretches')}",
                *_clip([f"  {a:.3f} to {b:.3f} s" for a, b in valid["spans_s"]], everything=everything),
            ],
        ),
        (
            "left out of the window",
            _clip(
                [
                    f"{r['start_s']:.3f} to {r['end_s']:.3f} s  {r['channel']}: {r['text']}"
                    for r in table["left_out"]
                ],
                everything=everything,
            )
            or ["nothing"],
        ),
        (
            "reference",
            ["no reference clench"]
            if reference is None
            else [
                f"{reference['origin']}; {reference['statistic']}; {reference['placement']}; "
                f"teeth: {reference['teeth']}",
                *(
                    f"{v['channel']}: {_said(v['mvc_uv'])} µV {reference['amplitude']}"
                    for v in reference["levels"]
                ),
            ],
        ),
        (
            "channels",
            [
                f"{c['channel']}: {c['samples']} samples at {c['rate_hz']} Hz, {c['frames']} frames of "
                f"{c['frame_s']} s, threshold {_said(c['threshold_uv'])}, background {_said(c['background_uv'])}"
                for c in table["channels"]
            ],
        ),
        ("steps", [f"{s['step']}: {s['digest']}" for s in table["steps"]]),
        (
            "identity",
            [
                *(
                    f"{head:<16} {table['identity'][key]}"
                    for head, key in (
                        ("person", "person"),
                        ("night", "night"),
                        ("study SHA-256", "study_sha256"),
                        ("study id", "study_id"),
                    )
                    if table["identity"][key]
                ),
                f"input SHA-256    {table['input_sha256']}",
                f"archive SHA-256  {table['archive_sha256']}",
                f"criterion        {table['criterion']['id']} {table['criterion']['digest']}",
                f"report id        {table['report_id']}"
                + (f", supersedes {table['supersedes']}" if table["supersedes"] else ""),
                "versions         " + ", ".join(f"{k} {v}" for k, v in table["software"].items()),
            ],
        ),
    ]


@click.command()
@click.argument("archive", type=click.Path(path_type=Path, dir_okay=False))
@click.argument("measure", required=False, default="")
@click.option("--all", "everything", is_flag=True, help="List every event and every span.")
@click.option("--json", "as_json", is_flag=True, help="Print the whole chain as JSON.")
def command(archive: Path, measure: str, *, everything: bool, as_json: bool) -> int:
    """Print how MEASURE of ARCHIVE (NIGHT.night.h5) came about, down to sample numbers.

    Value, unit, basis, rules with their sources, events counted with their samples, spans left out,
    reference, digests and versions. Without MEASURE: the names that the night has.
    """
    from sleepbrux.archive.journal import load_reviewed
    from sleepbrux.cli.reviews import say_unread, unread
    from sleepbrux.export.chain import chain_of
    from sleepbrux.export.files import REVIEW_LEFT_OUT

    night = load_reviewed(archive)
    failed = say_unread(unread([(archive.name, night)]))
    say_doubts(archive)
    for note in night.notes:
        if note.code == REVIEW_LEFT_OUT.code:
            click.echo(f"note: {note.text}", err=True)
    if not measure:
        for name, m in night.measures.items():
            click.echo(f"{name}  ({m.unit})")
        next_steps.say_next(("from the rate down to the samples", ("trace", archive, "episodes_per_hour")))
        return min(failed, 1)
    if as_json and everything:
        raise UsageError("--json prints everything already; leave out --all")
    table = chain_of(night, measure, archive=archive)
    if as_json:
        click.echo(json_text(table).rstrip())
        return min(failed, 1)
    for k, (heading, rows) in enumerate(lines(table, everything=everything)):
        (click.echo if k else headline)(heading)
        for row in rows:
            click.echo(f"  {row}")
    click.echo(table["purpose"])
    next_steps.say_next(("see whether it holds under other rules", ("robustness", archive)))
    return min(failed, 1)
