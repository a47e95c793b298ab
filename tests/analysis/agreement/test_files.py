"""Files of a person, of archives and of journals; the verb, its page and its JSON."""

import contextlib
import csv
import io
import json
from datetime import datetime

import numpy as np
import pytest
from edfio import Edf, EdfAnnotation, EdfSignal

from sleepbrux import reference as calibration
from sleepbrux.analysis.agreement.loading import Wanted, load_pair, pairs
from sleepbrux.analysis.agreement.scorings import meaning
from sleepbrux.archive.file import save_night
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.file import (
    DecisionDraft,
    append,
    header_of,
    journal_path,
    load_journal,
)
from sleepbrux.archive.journal.reviewed_night import review_of
from sleepbrux.cli import main
from sleepbrux.core.errors import UsageError
from sleepbrux.export.edf_annotations import edf_annotations
from sleepbrux.export.tables import episodes_csv
from sleepbrux.scoring.night import score_night
from tests.nights import LABELS, recording_of, rhythm

BURSTS = [*rhythm(20, 4), (60.0, 63.0, 90.0), *rhythm(90, 3), (130.0, 130.5, 80.0)]
START = datetime(2026, 3, 2, 22, 40)


@pytest.fixture(scope="module")
def night():
    recording = recording_of([BURSTS, BURSTS], seconds=150, start=START, name="n1")
    return score_night(recording, calibration.given(LABELS, 200.0))


@pytest.fixture
def archive(night, tmp_path):
    path = tmp_path / "n1.night.h5"
    save_night(night, path)
    return path


def spans(night):
    grid = night.episodes.grid
    return [
        (grid.seconds(a), grid.seconds(b))
        for a, b in zip(night.episodes.starts, night.episodes.stops, strict=True)
    ]


def written(path, text):
    path.write_text(text, encoding="utf-8")
    return path


def both(archive, other, **wanted):
    return load_pair(archive, str(other), Wanted(**wanted))


def test_our_own_table_is_read_back(night, archive, tmp_path):
    path = written(tmp_path / "reader.csv", episodes_csv(night))
    a, b = both(archive, path, scored="all")
    assert np.allclose(a.events, b.events, atol=1e-4)
    assert a.kinds == b.kinds == ("phasic", "tonic", "phasic")
    assert (a.origin, b.origin) == ("automatic", "human")


@pytest.mark.parametrize(
    "text",
    [
        "onset\tduration\ttrial_type\n0\t150\tscored\n20\t3.5\tRMMA phasic\n60\t3\ttonic\n",
        "start_s;end_s;label\n0;150;Scored\n20;23,5;phasic episode\n60;63;Tonic\n",
        "\ufeffOnset,Duration,Label\n0,150,scored\n20,3.5,Phasic\n60,3,tonic@@EMG L\n",
    ],
)
def test_tables_of_a_person_in_common_forms(archive, tmp_path, text):
    _, b = both(archive, written(tmp_path / "x_events.tsv", text))
    assert b.events.tolist() == [[20.0, 23.5], [60.0, 63.0]]
    assert b.kinds == ("phasic", "tonic")
    assert b.known.duration_s == pytest.approx(150)


def test_edf_annotations_that_start_later_are_shifted(archive, night, tmp_path):
    path = tmp_path / "reader.edf"
    notes = [EdfAnnotation(0, 100, "scored"), EdfAnnotation(10, 3.5, "phasic")]
    signal = EdfSignal(np.zeros(1000), 10, label="none", physical_range=(-1, 1))
    Edf(
        [signal], annotations=notes, starttime=datetime(2026, 3, 2, 22, 40, 10).time(), recording=_recording()
    ).write(path)
    _, b = both(archive, path)
    assert b.events.tolist() == [[20.0, 23.5]]
    assert b.known.seconds() == [(10.0, 110.0)]


@pytest.mark.parametrize("level", ["episode", "burst"])
@pytest.mark.parametrize("kind", ["edf", "bids"])
def test_our_own_exports_agree_wholly_with_the_archive(archive, night, tmp_path, run, level, kind):
    assert run("export", archive, "--out", tmp_path / "e", "--as", kind)[0] == 0
    pattern = "*.annotations.edf" if kind == "edf" else "*_events.tsv"
    (path,) = (tmp_path / "e").rglob(pattern)
    a, b = both(archive, path, scored="all", level=level)
    assert a.kinds == b.kinds
    assert np.allclose(a.events, b.events, atol=0.011)
    united = [n for n in b.notes if n.code == "overlapping-united"]
    assert bool(united) == (level == "burst")  # a burst is exported once a side


