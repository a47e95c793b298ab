"""A night as a FHIR R4 bundle: one report, one observation a measure, the software as device.

Made from templates of our own. There is no code of a diagnosis and no interpretation: no terminology
has a code for an index of jaw-muscle activity (LOINC was searched), so measures are named by their
text and by this project's own code system. Dates are left out unless asked for; where given they are
days only, because a recording's local time has no zone.
"""

from __future__ import annotations

import html
import uuid
from datetime import timedelta
from typing import Any

from sleepbrux.core.errors import SleepbruxError
from sleepbrux.core.printed import rounded
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.summary import report_id
from sleepbrux.scoring.measures import Measure, label_of
from sleepbrux.scoring.night import Night

CODES = "urn:x-sleepbrux:measure"
REPORTS = "urn:x-sleepbrux:report"
PEOPLE = "urn:x-sleepbrux:pseudonym"
UCUM = "http://unitsofmeasure.org"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
UCUM_CODES = {
    "1/h": "/h",
    "h": "h",
    "%": "%",
    "µV": "uV",
    "s": "s",
    "min": "min",
    "Hz": "Hz",
    "1": "1",
    "% MVC": "%",
    "µV·s/h": "uV.s/h",
    "% MVC·s/h": "%.s/h",
    "1/min": "/min",
    "ms": "ms",
}
METHOD = "surface EMG of the jaw muscles, unattended, at home; no sleep laboratory, no audio, no video"
STATUSES = {
    "DiagnosticReport": {
        "registered",
        "partial",
        "preliminary",
        "final",
        "amended",
        "corrected",
        "appended",
        "cancelled",
        "entered-in-error",
        "unknown",
    },
    "Observation": {
        "registered",
        "preliminary",
        "final",
        "amended",
        "corrected",
        "cancelled",
        "entered-in-error",
        "unknown",
    },
    "Device": {"active", "inactive", "entered-in-error", "unknown"},
}
BUNDLE_TYPES = {
    "document",
    "message",
    "transaction",
    "transaction-response",
    "batch",
    "batch-response",
    "history",
    "searchset",
    "collection",
}
NARRATIVES = {"generated", "extensions", "additional", "empty"}
DEVICE_NAMES = {
    "udi-label-name",
    "user-friendly-name",
    "patient-reported-name",
    "manufacturer-name",
    "model-name",
    "other",
}
ABSENT_CODES = {"unknown", "not-applicable", "error", "unsupported", "not-performed"}


def faults(bundle: dict[str, Any]) -> list[str]:
    """What breaks a required value set or points nowhere; empty for a sound bundle."""
    found = [] if bundle.get("type") in BUNDLE_TYPES else [f"Bundle.type {bundle.get('type')!r}"]
    urls = {entry["fullUrl"] for entry in bundle["entry"]}
    for entry in bundle["entry"]:
        resource = entry["resource"]
        kind = resource["resourceType"]
        if resource.get("status") not in STATUSES[kind]:
            found.append(f"{kind}.status {resource.get('status')!r}")
        narrative = resource.get("text", {"status": "generated"})["status"]
        if narrative not in NARRATIVES:
            found.append(f"{kind}.text.status {narrative!r}")
        found += [
            f"Device.deviceName.type {name['type']!r}"
            for name in resource.get("deviceName", ())
            if name["type"] not in DEVICE_NAMES
        ]
        found += [
            f"{kind}.dataAbsentReason {coding['code']!r}"
            for coding in resource.get("dataAbsentReason", {}).get("coding", ())
            if coding["code"] not in ABSENT_CODES
        ]
        places = [*resource.get("result", ()), resource.get("device")]
        found += [
            f"{kind} refers to {place['reference']!r}, which is not in the bundle"
            for place in places
            if place and place["reference"] not in urls
        ]
    return found


def _quantity(value: float, unit: str) -> dict[str, Any]:
    coded = {"system": UCUM, "code": UCUM_CODES[unit]} if unit in UCUM_CODES else {}
    return {"value": rounded(value), "unit": unit, **coded}


def _code(name: str) -> dict[str, Any]:
    text = label_of(name)
    return {"coding": [{"system": CODES, "code": name, "display": text}], "text": text}


