"""Every JSON that the tool writes names the program's version and the digest of what it was made from."""

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

import sleepbrux as sb
from sleepbrux.analysis.cohort.table import cohort_text
from sleepbrux.analysis.comparison.records import read_records
from sleepbrux.analysis.comparison.study import compare_study, comparison_text
from sleepbrux.analysis.condition_summary import several_text, summarise
from sleepbrux.analysis.plan_arguments import wish_of
from sleepbrux.analysis.planning.nights import Variation
from sleepbrux.analysis.planning.planning_files import plans_wished, write_planned
from sleepbrux.archive.file import save_night
from sleepbrux.archive.manifest import list_path
from sleepbrux.archive.nights import read_nights
from sleepbrux.cli.inspect import command as inspect
from sleepbrux.cli.trace import command as trace
from sleepbrux.export.agreement import agreement_text
from sleepbrux.export.bids import write_bids
from sleepbrux.export.files import ExportRequest, write_files
from sleepbrux.export.summary import robustness_text
from sleepbrux.reference.recorded import look
from sleepbrux.report.clench_page import clench_json
from sleepbrux.report.outputs import ARCHIVE, write_outputs
from sleepbrux.report.reference_page import reference_json
from sleepbrux.study.clench_tests import recording_test
from sleepbrux.study.file import Study, StudyNight
from sleepbrux.synth.layout import NATURAL, plan_reference
from sleepbrux.synth.render import write_night

ROOT = Path(__file__).resolve().parents[2]
EXCERPT = ROOT / "demo_data" / "excerpt.edf"

# where JSON is made, and the test here or elsewhere that reads it
MAKERS = {
    "analysis/cohort/table.py": "here",
    "analysis/comparison/study.py": "here",
    "analysis/condition_summary.py": "here",
    "analysis/planning/planning_files.py": "here; a plan is made of numbers, of no file",
    "archive/file_sets.py": "here, in an export",
    "archive/manifest.py": "here",
    "cli/inspect.py": "here",
    "cli/trace.py": "here",
    "export/agreement.py": "here",
    "export/bids.py": "here",
    "export/fhir/definitions.py": "here",
    "export/files.py": "here",
    "export/summary.py": "here",
    "practice/screens.py": "the state of a screen, which is no file",
    "report/clench_page.py": "here",
    "report/reference_page.py": "here",
}


CALLERS = {
    "live/session.py",
    "report/clench_files.py",
    "report/reference_files.py",
    "report/night_page.py",
    "report/payload.py",
}


def digests(text):
    """64 hexadecimal digits under a name that says what they are the digest of."""
    found = []

    def walk(value, name):
        if isinstance(value, dict):
            for key, item in value.items():
                walk(item, key)
        elif isinstance(value, list):
            for item in value:
                walk(item, name)
        elif isinstance(value, str) and re.fullmatch("[0-9a-f]{64}", value):
            found.append(name)

    walk(json.loads(text), "")
    return found


def versions(text):
    """Whether the version is said next to the program's name."""
    return bool(re.search(rf'"(version|value|sleepbrux)": ?"{re.escape(sb.__version__)}"', text))


def test_every_place_that_makes_json_is_in_the_table():
    makers = {
        path.relative_to(ROOT / "sleepbrux").as_posix()
        for path in (ROOT / "sleepbrux").rglob("*.py")
        if re.search(r"\b(json_text|_json|comparison_text)\(", path.read_text("utf-8"))
    }
    assert makers - {"report/study_files.py", "core/json_text.py", *CALLERS} == set(MAKERS)


def test_the_files_of_an_export(night, tmp_path):
    write_files([("n", night)], tmp_path, ExportRequest(("json", "fhir")))
    texts = {p.name: p.read_text("utf-8") for p in tmp_path.glob("*.json")}
    schemas = {name for name in texts if "schema" in name}
    assert len(texts) - len(schemas) == 4
    for name, text in texts.items():
        if name in schemas:
            continue  # a schema describes files and is made from none
        assert versions(text), name
        if name != "fhir-definitions.json":  # made from the program alone
            assert digests(text) or night.swept.digest in text, name


