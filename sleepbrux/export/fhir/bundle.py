"""A night as a FHIR R4 bundle: one report, one observation a measure, the software as device.

Made from templates of our own. There is no code of a diagnosis and no interpretation: no terminology
has a code for an index of jaw-muscle activity (LOINC was searched), so measures are named by this project's
own code system. Dates are left out unless asked for; where given they are days only, because a recording's
local time has no zone.

A ``collection`` is a file to keep. A ``document`` begins with a Composition and can be signed; it needs the time
of issue. A ``transaction`` is sent to a server: each resource is created only where the server does not have it
yet, so that sending twice changes nothing.
"""

from __future__ import annotations

import base64
import hashlib
import html
import re
import uuid
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Literal
from urllib.parse import quote

from sleepbrux.archive.identity import identity_of
from sleepbrux.core.errors import SleepbruxError, UsageError
from sleepbrux.core.printed import rounded
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.fhir import codes
from sleepbrux.export.fhir.checks import faults
from sleepbrux.export.summary import report_id
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night

Resource = dict[str, Any]
BUNDLES = ("collection", "document", "transaction")
METHOD = "surface EMG of the jaw muscles, unattended, at home; no sleep laboratory, no audio, no video"
_INSTANT = re.compile(
    r"[12]\d{3}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d{1,6})?"
    r"(Z|[+-](0\d|1[0-4]):[0-5]\d)"
)


@dataclass(frozen=True)
class FhirForm:
    """How a bundle is made.

    Attributes
    ----------
    type
        ``collection``, ``document`` or ``transaction``.
    issued
        When the report is issued, with its zone, such as ``2026-03-05T08:00:00+01:00``; empty: not said.
    dates
        Give the days of the night. They are an identifier; by default they stay out.
    sentences
        What the report's text says before the purpose: the reading and the cautions.
    letter
        The letter about the night as PDF; empty: none is attached.
    """

    type: Literal["collection", "document", "transaction"] = "collection"
    issued: str = ""
    dates: bool = False
    sentences: tuple[str, ...] = ()
    letter: bytes = b""


def check_form(form: FhirForm) -> None:
    """Refuse a form that no bundle can have.

    Raises
    ------
    UsageError
        The time of issue is missing for a document, or is no instant of FHIR.
    """
    if form.issued and not _INSTANT.fullmatch(form.issued):
        raise UsageError(
            f"`issued` is {form.issued!r}; it takes day, time and zone, such as 2026-03-05T08:00:00+01:00"
        )
    if form.type == "document" and not form.issued:
        raise UsageError(
            "a FHIR document says when it was issued; give `issued`, such as 2026-03-05T08:00:00+01:00"
        )


def _quantity(value: float, unit: str) -> Resource:
    coded = {"system": codes.UCUM, "code": codes.UCUM_CODES[unit]} if unit in codes.UCUM_CODES else {}
    return {"value": rounded(value), "unit": unit, **coded}


def _ends(measure: Measure) -> list[Resource]:
    return [
        {
            "code": {
                **codes.code(f"{interval.name}-{end}-95"),
                "text": f"{words} end of a 95 % interval: {interval.meaning}",
            },
            "valueQuantity": _quantity(value, measure.unit),
        }
        for interval in measure.intervals
        for end, words, value in (("low", "lower", interval.low), ("high", "upper", interval.high))
        if value is not None
    ]


def _value(name: str, measure: Measure) -> Resource:
    if measure.value is None:
        absent = {"coding": [{"system": codes.ABSENT, "code": "unknown"}], "text": measure.reason}
        return {"dataAbsentReason": absent}
    if name.endswith("_count"):
        return {"valueInteger": int(measure.value)}
    return {"valueQuantity": _quantity(measure.value, measure.unit)}


def _days(night: Night) -> Resource:
    start, spans = night.swept.start, night.window.spans_s
    if start is None or not spans:
        return {}
    first, last = (start + timedelta(seconds=t) for t in (spans[0][0], spans[-1][1]))
    return {"effectivePeriod": {"start": first.date().isoformat(), "end": last.date().isoformat()}}


def _site(night: Night) -> Resource:
    """Muscles of the scored channels, where every label says which."""
    channels = [f.channel for f in night.swept.frames]
    if not channels or not all(c.muscle for c in channels):
        return {}
    names = dict.fromkeys(" ".join(word for word in (c.side, c.muscle) if word) for c in channels)
    return {"bodySite": {"text": ", ".join(names)}}


def _narrative(lines: tuple[str, ...]) -> dict[str, str]:
    body = "".join(f"<p>{html.escape(line, quote=False)}</p>" for line in lines)
    return {
        "status": "generated",
        "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{body}</div>',
    }


def _attachment(letter: bytes) -> Resource:
    return {
        "contentType": "application/pdf",
        "language": "en",
        "data": base64.b64encode(letter).decode(),
        "size": len(letter),
        "hash": base64.b64encode(hashlib.sha1(letter, usedforsecurity=False).digest()).decode(),
        "title": "Letter about the night",
    }


def _search(identifier: Resource) -> str:
    """A search for an identifier, as a server reads it."""
    value = re.sub(r"([\\$,|])", r"\\\1", identifier["value"])
    return f"identifier={identifier['system']}|{quote(value, safe='')}"


