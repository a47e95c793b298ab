"""``sleepbrux score``: what it leaves, and what it says when it cannot."""

import csv
import hashlib
import json
import re

import pytest

from sleepbrux.archive.file import load_night
from tests.cli.conftest import write_edf
from tests.nights import LABELS

FILES = {
    "night.night.h5",
    "night.report.html",
    "night.summary.json",
    "night.episodes.csv",
    "night.bursts.csv",
    "night.channel_bursts.csv",
    "night.files.json",
}


def summary(folder, stem="night"):
    return json.loads((folder / f"{stem}.summary.json").read_text("utf-8"))


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def digests(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


def test_a_night_leaves_its_seven_files_and_nothing_else(run, edf, tmp_path):
    done = run("score", edf, "--mvc-uv", 200, "--out", tmp_path / "out")
    assert done.code == 0, done.err
    assert {p.name for p in (tmp_path / "out").iterdir()} == FILES
    assert "night.report.html" in done.out
    assert [p.name for p in edf.parent.iterdir()] == ["night.edf"]


def test_the_summary_keeps_the_contract(run, edf, tmp_path):
    run("score", edf, "--mvc-uv", 200, "--criterion", "lavigne1996", "--out", tmp_path)
    found = summary(tmp_path)
    assert found["input_sha256"] == hashlib.sha256(edf.read_bytes()).hexdigest()
    assert found["criterion"]["id"] == "lavigne1996"
    assert found["criterion"]["values"]["threshold.level_pct_mvc"]["value"] == 20
    assert found["window"]["basis"] == "recording, lights unknown"
    names = [
        "episodes_per_hour",
        "phasic_episodes_per_hour",
        "tonic_episodes_per_hour",
        "mixed_episodes_per_hour",
        "episode_count",
        "bursts_per_hour",
        "burst_count",
        "isolated_bursts_per_hour",
        "bursts_per_episode",
        "time_in_episodes_pct",
        "time_in_bursts_pct",
        "analysed_hours",
        "excluded_hours",
        "valid_hours",
        "median_burst_peak_pct_mvc",
        "background_uv",
    ]
    for name in names:
        measure = found["measures"][name]
        assert {"value", "unit", "basis"} <= measure.keys()
        assert measure["value"] is not None or measure["reason"]
    v = {k: m["value"] for k, m in found["measures"].items()}
    assert v["analysed_hours"] - v["excluded_hours"] == pytest.approx(v["valid_hours"])
    assert v["episodes_per_hour"] == pytest.approx(v["episode_count"] / v["valid_hours"])


def test_the_tables_hold_the_events(run, edf, tmp_path):
    run("score", edf, "--mvc-uv", 200, "--out", tmp_path)
    episodes = rows(tmp_path / "night.episodes.csv")
    assert [e["kind"] for e in episodes] == ["phasic", "tonic"]
    assert [float(e["start_s"]) for e in episodes] == pytest.approx([100, 140], abs=0.03)
    assert [float(e["end_s"]) for e in episodes] == pytest.approx([103.5, 143], abs=0.03)
    assert {e["sides"] for e in episodes} == {"left+right"}
    bursts = rows(tmp_path / "night.bursts.csv")
    assert [b["episode"] for b in bursts] == ["1"] * 4 + ["2", ""]
    assert {b["channel"] for b in bursts} == {"+".join(LABELS)}
    single = rows(tmp_path / "night.channel_bursts.csv")
    assert len(single) == 2 * len(bursts)
    assert {b["channel"] for b in single} == set(LABELS)
    v = {k: m["value"] for k, m in summary(tmp_path)["measures"].items()}
    assert v["episode_count"] == len(episodes)
    assert v["burst_count"] == sum(b["episode"] != "" for b in bursts)


def test_the_same_input_gives_the_same_bytes_from_any_place(run, edf, tmp_path):
    other = tmp_path / "elsewhere" / "night.edf"
    other.parent.mkdir()
    other.write_bytes(edf.read_bytes())
    for source, out in ((edf, "a"), (other, "b")):
        assert run("score", source, "--mvc-uv", 200, "--out", tmp_path / out).code == 0
    assert digests(tmp_path / "a") == digests(tmp_path / "b")
    for path in (tmp_path / "a").iterdir():
        assert str(tmp_path).encode() not in path.read_bytes()


def test_one_value_for_all_channels_is_noted_and_so_is_the_unstated_placement(run, edf, tmp_path):
    run("score", edf, "--mvc-uv", 200, "--out", tmp_path)
    codes = {n["code"] for n in summary(tmp_path)["notes"]}
    assert {"one-mvc-for-all", "reference-placement-unknown", "lights-unknown"} <= codes


def test_a_value_a_channel(run, edf, tmp_path):
    levels = [f"--mvc-uv={LABELS[0]}=200", f"--mvc-uv={LABELS[1]}=220"]
    run("score", edf, *levels, "--rest-uv", 2.5, "--out", tmp_path)
    found = summary(tmp_path)["reference"]["levels"]
    assert [level["mvc_uv"] for level in found] == [200, 220]
    assert [level["rest_uv"] for level in found] == [2.5, 2.5]


def test_clenches_marked_in_the_recording_are_its_reference(run, edf, tmp_path):
    assert run("score", edf, "--out", tmp_path).code == 0
    found = summary(tmp_path)
    reference = found["reference"]
    assert reference["origin"] == "clenches marked in this recording"
    assert reference["placement"] == "same electrodes"
    assert reference["teeth"] == "natural teeth"
    assert [len(level["trials_uv"]) for level in reference["levels"]] == [3, 3]
    assert reference["levels"][0]["mvc_uv"] == pytest.approx(200, rel=0.1)
    assert found["criterion"]["id"] == "phasic_tonic_10mvc"


def test_without_any_clench_a_relative_criterion_is_used_and_says_so(run, tmp_path):
    edf = write_edf(tmp_path / "in" / "night.edf", clenches=False)
    assert run("score", edf, "--out", tmp_path / "out").code == 0
    found = summary(tmp_path / "out")
    assert found["criterion"]["id"] == "aasm"
    assert {"criterion-replaced", "no-reference"} <= {n["code"] for n in found["notes"]}
    assert found["measures"]["median_burst_peak_pct_mvc"]["reason"] == "no reference clench"
    assert {e["peak_pct_mvc"] for e in rows(tmp_path / "out" / "night.episodes.csv")} == {""}


def test_the_page_shows_the_rate_over_a_range_of_thresholds_unasked(run, edf, tmp_path):
    run("score", edf, "--out", tmp_path)
    page = (tmp_path / "night.report.html").read_text("utf-8")
    assert "Episodes per valid hour over threshold, % MVC: from 2 to 40" in page
    assert "the rate stays within a quarter of the" in page or "the next thresholds on" in page
    run("report", tmp_path / "night.night.h5", "--out", tmp_path / "again")
    assert (tmp_path / "again" / "night.report.html").read_text("utf-8") == page


@pytest.mark.shows("other-rules")
def test_another_rule_set_is_named_in_the_first_line_of_terminal_page_and_tables(run, tmp_path):
    edf = write_edf(tmp_path / "in" / "night.edf", clenches=False)
    done = run("score", edf, "--out", tmp_path / "out")
    said = "scored by aasm, relative to the resting level, instead of phasic_tonic_10mvc"
    assert "by aasm instead of phasic_tonic_10mvc: no usable reference" in done.out.splitlines()[0]
    assert said in done.out
    page = (tmp_path / "out" / "night.report.html").read_text("utf-8")
    text = " ".join(re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL).split())
    capital = said.replace("scored", "Scored")
    assert (
        "Automatic scoring, not reviewed; a review has a page of its own. No usable reference clench: scored "
        "relative to the resting level. Do not compare it" in text
    )
    assert f"Measures {capital}" in text
    assert summary(tmp_path / "out")["criterion"]["instead_of"] == "phasic_tonic_10mvc"
    run("export", tmp_path / "out" / "night.night.h5", "--out", tmp_path / "files")
    (row,) = rows(next((tmp_path / "files").rglob("study.csv")))
    assert (row["criterion"], row["instead_of"]) == ("aasm", "phasic_tonic_10mvc")
    first = run("batch", edf.parent, "--out", tmp_path / "many").out.splitlines()[0]
    assert ": night.edf: scored by aasm instead of phasic_tonic_10mvc: " in first
    (row,) = rows(tmp_path / "many" / "nights.csv")
    assert (row["criterion"], row["instead_of"]) == ("aasm", "phasic_tonic_10mvc")


