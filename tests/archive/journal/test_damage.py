"""Damage to a journal: named with line and number of decisions, never silent, never a traceback."""

import collections
import os
import random
import subprocess
import sys
import threading
import time
import tracemalloc
from dataclasses import replace

import msgspec
import pytest

from sleepbrux.archive.journal import reading
from sleepbrux.archive.journal.chain import head_path, link_of, sealed
from sleepbrux.archive.journal.file import (
    ConflictError,
    DamagedError,
    Entry,
    append,
    chained,
    header_of,
    load_journal,
)
from sleepbrux.archive.journal.model import MOST_DECISIONS
from sleepbrux.archive.journal.repair import repair
from sleepbrux.archive.journal.reviewed_night import review_of
from sleepbrux.core.errors import JournalError, SleepbruxError
from sleepbrux.scoring.night import rescore

FLIPS = 4000


@pytest.fixture
def five(desk):
    """A journal of five decisions, of which every one but the last changes a measure."""
    desk.decide("reject", "e0", reason="swallow, cough or sigh")
    desk.decide("relabel", "e1", kind="phasic")
    desk.decide("move", f"b{len(desk.night.merged) - 1}", start_s=130.0, stop_s=132.5)
    desk.decide("add", level="episode", kind="phasic", start_s=70.0, stop_s=72.0)
    desk.decide("accept", "e2")
    return desk.path


def figures(night):
    return {name: measure.value for name, measure in night.measures.items()}


def outcome(path, night, good):
    """What reading a journal comes to: named, said in a note, the same, or silently another result."""
    try:
        after = review_of(night, load_journal(path)).night
    except SleepbruxError as error:
        return "named" if "\n" not in str(error) else "more than one sentence"
    if len(after.notes) > len(night.notes):
        return "said"
    return "same" if figures(after) == good else "SILENT"


def older(path, header, entries):
    """The same journal in the form without digests."""
    parts = [msgspec.structs.replace(header, schema_version="1.0", identity=None), *entries]
    data = b"".join(msgspec.json.encode(part) + b"\n" for part in parts)
    path.write_bytes(data)
    head_path(path).unlink(missing_ok=True)
    return data


# a changed byte


