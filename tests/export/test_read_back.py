"""Every export, read back by readers that nobody here wrote: the same events, to what the format can hold.

EDF+ (edfio, pyedflib, mne), BIDS (mne-bids, pandas), CSV (frictionless, by the types of the data dictionary),
Parquet (pyarrow), the archive (h5py), JSON and FHIR, which hold no events, by every measure.
"""

import csv
import json
from collections import Counter

import edfio
import frictionless
import h5py
import mne
import numpy as np
import pandas as pd
import pyarrow.parquet
import pyedflib
import pytest

from sleepbrux.archive.file import save_night
from sleepbrux.core.errors import UsageError
from sleepbrux.export.bids import BidsForm, write_bids
from sleepbrux.export.edf_annotations import edf_annotations
from sleepbrux.export.events import EVENT_TYPES, SELECTIONS, events
from sleepbrux.export.files import ExportRequest, write_files
from sleepbrux.export.frames import frames
from sleepbrux.export.mne_annotations import mne_annotations

KINDS = ("episodes", "bursts", "all")
TYPES = {"text": "string", "integer": "integer", "number": "number", "0 or 1": "integer"}


def expected(night, kinds="all"):
    return sorted((e.onset_s, e.duration_s, e.type, e.channel) for e in events(night, kinds))


def same(found, wanted, within):
    assert len(found) == len(wanted) > 1
    for row, true in zip(sorted(found), wanted, strict=True):
        assert row[:2] == pytest.approx(true[:2], abs=within)
        assert tuple(row[2:]) == true[2:]


def without_link(rows):
    return [(a, d, *[*text.split("@@"), ""][:2]) for a, d, text in rows]


@pytest.mark.parametrize("kinds", KINDS)
def test_edf_annotations_by_three_readers(night, tmp_path, kinds):
    path = tmp_path / "n.edf"
    path.write_bytes(edf_annotations(night, kinds=kinds))
    wanted = expected(night, kinds)
    by_edfio = [(a.onset, a.duration or 0.0, a.text) for a in edfio.read_edf(path).annotations]
    with pyedflib.EdfReader(str(path)) as file:
        by_pyedflib = list(zip(*(v.tolist() for v in file.readAnnotations()), strict=True))
    read = mne.read_annotations(path)
    by_mne = list(zip(read.onset, read.duration, read.description, strict=True))
    for rows in (by_edfio, by_pyedflib, by_mne):
        same(without_link(rows), wanted, 1e-4)


def test_one_list_of_names_in_every_file(night, tmp_path):
    write_files([("n", night)], tmp_path, ExportRequest(("csv", "edf", "bids", "parquet")))
    (name,) = (p.name.removesuffix(".events.csv") for p in tmp_path.glob("*.events.csv"))
    bids = next((tmp_path / "bids").rglob("*_events.tsv"))
    found = {
        "EDF+": {
            a.text.split("@@")[0] for a in edfio.read_edf(tmp_path / f"{name}.annotations.edf").annotations
        },
        "CSV": set(pd.read_csv(tmp_path / f"{name}.events.csv")["type"]),
        "BIDS": set(pd.read_csv(bids, sep="\t")["trial_type"]),
        "Parquet": set(pd.read_parquet(tmp_path / f"{name}.events.parquet")["type"]),
        "mne": set(mne_annotations(night).description),
        "pandas": set(frames(night)["events"]["type"]),
    }
    assert len({frozenset(words) for words in found.values()}) == 1
    assert found["CSV"] <= EVENT_TYPES.keys()
    assert {"Phasic episode", "Tonic burst", "Not scorable", "Analysed window"} <= found["CSV"]


@pytest.mark.parametrize("kinds", KINDS)
def test_bids_events_by_pandas(night, tmp_path, kinds):
    write_bids([("n", night)], tmp_path / "set", form=BidsForm(kinds))
    table = pd.read_csv(next((tmp_path / "set").rglob("*_events.tsv")), sep="\t", na_values="n/a")
    columns = [table[c] for c in ("onset", "duration", "trial_type")]
    same(list(zip(*columns, table["channel"].fillna(""), strict=True)), expected(night, kinds), 5e-5)


@pytest.mark.filterwarnings("ignore")
def test_a_raw_set_by_mne_bids(tmp_path):
    import mne_bids

    from tests.export.test_bids import named_recording

    path, night = named_recording(tmp_path)
    write_bids([("n", night)], tmp_path / "set", {night.swept.digest: path})
    (place,) = mne_bids.find_matching_paths(tmp_path / "set", suffixes="emg", extensions=".edf")
    raw = mne_bids.read_raw_bids(place, verbose="error")
    assert raw.get_channel_types() == ["emg", "emg"]
    assert raw.info["sfreq"] == 1000
    found = raw.annotations
    wanted = [(a, d, t) for a, d, t, _ in expected(night)]
    same(list(zip(found.onset, found.duration, found.description, strict=True)), sorted(wanted), 5e-4)
    own = mne.io.read_raw_edf(path, verbose="error").get_data()
    np.testing.assert_allclose(raw.get_data(), own, atol=1e-9)


def field(row):
    """A column of the data dictionary as a field of a Table Schema."""
    rules = {}
    if row["range"].startswith("at least "):
        rules["minimum"] = float(row["range"].removeprefix("at least "))
    elif row["range"].startswith("from "):
        low, high = row["range"].removeprefix("from ").split(" to ")
        rules |= {"minimum": float(low), "maximum": float(high)}
    if row["type"] == "0 or 1":
        rules["enum"] = [0, 1]
    if row["type"] == "integer":
        rules = {k: int(v) if isinstance(v, float) else v for k, v in rules.items()}
    return {"name": row["column"], "type": TYPES[row["type"]], "constraints": rules}