def test_the_rule_set_that_was_meant_needs_no_word_where_it_was_used(run, edf, tmp_path):
    done = run("score", edf, "--out", tmp_path / "out")
    assert "instead of" not in done.out
    assert summary(tmp_path / "out")["criterion"]["instead_of"] is None
    page = (tmp_path / "out" / "night.report.html").read_text("utf-8")
    assert "Scored by" not in page
    assert "No usable reference clench" not in page


def test_a_named_criterion_in_mvc_without_a_clench_is_wrong_usage(run, tmp_path):
    edf = write_edf(tmp_path / "in" / "night.edf", clenches=False)
    done = run("score", edf, "--criterion", "lavigne1996", "--out", tmp_path / "out")
    assert done.code == 2
    assert "needs the MVC" in done.err
    assert list((tmp_path / "out").iterdir()) == []


def test_rectified_levels_are_kept_apart_from_rms(run, edf, tmp_path):
    run("score", edf, "--mvc-uv", 160, "--uv-kind", "rectified", "--out", tmp_path)
    assert summary(tmp_path)["reference"]["amplitude"] == "rectified"
    assert load_night(tmp_path / "night.night.h5").amplitude == "rectified"


def test_what_lost_time_could_change_is_said_in_one_line_everywhere(run, tmp_path):
    # the recording ends 0.5 s after the second of four bursts
    cut = write_edf(tmp_path / "in" / "cut.edf", clenches=False, seconds=102)
    done = run("score", cut, "--mvc-uv", 200, "--out", tmp_path)
    line = "Lost time could move the rate between"
    assert line in done.out
    assert line in (tmp_path / "cut.report.html").read_text("utf-8")
    found = summary(tmp_path, "cut")["rate_range"]
    assert found["sentence"].startswith(line)
    assert found["low_per_hour"] < found["high_per_hour"]
    measures = summary(tmp_path, "cut")["measures"]
    assert measures["least_episodes_per_hour"]["value"] == found["low_per_hour"]
    assert measures["most_episode_count"]["value"] == 1