@pytest.mark.shows("lost-decision")
def test_of_thousands_of_flipped_bits_every_one_is_named(five, night):
    full, good = five.read_bytes(), figures(review_of(night, load_journal(five)).night)
    generator = random.Random(1)
    places = generator.sample(range(8 * len(full)), min(FLIPS, 8 * len(full)))
    # every bit of the ends of the lines, where two lines could become one
    ends = [i for i, byte in enumerate(full) if byte == ord("\n")]
    places += [8 * i + bit for end in ends for i in range(end - 2, end + 1) for bit in range(8)]
    found = collections.Counter()
    for place in places:
        data = bytearray(full)
        data[place // 8] ^= 1 << place % 8
        five.write_bytes(data)
        found[outcome(five, night, good)] += 1
    assert found["SILENT"] == found["same"] == 0, found
    assert found["named"] > 0.99 * len(places), found


def test_every_flipped_bit_of_the_head_is_said_and_changes_no_decision(five):
    head, entries = head_path(five), load_journal(five).entries
    full = head.read_bytes()
    for place in range(8 * len(full)):
        data = bytearray(full)
        data[place // 8] ^= 1 << place % 8
        head.write_bytes(data)
        journal = load_journal(five)
        assert [n.code for n in journal.notes] == ["review-head"]
        assert journal.entries == entries


def test_a_changed_line_is_named_with_the_decisions_that_it_concerns(five):
    five.write_bytes(five.read_bytes().replace(b'"relabel"', b'"accept"'))
    with pytest.raises(DamagedError, match=r"line 3 was changed .* decision 2 and the 3 after it, of 5"):
        load_journal(five)
    five.write_bytes(five.read_bytes().replace(b'"sleepbrux review"', b'"sleepbrux Review"'))
    with pytest.raises(DamagedError, match=r"line 1, which says .* none of the 5 decisions"):
        load_journal(five)


def test_a_line_taken_out_put_in_or_moved_is_named(five):
    lines = five.read_bytes().splitlines(keepends=True)
    for changed in (
        [*lines[:2], *lines[3:]],
        [*lines[:3], *lines[2:]],
        [lines[0], lines[2], lines[1], *lines[3:]],
    ):
        five.write_bytes(b"".join(changed))
        with pytest.raises(DamagedError, match=r"does not follow the line before it: lines were"):
            load_journal(five)


def test_a_line_written_by_hand_with_a_digest_of_its_own_is_named(five):
    lines = five.read_bytes().splitlines()
    body = link_of(lines[2]).body.replace(b'"phasic"', b'"tonic"', 1)
    lines[2] = sealed(body, link_of(lines[1]).digest)[0]
    five.write_bytes(b"\n".join(lines) + b"\n")
    with pytest.raises(DamagedError, match="line 4 does not follow"):
        load_journal(five)


# a cut


@pytest.mark.shows("lost-decision")
def test_the_last_whole_lines_cut_off_are_named_with_their_number(five):
    lines = five.read_bytes().splitlines(keepends=True)
    for kept in range(len(lines)):
        five.write_bytes(b"".join(lines[:kept]))
        lost = (
            "missing and 5 decisions are lost"
            if kept == 0
            else (
                "1 decision at the end is gone" if kept == 5 else f"{6 - kept} decisions at the end are gone"
            )
        )
        with pytest.raises(DamagedError, match=lost):
            load_journal(five)
    five.unlink()
    with pytest.raises(DamagedError, match="the journal is missing and 5 decisions are lost"):
        load_journal(five)


def test_a_journal_cut_at_any_byte_is_named_or_whole(five, night):
    full, good = five.read_bytes(), figures(review_of(night, load_journal(five)).night)
    for cut in [*range(0, len(full) - 1, 5), len(full) - 1]:
        five.write_bytes(full[:cut])
        if cut == len(full) - 1:  # only the last line end: the decision proves itself whole
            journal = load_journal(five)
            assert (journal.seq, journal.notes[0].code) == (5, "review-line-end")
            assert figures(review_of(night, journal).night) == good
        else:
            with pytest.raises(DamagedError):
                load_journal(five)


def test_a_journal_of_another_review_beside_this_head_is_named(five, desk, tmp_path):
    lines = five.read_bytes()
    five.unlink()
    head_path(five).unlink()
    for _ in range(6):
        desk.decide("accept", "e0")
    five.write_bytes(lines)
    with pytest.raises(DamagedError, match="1 decision at the end is gone"):
        load_journal(five)
    head = head_path(five).read_bytes()
    five.unlink()
    head_path(five).unlink()
    for _ in range(6):
        desk.decide("accept", "e1")
    head_path(five).write_bytes(head)
    with pytest.raises(DamagedError, match="of different reviews"):
        load_journal(five)


def test_without_its_head_a_journal_says_what_it_cannot_show(five):
    head_path(five).unlink()
    journal = load_journal(five)
    assert journal.seq == 5
    assert [n.code for n in journal.notes] == ["review-head"]
    assert "that none is missing at the end cannot be shown" in journal.notes[0].text


# foreign line ends


@pytest.mark.parametrize("end", [b"\r", b"\r\n"])
@pytest.mark.shows("lost-decision")
def test_foreign_line_ends_are_said_and_lose_nothing(five, night, end, desk):
    full, good = five.read_bytes(), figures(review_of(night, load_journal(five)).night)
    for mark in (b"", b"\xef\xbb\xbf"):
        foreign = mark + full.replace(b"\n", end)
        five.write_bytes(foreign)
        journal = load_journal(five)
        assert journal.seq == 5
        assert "changed its line ends" in journal.notes[0].text
        assert "5 decisions" in journal.notes[0].text
        assert figures(review_of(night, journal).night) == good
    desk.decide("accept", "e1")
    assert load_journal(five).notes == ()
    assert five.read_bytes().startswith(full)
    assert five.with_name(five.name + ".kept-1").read_bytes() == foreign


# what a crash leaves


def test_a_line_that_was_never_acknowledged_is_left_out_and_kept_as_a_copy(five, desk):
    whole, head = five.read_bytes(), head_path(five).read_bytes()
    desk.decide("accept", "e1")
    full, after = five.read_bytes(), head_path(five).read_bytes()
    for cut in (*range(len(whole) + 1, len(full) - 1, 31), len(full) - 2):
        five.write_bytes(full[:cut])
        head_path(five).write_bytes(head)
        journal = load_journal(five)
        assert journal.seq == 5
        assert "line 7 was not written to its end" in journal.notes[0].text
        append(five, journal.header, desk_entry := load_entry(full))
        assert (five.read_bytes(), head_path(five).read_bytes()) == (full, after)
    assert desk_entry.seq == 6
    kept = sorted(five.parent.glob(f"{five.name}.kept-*"))
    assert full[: len(whole) + 1] in [path.read_bytes() for path in kept]


def load_entry(data):
    return msgspec.json.decode(link_of(data.splitlines()[-1]).body, type=Entry)


def test_a_decision_ahead_of_the_head_counts(five, desk):
    head = head_path(five).read_bytes()
    desk.decide("accept", "e1")
    after = head_path(five).read_bytes()
    head_path(five).write_bytes(head)
    journal = load_journal(five)
    assert (journal.seq, journal.notes) == (6, ())
    desk.decide("accept", "e0")
    assert load_journal(five).seq == 7
    assert head_path(five).read_bytes() not in (head, after)


def test_zeros_at_the_end_after_a_power_cut_are_a_line_never_acknowledged(five, desk):
    full = five.read_bytes()
    for tail in (b"\0" * 300, b"\0" * 300 + b"\n"):
        five.write_bytes(full + tail)
        assert load_journal(five).seq == 5
    desk.decide("accept", "e1")
    assert load_journal(five).seq == 6


def test_a_first_line_that_was_never_written_whole_is_an_empty_journal(five, night, desk):
    full = five.read_bytes()
    head_path(five).unlink()
    first = full.index(b"\n") + 1
    second = full.index(b"\n", first)
    for cut in [*range(1, second, 41), first - 1, first]:
        five.write_bytes(full[:cut])
        assert load_journal(five).seq == 0
    desk.decide("accept", "e0")
    assert load_journal(five).seq == 1
    five.write_bytes(b"my own notes")
    head_path(five).unlink()
    with pytest.raises(DamagedError, match="not that of a review journal"):
        load_journal(five)


@pytest.mark.parametrize("what", ["line", "head"])
def test_a_full_disk_leaves_journal_and_head_as_they_were(five, desk, monkeypatch, what):
    before = five.read_bytes(), head_path(five).read_bytes()
    real, calls = os.write, []

    def full(descriptor, data):
        calls.append(len(data))
        if len(calls) > 1:
            raise OSError(28, "No space left on device")
        return real(descriptor, data[: len(data) // 2])

    def no_head(*_):
        raise OSError(28, "No space left on device")

    if what == "line":
        monkeypatch.setattr("sleepbrux.archive.journal.disk.os.write", full)
    else:
        monkeypatch.setattr("sleepbrux.archive.journal.file.write_whole", no_head)
    with pytest.raises(OSError, match="No space"):
        desk.decide("accept", "e1")
    monkeypatch.undo()
    assert (five.read_bytes(), head_path(five).read_bytes()) == before
    desk.decide("accept", "e1")
    assert load_journal(five).seq == 6


def test_a_reader_beside_a_writer_never_sees_damage(five, night):
    header, stop, problems = header_of(night), threading.Event(), []

    def read():
        while not stop.is_set():
            try:
                problems.extend(load_journal(five).notes)
            except JournalError as error:
                problems.append(error)

    reader = threading.Thread(target=read)
    reader.start()
    for seq in range(6, 60):
        append(five, header, Entry(action="accept", target="e0", seq=seq, at="t", who="AB"))
    stop.set()
    reader.join()
    assert problems == []


# the older form


def test_an_older_journal_opens_and_says_once_what_it_cannot_show(five, night, desk):
    journal = load_journal(five)
    good = figures(review_of(night, journal).night)
    data = older(five, journal.header, journal.entries)
    old = load_journal(five)
    assert old.entries == journal.entries
    assert [n.code for n in old.notes] == ["review-older-form"]
    after = review_of(night, old).night
    assert figures(after) == good
    assert sum(n.code == "review-older-form" for n in after.notes) == 1
    desk.decide("accept", "e1")
    new = load_journal(five)
    assert new.entries[:5] == journal.entries
    assert new.header.schema_version == "2.0"
    assert new.header.continues.decisions == 5
    assert [n.code for n in new.notes] == ["review-older-form"]
    assert "the first 5 of its 6 decisions" in new.notes[0].text
    assert five.with_name(five.name + ".kept-1").read_bytes() == data


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d.replace(b"\n", b"\r"),
        lambda d: d.replace(b"\n", b"\r\n"),
        lambda d: d[:-1],
    ],
)
def test_an_older_journal_with_foreign_line_ends_or_without_its_last_loses_nothing(five, night, desk, change):
    journal = load_journal(five)
    data = change(older(five, journal.header, journal.entries))
    five.write_bytes(data)
    assert load_journal(five).entries == journal.entries
    desk.decide("accept", "e1")
    assert load_journal(five).entries[:5] == journal.entries
    assert five.with_name(five.name + ".kept-1").read_bytes() == data


def test_a_flipped_bit_of_an_older_journal_never_ends_in_a_traceback(five, night):
    journal = load_journal(five)
    full = older(five, journal.header, journal.entries)
    good = figures(review_of(night, journal).night)
    generator = random.Random(2)
    found = collections.Counter()
    for place in generator.sample(range(8 * len(full)), 600):
        data = bytearray(full)
        data[place // 8] ^= 1 << place % 8
        five.write_bytes(data)
        found[outcome(five, night, good)] += 1
    assert found["SILENT"] == found["same"] == 0, found


def test_a_torn_last_line_of_an_older_journal_is_a_warning(five):
    journal = load_journal(five)
    full = older(five, journal.header, journal.entries)
    five.write_bytes(full[:-20])
    old = load_journal(five)
    assert old.seq == 4
    assert [n.severity for n in old.notes if n.code == "review-torn-line"] == ["warning"]


# what no review writes


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"action": "relabel", "target": "e0", "kind": "snore"}, "kind 'snore'"),
        ({"action": "relabel", "target": "e0", "kind": "short"}, "kind 'short'"),
        ({"action": "accept", "target": "e99"}, "event 'e99', where the night has 3"),
        ({"action": "accept", "target": "b99"}, "event 'b99', where the night has 9"),
        ({"action": "accept", "target": "e-1"}, "event 'e-1'"),
        ({"action": "accept", "target": "exyz"}, "event 'exyz'"),
        ({"action": "accept", "target": "a7"}, "event 'a7', which nobody added"),
        ({"action": "accept"}, "event ''"),
        ({"action": "move", "target": "e0"}, "a span from None s"),
        ({"action": "move", "target": "e0", "start_s": 5.0, "stop_s": 9e9}, "a span from 5 s"),
        ({"action": "move", "target": "e0", "start_s": 5.0, "stop_s": 4.0}, "a span from 5.0 s"),
        ({"action": "add", "kind": "phasic", "start_s": 50.0, "stop_s": 51.0}, "neither"),
        ({"action": "undo", "undoes": 1}, "decision 1 to take back"),
        ({"action": "judge", "target": "e0"}, "item 'e0'"),
        ({"action": "sample", "items": ("<b>",)}, "items that no sample has"),
        ({"action": "reject", "target": "e0", "reason": "x" * 201}, "more than 200 characters"),
    ],
)
@pytest.mark.parametrize("form", ["chain", "older"])
def test_a_line_that_no_review_writes_is_one_sentence(desk, night, words, said, form):
    entry = Entry(**words, seq=1, at="t", who="AB")
    if form == "chain":
        desk.path.write_bytes(chained(header_of(night), (entry,))[0])
    else:  # a second one, so that it is not taken for a torn last line
        older(desk.path, header_of(night), (entry, msgspec.structs.replace(entry, seq=2)))
    with pytest.raises(JournalError, match=said) as caught:
        review_of(night, load_journal(desk.path))
    assert "line 2" in str(caught.value)


