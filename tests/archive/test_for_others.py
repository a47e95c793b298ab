"""An archive is read by plain h5py and by pandas, as `docs/archive.md` tells; one of schema 2 still opens."""

import re
from datetime import datetime
from pathlib import Path

import h5py
import numpy as np
import pandas as pd
import pytest

from sleepbrux import reference as calibration
from sleepbrux.archive import file as store
from sleepbrux.scoring.night import score_night
from tests.nights import LABELS, recording_of, rhythm

SCHEMA_2 = Path(__file__).parent / "data" / "schema-2.1.night.h5"
PAGE = Path(store.__file__).parent.parent / "docs" / "archive.md"


@pytest.fixture(scope="module")
def night():
    marks = [(5.0, 0.0, "Lights off"), (110.0, 0.0, "Lights on")]
    before_lights_off = (1.0, 3.5, 300.0)
    bursts = [before_lights_off, *rhythm(20, 4), (60.0, 63.0, 300.0), (80.0, 80.5, 250.0)]
    recording = recording_of([bursts, bursts], seconds=120, marks=marks)
    return score_night(recording, calibration.given(LABELS, 200.0))


@pytest.fixture(scope="module")
def file(night, tmp_path_factory):
    path = tmp_path_factory.mktemp("archive") / "a.night.h5"
    store.save_night(night, path)
    with h5py.File(path) as opened:
        yield opened


def table(file, name):
    """As the page tells a reader to do it."""
    frame = pd.DataFrame(file[f"tables/{name}"][:])
    for column, kind in file[f"tables/{name}"].dtype.fields.items():
        if codes := h5py.check_enum_dtype(kind[0]):
            frame[column] = frame[column].map({code: word for word, code in codes.items()})
        elif h5py.check_string_dtype(kind[0]):
            frame[column] = frame[column].str.decode("utf-8")
    return frame


def test_counted_episodes_are_those_of_the_frames(night, file):
    found, own = table(file, "episodes"), night.to_frame("episodes")
    assert len(found) > len(own) == 2  # one before lights off does not count
    counted = found[found["counted"]].reset_index(drop=True)
    assert counted["episode"].tolist() == own["episode"].tolist()
    assert set(found.loc[~found["counted"], "episode"]) == {0}
    for name in ("start_s", "end_s", "kind", "peak_pct_mvc", "mean_pct_mvc", "sides", "burst_count"):
        assert counted[name].tolist() == own[name].tolist(), name


def test_counted_bursts_are_those_of_the_frames(night, file):
    found, own = table(file, "bursts"), night.to_frame("bursts")
    counted = found[found["counted"]].reset_index(drop=True)
    assert len(counted) > 3
    for name in ("start_s", "end_s", "kind", "peak_uv", "mean_uv", "channel"):
        assert counted[name].tolist() == own[name].tolist(), name
    assert counted["episode"].tolist() == own["episode"].fillna(0).tolist()


def test_measures_have_value_unit_and_interval(night, file):
    found = table(file, "measures").set_index("measure")
    own = night.to_frame("measures")
    assert list(found.index) == list(own.index)
    for name in ("value", "low_95", "high_95"):
        np.testing.assert_array_equal(found[name], own[name].astype(float))
    assert found.loc["episodes_per_hour", "unit"] == "1/h"


def test_kinds_are_enumerations_in_the_columns_too(file):
    words = h5py.check_enum_dtype(file["episodes/kind"].dtype)
    assert words == {"phasic": 0, "tonic": 1, "mixed": 2, "unclassified": 3}
    assert h5py.check_enum_dtype(file["bursts/0/kind"].dtype) == h5py.check_enum_dtype(
        file["merged/kind"].dtype
    )


def test_spans_are_seconds_with_their_channel_and_reason(night, file):
    valid = file["spans/valid"]
    assert valid.attrs["units"] == "s"
    hours = np.diff(valid[:], axis=1).sum() / 3600
    assert hours == pytest.approx(night.measures["valid_hours"].value, abs=1e-9)
    assert file["spans/usable/0"].attrs["channel"] == LABELS[0]
    for name, part in file["spans/excluded/0"].items():
        assert part.attrs["reason"] == name
        assert part.shape[1] == 2


def test_an_envelope_is_made_from_the_frames_in_two_lines(night, file):
    energy = file["frames/0/energy"]
    assert (energy.attrs["units"], energy.attrs["rate_hz"], energy.attrs["t0"]) == ("uV^2", 100.0, 0.0)
    rms_uv = np.sqrt(energy[:])
    time_s = energy.attrs["t0"] + np.arange(len(rms_uv)) / energy.attrs["rate_hz"]
    assert rms_uv[(time_s > 61) & (time_s < 62)].mean() > 10 * np.median(rms_uv)
    assert file.attrs["duration_s"] == 120.0
    start = file.attrs["start"]
    assert start == "" or datetime.fromisoformat(start) == night.swept.start


def test_every_group_and_attribute_is_on_the_page(file):
    """And nothing is on it that no archive has."""
    page = PAGE.read_text("utf-8")
    told = set(re.findall(r"^\| `(/[^`]*)`", page, flags=re.MULTILINE))
    found = {f"/{name}" for name in file} | {"/tables/episodes", "/tables/bursts", "/tables/measures"}
    found |= {"/spans/window", "/spans/valid", "/spans/usable/0", "/spans/excluded/0/REASON", "/"}
    assert found <= told | {"/traces"}
    assert {t for t in told if t.count("/") == 1} - {"/"} <= {f"/{name}" for name in file} | {"/traces"}
    for name, data in file["tables"].items():
        for column in data.dtype.names:
            assert f"`{column}`" in page, (name, column)


def test_an_archive_of_schema_2_opens_under_the_present_names():
    night = store.load_night(SCHEMA_2)
    values = {name: m.value for name, m in night.measures.items()}
    assert values["time_in_episodes_pct"] == pytest.approx(25.03846153846154)
    assert values["time_in_bursts_pct"] == pytest.approx(19.5)
    assert not [name for name in values if "index_pct" in name]
    assert dict(night.about) == {"person": "P-01", "night": "n1", "condition": "none"}
    assert len(night.selection.episodes) == len(night.to_frame("episodes")) == 2


def test_an_archive_of_schema_2_is_written_anew_with_the_same_content(tmp_path):
    night = store.load_night(SCHEMA_2)
    store.save_night(night, tmp_path / "new.night.h5")
    again = store.load_night(tmp_path / "new.night.h5")
    assert again.measures == night.measures
    assert again.to_frame("bursts").equals(night.to_frame("bursts"))
