"""Options that more than one verb has."""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import unseen

if TYPE_CHECKING:
    from sleepbrux.recording.opening import Hints

Command = Callable[..., Any]


class Number(click.FloatRange):
    """A finite number in a range; by itself a range has room for ``nan``, which is in none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value} is no finite number.", param, ctx)
        return number


class Second(click.types.FloatParamType):
    """A finite number of seconds, of either sign."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value} is no finite number.", param, ctx)
        return number


class Words(click.types.StringParamType):
    """A text that is kept with the results: no control character is in it.

    Parameters
    ----------
    allowed
        Those that may be.
    """

    name = "text"

    def __init__(self, allowed: str = "") -> None:
        self.allowed = allowed

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The text."""
        sign = unseen(value, self.allowed)
        if sign:
            self.fail(f"the text holds the control character {sign}; leave it out.", param, ctx)
        return str(value)


running_number = click.option(
    "--person",
    type=click.IntRange(min=0),
    default=None,
    help="Running number of the patient: balances the order of the appliances over patients "
    "[default: from the pseudonym].",
)
_HINTS = (
    click.option(
        "--unit",
        multiple=True,
        metavar="UNIT | LABEL=UNIT",
        help="Unit of the samples where the file does not say, or says it wrongly: uV, mV, V, nV.",
    ),
    click.option(
        "--scale",
        multiple=True,
        metavar="VALUE | LABEL=VALUE",
        help="µV that a stored value of 1 stands for (WAV: full scale), in CSV, WAV, HDF5 and XDF.",
    ),
    click.option(
        "--rate",
        type=Number(min=0, min_open=True),
        default=None,
        metavar="HZ",
        help="Samples a second, for a CSV or HDF5 file that does not say.",
    ),
    click.option(
        "--time-unit",
        type=click.Choice(["s", "ms", "us"]),
        default=None,
        help="Unit of the time column of a CSV file.",
    ),
    click.option(
        "--dataset",
        multiple=True,
        metavar="PATH",
        help="Data set of an HDF5 file, or stream of an XDF file; repeatable.",
    ),
    click.option(
        "--as",
        "roles",
        multiple=True,
        metavar="LABEL=WHAT",
        help="What a channel is, such as ch1=ecg or ch2='masseter left'; repeatable.",
    ),
    click.option(
        "--record-duration",
        type=Number(min=0, min_open=True),
        default=None,
        metavar="SECONDS",
        help="Length of a data record, for an EDF file that states none.",
    ),
)


def names(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> list[str]:
    """Names given each by an option of its own, or in one with commas between them.

    Raises
    ------
    UsageError
        Fewer than two, one that is empty or there twice, or a comma of which it is not known whether it parts
        names.
    """
    del ctx
    option = param.opts[0]
    each = f"write {option} once for each name: {option} none {option} 'night guard, upper'"
    if len(values) == 1 and re.search(r",\s", values[0].strip()):
        raise UsageError(
            f"{option} {values[0]!r} has a comma with a blank behind it, which may stand inside a name; "
            f"{each}"
        )
    found = [value.strip() for value in (values if len(values) > 1 else values[0].split(","))]
    if len(found) < 2 or "" in found:
        raise UsageError(f"{option} {', '.join(map(repr, values))} does not name two conditions; {each}")
    twice = next((name for name in found if found.count(name) > 1), "")
    if twice:
        raise UsageError(f"{option} names {twice!r} twice; give each name once")
    return found


def by_label(values: tuple[str, ...], option: str) -> str | dict[str, str] | None:
    """``("mV",)`` to ``"mV"``, ``("L=mV", "R=uV")`` to a table, ``()`` to None."""
    if not values:
        return None
    table: dict[str, str] = {}
    for text in values:
        label, equals, value = text.rpartition("=")
        if not equals and len(values) > 1:
            raise UsageError(
                f"{option} is given {len(values)} times, once without a label; write one value for all"
                " channels, or LABEL=VALUE for each"
            )
        if label in table:
            raise UsageError(f"{option} is given twice for {label!r}; give it once")
        table[label] = value.strip()
    return table.get("", table)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise UsageError(
            f"--scale {text!r} is no number; write --scale 2500 or --scale LABEL=2500 (µV)"
        ) from None


def _units(values: tuple[str, ...]) -> str | dict[str, str] | None:
    units = by_label(values, "--unit")
    known = {"uv": "uV", "µv": "uV", "μv": "uV", "mv": "mV", "v": "V", "nv": "nV"}
    for text in units.values() if isinstance(units, dict) else (units,) if units else ():
        if text.casefold() not in known:
            raise UsageError(f"--unit {text!r} is no unit; allowed are uV, mV, V, nV")
    if isinstance(units, dict):
        return {label: known[text.casefold()] for label, text in units.items()}
    return known[units.casefold()] if units else None


def _hints(
    unit: tuple[str, ...],
    scale: tuple[str, ...],
    rate: float | None,
    time_unit: str | None,
    dataset: tuple[str, ...],
    roles: tuple[str, ...],
    record_duration: float | None,
) -> Hints:
    from sleepbrux.recording.opening import Hints

    scales = by_label(scale, "--scale")
    named = by_label(roles, "--as")
    if isinstance(named, str):
        raise UsageError(f"--as {named!r} names no channel; write --as LABEL=ecg")
    return Hints(
        unit=_units(unit),
        scale={k: _number(v) for k, v in scales.items()}
        if isinstance(scales, dict)
        else None
        if scales is None
        else _number(scales),
        rate_hz=rate,
        record_duration_s=record_duration,
        time_unit=time_unit,
        datasets=dataset,
        roles=tuple((named or {}).items()),
    )


def hints(command: Command) -> Command:
    """Options that say about a file what it does not say; the command takes them as ``hints``."""

    @functools.wraps(command)
    def wrapped(**given: Any) -> Any:
        names = ("unit", "scale", "rate", "time_unit", "dataset", "roles", "record_duration")
        return command(hints=_hints(**{name: given.pop(name) for name in names}), **given)

    for option in reversed(_HINTS):
        wrapped = option(wrapped)
    return wrapped


marks = click.option(
    "--marks",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="Marks of the night: a table with onset, duration and text.",
)
sync = click.option(
    "--sync",
    multiple=True,
    metavar="OTHER=RECORDING",
    help="Second of an event in the companion files and in the recording; two or more correct drift.",
)


results = click.option(
    "--results",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    default=None,
    help="Folder with the archives [default: results next to the study file].",
)


def pair(text: str) -> tuple[float, float]:
    """Two numbers written as ``a=b``."""
    try:
        other, own = (float(part) for part in text.split("="))
    except ValueError:
        other = own = math.nan
    if not (math.isfinite(other) and math.isfinite(own)):
        raise UsageError(
            f"--sync {text!r} is no pair of seconds; write --sync 12.5=14.0 (other device=recording)"
        )
    return other, own


def say_doubts(archive: Path) -> None:
    """Say what is wrong with the files that belong to an archive, if anything."""
    from sleepbrux.archive.manifest import doubts, unlisted

    for text in filter(None, (*doubts(archive), unlisted(archive))):
        click.echo(f"note: {text}", err=True)
    say_sets(archive.parent)


def say_sets(*folders: Path | None) -> None:
    """Say once which files of letter, study page, agreement or export in a folder are of two runs."""
    from sleepbrux.archive.file_sets import folder_doubts

    context = click.get_current_context(silent=True)
    said = context.meta.setdefault("sleepbrux.folders", set()) if context else set()
    for folder in {path.resolve() for path in folders if path is not None} - said:
        said.add(folder)
        for text in folder_doubts(folder):
            click.echo(f"note: {text}", err=True)