def test_where_lost_time_could_change_nothing_the_terminal_is_silent_of_it(run, edf, tmp_path):
    done = run("score", edf, "--mvc-uv", 200, "--out", tmp_path)
    assert "Lost time" not in done.out
    assert summary(tmp_path)["rate_range"]["sentence"].startswith("No lost time lies near enough")


def test_a_clench_in_the_other_kind_is_refused_by_rules_of_one_kind_and_converted_when_asked(run, tmp_path):
    edf = write_edf(tmp_path / "in" / "night.edf", clenches=False)
    stated = ("score", edf, "--criterion", "gallo1999_contraction", "--mvc-uv", 200)
    refused = run(*stated, "--out", tmp_path / "a")
    assert refused.code == 2
    assert "--convert-uv" in refused.err
    done = run(*stated, "--convert-uv", "rectified", "--out", tmp_path / "b")
    assert done.code == 0, done.err
    found = summary(tmp_path / "b")
    assert found["reference"]["amplitude"] == "rectified"
    assert "amplitude-converted" in {n["code"] for n in found["notes"]}
    same = run(*stated, "--uv-kind", "rectified", "--out", tmp_path / "c")
    assert same.code == 0


def test_clenches_of_the_night_are_measured_in_the_kind_that_the_rules_ask_for(run, edf, tmp_path):
    done = run("score", edf, "--criterion", "gallo1999_contraction", "--out", tmp_path)
    assert done.code == 0, done.err
    found = summary(tmp_path)
    assert found["reference"]["amplitude"] == "rectified"
    assert "amplitude-converted" not in {n["code"] for n in found["notes"]}


