"""Was the appliance in? From 80 % of the valid hours on a night counts as with it."""

from datetime import time
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepbrux.core.errors import StudyError
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.study.file import StudyNight
from sleepbrux.study.wear import worn

GRID = Grid(Fraction(1, 100), 8 * 360_000)
START = time(22, 40)


def night(**fields):
    return StudyNight(id="n", recording="n.edf", **({"condition": "splint"} | fields))


def valid(*hours):
    return Spans.of(GRID, [(round(a * 360_000), round(b * 360_000)) for a, b in hours])


def test_a_night_without_appliance_has_no_wear():
    wear = worn(night(condition="none"), valid((0, 8)), START)
    assert (wear.share, wear.status) == (None, "not applicable")


def test_without_times_the_study_file_says_worn_all_night():
    wear = worn(night(), valid((0, 8)), None)
    assert (wear.share, wear.status) == (1.0, "worn")
    assert "no times" in wear.basis


@pytest.mark.parametrize(
    ("inserted", "removed", "share", "status"),
    [
        (None, time(5, 4), 0.8, "worn"),  # 6.4 h of 8: 80 % counts
        (None, time(5, 3, 59), 0.8, "partly worn"),
        (time(22, 10), time(7, 30), 1.0, "worn"),  # outside the recording at both ends
        (time(2, 40), None, 0.5, "partly worn"),
        (time(0, 40), time(4, 40), 0.5, "partly worn"),
    ],
)
def test_times_may_pass_midnight_and_leave_the_recording(inserted, removed, share, status):
    wear = worn(night(appliance_in=inserted, appliance_out=removed), valid((0, 8)), START)
    assert wear.share == pytest.approx(share, abs=1e-4)
    assert wear.status == status


def test_only_valid_time_counts():
    # out at 02:40, four hours in; of the later four hours only one is valid
    wear = worn(night(appliance_out=time(2, 40)), valid((0, 4), (7, 8)), START)
    assert wear.share == pytest.approx(0.8)
    assert wear.status == "worn"


def test_no_valid_time_has_no_share():
    assert worn(night(appliance_out=time(2, 40)), valid(), START).share is None


def test_times_need_a_clock_and_an_order():
    with pytest.raises(StudyError, match=r"'n'.*what time it starts"):
        worn(night(appliance_in=time(23, 0)), valid((0, 8)), None)
    with pytest.raises(StudyError, match="appliance_out 23:00 does not come after"):
        worn(night(appliance_in=time(23, 30), appliance_out=time(23, 0)), valid((0, 8)), START)


@given(st.times(), st.floats(0.1, 20), st.floats(0, 1))
def test_a_clock_time_is_found_again_wherever_midnight_lies(start, hours, at):
    grid = Grid(Fraction(1), round(hours * 3600))
    second = round(at * grid.n_slots)
    begin = start.hour * 3600 + start.minute * 60 + start.second
    clock = (begin + second) % 86400
    stop = time(clock // 3600, clock // 60 % 60, clock % 60)
    wear = worn(night(appliance_out=stop), grid.all(), start.replace(microsecond=0))
    assert wear.share == pytest.approx(second / grid.n_slots)
