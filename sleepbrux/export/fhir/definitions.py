"""What the names of `codes` stand for: a code system and two profiles, as one bundle."""

from __future__ import annotations

from typing import Any

from sleepbrux.core.json_text import json_text
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.fhir.codes import CODES, MEASURE_PROFILE, REPORT_PROFILE, concepts

DEFINITIONS = "fhir-definitions.json"
_CORE = "http://hl7.org/fhir/StructureDefinition/"


def _named(kind: str, url: str, name: str, title: str) -> dict[str, Any]:
    return {
        "resourceType": kind,
        "id": name,
        "url": url,
        "version": __version__,
        "name": "".join(word.capitalize() for word in name.split("-")),
        "title": title,
        "status": "draft",
        "experimental": True,
        "publisher": "the sleepbrux maintainers",
        "description": f"{title}. {PURPOSE}",
    }


def _code_system() -> dict[str, Any]:
    return {
        **_named("CodeSystem", CODES, "sleepbrux-codes", "Measures and kinds of report of sleepbrux"),
        "caseSensitive": True,
        "content": "fragment",  # measures of a user's own body positions are named by the user
        "concept": [{"code": code, "display": text} for code, text in sorted(concepts().items())],
    }


def _profile(url: str, name: str, title: str, kind: str, rules: dict[str, dict[str, Any]]) -> dict[str, Any]:
    elements = [{"id": kind, "path": kind}]
    elements += [{"id": f"{kind}.{end}", "path": f"{kind}.{end}", **rule} for end, rule in rules.items()]
    return {
        **_named("StructureDefinition", url, name, title),
        "fhirVersion": "4.0.1",
        "kind": "resource",
        "abstract": False,
        "type": kind,
        "baseDefinition": f"{_CORE}{kind}",
        "derivation": "constraint",
        "differential": {"element": elements},
    }


_OURS: dict[str, dict[str, Any]] = {
    "code.coding": {"min": 1, "max": "1"},
    "code.coding.system": {"min": 1, "fixedUri": CODES},
    "code.text": {"min": 1},
    "subject": {"min": 1},
}


def definitions() -> list[dict[str, Any]]:
    """Code system, profile of a measure, profile of a report."""
    measure = {
        **_OURS,
        "interpretation": {"max": "0"},
        "note": {"min": 1},
        "method": {"min": 1},
        "device": {"min": 1},
        "referenceRange": {"max": "0"},
    }
    report = {
        "identifier": {"min": 1},
        **_OURS,
        "result": {"min": 1},
        "conclusion": {"max": "0"},
        "conclusionCode": {"max": "0"},
    }
    return [
        _code_system(),
        _profile(
            MEASURE_PROFILE,
            "sleepbrux-measure",
            "A measure of a night: no interpretation, no reference range",
            "Observation",
            measure,
        ),
        _profile(
            REPORT_PROFILE,
            "sleepbrux-report",
            "A report of a night: no conclusion, no diagnosis",
            "DiagnosticReport",
            report,
        ),
    ]


def definitions_text() -> str:
    """The content of ``fhir-definitions.json``: a bundle of type ``collection``."""
    entries = [{"fullUrl": each["url"], "resource": each} for each in definitions()]
    return json_text({"resourceType": "Bundle", "type": "collection", "entry": entries})