def _ends(measure: Measure) -> list[dict[str, Any]]:
    return [
        {
            "code": {"text": f"{end} end of a 95 % interval: {interval.meaning}"},
            "valueQuantity": _quantity(value, measure.unit),
        }
        for interval in measure.intervals
        for end, value in (("lower", interval.low), ("upper", interval.high))
        if value is not None
    ]


def _value(measure: Measure) -> dict[str, Any]:
    if measure.value is not None:
        return {"valueQuantity": _quantity(measure.value, measure.unit)}
    absent = {"coding": [{"system": ABSENT, "code": "unknown"}], "text": measure.reason}
    return {"dataAbsentReason": absent}


def _days(night: Night) -> dict[str, Any]:
    start, spans = night.swept.start, night.window.spans_s
    if start is None or not spans:
        return {}
    first, last = (start + timedelta(seconds=t) for t in (spans[0][0], spans[-1][1]))
    return {"effectivePeriod": {"start": first.date().isoformat(), "end": last.date().isoformat()}}


def _narrative(lines: list[str]) -> dict[str, str]:
    body = "".join(f"<p>{html.escape(line, quote=False)}</p>" for line in lines)
    return {
        "status": "generated",
        "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{body}</div>',
    }


def bundle(
    night: Night,
    *,
    sentences: tuple[str, ...] = (),
    with_dates: bool = False,
) -> dict[str, Any]:
    """The night as a bundle of type ``collection``, ready for JSON.

    Its status is ``preliminary`` where no person has looked at the scoring, ``final`` where one has,
    and ``amended`` where it supersedes an earlier report.

    Parameters
    ----------
    sentences
        What the report's text says before the purpose: the reading and the cautions.
    with_dates
        Give the days of the night. They are an identifier; by default they stay out.

    Raises
    ------
    SleepbruxError
        What was made breaks a required value set: a fault of this program.
    """
    id_ = report_id(night)
    space = uuid.uuid5(uuid.NAMESPACE_URL, f"{REPORTS}:{night.swept.digest}:{id_}")

    def url(name: str) -> str:
        return f"urn:uuid:{uuid.uuid5(space, name)}"

    status = "amended" if night.supersedes else "final" if night.review else "preliminary"
    pseudonym = dict(night.about).get("person", "")
    subject = (
        {"identifier": {"system": PEOPLE, "value": pseudonym}} if pseudonym else {"display": "not named"}
    )
    when = _days(night) if with_dates else {}
    observations = [
        (
            url(name),
            {
                "resourceType": "Observation",
                "status": status,
                "code": _code(name),
                "subject": subject,
                **when,
                **_value(measure),
                "note": [{"text": f"Basis: {measure.basis}. Rules: {night.criterion.id}."}],
                "method": {"text": METHOD},
                "device": {"reference": url("device")},
                **({"component": _ends(measure)} if _ends(measure) else {}),
            },
        )
        for name, measure in night.measures.items()
    ]
    former = [{"system": REPORTS, "value": night.supersedes}] if night.supersedes else []
    report = {
        "resourceType": "DiagnosticReport",
        "text": _narrative([*sentences, PURPOSE]),
        "identifier": [
            {"use": "official", "system": REPORTS, "value": id_},
            *({"use": "old", **f} for f in former),
        ],
        "status": status,
        "code": {
            "coding": [{"system": "urn:x-sleepbrux:report-kind", "code": "jaw-emg-night"}],
            "text": "One night of jaw-muscle surface EMG, scored automatically",
        },
        "subject": subject,
        **when,
        "result": [{"reference": place} for place, _ in observations],
    }
    device = {
        "resourceType": "Device",
        "status": "active",
        "deviceName": [{"name": "sleepbrux", "type": "model-name"}],
        "version": [{"value": __version__}],
        "note": [{"text": PURPOSE}],
    }
    made = {
        "resourceType": "Bundle",
        "identifier": {"system": REPORTS, "value": id_},
        "type": "collection",
        "entry": [
            {"fullUrl": place, "resource": resource}
            for place, resource in (
                (url("report"), report),
                *observations,
                (url("device"), device),
            )
        ],
    }
    wrong = faults(made)
    if wrong:
        raise SleepbruxError(f"the FHIR bundle was not written: {'; '.join(wrong)}")
    return made
