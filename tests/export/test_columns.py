"""What every table may hold is declared once; every cell of every table keeps to it."""

import csv
import io

import h5py
import numpy as np
import pytest

from sleepbrux import reference as calibration
from sleepbrux.analysis.comparison.rows import night_row
from sleepbrux.archive.journal.levels import Levels
from sleepbrux.criteria import load_criterion
from sleepbrux.export.bids import events_tsv
from sleepbrux.export.columns import (
    BIDS_EVENTS,
    BURSTS,
    EPISODES,
    EXCLUDED,
    MEASURES,
    NIGHTS,
    STUDY,
    STUDY_INTERVAL,
    TABLES,
    Column,
    measure_column,
)
from sleepbrux.export.dictionary import dictionary_csv
from sleepbrux.export.frames import frames
from sleepbrux.export.study_table import excluded_csv, measures_csv, study_table
from sleepbrux.export.tables import bursts_csv, channel_bursts_csv, episodes_csv, nights_csv
from sleepbrux.recording.memory import from_array
from sleepbrux.scoring.night import rescore, score_night
from sleepbrux.scoring.request import Request, score_file
from sleepbrux.synth.channels import write_around
from sleepbrux.synth.confounders import Around, plan_around
from sleepbrux.synth.layout import Recipe
from tests.nights import LABELS, recording_of, rhythm, signal_of
from tests.outside.registry import outside


def brief(seed):
    """Bursts of 30 to 400 ms at many levels, on both sides."""
    rng = np.random.default_rng(seed)
    starts = np.cumsum(rng.uniform(0.6, 5.0, 80)) + 5
    bursts = [
        (a, a + rng.uniform(0.03, 0.4), float(np.exp(rng.uniform(np.log(20), np.log(900))))) for a in starts
    ]
    return recording_of([bursts, bursts[::2]], seconds=260, seed=seed)


def outside_emg(name):
    with h5py.File(outside(name)) as file:
        found = []
        file.visit(lambda n: found.append(n) if "raw/channel_" in n else None)
        counts = np.asarray(file[found[0]][()], dtype=float).ravel()
    return from_array((counts - np.median(counts))[None], 1000, LABELS[:1])


def loudest_second(recording):
    data = recording.source.blocks(recording.channels[:1], 0, recording.channels[0].n_stored)
    values = np.asarray(data[0].data, dtype=float)
    n = len(values) // 1000 * 1000
    return float(np.sqrt((values[:n].reshape(-1, 1000) ** 2).mean(axis=1).max()))


def everything(folder):
    """A short generated night with every signal that may surround an episode."""
    recipe = Recipe(
        hours=0.5,
        episodes_per_hour=12,
        awake_s=60.0,
        settle_s=60.0,
        isolated_per_hour=2.0,
        twitches_per_hour=6.0,
    )
    rates = {"short wakes": 5, "body movements": 7, "sleep talking": 4, "swallows": 8}
    write_around(plan_around(recipe, Around(rates, breathing_per_hour=8.0), seed=3), folder / "n.edf")
    return score_file(folder / "n.edf", Request())


def nights(folder):
    for seed in range(3):
        yield f"brief {seed}", score_night(brief(seed), calibration.given(LABELS, 200.0))
    rectified = calibration.given(LABELS, 150.0, amplitude="rectified")
    yield "rectified", score_night(brief(3), rectified)
    base = score_night(brief(4), calibration.given(LABELS, 200.0))
    for criterion in ("lavigne1996", "aasm"):
        yield criterion, rescore(base, criterion)
    yield "gallo1999_contraction", score_night(brief(4), rectified, "gallo1999_contraction")
    long = recording_of([[*rhythm(20, 4), (60.0, 63.0, 300.0)]] * 2, seconds=120)
    yield "without a clench", score_night(long, None, "aasm")
    yield "with all that surrounds it", everything(folder)
    for name in ("emg_bursts.h5", "emg_fatigue.h5", "emg_1000_hz_16_bits_solo.h5"):
        recording = outside_emg(name)
        rule = load_criterion("phasic_tonic_10mvc").derive({"threshold.level_pct_mvc": 20.0})
        given = calibration.given(LABELS[:1], min(loudest_second(recording), 4900.0))
        yield name, score_night(recording, given, rule)


@pytest.fixture(scope="module")
def every_night(tmp_path_factory):
    return dict(nights(tmp_path_factory.mktemp("columns")))


def faults(columns, text, *, delimiter=",", empty=""):
    heads, *rows = csv.reader(io.StringIO(text), delimiter=delimiter)
    assert heads == list(columns)
    return [
        f"{name} {fault} in row {k}"
        for k, row in enumerate(rows, start=1)
        for name, cell in zip(heads, row, strict=True)
        if (fault := columns[name].fault(cell, empty))
    ]


