"""The reader of open collections, on tiny made files of the same layout: no file of theirs is here."""

import csv
from datetime import time

import edfio
import numpy as np
import pytest

import sleepbrux as sb
from tests.nights import rhythm, signal_of
from tests.outside.open_sets import TABLE, main, stages_of

HEAD = "Sleep Stage\tPosition\tTime [hh:mm:ss]\tEvent\tDuration[s]\tLocation"
SECONDS = 300


def edf(path, bursts, label, others=()):
    """One EMG with bursts and some flat others, from 22:09:33 on."""
    path.parent.mkdir(exist_ok=True)
    signals = [signal_of(bursts, seconds=SECONDS, rate=512), *(np.zeros(SECONDS * 512) for _ in others)]
    edfio.Edf(
        [
            edfio.EdfSignal(
                np.clip(s, -900, 900), 512, label=name, physical_dimension="uV", physical_range=(-900, 900)
            )
            for s, name in zip(signals, (label, *others), strict=True)
        ],
        starttime=time(22, 9, 33),
    ).write(path)


def scoring(path, stages):
    lines = ["Recording: made up", "Scored by: nobody", "", HEAD]
    for k, stage in enumerate(stages):
        at = 22 * 3600 + 9 * 60 + 33 + 30 * k
        clock = f"{at // 3600:02d}:{at // 60 % 60:02d}:{at % 60:02d}"
        lines.append(f"{stage}\tSupine\t{clock}\tSLEEP-{stage}\t30\tROC-LOC")
        lines.append(f"{stage}\tSupine\t{clock}\tMCAP-A1\t4\tFp2-F4")  # no epoch
    path.write_text("\n".join(lines) + "\n", encoding="latin-1")


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    folder = tmp_path_factory.mktemp("open")
    night = folder / "sleep-pathology" / "brux1.edf"
    edf(night, [*rhythm(100, 6), *rhythm(200, 6)], "EMG1-EMG2", ("Fp2-F4", "ECG1-ECG2"))
    scoring(night.with_suffix(".txt"), ["W", "W", "S1", "S2", "S2", "S3", "S4", "R", "R", "MT"])
    edf(folder / "sleep-pathology" / "brux2.edf", rhythm(100, 6), "EMG1-EMG2")
    (folder / "sleep-pathology" / "brux3.edf").write_bytes(b"0       nothing")
    acts = [(60.0, 61.0, 60.0), (120.0, 121.0, 60.0), *rhythm(200, 8)]
    edf(folder / "submental" / "person1.edf", acts, "EMG submental")
    (folder / "submental" / "person1.labels.csv").write_text(
        "onset_s,duration_s,label\n60,1,swallow\n120,1,swallow\n200,8,speech\n250,1,cough\n", encoding="utf-8"
    )
    main(folder)
    with (folder / TABLE).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_night_is_scored_by_its_own_stages(table):
    first, second, third = [r for r in table if r["collection"] == "sleep-pathology"]
    assert first["channels"] == "EMG1-EMG2"
    assert float(first["episodes_per_hour"]) > 0
    hours = 7 * 30 / 3600  # S1 to R; movement time is neither sleep nor wake
    assert float(first["episodes_per_hour_of_sleep"]) == pytest.approx(2 / hours, rel=0.05)
    assert second["episodes_per_hour_of_sleep"] == ""
    assert second["problem"] == "there is no brux2.txt: no rate per hour of sleep"
    assert "brux3.edf" in third["problem"]
    assert third["valid_hours"] == ""


def test_labelled_acts_are_counted_and_compared(table):
    every, *acts = [r for r in table if r["collection"] == "submental"]
    found = {r["label"]: (r["stretches"], r["with_a_burst"], r["with_an_episode"]) for r in acts}
    assert found == {"cough": ("1", "0", "0"), "speech": ("1", "1", "1"), "swallow": ("2", "2", "0")}
    assert int(every["matched"]) + int(every["only_labelled"]) == 4
    assert int(every["only_labelled"]) == 1  # the cough that is not in the signal


def test_what_is_not_there_is_said(table):
    (facial,) = [r for r in table if r["collection"] == "facial"]
    assert facial["problem"] == "not there"


def test_a_scoring_of_another_layout_is_refused():
    with pytest.raises(sb.UsageError, match="no line that begins with 'Sleep Stage'"):
        stages_of("nothing\n")