def test_lights_marks_are_the_window_and_seconds_narrow_it(run, tmp_path):
    marks = [(90.0, "Lights off"), (230.0, "Lights on")]
    edf = write_edf(tmp_path / "in" / "night.edf", clenches=False, lights=marks)
    run("score", edf, "--mvc-uv", 200, "--out", tmp_path / "a")
    assert summary(tmp_path / "a")["window"]["spans_s"] == [[90, 230]]
    run("score", edf, "--mvc-uv", 200, "--from", "130", "--to", "200", "--out", tmp_path / "b")
    found = summary(tmp_path / "b")
    assert found["window"]["spans_s"] == [[130, 200]]
    assert found["measures"]["episode_count"]["value"] == 1


def test_one_channel_alone(run, edf, tmp_path):
    run("score", edf, "--mvc-uv", 200, "--channel", LABELS[1], "--out", tmp_path)
    assert [c["label"] for c in summary(tmp_path)["channels"]] == [LABELS[1]]


@pytest.mark.shows("wrong-person")
def test_two_inputs_of_one_name_never_overwrite_each_other(run, tmp_path):
    first = write_edf(tmp_path / "a" / "night.edf", seed=1)
    second = write_edf(tmp_path / "b" / "night.edf", seed=5)
    out = tmp_path / "out"
    assert run("score", first, second, "--out", out).code == 0
    assert summary(out)["input_sha256"] == hashlib.sha256(first.read_bytes()).hexdigest()
    assert summary(out, "night-2")["input_sha256"] == hashlib.sha256(second.read_bytes()).hexdigest()
    before = digests(out)
    assert run("score", second, "--out", out).code == 0
    assert digests(out) == before


def test_a_bad_recording_does_not_stop_the_others_and_gives_code_1(run, edf, tmp_path):
    broken = tmp_path / "broken.edf"
    broken.write_bytes(edf.read_bytes()[:100])
    done = run("score", broken, edf, "--mvc-uv", 200, "--out", tmp_path / "out")
    assert done.code == 1
    assert "broken.edf" in done.err
    assert "Traceback" not in done.err
    assert {p.name for p in (tmp_path / "out").iterdir()} == FILES


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--mvc-uv", "much"], "no level"),
        (["--mvc-uv", "200", "--mvc-uv", "210"], "once without a label"),
        (["--mvc-uv", "Nose=200"], "not scored"),
        (["--mvc-uv", "0"], "above 0"),
        (["--criterion", "nonsense"], "no criterion is called"),
        (["--mvc-uv", "200", "--from", "soon"], "no time"),
        (["--mvc-uv", "200", "--from", "200", "--to", "100"], "holds no time"),
        (["--mvc-uv", "200", "--channel", "Nose"], "no channel 'Nose'"),
        (["--unit", "furlong"], "furlong"),
    ],
)
def test_what_cannot_be_meant_is_one_sentence(run, edf, tmp_path, arguments, said):
    done = run("score", edf, *arguments, "--out", tmp_path / "out")
    assert done.code in (1, 2)
    assert said in done.err
    assert "Traceback" not in done.err


def test_a_missing_file_is_named(run, tmp_path):
    done = run("score", tmp_path / "none.edf", "--out", tmp_path / "out")
    assert done.code == 1
    assert "none.edf" in done.err


def test_no_recording_at_all_is_wrong_usage(run, tmp_path):
    assert run("score", "--out", tmp_path).code == 2
    assert run("score").code == 2
    assert run("nonsense").code == 2


@pytest.mark.shows("unit-slip")
def test_a_unit_slip_in_the_header_is_mended_by_the_option(run, tmp_path):
    edf = write_edf(tmp_path / "in" / "night.edf", unit="mV")
    run("score", edf, "--out", tmp_path / "wrong")
    run("score", edf, "--unit", "uV", "--out", tmp_path / "right")
    wrong, right = (summary(tmp_path / d) for d in ("wrong", "right"))
    assert wrong["reference"] is None
    assert right["reference"]["levels"][0]["mvc_uv"] == pytest.approx(200, rel=0.2)
    (why,) = (n["text"] for n in wrong["notes"] if n["code"] == "reference-unusable")
    assert "factor of 1000" in why