def report_of(path, fields):
    schema = frictionless.Schema.from_descriptor({"fields": fields})
    source = frictionless.Resource(path=path.name, basepath=str(path.parent), schema=schema, encoding="utf-8")
    return frictionless.validate(source)


def test_csv_by_frictionless_and_the_types_of_its_own_dictionary(night, tmp_path):
    write_files([("n", night)], tmp_path, ExportRequest(("csv", "study")))
    (path,) = tmp_path.glob("*.dictionary.csv")
    name = path.name.removesuffix(".dictionary.csv")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    tables = ["episodes", "bursts", "channel_bursts", "measures", "excluded", "events"]
    for table, place in [
        *((t, tmp_path / f"{name}.{t}.csv") for t in tables),
        ("study_table", tmp_path / "study.csv"),
    ]:
        fields = {row["column"]: field(row) for row in rows if row["table"] == table}
        heads = place.read_text("utf-8").splitlines()[0].split(",")
        assert set(heads) <= fields.keys(), table
        found = report_of(place, [fields[h] for h in heads])
        assert found.valid, (table, found.flatten(["rowNumber", "fieldName", "note"])[:3])
    with (tmp_path / f"{name}.events.csv").open(encoding="utf-8", newline="") as file:
        read = [
            (float(r["onset_s"]), float(r["duration_s"]), r["type"], r["channel"])
            for r in csv.DictReader(file)
        ]
    same(read, expected(night), 5e-5)


def test_frictionless_would_find_a_wrong_type(night, tmp_path):
    write_files([("n", night)], tmp_path, ExportRequest(("csv",)))
    (place,) = tmp_path.glob("*.events.csv")
    heads = place.read_text("utf-8").splitlines()[0].split(",")
    found = report_of(place, [{"name": h, "type": "number"} for h in heads])
    assert {row[0] for row in found.flatten(["fieldName"])} == {"type", "channel"}


def test_parquet_by_pyarrow_unrounded_and_typed(night, tmp_path):
    write_files([("n", night)], tmp_path, ExportRequest(("parquet",)))
    for name, frame in frames(night).items():
        (place,) = tmp_path.glob(f"*.{name}.parquet")
        table = pyarrow.parquet.read_table(place)
        assert table.num_rows == len(frame)
        for column in frame.columns:
            if str(frame[column].dtype) == "float64":
                np.testing.assert_array_equal(
                    table[column].to_numpy(zero_copy_only=False).astype(float), frame[column].to_numpy()
                )
            if str(frame[column].dtype) == "Int64":
                assert str(table.schema.field(column).type) == "int64"
    (place,) = tmp_path.glob("*.events.parquet")
    read = pyarrow.parquet.read_table(place, columns=["onset_s", "duration_s", "type"]).to_pylist()
    same([tuple(row.values()) for row in read], sorted(e[:3] for e in expected(night)), 0)


def test_parquet_without_pyarrow_names_the_extra(night, tmp_path, monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError, match=r"pip install 'sleepbrux\[tables\]'"):
        write_files([("n", night)], tmp_path, ExportRequest(("parquet",)))


def test_the_archive_by_h5py(night, tmp_path):
    save_night(night, tmp_path / "n.night.h5")
    with h5py.File(tmp_path / "n.night.h5") as file:
        table = file["tables/episodes"][:]
        kinds = {
            code: word for word, code in h5py.check_enum_dtype(file["tables/episodes"].dtype["kind"]).items()
        }
    rows = [
        (r["start_s"], r["end_s"] - r["start_s"], f"{kinds[r['kind']]} episode".capitalize())
        for r in table[table["counted"].astype(bool)]
    ]
    same(rows, sorted(e[:3] for e in expected(night, "episodes")), 1e-9)


def test_json_and_fhir_hold_no_events_but_every_measure_of_them(night, tmp_path):
    write_files([("n", night)], tmp_path, ExportRequest(("json", "fhir")))
    (summary,) = tmp_path.glob("*.summary.json")
    (bundle,) = tmp_path.glob("*.fhir.json")
    wanted = {name: m.value for name, m in night.measures.items()}
    of_kind = Counter(e.type.split()[0].lower() for e in events(night, "episodes"))
    assert wanted["episode_count"] == of_kind.total() > 0
    for kind in ("phasic", "tonic", "mixed"):
        share = wanted[f"{kind}_episodes_per_hour"] / wanted["episodes_per_hour"]
        assert share == pytest.approx(of_kind[kind] / of_kind.total())
    read = json.loads(summary.read_text("utf-8"))["measures"]
    assert {name: m["value"] for name, m in read.items()} == pytest.approx(wanted)
    coded = {}
    for entry in json.loads(bundle.read_text("utf-8"))["entry"]:
        one = entry["resource"]
        if one["resourceType"] == "Observation":
            value = one.get("valueInteger", one.get("valueQuantity", {}).get("value"))
            coded[one["code"]["coding"][0]["code"]] = value
    assert coded.keys() >= wanted.keys()
    for name, value in wanted.items():
        assert coded[name] == (None if value is None else pytest.approx(value, rel=1e-5)), name


def test_a_selection_is_all_of_its_kind_and_nothing_else(night):
    everything = events(night)
    for kinds, names in SELECTIONS.items():
        assert events(night, kinds) == [e for e in everything if e.type in names]
    assert len(events(night, "episodes")) == len(night.selection.episodes)
    with pytest.raises(UsageError, match="`kinds` is 'some'; allowed are episodes, bursts"):
        events(night, "some")