def test_a_decision_with_a_word_that_this_program_does_not_know_is_one_sentence(desk, night):
    line, last = sealed(msgspec.json.encode(header_of(night)), "")
    strange, _ = sealed(b'{"action":"merge","seq":1,"at":"t","who":"AB"}', last)
    desk.path.write_bytes(line + b"\n" + strange + b"\n")
    with pytest.raises(DamagedError, match="line 2 is no decision that this program knows"):
        load_journal(desk.path)


def test_invented_decisions_in_a_sound_chain_never_end_in_a_traceback(desk, night):
    generator, found = random.Random(4), collections.Counter()
    pools = {
        "action": ["accept", "reject", "relabel", "move", "add", "undo", "sample", "judge", "lost"],
        "target": ["", "e0", "e2", "e3", "b0", "b8", "b9", "a1", "a2", "g3", "ga1", "n0", "e9999999"],
        "kind": ["", "phasic", "tonic", "mixed", "unclassified", "short"],
        "level": ["", "episode", "burst"],
        "reason": ["", "x"],
        "accepted": [None, True, False],
        "start_s": [None, 0.0, 20.0, 60.0, 70.0, 149.99, 150.0],
        "undoes": [None, 1, 2, 3],
        "stop_s": [None, 0.001, 21.0, 63.0, 150.0, 1e6],
        "items": [(), ("e0", "n0"), ("n7",)],
        "before": [None, {}, {"start_s": "x"}, {"start_s": 20.0, "kind": 3}],
    }
    for _ in range(1500):
        entries = tuple(
            Entry(
                **{name: generator.choice(pool) for name, pool in pools.items()}, seq=k + 1, at="", who="AB"
            )
            for k in range(generator.randrange(1, 4))
        )
        desk.path.write_bytes(chained(header_of(night), entries)[0])
        try:
            review_of(night, load_journal(desk.path))
        except JournalError as error:
            found[type(error).__name__] += 1
        else:
            found["read"] += 1
    assert found["read"] > 20, found
    assert found["DamagedError"] > 500, found


