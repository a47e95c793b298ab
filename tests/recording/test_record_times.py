"""Record times of EDF+ files (2.2.4): every form of them, read at once or one by one, is the same number."""

import math
from fractions import Fraction
from types import SimpleNamespace

from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf_annotations import read_annotations

WIDTH = 40
SECONDS = st.one_of(
    st.integers(0, 10**5).map(str),
    st.integers(0, 99).map(lambda n: f"00{n}"),
    st.integers(10**12, 10**15 - 1).map(str),
    st.decimals(0, 10**5, places=3).map(str),
)
RECORDS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from("+-"), SECONDS, st.just("\x14\x14")),
        st.tuples(st.just("+"), SECONDS, st.just("\x14\x14\0+3\x1510\x14lights\noff\x14")),
        st.just(("", "", "")),  # no time at all
        st.sampled_from(
            [
                ("+", "", "\x14\x14"),
                ("", "5", "\x14\x14"),
                ("+", "5", "\x14"),
                ("+", "5x", "\x14\x14"),
                ("+", "1234567890123456", "\x14\x14"),
            ]
        ),
    ),
    min_size=1,
    max_size=9,
)


@settings(deadline=None, max_examples=300, derandomize=True)
@given(RECORDS, st.sampled_from([0, 5000]))
def test_a_record_has_the_time_it_says_exactly_or_none(tmp_path_factory, records, other_bytes):
    path = tmp_path_factory.mktemp("times") / "night.edf"
    texts = ["".join(record).encode() for record in records]
    path.write_bytes(b"".join(text.ljust(WIDTH, b"\0") + bytes(other_bytes) for text in texts))
    header = SimpleNamespace(
        n_records=len(texts),
        sample_bytes=2,
        record_bytes=WIDTH + other_bytes,
        data_offset=0,
        signals=[SimpleNamespace(is_annotations=True, samples_per_record=WIDTH // 2, first_sample=0)],
    )
    with path.open("rb", buffering=0) as handle:
        found = read_annotations(handle, header, Findings(path))
    for k, (sign, seconds, rest) in enumerate(records):
        whole, _, _ = seconds.partition(".")
        right = sign and whole.isdecimal() and len(whole) <= 15 and "\x14\x14" in rest
        if right:
            assert found.onset(k) == Fraction(sign + seconds)
            assert found.onsets[k] == float(sign + seconds)
        else:
            assert math.isnan(found.onsets[k])
    assert [mark.text for mark in found.marks] == ["lights off" for *_, rest in records if "off" in rest]
