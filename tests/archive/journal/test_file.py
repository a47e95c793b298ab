"""The journal on disk: nothing acknowledged is lost, nothing is overwritten, damage is told."""

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time

import msgspec
import pytest

from sleepbrux.archive.journal.file import (
    ConflictError,
    Entry,
    append,
    chained,
    check_about,
    header_of,
    load_journal,
    scoring_digest,
)
from sleepbrux.core.errors import JournalError
from sleepbrux.scoring.night import rescore

WRITER = """
import sys
from pathlib import Path
from sleepbrux.archive.journal.file import Entry, Header, append
path = Path(sys.argv[1])
header = Header(format="sleepbrux review", schema_version="2.0", scoring_sha256="s",
                input_sha256="i", criterion="c", episodes=1, bursts=1)
for seq in range(1, 100000):
    append(path, header, Entry(action="accept", target="e0", seq=seq, at="t", who="AB",
                               reason="r" * 150))
    print(seq, flush=True)
"""


def entry(seq, **more):
    return Entry(**{"action": "accept", "target": "e0", "seq": seq, "at": "t", "who": "AB"} | more)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "n.review.jsonl"


@pytest.fixture
def header(night):
    return header_of(night)


def test_what_is_appended_is_read_again(path, header):
    append(path, header, entry(1))
    append(path, header, entry(2, reason="été \u2028 </script>"))
    journal = load_journal(path)
    assert journal.header == header
    assert journal.entries == (entry(1), entry(2, reason="été \u2028 </script>"))
    assert [json.loads(line).get("seq") for line in path.read_text("utf-8").split("\n")[:-1]] == [
        None,
        1,
        2,
    ]


def test_a_second_window_is_refused_and_writes_nothing(path, header):
    append(path, header, entry(1))
    before = path.read_bytes()
    with pytest.raises(ConflictError, match="taken by another window"):
        append(path, header, entry(1, target="e1"))
    assert path.read_bytes() == before


def test_a_newer_schema_is_refused(path, header):
    append(path, header, entry(1))
    newer = msgspec.structs.replace(header, schema_version="3.0")
    path.write_bytes(chained(newer, ())[0])
    with pytest.raises(JournalError, match=r"schema '3\.0'"):
        load_journal(path)


@pytest.mark.shows("wrong-person")
def test_a_journal_is_bound_to_its_scoring(path, night, header):
    journal = append(path, header, entry(1))
    check_about(journal, night)
    other = rescore(night, "lavigne1996")
    assert scoring_digest(other) != scoring_digest(night)
    with pytest.raises(JournalError, match="another scoring"):
        check_about(journal, other)
    with pytest.raises(JournalError, match="another scoring"):
        append(path, header_of(other), entry(2))


@pytest.mark.skipif(os.name != "posix", reason="kill -9")
@pytest.mark.shows("lost-decision")
def test_kill_9_loses_nothing_that_was_acknowledged(path):
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True
    ) as child:
        seen = [int(child.stdout.readline()) for _ in range(25)]
        time.sleep(0.013)
        child.send_signal(signal.SIGKILL)
        seen += [int(line) for line in child.stdout if line.endswith("\n")]
    journal = load_journal(path)
    assert journal.seq >= seen[-1] >= 25
    append(path, journal.header, entry(journal.seq + 1))  # and the next one goes on


def _race(path, header, results):
    won = 0
    for seq in range(1, 16):
        try:
            append(path, header, entry(seq, who=str(os.getpid())))
            won += 1
        except ConflictError:
            pass
    results.put(won)


def test_two_programs_never_write_the_same_number(path, header):
    context = multiprocessing.get_context("spawn")
    results = context.Queue()
    racers = [context.Process(target=_race, args=(path, header, results)) for _ in range(2)]
    for racer in racers:
        racer.start()
    won = [results.get(timeout=60) for _ in racers]
    for racer in racers:
        racer.join()
    journal = load_journal(path)
    assert journal.seq == sum(won) == 15