def test_every_cell_of_every_table_keeps_to_its_column(every_night):
    for name, night in every_night.items():
        measures = {k: measure_column(k, m.unit, m.basis) for k, m in night.measures.items()}
        for columns, text in (
            (EPISODES, episodes_csv(night)),
            (BURSTS, bursts_csv(night)),
            (BURSTS, channel_bursts_csv(night)),
            (MEASURES, measures_csv(night)),
            (EXCLUDED, excluded_csv(night)),
            ({**STUDY, **measures, **STUDY_INTERVAL}, study_table([(name, night)])),
            (NIGHTS, nights_csv([night_row(name, "none", night)])),
        ):
            assert faults(columns, text) == [], name
        assert faults(BIDS_EVENTS, events_tsv(night), delimiter="\t", empty="n/a") == [], name


def test_no_mean_lies_above_its_peak(every_night):
    seen = 0
    for name, night in every_night.items():
        for table in (*night.bursts, night.merged, night.episodes):
            for unit in ("uv", "pct_mvc"):
                peak = getattr(table, f"peak_{unit}", np.empty(0))
                mean = getattr(table, f"mean_{unit}", np.empty(0))
                both = ~np.isnan(peak) & ~np.isnan(mean)
                assert (mean[both] <= peak[both]).all(), (name, unit)
                seen += int(both.sum())
        for text in (episodes_csv(night), bursts_csv(night), channel_bursts_csv(night)):
            for row in csv.DictReader(io.StringIO(text)):
                for unit in ("uv", "pct_mvc"):
                    peak, mean = row.get(f"peak_{unit}"), row.get(f"mean_{unit}")
                    assert not peak or float(mean) <= float(peak), (name, row)
    assert seen > 500


def test_a_burst_shorter_than_the_smoothing_window_has_the_peak_of_its_own_level():
    """An envelope of 0.125 s around 60 ms of muscle holds as much rest: it cannot be the peak."""
    night = score_night(
        recording_of([[(20.0, 20.06, 400.0)]], seconds=40, labels=LABELS[:1]),
        calibration.given(LABELS[:1], 200.0),
    )
    (burst,) = range(len(night.bursts[0]))
    length_s = float((night.bursts[0].stops - night.bursts[0].starts)[burst] / 100)
    assert length_s < 0.125
    level = night.bursts[0].mean_uv[burst]
    true = np.sqrt((signal_of([(20.0, 20.06, 400.0)], seconds=40)[20000:20060] ** 2).mean())
    assert level == pytest.approx(true, rel=0.25)
    assert night.bursts[0].peak_uv[burst] >= level


def test_spans_that_a_reader_made_have_no_mean_above_their_peak(every_night):
    night = every_night["brief 0"]
    levels = Levels(night)
    for start in range(500, 24_000, 371):
        seen = levels.over(start, start + 6)
        assert not seen.peak_uv < seen.mean_uv
        assert not seen.peak_pct_mvc < seen.mean_pct_mvc


def test_the_dictionary_names_every_column_with_its_own_type(every_night):
    night = every_night["brief 0"]
    rows = {(r["table"], r["column"]): r for r in csv.DictReader(io.StringIO(dictionary_csv(night)))}
    for table, columns in TABLES.items():
        for name, column in columns.items():
            assert rows[table, name]["type"] == column.type
            assert rows[table, name]["unit"] == column.unit
    for text in ("stage", "position", "other_activity", "kind", "sides", "flags"):
        assert rows["episodes", text]["type"] == "text"
        assert rows["episodes", text]["unit"] == ""
    assert rows["study_table", "episode_count"]["type"] == "integer"
    assert rows["study_table", "person"]["type"] == "text"


def test_the_attributes_of_a_frame_describe_its_own_columns_and_these_have_their_types(every_night):
    kinds = {"text": "O", "integer": "i", "number": "f", "0 or 1": "i"}
    declared = {
        "episodes": EPISODES,
        "bursts": BURSTS,
        "channel_bursts": BURSTS,
        "measures": MEASURES,
    }
    for night in every_night.values():
        for name, frame in frames(night).items():
            own = [*([frame.index.name] if frame.index.name else []), *frame.columns]
            assert own == list(frame.attrs["columns"]), name
            for column, declared_column in declared.get(name, {}).items():
                if column in frame and len(frame):
                    kind = kinds[declared_column.type]
                    found = frame[column].dtype
                    assert found.kind == kind or (kind == "O" and found == "str"), (name, column)


@pytest.mark.parametrize(
    ("column", "cell", "said"),
    [
        (Column("", "integer", low=1), "0", "not at least 1"),
        (Column("", "integer"), "1.0", "no integer"),
        (Column("", "number"), "nan", "finite"),
        (Column("", "0 or 1"), "True", "neither"),
        (Column("", words=("a", "b"), joined=True), "a+c", "none of"),
        (Column("", filled=True), "", "empty"),
        (Column("", "number", low=-10, high=10), "11", "-10 to 10"),
    ],
)
def test_a_cell_that_breaks_its_column_is_named(column, cell, said):
    assert said in column.fault(cell)