# another night


@pytest.mark.parametrize("field", ["person", "study_sha256", "night", "input_sha256"])
def test_a_journal_of_another_person_or_night_is_refused_where_both_say_so(desk, night, field):
    from sleepbrux.archive.identity import Identity, identity_of
    from sleepbrux.archive.journal.file import check_about

    about = (("person", "P1"), ("night", "n1"))
    mine = replace(identity_of(night), person="P1", night="n1")
    named = replace(night, about=about)
    other = replace(mine, **{field: "another"})
    header = msgspec.structs.replace(header_of(night), identity=other)
    append(desk.path, header, Entry(action="accept", target="e0", seq=1, at="t", who="AB"))
    if field == "study_sha256":  # this archive does not say
        check_about(load_journal(desk.path), named)
        return
    with pytest.raises(
        JournalError, match=r"its decisions are about .*another.*, this archive is of night 'n1' of 'P1'"
    ):
        check_about(load_journal(desk.path), named)
    bare = msgspec.structs.replace(header, identity=Identity())
    desk.path.write_bytes(chained(bare, ())[0])
    head_path(desk.path).unlink()
    check_about(load_journal(desk.path), named)


# bounds


def test_three_million_lines_are_refused_at_once_and_in_little_memory(five):
    line = five.read_bytes().splitlines(keepends=True)[-1]
    with five.open("ab") as file:
        for _ in range(3):
            file.write(line * 1_000_000)
    try:
        tracemalloc.start()
        begun = time.monotonic()
        with pytest.raises(JournalError, match="more than 32 MB, which no review has"):
            load_journal(five)
        assert time.monotonic() - begun < 5
        assert tracemalloc.get_traced_memory()[1] < 200e6
    finally:
        tracemalloc.stop()
        five.unlink()


