"""What is wrong with a bundle: values outside their required sets, references that lead nowhere."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

_SHARED: set[str | None] = {
    "registered",
    "preliminary",
    "final",
    "amended",
    "corrected",
    "cancelled",
    "entered-in-error",
    "unknown",
}
STATUSES: dict[str, set[str | None]] = {
    "DiagnosticReport": _SHARED | {"partial", "appended"},
    "Observation": _SHARED,
    "Device": {"active", "inactive", "entered-in-error", "unknown"},
    "Composition": {"preliminary", "final", "amended", "entered-in-error"},
    "Patient": {None},
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


def _references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        for each in value.values():
            yield from _references(each)
    elif isinstance(value, list):
        for each in value:
            yield from _references(each)


def _of_resource(resource: dict[str, Any]) -> Iterator[str]:
    kind = resource["resourceType"]
    if resource.get("status") not in STATUSES[kind]:
        yield f"{kind}.status {resource.get('status')!r}"
    narrative = resource.get("text", {"status": "generated"})["status"]
    if narrative not in NARRATIVES:
        yield f"{kind}.text.status {narrative!r}"
    for name in resource.get("deviceName", ()):
        if name["type"] not in DEVICE_NAMES:
            yield f"Device.deviceName.type {name['type']!r}"
    for coding in resource.get("dataAbsentReason", {}).get("coding", ()):
        if coding["code"] not in ABSENT_CODES:
            yield f"{kind}.dataAbsentReason {coding['code']!r}"


def faults(bundle: dict[str, Any]) -> list[str]:
    """What breaks a required value set or a rule of the bundle's type; empty for a sound bundle."""
    kind, entries = bundle.get("type"), bundle["entry"]
    found = [] if kind in BUNDLE_TYPES else [f"Bundle.type {kind!r}"]
    urls = [entry["fullUrl"] for entry in entries]
    if len(set(urls)) < len(urls):
        found.append("two entries with one fullUrl")
    for entry in entries:
        found += _of_resource(entry["resource"])
        if ("request" in entry) != (kind == "transaction"):
            found.append(f"request of {entry['fullUrl']} in a {kind}")
        found += [
            f"{entry['resource']['resourceType']} refers to {place!r}, which is not in the bundle"
            for place in _references(entry["resource"])
            if place not in urls
        ]
    if kind == "document":
        if entries[0]["resource"]["resourceType"] != "Composition":
            found.append("a document that does not begin with its Composition")
        found += [f"a document without {name}" for name in ("identifier", "timestamp") if name not in bundle]
    return found
