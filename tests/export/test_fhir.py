"""The FHIR bundle, against three validators that nobody here wrote, and sent to a server that follows the standard.

``fhir.resources`` (R4B) is a model in Python, ``fhir.schema.json`` the JSON schema of R4's own makers, FHIR.js a
validator with R4's structure definitions and value sets. The last two come from the npm registry
(`tests.outside.registry`).
"""

import asyncio
import base64
import copy
import hashlib
import json
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import cache
from pathlib import Path

import httpx
import jsonschema
import pytest

from sleepbrux.core.errors import UsageError
from sleepbrux.core.json_text import json_text
from sleepbrux.core.provenance import Review
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.export.fhir import BUNDLES, FhirForm, bundle, definitions_text
from sleepbrux.export.fhir.checks import faults
from sleepbrux.export.fhir.codes import CODES, REPORTS, UCUM, concepts
from sleepbrux.scoring.measures import LABELS
from tests.export.fhir_server import Store, server
from tests.outside.registry import outside

ISSUED = "2026-03-05T08:00:00+01:00"
# warnings of FHIR.js that only say that a value set is not among those it brings, or is one that may be left
OPEN_SETS = ("could not be found", "not found in value set")


def form(kind, **options):
    return FhirForm(kind, issued=ISSUED, letter=b"%PDF-1.7 letter", **options)


def every_bundle(*nights):
    return [bundle(night, form(kind, dates=True)) for night in nights for kind in BUNDLES]


def of_kind(table, kind):
    return [e["resource"] for e in table["entry"] if e["resource"]["resourceType"] == kind]


@cache
def schema():
    return json.loads(outside("fhir.schema.json").read_text("utf-8"))


def broken(resource):
    """What the JSON schema finds in a resource."""
    definitions = schema()["definitions"]
    top = {**definitions[resource["resourceType"]], "definitions": definitions}
    return [e.message for e in jsonschema.Draft6Validator(top).iter_errors(resource)]


def fhir_js(table, folder):
    """(valid, messages that are no open value set) by FHIR.js."""
    package = outside("fhir-js/package.json").parent
    if shutil.which("node") is None:
        pytest.skip("Node.js is not installed")
    files = [folder / "definitions.json", folder / "bundle.json"]
    for path, text in zip(files, (definitions_text(), json_text(table)), strict=True):
        path.write_text(text, encoding="utf-8")
    script = Path(__file__).with_name("fhir_validate.js")
    command = ["node", *map(str, (script, package, *files))]
    found = json.loads(subprocess.run(command, capture_output=True, check=True, text=True).stdout)
    said = [
        m
        for m in found["messages"]
        if m["severity"] == "error" or not any(words in m["message"] for words in OPEN_SETS)
    ]
    return found["valid"], said


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_another_model_of_the_standard_reads_it(night, no_mvc, hostile):
    from fhir.resources.R4B.bundle import Bundle

    for table in every_bundle(night, no_mvc, hostile):
        read = Bundle.model_validate_json(json_text(table))
        assert json.loads(read.model_dump_json(exclude_none=True))["type"] == table["type"]
        assert len(read.entry) == len(table["entry"])
    Bundle.model_validate_json(definitions_text())


def test_the_schema_of_the_standards_makers_finds_nothing(night, no_mvc, hostile):
    for table in every_bundle(night, no_mvc, hostile):
        assert [broken(e["resource"]) for e in table["entry"] if broken(e["resource"])] == []
        assert broken({**table, "entry": [{"fullUrl": "urn:uuid:0"}]}) == []
    for entry in json.loads(definitions_text())["entry"]:
        known = json.loads(
            json.dumps(entry["resource"]).replace("4.0.1", "4.0.0")
        )  # the schema's own release
        assert broken(known) == []
    wrong = of_kind(bundle(night), "Observation")[0]
    assert broken({**wrong, "status": "nonsense"})
    assert broken({**wrong, "valueQuantity": {"amount": 7}})


def test_a_validator_with_the_value_sets_of_r4_finds_nothing(night, tmp_path):
    for kind in BUNDLES:
        assert fhir_js(bundle(night, form(kind, dates=True)), tmp_path) == (True, [])
    assert fhir_js(json.loads(definitions_text()), tmp_path) == (True, [])
    wrong = bundle(night)
    wrong["entry"][0]["resource"]["status"] = "nonsense"
    wrong["entry"][1]["resource"]["colour"] = "red"
    valid, said = fhir_js(wrong, tmp_path)
    assert not valid
    assert {m["location"] for m in said} == {"DiagnosticReport.status", "Observation.colour"}


