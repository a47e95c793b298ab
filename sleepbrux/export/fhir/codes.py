"""Names of this project in FHIR: code system, profiles, identifier systems, and the codes of others that are used.

Each name of ours is an OID made of a UUID (arc 2.25, which needs no registration) over the words behind it, so it
stays what it is. `definitions` says what each stands for.
"""

from __future__ import annotations

import uuid

from sleepbrux.scoring.measures import LABELS, label_of

_SPACE = uuid.UUID("8f6d9f0e-2f0b-4a59-9a55-3b1c5b6f7d21")


def own(words: str) -> str:
    """URI of something of ours.

    Examples
    --------
    >>> own("codes") == CODES, own("codes").startswith("urn:oid:2.25.")
    (True, True)
    """
    return f"urn:oid:2.25.{uuid.uuid5(_SPACE, words).int}"


CODES = own("codes")
MEASURE_PROFILE = own("profile of a measure")
REPORT_PROFILE = own("profile of a report")
REPORTS = own("identifiers of reports")
MEASURES = own("identifiers of measures of a report")
SOFTWARE = own("identifiers of versions of the software")
RECORDINGS = own("SHA-256 of recordings")
PEOPLE = own("pseudonyms")

UCUM = "http://unitsofmeasure.org"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
SERVICE = "http://terminology.hl7.org/CodeSystem/v2-0074"  # EN, electroneuro (EEG, EMG, EP, PSG): from memory
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
REPORT = "jaw-emg-night"
LETTER = "jaw-emg-letter"
OTHER_CODES = {
    REPORT: "One night of jaw-muscle surface EMG, scored automatically",
    LETTER: "Letter about one night of jaw-muscle surface EMG",
    **{
        f"{name}-{end}-95": f"{words} end of the 95 % {interval}"
        for name, interval in (
            ("counting_noise", "Poisson interval"),
            ("scaled_counting", "interval scaled by how much events cluster, this night only"),
        )
        for end, words in (("low", "lower"), ("high", "upper"))
    },
}


def concepts() -> dict[str, str]:
    """Every code of ours with its words; measures of a user's own body positions come on top of these."""
    return {**OTHER_CODES, **{name: label_of(name) for name in LABELS}}


def code(name: str) -> dict[str, object]:
    """A code of ours as a CodeableConcept."""
    text = OTHER_CODES.get(name) or label_of(name)
    return {"coding": [{"system": CODES, "code": name, "display": text}], "text": text}
