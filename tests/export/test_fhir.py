"""The FHIR bundle, against an independent model of the standard and against its value sets."""

import copy
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from sleepbrux.core.json_text import json_text
from sleepbrux.core.provenance import Review
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.export.fhir import CODES, UCUM, bundle, faults


def read_back(table):
    from fhir.resources.R4B.bundle import Bundle

    return Bundle.model_validate_json(json_text(table))


def of_kind(table, kind):
    return [e["resource"] for e in table["entry"] if e["resource"]["resourceType"] == kind]


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_another_model_of_the_standard_reads_it(night, no_mvc, hostile):
    for each in (night, no_mvc, hostile):
        table = bundle(each, sentences=("A <b> & c",))
        read = read_back(table)
        assert read.type == "collection"
        assert len(read.entry) == len(each.measures) + 2
        assert json.loads(read.model_dump_json(exclude_none=True))["type"] == "collection"


def test_every_measure_is_an_observation_with_a_ucum_unit(night):
    table = bundle(night)
    found = {o["code"]["coding"][0]["code"]: o for o in of_kind(table, "Observation")}
    assert list(found) == list(night.measures)
    for name, measure in night.measures.items():
        seen = found[name]
        assert seen["code"]["coding"][0]["system"] == CODES
        if measure.value is None:
            assert seen["dataAbsentReason"]["text"] == measure.reason
            continue
        assert seen["valueQuantity"]["value"] == pytest.approx(measure.value)
        assert seen["valueQuantity"]["system"] == UCUM
        assert measure.basis in seen["note"][0]["text"]


@pytest.mark.shows("laboratory-cut-off")
def test_it_holds_no_diagnosis_no_interpretation_and_no_cut_off(night):
    table = bundle(night)
    assert {e["resource"]["resourceType"] for e in table["entry"]} == {
        "DiagnosticReport",
        "Observation",
        "Device",
    }
    text = json.dumps(table)
    for word in ("Condition", "conclusionCode", "interpretation", "referenceRange", "snomed", "icd", "loinc"):
        assert word not in text, word


def test_status_says_who_has_looked_and_what_was_replaced(night, other_night):
    assert of_kind(bundle(night), "DiagnosticReport")[0]["status"] == "preliminary"
    review = Review(("AB",), "2026-03-02T07:00:00Z", "2026-03-02T07:10:00Z", *range(4, 13))
    seen = bundle(replace(night, review=review))
    assert of_kind(seen, "DiagnosticReport")[0]["status"] == "final"
    amended = of_kind(bundle(other_night), "DiagnosticReport")[0]
    assert amended["status"] == "amended"
    assert {"use": "old", "system": "urn:x-sleepbrux:report", "value": other_night.supersedes} in (
        amended["identifier"]
    )


def test_days_are_given_only_when_asked_for(night):
    assert "2026" not in json.dumps(bundle(night))
    period = of_kind(bundle(night, with_dates=True), "DiagnosticReport")[0]["effectivePeriod"]
    assert period == {"start": "2026-03-02", "end": "2026-03-02"}
    unknown = replace(night, swept=replace(night.swept, start=None))
    assert "effectivePeriod" not in json.dumps(bundle(unknown, with_dates=True))


@pytest.mark.shows("purpose")
def test_the_narrative_is_sound_xhtml_and_holds_the_purpose(hostile):
    table = bundle(hostile, sentences=("<script>alert(1)</script> & more",))
    div = ET.fromstring(of_kind(table, "DiagnosticReport")[0]["text"]["div"])
    assert PURPOSE in "".join(div.itertext())
    assert not list(div.iter("{http://www.w3.org/1999/xhtml}script"))


def test_the_same_night_gives_the_same_bytes(night):
    assert json_text(bundle(night)) == json_text(bundle(night))
    assert re.search(r"urn:uuid:[0-9a-f-]{36}", json_text(bundle(night)))


def test_a_value_outside_its_set_is_found(night):
    sound = bundle(night)
    assert faults(sound) == []
    for path, value in (
        (("entry", 0, "resource", "status"), "nonsense"),
        (("entry", 1, "resource", "status"), "done"),
        (("type",), "bag"),
        (("entry", 0, "resource", "text", "status"), "made"),
        (("entry", 1, "resource", "device", "reference"), "urn:uuid:none"),
    ):
        wrong = copy.deepcopy(sound)
        place = wrong
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = value
        assert len(faults(wrong)) == 1, path
