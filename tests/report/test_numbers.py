"""One helper prints every number."""

import base64
import doctest
import math
import zlib
from datetime import datetime, time

import numpy as np
import pytest

from sleepbrux.report import numbers, payload


@pytest.mark.parametrize("module", [numbers, payload])
def test_the_examples_in_the_docstrings_hold(module):
    result = doctest.testmod(module)
    assert result.attempted
    assert not result.failed


def test_no_value_is_never_printed_as_a_number():
    assert numbers.text(math.nan, "s") == "n/a"
    assert numbers.with_unit(None, "µV", "no reference clench") == "n/a (no reference clench)"


def test_a_start_without_a_date_keeps_its_time_of_day():
    assert numbers.began(None, time(22, 40)).startswith("date unknown, 22:40:00")
    assert numbers.began(datetime(2026, 3, 2, 22, 40), None).startswith("2026-03-02 22:40:00")


def test_codes_keep_amplitudes_within_a_step():
    values = np.geomspace(0.5, 5000, 1000)
    codes = payload.to_codes(values, 0.5, 5000)
    back = payload.Strip(codes, 1.0, 0.5, 5000).values()
    assert codes.min() == 1
    assert codes.max() == 255
    assert np.abs(np.log(back / values)).max() <= math.log(10000) / 254 / 2 + 1e-9
    assert payload.to_codes(np.array([np.nan, 0.0, 9e9]), 0.5, 5000).tolist() == [0, 1, 255]


@pytest.mark.parametrize("unit", ["1/h", "1", "h", "%", "% MVC", "s", "min", "µV", "Hz"])
def test_nothing_prints_as_less_than_nothing(unit):
    from sleepbrux.core.printed import rounded
    from sleepbrux.export.tables import decimals

    for value in (-0.0, -1e-12, -0.001):
        assert not numbers.text(value, unit).startswith("-")
    assert decimals(-1e-9, 3) == "0.000"
    assert math.copysign(1, rounded(-0.0)) == 1
    assert rounded(-1.25) == -1.25


def test_axes_and_curves_have_the_digits_that_a_reader_needs():
    from sleepbrux.report.figures import curve_svg

    drawn = curve_svg([0.1 + 0.2, 60 / 7, 15.0], [0.3, 60 / 7, 1.0], 60 / 7, axis="threshold")
    assert "8.5714" in drawn
    assert "8.57142" not in drawn
    assert "0000000" not in drawn


def test_the_close_up_draws_the_envelope_that_the_threshold_is_a_threshold_of(night):
    """The highest value of each burst in the close-up is the peak that the tables print."""
    scale = payload.strips(night)
    drawn = payload.close_ups(night, scale)
    codes = np.frombuffer(zlib.decompress(base64.b64decode(drawn["data"])), dtype=np.uint8)
    ends = np.cumsum(np.array(drawn["n"]).ravel())
    parts = np.split(codes, ends[:-1])
    n_channels = len(scale)
    compared = 0
    for k, bursts in enumerate(night.bursts):
        slot, low, ratio = float(bursts.grid.slot_s), scale[k].low, scale[k].high / scale[k].low
        for start, stop, peak in zip(bursts.starts, bursts.stops, bursts.peak_uv, strict=True):
            for episode, firsts in enumerate(drawn["first_s"]):
                a = round((start * slot - firsts[k]) / drawn["step_s"][k])
                b = round((stop * slot - firsts[k]) / drawn["step_s"][k])
                if a >= 0 and b <= drawn["n"][episode][k]:
                    top = int(parts[episode * n_channels + k][a:b].max())
                    shown = low * ratio ** ((top - 1) / 254)
                    assert shown == pytest.approx(float(peak), rel=0.04)
                    compared += 1
    assert compared > 5
