"""Channels of an EDF file: labels, scale to µV, and what is wrong with either."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from fractions import Fraction
from typing import NamedTuple

from sleepbrux.recording.findings import Findings, figures, listed, quoted
from sleepbrux.recording.formats.edf_clock import RecordClock
from sleepbrux.recording.formats.edf_header import (
    Fields,
    Header,
    Signal,
    clean,
    number_text,
    read_number,
)
from sleepbrux.recording.labels import ELECTRICAL, MUSCLES, recognise, unique_labels
from sleepbrux.recording.model import Channel, Role
from sleepbrux.recording.units import MICROVOLTS, UNIT_NAMES, Unit, read_unit

_WIDEST_UV = 2_000_000
_NARROWEST_UV = 20


class Scale(NamedTuple):
    """Physical = gain * digital + offset, the rails, and why there is none if there is none."""

    gain: Fraction
    offset: Fraction
    digital_min: int
    digital_max: int
    fault: str


def _labels(signals: list[Signal], found: Findings) -> list[str]:
    raw = [clean(s.fields["label"]) for s in signals]
    unique = unique_labels(raw)
    empty = [name for name, label in zip(unique, raw, strict=True) if not label]
    if empty:
        found.warn("label-empty", f"Signals without a label are named {listed(empty)}; say what they are.")
    twice = sorted({label for label, n in Counter(raw).items() if n > 1 and label})
    if twice:
        found.warn("label-twice", f"Labels used more than once, now numbered from '#1': {listed(twice)}.")
    odd = [
        name
        for name, signal in zip(unique, signals, strict=True)
        if any(not 32 <= byte <= 126 for byte in signal.fields["label"].rstrip(b"\0"))
        or signal.fields["label"][:1].isspace() != (not clean(signal.fields["label"]))
    ]
    if odd:
        found.warn("label-odd", f"Labels with a leading blank or other than ASCII text: {listed(odd)}.")
    return unique


def _numbers(fields: Fields, label: str, found: Findings) -> list[Fraction] | str:
    """Digital and physical range, or the sentence that says which field has no number."""
    values = []
    for name in ("digital minimum", "digital maximum", "physical minimum", "physical maximum"):
        number = read_number(number_text(fields[name]))
        if number is None:
            return (
                f"Field '{name}' of {label!r} is {figures(fields[name])}, where a number with a"
                " decimal point is allowed, so the channel has no scale; export the file again."
            )
        if number.comma:
            found.warn(
                "comma-decimal",
                f"Field '{name}' of {label!r} is {quoted(fields[name])}; read as {float(number.value):g}.",
            )
        values.append(number.value)
    return values


def _check_digital(low: Fraction, high: Fraction, bits: int, label: str, found: Findings) -> None:
    limit = 2 ** (bits - 1)
    if min(low, high) < -limit or max(low, high) >= limit:
        found.warn(
            "digital-range",
            f"The digital range of {label!r} is {float(low):g} to {float(high):g}, wider than the"
            f" {-limit} to {limit - 1} that {bits} bits hold.",
        )
    if low > high:
        found.warn(
            "digital-inverted",
            f"The digital minimum of {label!r} ({float(low):g}) is above its maximum"
            f" ({float(high):g}); check the polarity.",
        )


def _scale(fields: Fields, label: str, bits: int, found: Findings) -> Scale:
    values = _numbers(fields, label, found)
    if isinstance(values, str):
        return Scale(Fraction(1), Fraction(0), 0, 0, values)
    low, high, physical_low, physical_high = values
    _check_digital(low, high, bits, label, found)
    rails = sorted((int(low), int(high)))
    if low == high:
        fault = (
            f"Fields 'digital minimum' and 'digital maximum' of {label!r} are both"
            f" {float(low):g}, so the channel has no scale; export the file again."
        )
        return Scale(Fraction(1), Fraction(0), 0, 0, fault)
    if physical_low == physical_high:
        fault = (
            f"Fields 'physical minimum' and 'physical maximum' of {label!r} are both"
            f" {float(physical_low):g}, so the channel has no scale; export the file again."
        )
        return Scale(Fraction(1), Fraction(0), rails[0], rails[1], fault)
    if physical_low > physical_high:
        found.note("physical-inverted", f"The amplifier of {label!r} has a negative gain.")
    gain = (physical_high - physical_low) / (high - low)
    return Scale(gain, physical_low - gain * low, rails[0], rails[1], "")


def _given_units(
    unit: str | Mapping[str, str] | None, names: dict[str, Role], found: Findings
) -> dict[str, Unit]:
    """Units given by the caller, by label."""
    if unit is None:
        return {}
    if isinstance(unit, str):
        unit = {label: unit for label, role in names.items() if role in ELECTRICAL | {"other"}}
    folded = {label.casefold(): label for label in names}
    given = {}
    for label, text in unit.items():
        if text not in UNIT_NAMES:
            raise found.refusal(
                f"unit {text!r} is given for {label!r}, where {', '.join(UNIT_NAMES)} are allowed."
            )
        known = label if label in names else folded.get(label.casefold())
        if known is None:
            raise found.refusal(
                f"a unit is given for {label!r}, which is none of its channels {listed(names)}."
            )
        given[known] = Unit(MICROVOLTS[text.lower()], "plain")
    if given:
        found.note("unit-given", f"The unit of {listed(given)} is given and not the file's.")
    return given


def _note_units(odd: dict[str, str], unknown: list[tuple[str, Role, str]], found: Findings) -> None:
    for label, text in odd.items():
        found.warn("unit-spelling", f"Field 'dimension' of {label!r} is {text}; read as a voltage.")
    for blank in (True, False):
        for electrical in (True, False):
            chosen = [
                label
                for label, role, text in unknown
                if (text == "") == blank and (role in ELECTRICAL) == electrical
            ]
            if not chosen:
                continue
            what = "no unit" if blank else "a unit that is no known voltage"
            (found.warn if electrical else found.note)(
                "unit-blank" if blank else "unit-unknown",
                f"Field 'dimension' gives {what} for {listed(chosen)}: no value in µV without"
                " the option unit.",
            )


def _check_range(channel: Channel, found: Findings) -> None:
    """Note a range that no electrode signal has: it points to a wrong unit."""
    width = abs(channel.gain) * (channel.digital_max - channel.digital_min)
    if channel.fault or channel.unit != "uV" or channel.role not in MUSCLES:
        return
    if width > _WIDEST_UV or width < _NARROWEST_UV:
        found.warn(
            "unit-implausible",
            f"The range of {channel.label!r} is {width:.3g} µV from end to end, unlike a muscle"
            " recording; check the unit and give the option unit if it is wrong.",
        )


def edf_channels(
    header: Header,
    clock: RecordClock,
    *,
    unit: str | Mapping[str, str] | None,
    found: Findings,
) -> tuple[Channel, ...]:
    """Channels of a file, those without samples left out.

    Parameters
    ----------
    header, clock
        Header of the file, and where its records lie.
    unit
        Unit to use instead of the file's, for all electrical channels or by label.
    """
    every = [s for s in header.signals if not s.is_annotations]
    signals = [s for s in every if s.samples_per_record]
    if len(signals) < len(every):
        without = [clean(s.fields["label"]) for s in every if not s.samples_per_record]
        found.note("no-samples", f"Signals without samples are left out: {listed(without)}.")
    labels = _labels(signals, found)
    roles = {
        label: recognise(clean(signal.fields["label"])) for signal, label in zip(signals, labels, strict=True)
    }
    given = _given_units(unit, {label: role[0] for label, role in roles.items()}, found)
    odd: dict[str, str] = {}
    unknown: list[tuple[str, Role, str]] = []
    channels = []
    for signal, label in zip(signals, labels, strict=True):
        fields = signal.fields
        role, side, muscle = roles[label]
        scale = _scale(fields, label, 8 * header.sample_bytes, found)
        size = given.get(label) or read_unit(fields["dimension"])
        written = clean(fields["dimension"])
        if size is None and role in ELECTRICAL | {"other"}:
            unknown.append((label, role, written))
        elif size and size.spelling == "odd":
            odd[label] = quoted(fields["dimension"])
        elif size and size.spelling == "sign":
            found.note("unit-sign", "Units are written with a micro sign.")
        microvolts = size.microvolts if size and not scale.fault else Fraction(1)
        channel = Channel(
            index=signal.position,
            label=label,
            role=role,
            side=side,
            muscle=muscle,
            unit="uV" if size and not scale.fault else written or "a.u.",
            rate=signal.samples_per_record / header.record_duration,
            gain=float(scale.gain * microvolts),
            offset=float(scale.offset * microvolts),
            digital_min=scale.digital_min,
            digital_max=scale.digital_max,
            n_stored=header.n_records * signal.samples_per_record,
            pieces=clock.pieces(signal.samples_per_record),
            prefilter=clean(fields["prefilter"]),
            fault=scale.fault,
        )
        _check_range(channel, found)
        channels.append(channel)
    _note_units(odd, unknown, found)
    _note_faults(channels, found)
    return tuple(channels)


def _note_faults(channels: list[Channel], found: Findings) -> None:
    for channel in channels:
        if channel.fault:
            found.warn("channel-fault", channel.fault)
