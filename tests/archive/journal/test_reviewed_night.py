"""A night after a reader's decisions: what each does to events and measures."""

import csv
import dataclasses
import io
from dataclasses import replace

import numpy as np
import pytest

from sleepbrux.archive.file import load_night, save_night
from sleepbrux.archive.journal import load_reviewed, reviewed
from sleepbrux.archive.journal.file import Entry, Journal
from sleepbrux.archive.journal.reviewed_night import review_of
from sleepbrux.core.errors import ArchiveError, JournalError
from sleepbrux.export.chain import chain_of
from sleepbrux.export.summary import summary
from sleepbrux.export.tables import bursts_csv, episodes_csv
from sleepbrux.report.payload import payload, strips
from sleepbrux.report.tables import episodes as episode_rows
from sleepbrux.scoring.night import rescore
from tests.archive.test_file import equal

PHASIC, TONIC, MIXED = 0, 1, 2


def rate(night):
    return night.measures["episodes_per_hour"].value * night.selection.valid.hours


def test_the_night_is_what_the_tests_think(night):
    assert night.episodes.kind.tolist() == [PHASIC, TONIC, PHASIC]
    assert len(night.merged) == 9


def test_without_a_decision_the_night_is_the_automatic_one(night):
    assert reviewed(night, Journal("x")) is night
    same = review_of(night, Journal("x")).night
    assert same.review is None
    for name in ("merged", "episodes", "measures"):
        assert equal(getattr(same, name), getattr(night, name)), name


def test_accepting_changes_no_number_but_says_so(night, desk):
    after = desk.decide("accept", "e0").night
    for name in ("merged", "episodes"):
        assert equal(getattr(after, name), getattr(night, name)), name
    assert {k: m.value for k, m in after.measures.items()} == {k: m.value for k, m in night.measures.items()}
    assert (after.review.automatic, after.review.decided, after.review.accepted) == (3, 1, 1)
    assert "of 3 automatic episodes 1 accepted as they were" in after.review.sentence


def test_a_rejected_episode_goes_with_its_bursts(night, desk):
    after = desk.decide("reject", "e1", reason="swallow")
    assert after.night.episodes.kind.tolist() == [PHASIC, PHASIC]
    assert len(after.night.merged) == 8
    assert rate(after.night) == pytest.approx(2)
    assert after.episode_ids == ("e0", "e2")
    back = desk.decide("accept", "e1")
    assert equal(back.night.episodes, night.episodes)


def numbered(night):
    """Number and onset of each row of the episode table, of the page, and of the bursts' episodes."""
    rows = list(csv.DictReader(io.StringIO(episodes_csv(night))))
    page = [int(r.number) for r in episode_rows(night) if r.counted]
    bursts = {int(r["episode"]) for r in csv.DictReader(io.StringIO(bursts_csv(night))) if r["episode"]}
    strip = [e[3] for e in payload(night, strips(night), [])["episodes"] if e[3]]
    chain = [e["episode"] for e in chain_of(night, "episodes_per_hour")["events"]["list"]]
    assert page == strip == chain == [int(r["episode"]) for r in rows]
    assert bursts <= set(page)
    return page


@pytest.mark.shows("one-number")
def test_an_episode_has_one_number_on_the_page_in_every_table_and_through_a_review(night, desk):
    assert numbered(night) == [1, 2, 3]
    after = desk.decide("reject", "e1", reason="swallow")
    assert numbered(after.night) == [1, 3]
    after = desk.decide("add", level="episode", kind="tonic", start_s=80.0, stop_s=84.0)
    assert numbered(after.night) == [1, 4, 3]
    tonic = chain_of(after.night, "tonic_episodes_per_hour")["events"]["list"]
    assert [e["episode"] for e in tonic] == [4]
    bursts = chain_of(after.night, "bursts_per_hour")["events"]["list"]
    assert {e["in_episode"] for e in bursts} == {1, 3}


def test_a_relabelled_episode_keeps_its_place_and_says_who(desk):
    after = desk.decide("relabel", "e0", kind="mixed").night
    assert after.episodes.kind.tolist() == [MIXED, TONIC, PHASIC]
    assert after.episodes.flags[0] == ("reader",)
    assert after.review.relabelled == 1


def test_a_moved_episode_holds_the_bursts_that_it_overlaps(desk):
    after = desk.decide("move", "e0", start_s=20.0, stop_s=21.8).night
    assert after.episodes.n_bursts[0] == 2
    assert after.merged.grid.seconds(after.episodes.stops[0]) == pytest.approx(21.8)
    assert len(after.merged) == 9  # the others are single bursts now
    assert after.measures["burst_count"].value == 6


def test_an_added_episode_takes_in_the_single_burst_under_it(desk):
    after = desk.decide("add", level="episode", kind="phasic", start_s=129.5, stop_s=132.0).night
    assert rate(after) == pytest.approx(4)
    assert after.episodes.n_bursts[-1] == 1
    assert after.review.added == 1