def unlike(profile, resource):
    """Rules of a profile that a resource breaks: none of the validators here reads profiles."""

    def values(place, path):
        if not path:
            return place if isinstance(place, list) else [place]
        found = place.get(path[0], []) if isinstance(place, dict) else []
        return [v for one in (found if isinstance(found, list) else [found]) for v in values(one, path[1:])]

    rules = profile["differential"]["element"]
    return [
        rule["path"]
        for rule in rules
        for found in [values(resource, rule["path"].split(".")[1:])]
        if len(found) < rule.get("min", 0)
        or (rule.get("max", "*") != "*" and len(found) > int(rule["max"]))
        or any(value != rule.get("fixedUri", value) for value in found)
    ]


def test_reports_and_measures_keep_to_our_own_profiles(night, no_mvc):
    profiles = {e["fullUrl"]: e["resource"] for e in json.loads(definitions_text())["entry"]}
    for table in every_bundle(night, no_mvc):
        for resource in [*of_kind(table, "Observation"), *of_kind(table, "DiagnosticReport")]:
            (url,) = resource["meta"]["profile"]
            assert profiles[url]["type"] == resource["resourceType"]
            assert unlike(profiles[url], resource) == []
    wrong = of_kind(bundle(night), "Observation")[0]
    profile = profiles[wrong["meta"]["profile"][0]]
    del wrong["method"]
    wrong["interpretation"] = [{"text": "high"}]
    wrong["code"]["coding"][0]["system"] = "http://loinc.org"
    assert unlike(profile, wrong) == [
        "Observation.code.coding.system",
        "Observation.interpretation",
        "Observation.method",
    ]


def test_every_measure_is_an_observation_with_a_ucum_unit_and_a_count_is_whole(night):
    table = bundle(night)
    found = {o["code"]["coding"][0]["code"]: o for o in of_kind(table, "Observation")}
    assert list(found) == list(night.measures)
    whole = 0
    for name, measure in night.measures.items():
        seen = found[name]
        assert seen["code"]["coding"][0]["system"] == CODES
        assert measure.basis in seen["note"][0]["text"]
        if measure.value is None:
            assert seen["dataAbsentReason"]["text"] == measure.reason
        elif name.endswith("_count"):
            assert seen["valueInteger"] == measure.value
            whole += 1
        else:
            assert seen["valueQuantity"]["value"] == pytest.approx(measure.value)
            assert seen["valueQuantity"]["system"] == UCUM
    assert whole > 3


def test_ends_of_intervals_are_coded(night):
    rate = of_kind(bundle(night), "Observation")[0]
    low, high = (c["valueQuantity"]["value"] for c in rate["component"][:2])
    (interval, *_) = night.measures["episodes_per_hour"].intervals
    assert (low, high) == (pytest.approx(interval.low), pytest.approx(interval.high))
    codes = [c["code"]["coding"][0]["code"] for c in rate["component"][:2]]
    assert codes == ["counting_noise-low-95", "counting_noise-high-95"]


def test_every_code_is_in_our_code_system(night, no_mvc):
    (system, *profiles) = [e["resource"] for e in json.loads(definitions_text())["entry"]]
    known = {c["code"] for c in system["concept"]}
    assert known == concepts().keys() > LABELS.keys()
    urls = {p["url"] for p in profiles}
    for table in every_bundle(night, no_mvc):
        text = json.dumps(table)
        used = set(re.findall(rf'"system": "{re.escape(CODES)}", "code": "([^"]+)"', text))
        assert used
        assert {c for c in used if not c.startswith(("episodes_position_", "episodes_with_heart"))} <= known
        for resource in [*of_kind(table, "Observation"), *of_kind(table, "DiagnosticReport")]:
            assert set(resource["meta"]["profile"]) <= urls
    assert "urn:x-" not in definitions_text() + text


def test_the_letter_is_attached_whole(night):
    (form_,) = of_kind(bundle(night, form("collection")), "DiagnosticReport")[0]["presentedForm"]
    data = base64.b64decode(form_["data"])
    assert data == b"%PDF-1.7 letter"
    assert form_["size"] == len(data)
    assert base64.b64decode(form_["hash"]) == hashlib.sha1(data).digest()
    assert "presentedForm" not in json.dumps(bundle(night))


def test_muscles_are_the_site_only_where_labels_say_so(night):
    (site,) = {json.dumps(o["bodySite"]) for o in of_kind(bundle(night), "Observation")}
    assert json.loads(site) == {"text": "left masseter, right masseter"}
    first = night.swept.frames[0]
    unknown = replace(first, channel=replace(first.channel, muscle=""))
    swept = replace(night.swept, frames=(unknown, *night.swept.frames[1:]))
    assert "bodySite" not in json.dumps(bundle(replace(night, swept=swept)))


