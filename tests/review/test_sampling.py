"""Near misses fail by one clause; a sample is shuffled, reproducible, blind, and says what it can."""

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from sleepbrux import reference as calibration
from sleepbrux.archive.journal.file import DecisionDraft, load_journal
from sleepbrux.core.errors import JournalError
from sleepbrux.review import sampling
from sleepbrux.review.near_misses import near_misses, relaxed
from sleepbrux.review.session import ReviewSession
from sleepbrux.review.trace import Trace
from sleepbrux.scoring.night import rescore, score_night
from tests.nights import LABELS, recording_of, rhythm

BURSTS = [
    *rhythm(20, 4),  # an episode
    *rhythm(60, 2),  # one burst too few
    *rhythm(90, 3, duration=0.215),  # too short
    (120.0, 121.8, 80.0),  # too short for tonic
    *rhythm(150, 3, period=4.0),  # too far apart
    *rhythm(190, 3, level_uv=17.5, duration=1.0, period=1.6),  # too weak: the threshold is 20 µV
    (230.0, 230.5, 80.0),  # fails by two clauses or more
]


@pytest.fixture(scope="module")
def night():
    recording = recording_of([BURSTS], seconds=260, labels=LABELS[:1])
    return score_night(recording, calibration.given(LABELS[:1], 200.0))


def test_each_near_miss_fails_by_its_clause(night):
    assert len(night.episodes) == 1
    found = {round(m.start_s, -1): m.clauses for m in near_misses(night)}
    assert found == {
        60: ("episode.minimum_phasic_bursts",),
        90: ("burst.minimum_s",),
        120: ("burst.phasic_maximum_s",),
        150: ("episode.gap_s",),
        190: ("threshold.level_pct_mvc",),
    }


def test_a_near_miss_is_an_episode_when_its_clause_alone_is_relaxed(night):
    values = dict(relaxed(night))
    for miss in near_misses(night):
        for key in miss.clauses:
            looser = rescore(night, night.criterion.derive({key: values[key]}))
            spans = [
                (looser.merged.grid.seconds(a), looser.merged.grid.seconds(b))
                for a, b in zip(looser.episodes.starts, looser.episodes.stops, strict=True)
            ]
            assert any(a < miss.stop_s and b > miss.start_s for a, b in spans)


def test_a_sample_is_the_same_for_the_same_seed_and_shuffled(night):
    items = sampling.all_items(night, near_misses(night))
    one, again, other = (sampling.draw(items, 3, seed) for seed in (5, 5, 6))
    assert one == again != other
    assert len(one) == 4  # the only episode, and three of five near misses
    orders = {tuple(i.id for i in sampling.draw(items, 9, seed)) for seed in range(30)}
    assert len(orders) > 20


@pytest.mark.parametrize("n", [1, 5, 40])
def test_the_interval_is_that_of_statsmodels(n):
    for k in range(n + 1):
        expected = proportion_confint(k, n, method="beta")
        assert np.allclose(sampling.exact_interval(k, n), np.nan_to_num(expected, nan=1.0 * (k == n)))


@pytest.fixture
def desk(night, tmp_path):
    desk = ReviewSession(night, tmp_path / "n.review.jsonl", Trace(night, None), sample=True)
    desk.begin_sample(10, 3, "program", anew=False)
    return desk


def judge(desk, place, accepted, kind="", who="AB"):
    draft = DecisionDraft(action="judge", target=desk.item(place), accepted=accepted, kind=kind)
    desk.decide(desk.seq, draft, who)


def test_labels_are_hidden_until_decided_and_from_the_other_reader(desk):
    def hidden(row):
        return row.keys() == {"id", "start_s", "stop_s"}

    assert all(hidden(row) for row in desk.state("AB")["items"])
    assert desk.fixed()["channels"][0]["threshold"] is None
    judge(desk, 2, accepted=True)
    rows = desk.state("AB")["items"]
    assert [hidden(r) for r in rows] == [True, True, False, True, True, True]
    assert rows[2]["said"]
    assert all(hidden(row) for row in desk.state("CD")["items"])


def test_seed_size_and_order_are_recorded_and_gone_on_with(desk, night):
    entry = load_journal(desk.path).entries[0]
    assert (entry.action, entry.seed, entry.size) == ("sample", 3, 10)
    again = ReviewSession(night, desk.path, Trace(night, None), sample=True)
    again.begin_sample(10, 99, "program", anew=False)
    assert again.state()["seed"] == 3
    again.begin_sample(10, 99, "program", anew=True)
    assert again.state()["seed"] == 99


def test_shares_keep_their_strata_apart_and_change_no_number(desk, night):
    items = desk.state("AB")["items"]
    names = [desk.item(k) for k in range(len(items))]
    for place, name in enumerate(names):
        judge(desk, place, accepted=name in ("e0", "n1"), kind="phasic" if name == "e0" else "")
    own, near = sampling.shares(load_journal(desk.path), desk.items)
    assert own.name == "share of automatic episodes that a reader of this trace accepts"
    assert (own.judged, own.accepted, own.of, own.low) == (1, 1, 1, None)
    assert "every one of this night was judged" in own.meaning
    assert (own.same_kind, own.kinds_given) == (1, 1)
    assert (near.judged, near.accepted, near.of) == (5, 1, 5)
    assert "precision" in sampling.CAUTION
    from sleepbrux.archive.journal import reviewed

    assert reviewed(night, load_journal(desk.path)).review is None


def test_a_part_of_a_stratum_has_an_interval(desk, night):
    judge(desk, next(k for k in range(6) if desk.item(k).startswith("n")), accepted=True)
    near = sampling.shares(load_journal(desk.path), desk.items)[1]
    assert (near.judged, near.low, near.high) == (1, pytest.approx(0.025), 1.0)


def test_an_undo_hides_the_label_again(desk):
    judge(desk, 0, accepted=False)
    desk.decide(desk.seq, DecisionDraft(action="undo", undoes=desk.seq), "AB")
    assert "said" not in desk.state("AB")["items"][0]


def test_a_sample_and_an_open_review_never_take_back_each_other(desk, night):
    open_desk = ReviewSession(night, desk.path, Trace(night, None))
    open_desk.decide(open_desk.seq, DecisionDraft(action="accept", target="e0"), "AB")
    assert desk.state("AB")["undo"] is None
    with pytest.raises(JournalError, match="undo"):
        desk.decide(desk.seq, DecisionDraft(action="undo", undoes=open_desk.seq), "AB")
    judge(desk, 0, accepted=True, who="CD")
    assert desk.state("AB")["undo"] is None
    assert desk.state("CD")["undo"]["words"] == "judged"
    assert open_desk.state()["undo"]["words"] == "accepted"
    with pytest.raises(JournalError, match="nothing else is decided"):
        desk.decide(desk.seq, DecisionDraft(action="reject", target="e0", reason="x"), "AB")