def test_an_added_episode_over_rest_has_the_level_of_rest(night, desk):
    after = desk.decide("add", level="episode", kind="tonic", start_s=75.0, stop_s=78.0).night
    row = after.episodes.kind.tolist().index(TONIC, 2)
    assert after.episodes.n_bursts[row] == 0
    assert 0 < after.episodes.peak_pct_mvc[row] < 5


def test_rejecting_a_burst_of_three_leaves_no_phasic_episode(desk):
    third = desk.night.episodes.of_burst.tolist().index(2)
    after = desk.decide("reject", f"b{third}", reason="artefact")
    assert after.night.episodes.kind.tolist() == [PHASIC, TONIC]
    assert after.night.review.by_rule == 1
    assert after.night.measures["isolated_bursts_per_hour"].value * after.night.selection.valid.hours == (
        pytest.approx(3)
    )


def test_an_episode_that_the_reader_accepted_outlives_its_burst(desk):
    third = desk.night.episodes.of_burst.tolist().index(2)
    desk.decide("accept", "e2")
    after = desk.decide("reject", f"b{third}", reason="artefact").night
    assert after.episodes.kind.tolist() == [PHASIC, TONIC, PHASIC]
    assert after.episodes.n_bursts[2] == 2


def test_bursts_added_in_a_row_become_an_episode_by_the_rules(desk):
    for k in range(3):
        after = desk.decide("add", level="burst", kind="phasic", start_s=40.0 + k, stop_s=40.4 + k)
    assert after.night.episodes.kind.tolist() == [PHASIC, PHASIC, TONIC, PHASIC]
    assert after.episode_ids[1] == "ga1"
    assert after.night.review.by_rule == 1
    again = desk.decide("reject", "ga1", reason="not activity")
    assert again.night.episodes.kind.tolist() == [PHASIC, TONIC, PHASIC]


def test_a_burst_lengthened_past_two_seconds_is_tonic(desk):
    last = len(desk.night.merged) - 1
    start = desk.night.merged.grid.seconds(desk.night.merged.starts[last])
    after = desk.decide("move", f"b{last}", start_s=start, stop_s=start + 2.5).night
    assert after.merged.kind[last] == 2
    assert after.episodes.kind.tolist() == [PHASIC, TONIC, PHASIC, TONIC]
    mean = after.merged.mean_uv[last]
    assert 5 < mean < 60  # half a second at 80 µV, two at rest


def test_the_amplitude_of_an_unmoved_burst_is_measured_as_the_scoring_did(night):
    from sleepbrux.archive.journal.levels import Levels

    for i in range(len(night.merged)):
        seen = Levels(night).over(int(night.merged.starts[i]), int(night.merged.stops[i]))
        assert seen.peak_uv == pytest.approx(night.merged.peak_uv[i], rel=0.02)
        assert seen.mean_uv == pytest.approx(night.merged.mean_uv[i], rel=0.02)
        assert seen.channels == night.merged.channels[i]


def test_an_undo_takes_back_the_last_decision_that_stands(night, desk):
    desk.decide("reject", "e0", reason="x")
    desk.decide("reject", "e1", reason="x")
    with pytest.raises(JournalError, match="only the last decision that stands"):
        desk.decide("undo", undoes=1)
    desk.decide("undo", undoes=2)
    desk.decide("undo", undoes=1)
    assert desk.journal.seq == 4  # nothing is taken out of the file
    assert equal(desk.now.night.episodes, night.episodes)
    with pytest.raises(JournalError):
        desk.decide("undo", undoes=1)


def test_before_and_after_stand_in_the_journal(desk):
    desk.decide("relabel", "e0", kind="tonic")
    entry = desk.journal.entries[0]
    assert entry.before["kind"] == "phasic"
    assert entry.after["kind"] == "tonic"
    assert entry.who == "AB"
    assert entry.at.endswith("Z")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"action": "accept", "target": "e99"}, "no event 'e99'"),
        ({"action": "accept", "target": "<script>"}, "no event"),
        ({"action": "reject", "target": "e0"}, "no reason"),
        ({"action": "reject", "target": "e0", "reason": "x" * 201}, "201 characters"),
        ({"action": "relabel", "target": "e0", "kind": "short"}, "phasic, tonic, mixed"),
        ({"action": "relabel", "target": "b0", "kind": "mixed"}, "phasic, tonic"),
        ({"action": "move", "target": "e0", "start_s": 30.0, "stop_s": 20.0}, "no span"),
        ({"action": "move", "target": "e0", "start_s": -1.0, "stop_s": 20.0}, "no span"),
        ({"action": "move", "target": "e0", "start_s": 20.0, "stop_s": float("nan")}, "no span"),
        ({"action": "move", "target": "e0", "start_s": 20.0, "stop_s": 61.0}, "lie on another"),
        (
            {"action": "add", "level": "burst", "kind": "phasic", "start_s": 20.1, "stop_s": 20.2},
            "lie on another",
        ),
        ({"action": "add", "kind": "phasic", "start_s": 50.0, "stop_s": 51.0}, "not said"),
        ({"action": "undo", "undoes": 1}, "only the last"),
    ],
)
def test_a_decision_without_a_meaning_is_refused_in_one_sentence(desk, words, said):
    with pytest.raises(JournalError, match=said):
        desk.decide(**words)
    assert desk.journal.seq == 0


