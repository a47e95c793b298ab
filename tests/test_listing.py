"""The library as a researcher types it: these lines, as they stand here, run one after the other."""

import datetime
from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import mne
import numpy as np
import pytest
from edfio import Edf, EdfAnnotation, EdfSignal

import sleepbrux as sb
from tests.nights import LABELS, recording_of, rhythm

LISTING = """
rec = sb.open_recording("night.edf")
rec
times_s, uv = rec.get_data("EMG Masseter L", 3600, 3610)

night = sb.score("night.edf")
night = sb.score("night.edf", mvc_uv=190)
night = sb.score("night.edf", mvc_uv={"EMG Masseter L": 190, "EMG Masseter R": 175})
night = sb.score(raw, mvc_uv=190)
night = sb.score(array, rate_hz=1000, labels=labels, mvc_uv=190, start=datetime.datetime(2026, 3, 2, 23, 0))
night = sb.score(rec, reference=ref, criterion="lavigne1996", window=("23:10", "23:50"),
                 marks=[sb.Mark(99, 0, "Lights off")], stages=hypnogram, stage_codes={5: "wake", 4: "rem"})

night.measures["episodes_per_hour"]
night.to_frame("episodes")
times_s, level_uv = night.envelope("EMG Masseter L")
ax = night.plot(); night.plot_episode(1)
raw2 = night.annotate(raw, kinds="episodes")
night.save("night.night.h5"); sb.load_night("night.night.h5")
sb.tidy([night1, night2])

rule = sb.load_criterion("lavigne1996").derive(level_pct_mvc=12, id="mine")
rule.save("mine.toml"); sb.rescore(night, rule)

if __name__ == "__main__":
    sb.score_many(paths, workers=2, mvc_uv=190)
sb.compare_nights(counted)
sb.plan_nights(16.0, sb.own_variation(counted), 0.5, sb.Planned(runs=20, most_nights=6))
sb.compare_cohort(persons)
sb.agree(a, b)
"""
SECONDS = 3660
CLENCHES = [(4 + 6 * k, 7 + 6 * k, 190.0) for k in range(3)]
START = datetime.datetime(2026, 3, 2, 23, 0)


@pytest.fixture(scope="module")
def names(tmp_path_factory):
    """What the listing takes as given; the folder holds ``night.edf``."""
    folder = tmp_path_factory.mktemp("listing")
    bursts = [*CLENCHES, *rhythm(900, 6), *rhythm(1800, 4)]
    rec = recording_of([bursts, bursts], seconds=SECONDS, start=START)
    array = np.stack([rec.get_data(label)[1] for label in LABELS])
    signals = [
        EdfSignal(
            np.clip(row, -3000, 3000),
            1000,
            label=label,
            physical_dimension="uV",
            physical_range=(-3000, 3000),
        )
        for row, label in zip(array, LABELS, strict=True)
    ]
    marks = [EdfAnnotation(a, b - a, "Clench natural teeth") for a, b, _ in CLENCHES]
    Edf(signals, starttime=START.time(), annotations=marks).write(folder / "night.edf")
    raw = mne.io.RawArray(array * 1e-6, mne.create_info(LABELS, 1000, "emg"), verbose="error")
    night1 = sb.score(array[:, 850_000:950_000], rate_hz=1000, labels=LABELS, mvc_uv=190)
    counts = {"none": (16, 14, 18, 15, 17), "splint": (8, 9, 7, 8)}
    counted = [sb.CountedNight(f"{c}{k}", c, n, 7.0) for c, ns in counts.items() for k, n in enumerate(ns)]
    return folder, {
        "sb": sb,
        "datetime": datetime,
        "raw": raw,
        "array": array,
        "labels": LABELS,
        "ref": sb.given(LABELS, 190),
        "hypnogram": [5, 4] * 61,
        "night1": night1,
        "night2": replace(night1, about=(("night", "n2"),)),
        "paths": [folder / "night.edf"],
        "counted": counted,
        "persons": [sb.PersonNight(f"P{p}", n.condition, n.events, 7.0) for p in range(3) for n in counted],
        "a": night1,
        "b": sb.rescore(night1, "lavigne1996"),
        "__name__": "__main__",
    }


def test_every_line_of_the_listing_runs(names, monkeypatch):
    folder, given = names
    monkeypatch.chdir(folder)
    mpl.use("Agg")
    scope = dict(given)
    exec(compile(LISTING, "listing", "exec"), scope)
    assert (len(scope["uv"]), scope["night"].criterion.id) == (10_000, "lavigne1996")
    assert scope["night"].measures["episode_count"].value == 2
    assert len(scope["raw2"].annotations) == 2
    assert {"mine.toml", "night.night.h5", "results"} <= {path.name for path in folder.iterdir()}


def test_the_readme_and_this_listing_name_no_function_that_is_not_public():
    text = (Path(__file__).resolve().parents[1] / "README.md").read_text("utf-8") + LISTING
    import re

    assert {name for name in re.findall(r"\bsb\.(\w+)", text) if name not in sb.__all__} == set()
