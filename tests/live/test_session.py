"""A whole session: led by the protocol, measured from the file, and the same as from any file."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from click.testing import CliRunner

from sleepbrux.cli.clench import command as clench_command
from sleepbrux.core.errors import UsageError
from sleepbrux.live.protocol import REASONS, Protocol, dropped_text, planned
from sleepbrux.recording.marks import classify
from sleepbrux.recording.opening import open_recording
from sleepbrux.reference.clench_test import balanced_order
from sleepbrux.reference.recorded import look
from sleepbrux.report.clench_page import clench_json, clench_page

from .fake import FakeInlet, chair_plan, rendered, session_for

APPLIANCES = ("splint",)
NATURAL = "Clench natural teeth"


def went(session, *, on_step=lambda session: None, after=30):
    """The session to its end, and a little further."""
    inlet = session.engine.inlet
    while session.protocol.phase != "done" and inlet.at < len(inlet.uv):
        session.step()
        on_step(session)
    for _ in range(after):
        session.step()
        on_step(session)
    return session


@pytest.fixture(scope="module")
def whole(signal, tmp_path_factory):
    path = tmp_path_factory.mktemp("chair") / "chair.bdf"
    session = session_for(FakeInlet(signal, step_s=0.1), path, APPLIANCES)
    shown = {}
    went(session, on_step=lambda s: shown.update({len(s.measured.trials): s.measured}))
    session.shown = shown
    session.finish()
    return session


def test_a_session_goes_through_the_protocols_order(whole):
    assert whole.result.order == ("natural teeth", "splint", "natural teeth")
    assert whole.protocol.departures == []
    marks = open_recording(whole.path).marks
    assert [(m.start_s, m.duration_s, m.text) for m in marks] == [
        (d.start_s, d.duration_s, d.text) for d in planned(APPLIANCES)
    ]


@pytest.mark.shows("live-session")
def test_a_trial_shows_the_numbers_that_the_file_gives_in_the_end(whole):
    """To the bit: the same frames by the same code, though the file was not whole yet."""
    last = {t.number: t.levels_uv for t in whole.measured.trials}
    for n in range(1, 10):
        assert {t.number: t.levels_uv for t in whole.shown[n].trials} == {k: last[k] for k in range(1, n + 1)}


def test_the_levels_are_those_that_the_person_made(whole):
    natural, splint, _ = (whole.measured.trials[k].levels_uv["EMG Masseter L"] for k in (0, 3, 6))
    assert natural == pytest.approx(210, rel=0.1)
    assert splint == pytest.approx(168, rel=0.1)
    share = next(c for c in whole.result.channels[0].conditions if c.condition == "splint").as_measured
    assert share.pct == pytest.approx(80, abs=6)


@pytest.mark.shows("live-session")
def test_the_test_in_the_end_is_that_of_the_clench_command_to_the_byte(whole, tmp_path):
    done = CliRunner().invoke(
        clench_command, [str(whole.path), "--out", str(tmp_path)], standalone_mode=False
    )
    assert done.exception is None
    page, table = (tmp_path / f"chair.clench.{kind}" for kind in ("html", "json"))
    assert page.read_text("utf-8") == clench_page(whole.result, [])
    assert table.read_text("utf-8") == clench_json(whole.result, [], person="")


def test_the_reference_command_reads_the_same_levels_on_natural_teeth(whole):
    found = look(whole.path)
    assert found.marked
    for measured, wrong, _ in found.channels:
        assert wrong == ()
        assert measured.level_uv() == whole.measured.mvc_uv[measured.label]
        assert measured.rest_uv == whole.measured.rest_uv[measured.label]


def test_the_state_for_the_page_is_plain_values(whole):
    import msgspec

    state = msgspec.json.decode(msgspec.json.encode(whole.state()))
    assert state["phase"] == "done"
    assert state["closed"]
    assert len(state["trials"]) == 9
    assert set(state["spread_pct"]) == {"natural teeth", "splint"}


def test_a_dropped_trial_stays_in_the_file_under_another_name_and_counts_nowhere(signal, tmp_path):
    session = session_for(FakeInlet(signal, step_s=0.1), tmp_path / "a.bdf", APPLIANCES)

    def drop(s):
        if len(s.protocol.trials) == 2 and not s.protocol.trials[0].dropped:
            s.command("drop", number=1, reason="moved")

    inlet = session.engine.inlet
    while len(session.protocol.trials) < 4 and inlet.at < len(inlet.uv):
        session.step()
        drop(session)
    for _ in range(20):
        session.step()
    assert [t.condition for t in session.protocol.trials] == ["natural teeth"] * 4
    session.finish()
    assert [t.number for t in session.measured.trials][:3] == [2, 3, 4]
    texts = [m.text for m in open_recording(session.path).marks]
    assert texts.count(NATURAL) == 3
    assert "Dropped trial 1: moved" in texts
    assert any(t.startswith("Departure: ended before") for t in texts)
    assert "needs natural teeth and at least one appliance" in session.refusal


def test_clenches_that_a_float_stream_clips_are_said_and_left_out_as_from_the_file(signal, tmp_path):
    """The stream says no range: its ends are those of the values (`live.rails`)."""
    inlet = FakeInlet(np.clip(signal, -300, 300), step_s=0.1)
    session = session_for(inlet, tmp_path / "a.bdf", APPLIANCES, find_ends=True)
    while len(session.protocol.trials) < 4 and inlet.at < len(inlet.uv):
        session.step()
    for _ in range(20):
        session.step()
    session.finish()
    assert any(e.code == "clipped" for e in session.events)
    natural = [t for t in session.measured.trials if t.condition == "natural teeth"]
    assert len(natural) >= 2
    assert all(any("clip" in fault for fault in t.faults) for t in natural)
    assert all("clipped" in " ".join(wrong) for _, wrong, _ in look(session.path).channels)


def test_no_word_of_a_dropped_trial_or_a_departure_is_read_as_a_clench():
    protocol = Protocol(("rest splint", "anterior clench stop"))
    for reason in REASONS:
        protocol.tick(0)
        trial = type("T", (), {"number": 3, "dropped": reason})()
        assert classify(dropped_text(trial)) == ""


def test_a_clench_much_weaker_than_the_best_before_it_is_warned_of(tmp_path):
    plan = chair_plan(APPLIANCES)
    text, third = plan.clenches[2]
    weak = replace(plan, clenches=(*plan.clenches[:2], (text, replace(third, amplitude=0.5))))
    session = session_for(FakeInlet(rendered(weak)[:90_000], step_s=0.1), tmp_path / "a.bdf", APPLIANCES)
    went(session)
    effort = [e.text for e in session.events if e.code == "effort"]
    assert effort[0].startswith("trial 3, EMG Masseter L: ")
    assert " % of the best with natural teeth" in effort[0]
    session.finish()


def test_lost_contact_is_warned_of_once(signal, tmp_path):
    uv = signal[:40_000].copy()
    uv[15_000:30_000, 1] = 4.0
    session = went(session_for(FakeInlet(uv, step_s=0.1), tmp_path / "a.bdf", APPLIANCES), after=0)
    said = [e.text for e in session.events if e.code == "contact"]
    assert said[0] == "EMG Masseter R: no change in the signal"
    assert said.count("EMG Masseter R: no change in the signal") == 1
    session.finish()


# the protocol alone


def test_the_order_is_balanced_over_persons():
    for person in range(4):
        assert Protocol(("A", "B"), person).order == balanced_order(("A", "B"), person)


def test_the_timings_are_those_of_the_chair_sheet():
    dues = planned(("A",))
    rests = [d for d in dues if d.kind == "rest"]
    clenches = [d for d in dues if d.kind == "clench"]
    assert {d.duration_s for d in rests} == {20}
    assert {d.duration_s for d in clenches} == {3}
    assert [d.start_s - c.start_s for c, d in pairwise(clenches[:3])] == [13, 13]
    assert clenches[3].start_s - clenches[2].start_s - 3 >= 60
    assert {d.kind for d in dues} == {"rest", "clench"}


def test_a_person_begins_each_part_where_it_does_not_go_by_itself():
    protocol = Protocol(("A",))
    assert protocol.tick(500) == []
    assert protocol.begin(500) == []
    assert [d.kind for d in protocol.tick(520)] == ["rest"]
    with pytest.raises(UsageError, match="part before is not over"):
        protocol.begin(521)


def test_a_pause_cut_short_is_a_departure_and_a_whole_one_is_none():
    for wait_s, n in ((20, 1), (61, 0)):
        protocol = Protocol(("A",))
        protocol.begin(0)
        protocol.tick(70)
        assert protocol.phase == "pause"
        due = protocol.begin(protocol.since_s + wait_s)
        assert len(due) == n
        assert protocol.departures == ["pause of 20 s instead of 60 s before A"][:n]


def test_an_added_trial_belongs_to_the_condition_that_was_made_last():
    protocol = Protocol(("A",))
    protocol.begin(0)
    protocol.tick(50)
    assert len(protocol.trials) == 2
    with pytest.raises(UsageError, match="not while"):
        Protocol(("A",)).add(1)
    protocol.tick(66)
    assert protocol.phase == "pause"
    assert [d.text for d in protocol.add(70)] == ["Departure: one more trial with natural teeth"]
    protocol.tick(90)
    assert [t.condition for t in protocol.trials] == ["natural teeth"] * 4
    assert protocol.phase == "pause"
    assert protocol.condition == "A"


def test_reasons_and_numbers_that_are_unknown_are_refused():
    protocol = Protocol(("A",))
    protocol.begin(0)
    protocol.tick(40)
    with pytest.raises(UsageError, match="allowed are moved"):
        protocol.drop(1, "bored")
    with pytest.raises(UsageError, match="there is no trial 9"):
        protocol.drop(9, "pain")
    protocol.drop(1, "pain")
    with pytest.raises(UsageError, match="dropped already"):
        protocol.drop(1, "pain")


def test_a_condition_ended_early_and_a_session_ended_early_are_departures():
    protocol = Protocol(("A",))
    protocol.begin(0)
    protocol.tick(40)
    protocol.skip(45)
    assert protocol.condition == "A"
    protocol.end(50)
    assert protocol.departures == [
        "natural teeth ended after 1 of 3 trials",
        "ended before: A, natural teeth",
    ]
    assert protocol.phase == "done"


class FullDisk:
    """A file that takes no more from some moment on."""

    def __init__(self, file):
        self.file, self.full = file, False

    def write(self, data):
        if self.full:
            raise OSError(28, "No space left on device")
        return self.file.write(data)

    def __getattr__(self, name):
        return getattr(self.file, name)


@pytest.mark.shows("live-session")
def test_a_disk_that_fills_up_in_mid_session_ends_it_and_keeps_what_there_was(signal, tmp_path):
    session = session_for(FakeInlet(signal, step_s=0.1), tmp_path / "a.bdf", APPLIANCES)
    session.engine.keeper._file = disk = FullDisk(session.engine.keeper._file)
    while not session.engine.ended and session.engine.now_s < 100:
        session.step()
        disk.full = session.engine.now_s > 75
    assert "the disk is full, so the recording ended at 7" in session.engine.ended
    assert [e.code for e in session.events] == ["ended"]
    with pytest.raises(UsageError, match="nothing more is recorded"):
        session.command("begin")
    session.finish()
    assert open_recording(session.path).duration_s == pytest.approx(75, abs=1.5)
    assert [t.number for t in session.measured.trials] == [1, 2, 3]
    assert any(n.code == "session-ended" for n in session.engine.all_notes())


def test_a_session_of_a_few_seconds_ends_in_one_sentence(signal, tmp_path):
    session = session_for(FakeInlet(signal[:4000], step_s=0.1), tmp_path / "a.bdf", APPLIANCES)
    went(session, after=0)
    session.finish()
    assert "no mark with a duration names a clench" in session.refusal