def test_the_archive_holds_the_automatic_scoring_only(night, archive, desk):
    before = archive.read_bytes()
    after = desk.decide("reject", "e0", reason="x").night
    with pytest.raises(ArchiveError, match="not archived"):
        save_night(after, archive)
    assert archive.read_bytes() == before
    assert len(load_night(archive).episodes) == 3
    assert len(load_reviewed(archive).episodes) == 2  # the journal lies beside it
    assert rescore(after, after.criterion).review is None


def test_the_summary_says_which_scoring_it_shows(night, desk):
    assert summary(night)["scoring"] == "automatic scoring, not reviewed"
    after = summary(desk.decide("reject", "e0", reason="x").night)
    assert after["reviewed_by_a_person"]
    assert "1 rejected" in after["scoring"]
    assert after["review"]["automatic"] == 3


@pytest.mark.shows("lost-decision")
def test_a_review_of_another_scoring_is_not_applied_and_a_warning_says_so(archive, night, desk):
    desk.decide("reject", "e0", reason="x")
    save_night(rescore(night, "lavigne1996"), archive)
    other = load_reviewed(archive)
    assert other.review is None
    assert [n.code for n in other.notes if n.code == "review-not-applied"]


def test_random_decisions_keep_the_tables_sound(desk):
    rng = np.random.default_rng(3)
    now = desk.now
    for _ in range(50):
        events = [*now.episode_ids, *now.burst_ids, *now.standings]
        target = events[rng.integers(len(events))]
        a = float(rng.uniform(0, 140))
        words = [
            {"action": "accept", "target": target},
            {"action": "reject", "target": target, "reason": "x"},
            {"action": "relabel", "target": target, "kind": str(rng.choice(["phasic", "tonic"]))},
            {"action": "move", "target": target, "start_s": a, "stop_s": a + rng.uniform(0.1, 5)},
            {
                "action": "add",
                "level": str(rng.choice(["episode", "burst"])),
                "kind": "phasic",
                "start_s": a,
                "stop_s": a + rng.uniform(0.1, 4),
            },
        ][rng.integers(5)]
        try:
            now = desk.decide(**words)
        except JournalError:
            continue
        for table in (now.night.merged, now.night.episodes):
            assert (table.stops > table.starts).all()
            assert (table.starts[1:] >= table.stops[:-1]).all()
            columns = [getattr(table, f.name) for f in dataclasses.fields(table)]
            arrays = [c for c in columns if isinstance(c, np.ndarray) and c.ndim == 1]
            assert len({len(c) for c in arrays if c is not getattr(table, "of_burst", None)}) == 1
        of = now.night.episodes.of_burst
        assert len(of) == len(now.night.merged)
        assert (
            np.bincount(of[of >= 0], minlength=len(now.night.episodes)) == now.night.episodes.n_bursts
        ).all()
    assert desk.journal.seq > 15
    assert equal(desk.now.night.episodes, now.night.episodes)


def test_episodes_of_a_moved_and_of_an_added_burst_of_one_number_are_both_counted(desk):
    desk.decide("move", "b3", start_s=30.0, stop_s=33.0)
    desk.decide("accept", "e1")
    after = desk.decide("add", level="burst", kind="tonic", start_s=110.0, stop_s=113.0)
    assert after.night.episodes.kind.tolist() == [PHASIC, TONIC, TONIC, PHASIC, TONIC]
    assert len(set(after.episode_ids)) == 5
    own = [i for i in after.episode_ids if i.startswith("g")]
    for name, left in zip(own, (4, 3), strict=True):
        after = desk.decide("reject", name, reason="not activity")
        assert len(after.night.episodes) == left


def test_a_group_that_an_older_journal_calls_by_the_number_of_an_added_burst_is_found(desk):
    for k in range(3):
        now = desk.decide("add", level="burst", kind="phasic", start_s=40.0 + k, stop_s=40.4 + k)
    before = now.event("ga1")
    older = Entry(action="reject", target="g1", reason="x", seq=4, at="t", who="AB", before=before)
    journal = desk.journal
    after = review_of(desk.night, replace(journal, entries=(*journal.entries, older)))
    assert after.night.episodes.kind.tolist() == [PHASIC, TONIC, PHASIC]
