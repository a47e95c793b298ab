"""Notes are kept with a result and printed: they tell where something odd stands, not what somebody wrote there."""

from __future__ import annotations

import h5py
import numpy as np
import pytest

from sleepbrux.core.errors import Note
from sleepbrux.recording.formats.edf import open_edf
from sleepbrux.recording.formats.hdf5 import open_hdf5
from sleepbrux.recording.formats.mne_formats import open_with_mne
from sleepbrux.recording.marks import suggest
from sleepbrux.recording.model import Mark
from sleepbrux.recording.stages import load_stages
from sleepbrux.recording.window import find_window
from tests.recording.build import edf, edf_plus, emg
from tests.recording.test_mne_formats import triplet

WORD = "Quixote"


def told(notes: tuple[Note, ...], code: str) -> str:
    """The notes of one code; in no note stands the word."""
    assert WORD.casefold() not in " ".join(n.text for n in notes).casefold()
    found = [n.text for n in notes if n.code == code]
    assert found, [n.code for n in notes]
    return " ".join(found)


@pytest.mark.shows("identity-leak")
def test_rows_that_name_no_stage_are_told_by_number(tmp_path):
    rows = [f"{30 * k},30,{'N2' if k % 4 else f'Frau {WORD} *07.08.1968'}" for k in range(40)]
    (tmp_path / "st.csv").write_text("onset,duration,stage\n" + "\n".join(rows) + "\n", "utf-8")
    said = told(load_stages(tmp_path / "st.csv", duration_s=1200).notes, "stages-unknown")
    assert said == (
        "10 rows of the table of stages name no known stage (number 1, 5, 9, 13, 17 and 5 more, counted below"
        " its head); that time is not scored"
    )


@pytest.mark.shows("identity-leak")
def test_codes_of_stages_are_told_by_the_stage_and_not_by_the_word_that_was_given(tmp_path):
    (tmp_path / "st.csv").write_text("onset,duration,stage\n0,30,1\n30,30,2\n", "utf-8")
    found = load_stages(tmp_path / "st.csv", duration_s=60, codes={1: "N2", 2: WORD})
    assert told(found.notes, "stages-coded").endswith("read as stated: 1 n2, 2 unscored")


@pytest.mark.shows("identity-leak")
def test_a_mark_that_may_mean_lights_is_told_by_its_time():
    text = f"lights of {WORD}"[:12]
    mark = next(t for t in (text, "lights of Q", "Lihgts off") if suggest(t))
    window = find_window((Mark(30, 0, mark), Mark(500, 0, "Lights on")), 600)
    (asked,) = [n.text for n in window.notes if n.code == "lights-mark-misspelt"]
    assert asked.startswith("a mark at 30 s may mean lights off")
    assert mark not in asked


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize(
    ("field", "code"),
    [
        ("start date", "date-unknown"),
        ("start time", "time-unknown"),
        ("number of records", "records-inferred"),
        ("recording", "startdate-form"),
    ],
)
def test_a_field_of_the_header_is_quoted_only_where_it_is_figures(tmp_path, field, code):
    value = f"Startdate {WORD} X X X" if field == "recording" else WORD
    cells = {"recording": "X", field: value} if field == "start date" else {field: value}
    path = edf_plus(emg(), **cells).write(tmp_path / "x.edf")
    assert "a text" in told(open_edf(path).notes, code)


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize("field", ["physical maximum", "digital minimum"])
def test_a_limit_that_is_no_number_is_not_quoted(tmp_path, field):
    path = edf(emg(), emg(label="EMG Mass R", **{field.replace(" ", "_"): WORD})).write(tmp_path / "x.edf")
    assert f"Field '{field}'" in told(open_edf(path).notes, "channel-fault")


@pytest.mark.shows("identity-leak")
def test_data_sets_that_are_left_out_are_counted(tmp_path):
    with h5py.File(tmp_path / "x.h5", "w") as file:
        group = file.create_group("night")
        group.attrs["sampling_rate"] = 500
        for name, n in (("EMG Mass L", 5000), ("EMG Mass R", 5000), (WORD, 400)):
            group.create_dataset(name, data=np.arange(float(n))).attrs["unit"] = "uV"
    assert told(open_hdf5(tmp_path / "x.h5").notes, "sets-left-out").startswith("1 data set shorter")


@pytest.mark.shows("identity-leak")
def test_what_mne_says_of_a_file_is_counted(tmp_path, monkeypatch):
    import warnings

    import mne

    triplet(tmp_path, named=WORD)
    real = mne.io.read_raw_brainvision

    def warning(*arguments: object, **options: object) -> object:
        warnings.warn(f"the patient is {WORD}", RuntimeWarning, stacklevel=2)
        return real(*arguments, **options)

    monkeypatch.setattr(mne.io, "read_raw_brainvision", warning)
    notes = open_with_mne(tmp_path / "night.vhdr").notes
    assert told(notes, "mne").startswith("While opening, mne gave 1 warning")
    assert told(notes, "renamed")