def test_a_label_that_a_spreadsheet_would_run_is_harmless(run, tmp_path):
    edf = write_edf(tmp_path / "in" / "night.edf", labels=["=EMG Mass L", "EMG Mass R"])
    assert run("score", edf, "--mvc-uv", 200, "--out", tmp_path / "out").code == 0
    cells = {b["channel"] for b in rows(tmp_path / "out" / "night.bursts.csv")}
    assert all(not c.startswith(("=", "+", "-", "@")) for c in cells)


def test_reserved_names_are_not_used(run, tmp_path, edf):
    odd = tmp_path / "in" / "nul.edf"
    edf.rename(odd)
    run("score", odd, "--mvc-uv", 200, "--out", tmp_path / "out")
    assert (tmp_path / "out" / "nul_.report.html").is_file()


STUDY = """
pseudonym = "Test-1"
criterion = "phasic_tonic_10mvc"
[[reference]]
id = "chair"
recording = "chair.edf"
teeth = "natural"
placement = "other placement"
[[reference]]
id = "stated"
mvc_uv = { "EMG Masseter L" = 200.0, "EMG Masseter R" = 210.0 }
teeth = "natural"
[[night]]
id = "n1"
recording = "n1.edf"
condition = "none"
[[night]]
id = "n2"
recording = "n2.edf"
condition = "splint"
reference = "chair"
[[night]]
id = "n3"
recording = "n3.edf"
condition = "splint"
reference = "stated"
"""


def test_a_study_file_says_everything(run, tmp_path):
    for k, name in enumerate(("chair", "n1", "n2", "n3")):
        write_edf(tmp_path / f"{name}.edf", seed=10 * k)
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    done = run("score", "--study", tmp_path / "study.toml", "--out", tmp_path / "out")
    assert done.code == 0, done.err
    placements = {s: summary(tmp_path / "out", s)["reference"]["placement"] for s in ("n1", "n2", "n3")}
    assert placements == {"n1": "same electrodes", "n2": "other placement", "n3": "not stated"}
    codes = {n["code"] for n in summary(tmp_path / "out", "n2")["notes"]}
    assert "reference-other-placement" in codes


def test_a_study_with_a_missing_recording_scores_the_rest(run, tmp_path):
    for name in ("chair", "n1", "n3"):
        write_edf(tmp_path / f"{name}.edf")
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    done = run("score", "--study", tmp_path / "study.toml", "--out", tmp_path / "out")
    assert done.code == 1
    assert "n2.edf" in done.err
    assert (tmp_path / "out" / "n3.summary.json").is_file()


def test_one_recording_of_a_study(run, tmp_path):
    for name in ("chair", "n1", "n2", "n3"):
        write_edf(tmp_path / f"{name}.edf")
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    study, out = tmp_path / "study.toml", tmp_path / "out"
    assert run("score", tmp_path / "n3.edf", "--study", study, "--out", out).code == 0
    assert {p.name.split(".")[0] for p in out.iterdir()} == {"n3"}
    assert run("score", tmp_path / "x.edf", "--study", study, "--out", out).code == 2
    assert run("score", "--study", study, "--mvc-uv", 200, "--out", out).code == 2


def test_the_report_names_what_it_stands_on(run, edf, tmp_path):
    run("score", edf, "--mvc-uv", 200, "--out", tmp_path)
    page = (tmp_path / "night.report.html").read_text("utf-8")
    assert "recording, lights unknown" in page
    assert "per hour of sleep" not in page
    assert len(page) < 1_500_000


def fixed_lines(tmp_path):
    """Kind and scored nights of each line of the record beside the study file."""
    text = (tmp_path / "study.fixed.jsonl").read_text("utf-8")
    lines = [json.loads(line) for line in text.splitlines()]
    return [(line["kind"], line["scored"]) for line in lines]