def _recording():
    from edfio import Recording

    return Recording(startdate=START.date())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a,b\n1,2\n", "needed are a start"),
        ("onset,duration,label\n1,x,phasic\n", "line 2"),
        ("onset,duration,label\n1,n/a,phasic\n", "line 2"),
        ("onset,duration,label\n1,2\n", "line 2"),
        ("onset,duration,label\n1,0,phasic\n0,9,scored\n", "duration above 0"),
        ("onset,duration,label\n1,2,spindle\n0,9,scored\n2,3,K\n", "unknown"),
        ("onset,duration,label\n1,2,phasic\n", "nothing says which time was scored"),
        ("", "empty"),
    ],
)
def test_a_file_that_cannot_be_understood_is_refused_in_one_sentence(archive, tmp_path, text, said):
    if said == "unknown":
        _, b = both(archive, written(tmp_path / "r.csv", text))
        assert {label: taken for label, taken, _ in b.labels}["spindle"] == "left out"
        return
    with pytest.raises(UsageError, match=said):
        both(archive, written(tmp_path / "r.csv", text))


def test_labels_are_mapped_as_said_and_the_mapping_is_in_the_result(archive, tmp_path):
    path = written(tmp_path / "r.csv", "onset,duration,label\n1,2,Knirschen\n9,2,ph\n")
    with pytest.raises(UsageError, match="none of its labels is known"):
        both(archive, path, scored="all")
    _, b = both(archive, path, scored="all", labels={"knirschen": "tonic"})
    assert b.kinds == ("tonic",)
    assert b.labels == (("Knirschen", "tonic", 1), ("ph", "left out", 1))


def test_a_label_of_the_other_level_is_left_out():
    assert meaning("phasic burst", "episode") == "left out"
    assert meaning("phasic burst", "burst") == "phasic"
    assert meaning("phasic", "burst") == "phasic"
    assert meaning("phasic tonic", "episode") == "left out"
    assert meaning("short burst", "burst") == "left out"
    assert meaning("Not scorable@@EMG Masseter L", "episode") == "unscored"
    assert meaning("Analysed window", "burst") == "scored"
    assert meaning("not scored", "episode") == meaning("artefact", "episode") == "unscored"


def test_scorings_of_two_recordings_are_refused(archive, tmp_path):
    other = recording_of([BURSTS, BURSTS], seconds=150, seed=9)
    save_night(score_night(other, calibration.given(LABELS, 200.0)), tmp_path / "o.night.h5")
    with pytest.raises(UsageError, match="two different recordings"):
        both(archive, tmp_path / "o.night.h5")


def test_a_reviewed_archive_and_another_criterion(archive, night):
    journal = load_journal(journal_path(archive))
    draft = DecisionDraft(action="reject", target="e1", reason="swallow")
    entry, _ = decided(review_of(night, journal), journal, draft, "AB")
    append(journal_path(archive), header_of(night), entry)
    a, b = both(archive, journal_path(archive))
    assert (a.origin, b.origin) == ("automatic", "reviewed")
    assert (len(a.events), len(b.events)) == (3, 2)
    assert "1 rejected" in b.who
    assert pairs(archive.parent, "reviewed") == [(archive, str(journal_path(archive)))]
    _, c = both(archive, "criterion:lavigne1996")
    assert "lavigne1996" in c.who


def test_folders_are_paired_by_stem(tmp_path, archive):
    (tmp_path / "auto").mkdir()
    (tmp_path / "hand").mkdir()
    for name in ("n1.night.h5", "n2.night.h5"):
        (tmp_path / "auto" / name).touch()
    for name in ("n2_events.tsv", "n3.csv"):
        (tmp_path / "hand" / name).touch()
    found = pairs(tmp_path / "auto", str(tmp_path / "hand"))
    assert [(a.name, b.rsplit("/", 1)[-1]) for a, b in found] == [("n2.night.h5", "n2_events.tsv")]
    for folder in ("auto", "hand"):
        for name in ("n7.night.h5", "n7.channel_bursts.csv", "n7.episodes.csv", "nights.csv"):
            (tmp_path / folder / name).touch()
    found = pairs(tmp_path / "auto", str(tmp_path / "hand"))
    assert [a.name for a, _ in found] == ["n2.night.h5", "n7.night.h5"]
    with pytest.raises(UsageError, match="no criterion is called 'nope'"):
        pairs(archive, "criterion:nope")
    with pytest.raises(UsageError, match="no journal"):
        pairs(tmp_path / "auto", "reviewed")
    with pytest.raises(UsageError, match="two files or two folders"):
        pairs(tmp_path / "auto", str(archive))
    with pytest.raises(UsageError, match="there is no such file"):
        pairs(tmp_path / "none", str(archive))


@pytest.fixture
def run():
    def call(*arguments):
        out, err, code = io.StringIO(), io.StringIO(), 0
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                main([str(a) for a in arguments])
            except SystemExit as stop:
                code = stop.code or 0
        return code, out.getvalue(), err.getvalue()

    return call