class _Night:
    """Resources of one night."""

    def __init__(self, night: Night, form: FhirForm) -> None:
        self.night, self.form, self.id = night, form, report_id(night)
        self._space = uuid.uuid5(uuid.NAMESPACE_URL, f"{codes.REPORTS}:{night.swept.digest}:{self.id}")
        self.who = identity_of(night)
        self.status = "amended" if night.supersedes else "final" if night.review else "preliminary"
        self.subject: Resource = (
            {"reference": self.url("patient")} if self.who.person else {"display": "not named"}
        )
        self.when: Resource = _days(night) if form.dates else {}
        self.issued: Resource = {"issued": form.issued} if form.issued else {}

    def url(self, name: str) -> str:
        return f"urn:uuid:{uuid.uuid5(self._space, name)}"

    def patient(self) -> Resource:
        """The person by pseudonym; two persons of one pseudonym stay two.

        A pseudonym means somebody only inside its study. Without an id of the study the person is known
        by this recording alone.
        """
        who = self.who
        known = {"system": codes.own(f"pseudonyms of study {who.study_id}"), "value": who.person}
        alone = {"system": codes.RECORDINGS, "value": who.input_sha256}
        pseudonym = {"system": codes.PEOPLE, "value": who.person}
        return {
            "resourceType": "Patient",
            "identifier": [known] if who.study_id else [alone, pseudonym],
        }

    def device(self) -> Resource:
        return {
            "resourceType": "Device",
            "identifier": [{"system": codes.SOFTWARE, "value": f"sleepbrux-{__version__}"}],
            "status": "active",
            "deviceName": [{"name": "sleepbrux", "type": "model-name"}],
            "version": [{"value": __version__}],
            "note": [{"text": PURPOSE}],
        }

    def observation(self, name: str, measure: Measure) -> Resource:
        ends = _ends(measure)
        return {
            "resourceType": "Observation",
            "meta": {"profile": [codes.MEASURE_PROFILE]},
            "identifier": [{"system": codes.MEASURES, "value": f"{self.id}/{name}"}],
            "status": self.status,
            "category": [
                {"coding": [{"system": codes.CATEGORY, "code": "procedure", "display": "Procedure"}]}
            ],
            "code": codes.code(name),
            "subject": self.subject,
            **self.when,
            **self.issued,
            **_value(name, measure),
            "note": [
                {
                    "text": f"Unit: {measure.unit}. Basis: {measure.basis}. Rules: {self.night.criterion.id}, "
                    f"SHA-256 {self.night.criterion.digest()}."
                }
            ],
            **_site(self.night),
            "method": {"text": METHOD},
            "device": {"reference": self.url("device")},
            **({"component": ends} if ends else {}),
        }

    def report(self) -> Resource:
        former = self.night.supersedes
        return {
            "resourceType": "DiagnosticReport",
            "meta": {"profile": [codes.REPORT_PROFILE]},
            "text": _narrative((*self.form.sentences, PURPOSE)),
            "identifier": [
                {"use": "official", "system": codes.REPORTS, "value": self.id},
                *([{"use": "old", "system": codes.REPORTS, "value": former}] if former else []),
            ],
            "status": self.status,
            "category": [{"coding": [{"system": codes.SERVICE, "code": "EN"}]}],
            "code": codes.code(codes.REPORT),
            "subject": self.subject,
            **self.when,
            **self.issued,
            "result": [{"reference": self.url(name)} for name in self.night.measures],
            **({"presentedForm": [_attachment(self.form.letter)]} if self.form.letter else {}),
        }

    def composition(self) -> Resource:
        title = codes.OTHER_CODES[codes.REPORT]
        return {
            "resourceType": "Composition",
            "identifier": {"system": codes.REPORTS, "value": self.id},
            "status": self.status,
            "type": codes.code(codes.LETTER),
            "subject": self.subject,
            "date": self.form.issued,
            "author": [{"reference": self.url("device")}],
            "title": title,
            "section": [
                {
                    "title": "Findings",
                    "text": _narrative((*self.form.sentences, PURPOSE)),
                    "entry": [{"reference": self.url("report")}],
                }
            ],
        }

    def resources(self) -> list[tuple[str, Resource]]:
        """(name, resource), in the order of the bundle."""
        return [
            *([("composition", self.composition())] if self.form.type == "document" else []),
            ("report", self.report()),
            *((name, self.observation(name, m)) for name, m in self.night.measures.items()),
            ("device", self.device()),
            *([("patient", self.patient())] if self.who.person else []),
        ]

    def entry(self, name: str, resource: Resource) -> Resource:
        made = {"fullUrl": self.url(name), "resource": resource}
        if self.form.type == "transaction":
            made["request"] = {
                "method": "POST",
                "url": resource["resourceType"],
                "ifNoneExist": _search(resource["identifier"][0]),
            }
        return made


COLLECTION = FhirForm()


def bundle(night: Night, form: FhirForm = COLLECTION) -> Resource:
    """The night as a bundle, ready for JSON.

    Its status is ``preliminary`` where no person has looked at the scoring, ``final`` where one has,
    and ``amended`` where it supersedes an earlier report.

    Raises
    ------
    UsageError
        The form cannot be: see `check_form`.
    SleepbruxError
        What was made breaks a rule of FHIR: a fault of this program.
    """
    check_form(form)
    of = _Night(night, form)
    made = {
        "resourceType": "Bundle",
        "identifier": {"system": codes.REPORTS, "value": of.id},
        "type": form.type,
        **({"timestamp": form.issued} if form.issued else {}),
        "entry": [of.entry(name, resource) for name, resource in of.resources()],
    }
    wrong = faults(made)
    if wrong:
        raise SleepbruxError(f"the FHIR bundle was not written: {'; '.join(wrong)}")
    return made