@pytest.mark.parametrize("out", ["out", "results"])
def test_the_first_scored_night_of_a_study_records_what_was_fixed(run, tmp_path, out):
    for name in ("chair", "n1", "n2", "n3"):
        write_edf(tmp_path / f"{name}.edf")
    file = tmp_path / "study.toml"
    file.write_text(STUDY, encoding="utf-8")
    where = ("--study", file, "--out", tmp_path / out)
    assert run("score", tmp_path / "n1.edf", *where).code == 0
    assert fixed_lines(tmp_path) == [("fixed", 0)]
    before = (tmp_path / "study.fixed.jsonl").read_bytes()
    assert run("score", tmp_path / "n2.edf", *where).code == 0
    assert (tmp_path / "study.fixed.jsonl").read_bytes() == before
    file.write_text(f'primary_outcome = "bursts_per_hour"\n{STUDY}', encoding="utf-8")
    assert run("score", tmp_path / "n3.edf", *where).code == 0
    assert fixed_lines(tmp_path) == [("fixed", 0), ("changed", 2)]
    assert (tmp_path / "study.fixed.jsonl").read_bytes().startswith(before)


def test_nights_are_scored_where_the_record_cannot_be_written_and_one_sentence_says_so(run, tmp_path):
    for name in ("chair", "n1", "n2", "n3"):
        write_edf(tmp_path / f"{name}.edf")
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    (tmp_path / "study.fixed.jsonl").write_text("no line\n", encoding="utf-8")
    done = run("score", tmp_path / "n1.edf", "--study", tmp_path / "study.toml", "--out", tmp_path / "out")
    assert done.code == 0
    assert "study.fixed.jsonl: line 1 cannot be read" in done.err
    assert "when outcome and design were chosen is not recorded" in done.err
    assert (tmp_path / "study.fixed.jsonl").read_text("utf-8") == "no line\n"


@pytest.mark.shows("nights-swapped")
@pytest.mark.shows("wrong-person")
def test_study_nights_carry_pseudonym_night_and_condition(run, tmp_path):
    for k, name in enumerate(("chair", "n1", "n2", "n3")):
        write_edf(tmp_path / f"{name}.edf", seed=10 * k)
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    run("score", "--study", tmp_path / "study.toml", "--out", tmp_path / "out")
    found = summary(tmp_path / "out", "n2")["study"]
    assert found == {"person": "Test-1", "night": "n2", "condition": "splint"}
    assert "Test-1, n2, splint" in (tmp_path / "out" / "n2.report.html").read_text("utf-8")


@pytest.mark.shows("wrong-reference")
def test_a_reference_with_an_appliance_in_is_refused_by_the_study(run, tmp_path):
    text = STUDY.replace('teeth = "natural"', 'teeth = "occlusal splint"', 1)
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    done = run("score", "--study", tmp_path / "study.toml", "--out", tmp_path / "out")
    assert done.code == 2
    assert "scored against natural teeth" in done.err


def test_a_study_night_without_clenches_is_scored_relative_to_background(run, tmp_path):
    write_edf(tmp_path / "n1.edf", clenches=False)
    (tmp_path / "study.toml").write_text(
        'pseudonym = "T"\n[[night]]\nid = "n1"\nrecording = "n1.edf"\ncondition = "none"\n', "utf-8"
    )
    done = run("score", "--study", tmp_path / "study.toml", "--out", tmp_path / "out")
    assert done.code == 0, done.err
    assert summary(tmp_path / "out", "n1")["criterion"]["id"] == "aasm"


def flat_channel(path, k):
    """Write zeros over the samples of one of the two channels."""
    raw = bytearray(path.read_bytes())
    header = int(raw[184:192])
    per_record = [int(raw[256 + 3 * 216 + 8 * i : 256 + 3 * 216 + 8 * i + 8]) for i in range(3)]
    size = 2 * sum(per_record)
    for start in range(header, len(raw), size):
        begin = start + 2 * sum(per_record[:k])
        raw[begin : begin + 2 * per_record[k]] = bytes(2 * per_record[k])
    path.write_bytes(raw)


def test_a_dead_channel_is_left_out_with_a_note_where_its_clenches_hold_nothing(run, edf, tmp_path):
    flat_channel(edf, 1)
    done = run("score", edf, "--out", tmp_path / "out")
    assert done.code == 0, done.err
    found = summary(tmp_path / "out")
    assert [c["label"] for c in found["channels"]] == [LABELS[0]]
    assert "channel-left-out" in {n["code"] for n in found["notes"]}
    assert found["measures"]["episode_count"]["value"] == 2