def test_the_verb_prints_and_writes_table_figures_and_json(archive, tmp_path, run):
    text = "onset,duration,label\n0,150,scored\n20.1,3.3,phasic\n60,3,<b>tonic</b>\n120,3,=tonic\n"
    path = written(tmp_path / "reader.csv", text)
    code, out, err = run("agreement", archive, path, "--out", tmp_path / "o", "--class-at", "4")
    assert code == 0
    assert err.startswith("next, look at the episodes that differ")
    assert "matched by any overlap: 2 in both, 1 only A, 1 only B" in out
    assert "no interval from one night" in out
    assert "Neither scoring is the truth" in out
    table = json.loads((tmp_path / "o" / "agreement.json").read_text("utf-8"))
    assert table["found"][0]["matched"] == 2
    assert table["classes"]["cautions"]
    page = (tmp_path / "o" / "agreement.html").read_text("utf-8")
    assert "<b>tonic</b>" not in page
    assert "&lt;b&gt;tonic&lt;/b&gt;" in page
    assert "http" not in page.replace("http-equiv", "")
    events = (tmp_path / "o" / "agreement.events.csv").read_text("utf-8")
    rows = list(csv.DictReader(io.StringIO(events)))
    assert len(rows) == 4
    assert sum(bool(r["a_start_s"]) and bool(r["b_start_s"]) for r in rows) == 2
    assert str(tmp_path) not in page + json.dumps(table)


def test_wrong_usage_ends_with_2(archive, run):
    for extra in (["--scored", "9"], ["--scored", "9-1"], ["--label", "x"], ["--label", "x=y"]):
        code, _, err = run("agreement", archive, archive, *extra)
        assert code == 2, err
    assert run("agreement", archive, "none.csv")[0] == 2


def test_many_nights_have_intervals_and_figures(tmp_path, run):
    hand = tmp_path / "hand"
    hand.mkdir()
    for k in range(4):
        bursts = [*rhythm(20, 4), *[(60.0 + 15 * j, 63.0 + 15 * j, 90.0) for j in range(k)]]
        recording = recording_of([bursts, bursts], seconds=150, seed=k, name=f"n{k}")
        night = score_night(recording, calibration.given(LABELS, 200.0))
        save_night(night, tmp_path / f"n{k}.night.h5")
        rows = [f"{a + 0.1},{b},phasic" for a, b in spans(night)]
        written(hand / f"n{k}.csv", "start_s,end_s,kind\n0,150,scored\n" + "\n".join(rows[: max(k, 1)]))
    code, out, _ = run("agreement", tmp_path, hand, "--out", tmp_path / "o")
    assert code == 0
    assert "ICC(2,1) (two-way random, absolute agreement, single scoring)" in out
    assert "4 nights" in out
    page = (tmp_path / "o" / "agreement.html").read_text("utf-8")
    assert page.count("<svg") == 3
    assert "4 nights are few" in page


@pytest.mark.shows("wrong-person")
def test_an_earlier_result_of_others_is_kept_and_one_of_the_same_replaced_with_a_word(archive, tmp_path, run):
    text = "onset,duration,label\n0,150,scored\n20.1,3.3,phasic\n"
    first, other = (written(tmp_path / name, text) for name in ("reader.csv", "second.csv"))
    out = tmp_path / "o"
    assert "replaced" not in run("agreement", archive, first, "--out", out)[1]
    held = (out / "agreement.json").read_bytes()
    for more in ([other], [first, "--level", "burst", "--label", "phasic=phasic"]):
        code, _, err = run("agreement", archive, *more, "--out", out)
        assert code == 2
        assert "holds the agreement of" in err
        assert "reader.csv" in err
        assert "name another folder" in err
        assert (out / "agreement.json").read_bytes() == held
    written(first, text.replace("20.1", "21.0"))
    code, said, _ = run("agreement", archive, first, "--out", out)
    assert code == 0
    assert "replaced: the earlier result of the same two scorings" in said
    assert (out / "agreement.json").read_bytes() != held
    written(out / "agreement.json", "{}")
    code, _, err = run("agreement", archive, first, "--out", out)
    assert code == 2
    assert "cannot be read; name another folder" in err


def test_our_own_export_of_events_agrees_with_the_archive_it_was_made_from(archive, night, tmp_path):
    (tmp_path / "own.edf").write_bytes(edf_annotations(night))
    a, b = both(archive, tmp_path / "own.edf")
    assert len(a.events) == len(b.events) > 0
    assert a.kinds == b.kinds
    np.testing.assert_allclose(a.events, b.events, atol=1e-3)
    assert b.known.duration_s == pytest.approx(150 - 0.25)  # while the filter settles nothing can be scored
