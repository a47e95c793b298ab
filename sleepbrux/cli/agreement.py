"""``sleepbrux agreement``: two scorings of the same nights, compared."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline
from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import count_of

if TYPE_CHECKING:
    from sleepbrux.analysis.agreement.compare import ScoringAgreement


def _scored(text: str | None) -> tuple[tuple[float, float], ...] | str | None:
    """``all``, or ``FROM-TO[,FROM-TO]`` in seconds."""
    if text is None or text == "all":
        return text
    spans = []
    for part in text.split(","):
        ends = part.split("-")
        try:
            start, stop = (float(e) for e in ends)
        except ValueError:
            raise UsageError(
                f"--scored {text!r}: write 'all', or FROM-TO in seconds, several with a comma"
            ) from None
        if not 0 <= start < stop:
            raise UsageError(f"--scored {text!r}: each span must end after it starts")
        spans.append((start, stop))
    return tuple(spans)


def _labels(pairs: tuple[str, ...]) -> dict[str, str]:
    out = {}
    for pair in pairs:
        label, sign, kind = pair.rpartition("=")
        if not sign or not label:
            raise UsageError(f"--label {pair!r}: write TEXT=KIND")
        out[label] = kind
    return out


def _show(found: ScoringAgreement) -> None:
    from sleepbrux.report.agreement_page import RULE_WORDS, estimate_text, number

    first = found.found[0]
    headline(
        f"{first.matched} {found.level}s in both, {first.only_a} only in A, {first.only_b} only in B; "
        f"{count_of(len(found.nights), 'night')}, {found.hours:.2f} hours known to both"
    )
    click.echo(f"A ({found.origins[0]}): {found.a}\nB ({found.origins[1]}): {found.b}\n")
    for row in found.found:
        click.echo(
            f"matched by {RULE_WORDS[row.rule]}: {row.matched} in both, {row.only_a} only A, "
            f"{row.only_b} only B"
        )
        click.echo(
            f"  sensitivity {estimate_text(row.sensitivity)}, precision "
            f"{estimate_text(row.precision)}, F1 {estimate_text(row.f1)}"
        )
    click.echo(f"  ({found.found[0].f1.meaning})")
    for slot in found.slots:
        click.echo(
            f"kappa per {slot.slot_s} s {estimate_text(slot.kappa)}; agreement on presence "
            f"{number(slot.on_presence, 3)}, on absence {number(slot.on_absence, 3)}"
        )
    for d in found.differences:
        click.echo(
            f"{d.name}, A less B: median {d.median:+z.3f} s, 5 to 95 % {d.p5:+z.3f} to "
            f"{d.p95:+z.3f} s ({d.n} matched)"
        )
    click.echo(f"kappa over kinds of matched events {number(found.kappa_kinds)}")
    _show_rest(found)
    for text in (*found.notes, *found.cautions):
        click.echo(f"note: {text}")


def _show_rest(found: ScoringAgreement) -> None:
    from sleepbrux.report.agreement_page import number

    for one in found.indices:
        if one.name == "ICC(2,1)":
            limits = (
                "no interval: too few persons"
                if one.low is None or one.high is None
                else f"{number(one.low)} to {number(one.high)}"
            )
            click.echo(
                f"{one.name} ({one.meaning}) {number(one.value)} [{limits}], {len(found.nights)} nights"
            )
    if found.no_indices:
        click.echo(found.no_indices)
    if found.limits:
        click.echo(
            f"events per known hour, A less B: bias {found.limits.bias:+z.2f}, limits of agreement "
            f"{found.limits.lower:+z.2f} to {found.limits.upper:+z.2f}"
        )
    for side, label, taken, n in found.labels:
        click.echo(f"label in {side}: {label!r} taken for {taken} ({n} rows)")
    if found.classes:
        c = found.classes
        click.echo(
            f"at or above {c.cut_off_per_h:g} per hour, of {c.of}: both {c.both}, only A {c.only_a}, "
            f"only B {c.only_b}, neither {c.neither}"
        )
        for text in c.cautions:
            click.echo(f"  {text}")


def _earlier(out: Path, found: ScoringAgreement) -> str:
    """What stands in a folder before this result is written there, in a sentence; empty for nothing.

    Raises
    ------
    UsageError
        An agreement of other scorings or nights.
    """
    import json

    path = out / "agreement.json"
    if not path.exists():
        return ""
    try:
        table = json.loads(path.read_text("utf-8"))
        before = (
            table["a"],
            table["b"],
            table["level"],
            [(n["night"], n.get("person", "")) for n in table["nights"]],
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UsageError(
            f"--out {str(out)!r} holds an agreement.json that cannot be read; name another folder"
        ) from error
    if before != (found.a, found.b, found.level, [(n.night, n.person) for n in found.nights]):
        nights = ", ".join(" of ".join(filter(None, map(str, pair))) for pair in before[3][:3]) or "no night"
        raise UsageError(
            f"--out {str(out)!r} holds the agreement of {before[0]} with {before[1]} ({nights}; level "
            f"{before[2]}), which would be lost; name another folder"
        )
    return "replaced: the earlier result of the same two scorings"


@click.command()
@click.argument("a", metavar="A", type=click.Path(path_type=Path))
@click.argument("b", metavar="B")
@click.option(
    "--level",
    type=click.Choice(["episode", "burst"]),
    default="episode",
    show_default=True,
    help="Which events are compared.",
)
@click.option(
    "--scored",
    default=None,
    metavar="all | FROM-TO",
    help="Time that a person's file covers, where it does not say so itself.",
)
@click.option(
    "--label",
    multiple=True,
    metavar="TEXT=KIND",
    help="What a label in a person's file stands for; repeatable.",
)
@click.option(
    "--class-at",
    type=options.Number(min=0, min_open=True),
    default=None,
    metavar="RATE",
    help="Also class persons at this rate per hour; with cautions.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for agreement.html, agreement.json and agreement.events.csv.",
)
def command(
    a: Path,
    b: str,
    level: str,
    scored: str | None,
    label: tuple[str, ...],
    class_at: float | None,
    out: Path | None,
) -> int:
    """Compare scoring A with scoring B of the same night, or of the nights in two folders.

    Each is an archive (NIGHT.night.h5: automatic), a journal (NIGHT.review.jsonl: reviewed), a
    person's file (EDF+ annotations, CSV, BIDS events.tsv). B may be criterion:ID, or the word
    reviewed for the journals of the archives of A. Only time known to both counts.
    """
    from sleepbrux.analysis.agreement.compare import compare
    from sleepbrux.analysis.agreement.loading import Wanted, check_labels, load_pair, pairs
    from sleepbrux.archive.manifest import ARCHIVE
    from sleepbrux.cli.progress import shown

    labels = _labels(label)
    wanted = Wanted("burst" if level == "burst" else "episode", labels, _scored(scored))
    check_labels(labels, wanted.level)
    files = pairs(a, b)
    loaded = []
    with shown("reading") as progress:
        for k, (first, second) in enumerate(files):
            loaded.append(load_pair(first, second, wanted))
            for path in (first, Path(second)):
                if path.name.endswith(ARCHIVE):
                    options.say_doubts(path)
            progress((k + 1) / len(files))
    found, matched = compare(loaded, cut_off_per_h=class_at)
    _show(found)
    if out is not None:
        from sleepbrux.report.outputs import write_agreement

        options.say_sets(out)
        earlier = _earlier(out, found)
        click.echo(f"written: {', '.join(write_agreement(found, matched, out))}")
        if earlier:
            click.echo(earlier)
    first = files[0][0]
    if first.name.endswith(ARCHIVE):
        next_steps.say_next(("look at the episodes that differ", ("review", first)))
    return 0