def test_a_side_lost_is_said_with_the_way_out(run, edf, tmp_path):
    flat_channel(edf, 1)
    run("score", edf, "--mvc-uv", 200, "--out", tmp_path / "out")
    found = summary(tmp_path / "out")
    assert found["measures"]["episodes_per_hour"]["value"] is None
    run("score", edf, "--mvc-uv", 200, "--channel", LABELS[0], "--out", tmp_path / "one")
    assert summary(tmp_path / "one")["measures"]["episode_count"]["value"] == 2


@pytest.mark.parametrize("levels", [["17.2"], [f"{LABELS[0]}=190", f"{LABELS[1]}=12"]])
@pytest.mark.shows("wrong-count")
def test_a_threshold_at_rest_is_refused_and_never_a_rate_of_zero(run, edf, tmp_path, levels):
    done = run("score", edf, *(f"--mvc-uv={v}" for v in levels), "--out", tmp_path / "out")
    assert done.code == 1
    assert "times the resting level" in done.err
    assert not list((tmp_path / "out").glob("*.summary.json"))


@pytest.mark.shows("wrong-reference")
def test_clench_marks_over_rest_are_no_reference(run, tmp_path):
    edf = write_edf(tmp_path / "in" / "night.edf", clenches=False)
    import edfio

    file = edfio.read_edf(edf)
    notes = [edfio.EdfAnnotation(t, 3.0, "Clench") for t in (60.0, 70.0, 80.0)]
    edfio.Edf(list(file.signals), annotations=notes).write(edf)
    done = run("score", edf, "--out", tmp_path / "out")
    assert done.code == 0
    found = summary(tmp_path / "out")
    assert found["criterion"]["id"] == "aasm"
    assert {"reference-unusable", "criterion-replaced"} <= {n["code"] for n in found["notes"]}


@pytest.mark.parametrize(
    "arguments",
    [
        ["--rest-uv", "2"],
        ["--criterion", "nope"],
        ["--channel", "NOPE"],
        ["--mvc-uv", "-5"],
        ["--mvc-uv", "NOPE=172"],
        ["--mvc-uv", "0.172"],
        ["--mvc-uv", "172000"],
        [f"--mvc-uv={LABELS[0]}=1", f"--mvc-uv={LABELS[0]}=2"],
        ["--from", "banana"],
        ["--study", "none.toml"],
        ["--mvc-uv", "190", "--to", "999999"],
    ],
)
def test_wrong_usage_is_code_2_for_one_recording_and_for_two(run, edf, tmp_path, arguments):
    assert run("score", edf, *arguments, "--out", tmp_path / "out").code == 2
    assert run("score", edf, edf, *arguments, "--out", tmp_path / "out").code == 2


def test_one_night_that_cannot_be_written_does_not_stop_the_next(run, edf, tmp_path):
    other = write_edf(tmp_path / "in" / "other.edf", seed=9)
    out = tmp_path / "out"
    (out / "night.report.html").mkdir(parents=True)
    done = run("score", edf, other, "--out", out)
    assert done.code == 1
    assert (out / "other.summary.json").is_file()
    assert not (out / "night.summary.json").exists()


def test_an_output_that_is_a_file_is_wrong_usage(run, edf, tmp_path):
    assert run("score", edf, "--out", edf).code == 2


def test_a_criterion_without_a_mixed_class_gives_no_rate_of_mixed_episodes(run, edf, tmp_path):
    run("score", edf, "--criterion", "aasm", "--out", tmp_path)
    measure = summary(tmp_path)["measures"]["mixed_episodes_per_hour"]
    assert measure["value"] is None
    assert "no mixed class" in measure["reason"]


def test_labels_of_levels_do_not_mind_case(run, edf, tmp_path):
    levels = [f"--mvc-uv={label.lower()}=200" for label in LABELS]
    assert run("score", edf, *levels, "--out", tmp_path).code == 0