def test_many_short_lines_are_refused_before_they_are_taken_apart(five):
    five.write_bytes(b"{}\n" * 3_000_000)
    with pytest.raises(JournalError, match="more than 50,000 lines"):
        load_journal(five)


def test_the_longest_journal_that_may_be_written_is_read_in_linear_time(desk, night):
    def seconds(n):
        rows = (
            Entry(action="accept", target="e0", seq=k + 1, at="2026-03-02T07:41:09Z", who="AB")
            for k in range(n)
        )
        desk.path.write_bytes(chained(header_of(night), tuple(rows))[0])
        begun = time.process_time()
        assert load_journal(desk.path).seq == n
        return time.process_time() - begun

    small, large = seconds(MOST_DECISIONS // 10), seconds(MOST_DECISIONS)
    assert large < 30 * max(small, 0.02)
    entry = Entry(action="accept", target="e0", seq=MOST_DECISIONS + 1, at="t", who="AB")
    with pytest.raises(JournalError, match="the journal is full"):
        append(desk.path, header_of(night), entry)
    assert load_journal(desk.path).seq == MOST_DECISIONS


@pytest.mark.skipif(os.name != "posix", reason="links and pipes")
@pytest.mark.parametrize("which", ["journal", "head", "lock"])
@pytest.mark.parametrize("what", ["link", "dangling link", "pipe", "folder"])
def test_what_is_no_plain_file_is_refused_in_one_sentence_without_a_wait(five, tmp_path, night, which, what):
    place = {"journal": five, "head": head_path(five), "lock": five.with_name(f".{five.name}.lock")}[which]
    away = tmp_path / "away"
    if place.exists():
        place.rename(away)
    else:
        away.write_text("mine")
    before = away.read_bytes()
    if what == "link":
        place.symlink_to(away)
    elif what == "dangling link":
        place.symlink_to(tmp_path / "nothing")
    elif what == "pipe":
        os.mkfifo(place)
    else:
        place.mkdir()
    begun = time.monotonic()
    entry = Entry(action="accept", target="e0", seq=6, at="t", who="AB")
    with pytest.raises(JournalError, match=r"plain file"):
        append(five, header_of(night), entry)
    if which != "lock":
        with pytest.raises(JournalError, match=r"plain file"):
            load_journal(five)
    assert time.monotonic() - begun < 2
    assert away.read_bytes() == before
    assert not (tmp_path / "nothing").exists()


# repair


def test_a_repair_costs_the_damaged_decision_only_and_names_it_ever_after(five, night, desk):
    whole = load_journal(five).entries
    damaged = five.read_bytes().replace(b'"relabel"', b'"reject!"')
    five.write_bytes(damaged)
    done = repair(five, night)
    assert (done.decisions, done.lost) == (5, (2,))
    journal = load_journal(five)
    assert [e.action for e in journal.entries] == ["reject", "lost", "move", "add", "accept"]
    assert [e for e in journal.entries if e.seq != 2] == [e for e in whole if e.seq != 2]
    assert "1 of 5 decisions could not be read" in journal.notes[0].text
    assert (five.parent / done.kept[0]).read_bytes() == damaged
    after = review_of(night, journal).night
    assert [n.code for n in after.notes[len(night.notes) :]] == ["review-decisions-lost"]
    desk.decide("accept", "e1")
    assert [n.code for n in load_journal(five).notes] == ["review-decisions-lost"]


def test_a_decision_that_means_nothing_without_a_lost_one_is_lost_with_it(desk, night):
    desk.decide("reject", "e0", reason="not activity")
    desk.decide("add", level="episode", kind="tonic", start_s=20.0, stop_s=24.0)
    desk.decide("accept", "e1")
    desk.path.write_bytes(desk.path.read_bytes().replace(b'"not activity"', b'"not Activity"'))
    done = repair(desk.path, night)
    assert (done.decisions, done.lost) == (3, (1, 2))
    assert len(desk.now.night.episodes) == 3
    assert desk.now.night.review.accepted == 1


def test_a_repair_counts_what_was_cut_off_at_the_end(five, night):
    lines = five.read_bytes().splitlines(keepends=True)
    five.write_bytes(b"".join(lines[:4]))
    done = repair(five, night)
    assert (done.decisions, done.lost) == (5, (4, 5))
    assert len(done.kept) == 2
    assert load_journal(five).notes[0].code == "review-decisions-lost"


def test_a_lost_first_line_is_taken_from_the_night_where_the_second_line_proves_it(five, night):
    full = five.read_bytes()
    five.write_bytes(b"#" + full[1:])
    assert repair(five, night).lost == ()
    assert five.read_bytes() == full
    five.write_bytes(b"#" + full[1:])
    with pytest.raises(JournalError, match="its first line is lost"):
        repair(five, rescore(night, "lavigne1996"))


def test_a_repair_of_a_whole_journal_changes_nothing(five, night):
    before = five.read_bytes()
    assert repair(five, night).kept == ()
    assert five.read_bytes() == before


def test_an_older_journal_with_a_damaged_line_is_repaired_into_the_chain(five, night):
    journal = load_journal(five)
    data = older(five, journal.header, journal.entries).replace(b'"relabel"', b'"reject!"')
    five.write_bytes(data)
    with pytest.raises(DamagedError, match="line 3"):
        load_journal(five)
    assert repair(five, night).lost == (2,)
    assert {n.code for n in load_journal(five).notes} == {
        "review-older-form",
        "review-decisions-lost",
    }


def test_a_repair_that_was_killed_half_way_can_be_run_again(five, night, monkeypatch):
    from sleepbrux.archive.journal import repair as module

    five.write_bytes(five.read_bytes().replace(b'"relabel"', b'"reject!"'))
    real, calls = module.write_whole, []

    def killed(path, data):
        calls.append(path)
        if len(calls) == 2:
            raise KeyboardInterrupt
        real(path, data)

    monkeypatch.setattr(module, "write_whole", killed)
    with pytest.raises(KeyboardInterrupt):
        repair(five, night)
    monkeypatch.undo()
    done = repair(five, night)
    assert (done.decisions, done.lost) == (5, (2,))
    assert load_journal(five).seq == 5


# kill -9

KILLED = """
import sys
from pathlib import Path
import msgspec
from sleepbrux.archive.journal.file import Entry, append, load_journal
from sleepbrux.archive.journal.model import Header
path = Path(sys.argv[1])
header = Header(format="sleepbrux review", schema_version="2.0", scoring_sha256="s", input_sha256="i",
                criterion="c", episodes=1, bursts=1)
seq = load_journal(path).seq
while True:
    seq += 1
    append(path, header, Entry(action="accept", target="e0", seq=seq, at="t", who="AB", reason="r" * 150))
    print(seq, flush=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="kill -9")
@pytest.mark.shows("lost-decision")
def test_killed_again_and_again_no_acknowledged_decision_is_lost(tmp_path):
    path, generator, acknowledged = tmp_path / "n.review.jsonl", random.Random(3), 0
    for _ in range(12):
        with subprocess.Popen(
            [sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE, text=True
        ) as child:
            for _ in range(generator.randrange(1, 12)):
                acknowledged = int(child.stdout.readline())
            time.sleep(generator.uniform(0, 0.02))
            child.kill()
            acknowledged = max([acknowledged, *(int(v) for v in child.stdout if v.endswith("\n"))])
        journal = load_journal(path)
        assert acknowledged <= journal.seq <= acknowledged + 1
        assert {n.code for n in journal.notes} <= {"review-torn-line"}
    assert acknowledged > 12


def test_what_a_window_had_not_seen_is_still_refused(five, night):
    with pytest.raises(ConflictError):
        append(five, header_of(night), Entry(action="accept", target="e0", seq=3, at="t", who="AB"))
    assert reading.load_journal(five).seq == 5
