"""Small texts bent at random: each ends in a result or in one sentence, and soon.

``EXAMPLES=20000`` bends that many of each kind; the suite some hundreds.
"""

import os
import random
import time
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.analysis.agreement.loading import Wanted, load_pair
from sleepbrux.analysis.cohort import cohort_text, compare_cohort, read_cohort
from sleepbrux.analysis.comparison.table import study_from_table
from sleepbrux.core.errors import SleepbruxError
from sleepbrux.criteria.loading import _folder, load_criterion
from sleepbrux.recording.clenches import load_proposal
from sleepbrux.recording.mark_table import load_marks
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.stages import load_stages
from sleepbrux.report.letter.fields import load_fields
from sleepbrux.study.file import load_study
from sleepbrux.synth.study import load_scenario, scenario_path

N = int(os.environ.get("EXAMPLES", "150"))
RECORDING = from_array(np.zeros((1, 60_000)), 1000, ["EMG Masseter L"])
BITS = [
    b"nan", b"inf", b"-inf", b"1e308", b"-1e308", b"1e-308", b"9" * 400, b"0", b"-0.0", b"-1", b"1_000",
    b"0x1f", b"\x00", b"\x1b[2J", b"\r", b"\n", b"\n\n", b'"', b"'", b'"""', b"[", b"]", b"[" * 60, b"{",
    b"}", b"=", b",", b";", b"\t", b".", b"#", b"\\", b"\\u0000", b"\xff", b"\xe2\x80\xae", b"\xef\xbb\xbf",
    b"true", b"1979-05-27",
    b"24:00:00", b"07:32:00", b"T", b"Z", b"a" * 3000, b"\xf0\x9f\xa6\xb7", b"=1+1", b"..", b"/", b"none",
]  # fmt: skip


def bent(text: bytes, rng: random.Random) -> bytes:
    """A text after one to four small changes."""
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(text) + 1)
        lines = text.split(b"\n")
        k = rng.randrange(len(lines))
        way = rng.randrange(8)
        if way == 0:
            text = text[:at] + rng.choice(BITS) + text[at:]
        elif way == 1:
            text = text[:at] + text[at + rng.randint(1, 12) :]
        elif way == 2:
            text = text[:at] + bytes([rng.randrange(256)]) + text[at + 1 :]
        elif way == 3:
            text = text[:at]
        elif way == 4:
            text = b"\n".join([*lines[:k], *lines[k : k + 1] * rng.choice([0, 2, 40]), *lines[k + 1 :]])
        elif way == 5:
            rng.shuffle(lines)
            text = b"\n".join(lines)
        else:  # a value behind = or between separators becomes another
            head, sign, _ = lines[k].rpartition(rng.choice([b"=", b",", b" "]))
            lines[k] = head + sign + rng.choice(BITS)
            text = b"\n".join(lines)
        if not text:
            return text
    return text


STUDY = b"""pseudonym = "P01"
primary_outcome = "episodes_per_hour"
criterion = "phasic_tonic_10mvc"
rate_hz = 1000.0
scale_uv = { "EMG L" = 1.5 }
positions = { "1" = "supine" }

[[reference]]
id = "r1"
mvc_uv = { "EMG L" = 200.0 }
teeth = "natural"
date = 2026-03-02

[[night]]
id = "n1"
recording = "n1.edf"
condition = "none"
reference = "r1"
date = 2026-03-02
lights_off = 23:05:00
sync = [[1.0, 2.0], [100.0, 101.0]]
morning_jaw_pain = 3
note = "quiet"
"""
CLENCHES = b"""recording_sha256 = "%s"
teeth = "natural teeth"
clenches_s = [[1.0, 3.0], [11.0, 13.0]]
rests_s = [[20.0, 25.0]]
accepted_by = "AB"
accepted_on = 2026-03-02
accepted_digest = "0123456789abcdef"
""" % (b"0" * 64)
FIELDS = b'name = "A"\nquestion = "why"\nown_words = """one\ntwo"""\ndate = 2026-03-02\n'
NIGHTS = b"night,condition,date,block,setting_mm,lights_off\nn1,none,2026-03-02,1,0.5,23:05\nn2,splint,,2,,\n"
COHORT = b"person,condition,events,valid_hours,period,sequence\n" + b"".join(
    b"p%d,%s,%d,%d.5,%d,AB\n" % (k, c, 5 + k * j, 6 + j, j)
    for k in range(5) for j, c in enumerate((b"none", b"splint", b"none"))
)  # fmt: skip
MARKS = b"onset,duration,text\n1.5,2,Clench\n7,,Lights off\n9,1,sync\n"
STAGES = b"onset;duration;stage\n0;30;W\n30;30;N2\n60,0;30;REM\n"
EVENTS = b"onset,duration,label\n0,60,scored\n20.1,3.3,phasic\n40,3,tonic\n"


def _cohort(path: Path) -> None:
    nights = read_cohort(path)
    cohort_text(compare_cohort(nights))


READERS = {
    "study": (STUDY, "study.toml", load_study),
    "rules": ((_folder() / "aasm.toml").read_bytes(), "rules.toml", load_criterion),
    "clenches": (CLENCHES, "n.edf.clenches.toml", lambda p: load_proposal(p.with_name("n.edf"))),
    "fields": (FIELDS, "fields.toml", load_fields),
    "scenario": (scenario_path().read_bytes(), "scenario.toml", load_scenario),
    "nights": (NIGHTS, "nights.csv", study_from_table),
    "cohort": (COHORT, "cohort.csv", _cohort),
    "marks": (MARKS, "marks.csv", lambda p: load_marks(p, RECORDING)),
    "stages": (STAGES, "stages.csv", lambda p: load_stages(p, duration_s=60.0)),
    "events": (EVENTS, "reader.csv", lambda p: load_pair(p, str(p), Wanted())),
}


@pytest.mark.shows("hostile-file")
@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("kind", READERS)
def test_a_bent_text_ends_in_a_result_or_in_one_sentence_and_soon(tmp_path, kind):
    whole, name, read = READERS[kind]
    path = tmp_path / name
    path.write_bytes(whole)
    read(path)
    n_read, said = 0, []
    began = time.process_time()
    for seed in range(N):
        text = bent(whole, random.Random(f"{kind} {seed}"))
        path.write_bytes(text)
        try:
            read(path)
            n_read += 1
        except SleepbruxError as error:
            said.append(str(error))
        except Exception as error:
            error.add_note(f"{kind}, seed {seed}: {text!r}")
            raise
    assert (time.process_time() - began) / N < 0.25
    assert n_read  # else the bending is too strong
    assert said  # or too weak
    assert not [text for text in said if not text.isprintable() or len(text) > 1250]
    # what compares knows no file any more
    assert kind == "cohort" or not [t for t in said if not t.startswith((name, "--label"))]
