"""µV per stored value for formats whose files may not say: CSV, WAV, HDF5."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple, TypeVar

from sleepbrux.recording.findings import Findings, listed
from sleepbrux.recording.labels import ELECTRICAL
from sleepbrux.recording.model import Role
from sleepbrux.recording.units import MICROVOLTS, UNIT_NAMES, read_unit

T = TypeVar("T")
Unit = str | Mapping[str, str] | None
Scale = float | Mapping[str, float] | None


class Sized(NamedTuple):
    """Physical = gain * stored, in ``unit``."""

    gain: float
    unit: str


def _by_label(
    given: T | Mapping[str, T] | None, roles: Mapping[str, Role], what: str, found: Findings
) -> dict[str, T]:
    """One value for every electrical or unknown channel, or one a label, as a table by label."""
    if given is None:
        return {}
    if not isinstance(given, Mapping):
        return {label: given for label, role in roles.items() if role in ELECTRICAL | {"other"}}
    folded = {label.casefold(): label for label in roles}
    table = {}
    for label, value in given.items():
        known = label if label in roles else folded.get(label.casefold())
        if known is None:
            raise found.refusal(
                f"a {what} is given for {label!r}, which is none of its channels {listed(roles)}."
            )
        table[known] = value
    return table


def sized(
    roles: Mapping[str, Role],
    written: Mapping[str, str],
    *,
    unit: Unit,
    scale: Scale,
    found: Findings,
) -> dict[str, Sized]:
    """Gain and unit of each channel: the given scale, else the given unit, else the written one.

    Parameters
    ----------
    roles
        Label to role, for every channel.
    written
        Label to the unit that the file states; empty where it states none.
    unit
        Unit of the values instead of the file's.
    scale
        µV that a value of 1 stands for.
    """
    units = _by_label(unit, roles, "unit", found)
    scales = _by_label(scale, roles, "scale", found)
    _check(units, scales, found)
    result: dict[str, Sized] = {}
    for label in roles:
        text = written.get(label, "")
        known = read_unit(text.encode("utf-8")) if text else None
        if label in scales:
            result[label] = Sized(float(scales[label]), "uV")
        elif label in units:
            result[label] = Sized(float(MICROVOLTS[units[label].lower()]), "uV")
        elif known is not None:
            result[label] = Sized(float(known.microvolts), "uV")
        else:
            result[label] = Sized(1.0, text or "a.u.")
    for names, what in ((scales, "scale"), (units, "unit")):
        if names:
            found.note(f"{what}-given", f"The {what} of {listed(names)} is given and not the file's.")
    without = [label for label in roles if result[label].unit != "uV" and roles[label] in ELECTRICAL]
    _tell(
        [label for label in without if not written.get(label)], "unit-blank", "There is no unit for {}", found
    )
    _tell(
        [label for label in without if written.get(label)],
        "unit-unknown",
        "The unit of {} is no known voltage",
        found,
    )
    return result


def _check(units: Mapping[str, str], scales: Mapping[str, float], found: Findings) -> None:
    for label, text in units.items():
        if text not in UNIT_NAMES:
            raise found.refusal(
                f"unit {text!r} is given for {label!r}, where {', '.join(UNIT_NAMES)} are allowed."
            )
    for label, value in scales.items():
        if not 0 < abs(value) < 1e12:
            raise found.refusal(
                f"scale {value!r} is given for {label!r}, where µV for a value of 1, not 0, are allowed."
            )


def _tell(labels: list[str], code: str, sentence: str, found: Findings) -> None:
    if labels:
        found.warn(
            code,
            sentence.format(listed(labels))
            + ": no value in µV without `unit` or `scale`, only criteria relative to background.",
        )