def test_a_document_begins_with_its_composition_and_needs_the_time_of_issue(night):
    table = bundle(night, form("document"))
    first = table["entry"][0]["resource"]
    assert first["resourceType"] == "Composition"
    assert first["date"] == table["timestamp"] == ISSUED
    report = of_kind(table, "DiagnosticReport")[0]
    assert report["issued"] == ISSUED
    assert "effectivePeriod" not in json.dumps(table)
    with pytest.raises(UsageError, match="says when it was issued; give `issued`"):
        bundle(night, FhirForm("document"))
    for wrong in ("2026-03-05", "2026-03-05T08:00:00", "2026-13-05T08:00:00Z", "yesterday"):
        with pytest.raises(UsageError, match="it takes day, time and zone"):
            bundle(night, FhirForm("collection", issued=wrong))


def sent(store, *tables):
    """Answers of the server to bundles that are sent one after the other."""

    async def send():
        transport = httpx.ASGITransport(app=server(store))
        async with httpx.AsyncClient(transport=transport, base_url="http://fhir.test") as client:
            return [await client.post("/", content=json_text(t)) for t in tables]

    return asyncio.run(send())


def test_a_server_takes_a_transaction_and_sending_it_twice_changes_nothing(night):
    store = Store()
    table = bundle(night, form("transaction"))
    first, second = sent(store, table, table)
    assert first.status_code == second.status_code == 200
    assert {e["response"]["status"] for e in first.json()["entry"]} == {"201 Created"}
    assert {e["response"]["status"] for e in second.json()["entry"]} == {"200 OK"}
    assert len(store.kept) == len(table["entry"]) == len(night.measures) + 3
    (report,) = [r for r in store.kept.values() if r["resourceType"] == "DiagnosticReport"]
    assert store.kept[report["subject"]["reference"]]["identifier"][-1]["value"] == "P-01"
    names = [store.kept[r["reference"]]["code"]["coding"][0]["code"] for r in report["result"]]
    assert names == list(night.measures)


def test_two_nights_share_person_and_software_and_two_studies_of_one_pseudonym_are_two_persons(
    night, other_night
):
    store = Store()
    nights = [
        replace(n, about=(*n.about, ("study_id", study)))
        for n, study in ((night, "a1b2-c3d4"), (other_night, "a1b2-c3d4"), (night, "zzzz-c3d4"))
    ]
    for answer in sent(store, *(bundle(n, form("transaction")) for n in nights)):
        assert answer.status_code == 200
    kinds = [r["resourceType"] for r in store.kept.values()]
    assert kinds.count("Patient") == 2
    assert kinds.count("Device") == 1
    assert kinds.count("DiagnosticReport") == 3
    alone = Store()  # without an id of the study a pseudonym says too little: one person a recording
    other = replace(night, swept=replace(night.swept, digest="0" * 64))
    sent(alone, bundle(night, form("transaction")), bundle(other, form("transaction")))
    assert [r["resourceType"] for r in alone.kept.values()].count("Patient") == 2


def test_the_server_refuses_what_is_no_transaction(night):
    store = Store()
    wrong = bundle(night, form("transaction"))
    wrong["entry"][1]["resource"]["device"]["reference"] = "urn:uuid:none"
    without = bundle(night, form("transaction"))
    del without["entry"][-1]["request"]
    for answer in sent(store, bundle(night), bundle(night, form("document")), wrong, without):
        assert answer.status_code == 400
        assert answer.json()["resourceType"] == "OperationOutcome"
    assert store.kept == {}


def test_an_identifier_with_signs_of_the_search_is_found_again(night):
    person = replace(night, about=(("person", "P|1, a$b\\c é"), ("night", "n"), ("study_id", "a1b2-c3d4")))
    store = Store()
    table = bundle(person, form("transaction"))
    for answer in sent(store, table, table):
        assert answer.status_code == 200
    assert len(store.kept) == len(table["entry"])


@pytest.mark.shows("laboratory-cut-off")
def test_it_holds_no_diagnosis_no_interpretation_and_no_cut_off(night):
    table = bundle(night)
    assert {e["resource"]["resourceType"] for e in table["entry"]} == {
        "DiagnosticReport",
        "Observation",
        "Device",
        "Patient",
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
    assert {"use": "old", "system": REPORTS, "value": other_night.supersedes} in (amended["identifier"])


def test_days_are_given_only_when_asked_for(night):
    assert "2026" not in json.dumps(bundle(night))
    period = of_kind(bundle(night, FhirForm(dates=True)), "DiagnosticReport")[0]["effectivePeriod"]
    assert period == {"start": "2026-03-02", "end": "2026-03-02"}
    unknown = replace(night, swept=replace(night.swept, start=None))
    assert "effectivePeriod" not in json.dumps(bundle(unknown, FhirForm(dates=True)))


@pytest.mark.shows("purpose")
def test_the_narrative_is_sound_xhtml_and_holds_the_purpose(hostile):
    table = bundle(hostile, FhirForm(sentences=("<script>alert(1)</script> & more",)))
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