def test_a_bids_set_says_it_once_for_all_of_its_files(night, tmp_path):
    write_bids([("n", night)], tmp_path / "set")
    about = (tmp_path / "set" / "dataset_description.json").read_text("utf-8")
    assert json.loads(about)["GeneratedBy"][0]["Version"] == sb.__version__
    assert night.swept.digest in "".join(
        p.read_text("utf-8") for p in (tmp_path / "set").rglob("*") if p.suffix in (".json", ".tsv")
    )


def test_what_is_made_from_archives(night, tmp_path):
    strict = sb.rescore(night, sb.load_criterion("lavigne1996"))
    texts = {
        "agreement": agreement_text(sb.agree(night, strict)),
        "robustness": robustness_text(night, sb.assess_robustness(night)),
        "list": list_path(tmp_path, write_outputs(night, tmp_path)).read_text("utf-8"),
    }
    for name, text in texts.items():
        assert versions(text), name
        assert digests(text), name


def test_a_study_names_the_recording_of_each_night(night, other_night, tmp_path):
    for name, one in (("night-1", night), ("night-2", other_night)):
        save_night(one, tmp_path / f"{name}{ARCHIVE}")
    entries = tuple(
        StudyNight(id=name, recording=f"{name}.edf", condition=condition)
        for name, condition in (("night-1", "none"), ("night-2", "splint"))
    )
    study = Study(pseudonym="P-01", primary_outcome="episodes_per_hour", night=entries)
    archived, missing = read_nights(study, tmp_path, suffix=ARCHIVE)
    assert not missing
    reading = read_records(study, tmp_path, suffix=ARCHIVE, robust=False)
    texts = {
        "summary": several_text(summarise(study, archived, missing)),
        "comparison": comparison_text(compare_study(study, reading, keep_first_night=True)),
    }
    for name, text in texts.items():
        assert versions(text), name
        assert {night.swept.digest, other_night.swept.digest} <= set(re.findall("[0-9a-f]{64}", text)), name


def test_a_plan_says_the_version(tmp_path):
    wish = wish_of({"rate": "5", "hours": "7", "cv_pct": "30", "ratio": "0.5", "most_nights": "12"})
    variation = Variation(30.0, "stated")
    write_planned(plans_wished(wish, 35.0, variation), wish, tmp_path)
    assert versions((tmp_path / "plan.json").read_text("utf-8"))


def test_a_cohort_names_its_tables():
    nights = [sb.PersonNight(f"P{p}", c, 9 + p, 7.0) for p in range(4) for c in ("none", "splint")]
    text = cohort_text(sb.compare_cohort(nights), {"nights.csv": "0" * 64})
    assert versions(text)
    assert digests(text) == ["nights.csv"]


def test_clenches_and_references(tmp_path):
    path = tmp_path / "chair.edf"
    plan = plan_reference(
        [(NATURAL, 1.0), ("Clench with splint", 0.9), (NATURAL, 1.0)], seed=4, mvc_uv=(215.0, 190.0)
    )
    write_night(plan, path, rate=500)
    for text in (clench_json(recording_test(path)), reference_json(look(path))):
        assert versions(text)
        assert "input_sha256" in digests(text)


@pytest.mark.parametrize("after", [(), ("--after-night", "--mvc-uv", "190")])
def test_a_look_at_a_recording(after):
    done = CliRunner().invoke(inspect, [str(EXCERPT), "--json", *after], standalone_mode=False)
    assert done.exception is None
    assert versions(done.stdout)
    assert "input_sha256" in digests(done.stdout)


def test_the_chain_behind_a_number(archive):
    done = CliRunner().invoke(trace, [str(archive), "episode_count", "--json"], standalone_mode=False)
    assert done.exception is None
    assert versions(done.stdout)
    assert {"input_sha256", "archive_sha256"} <= set(digests(done.stdout))
