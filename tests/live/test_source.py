"""Which stream and which of its channels: chosen, or refused in one sentence."""

import builtins
from dataclasses import replace
from fractions import Fraction

import pytest

from sleepbrux.live import source
from sleepbrux.live.source import StreamError, choose, chosen_channels, difference

from .fake import INFO

HEAD = replace(INFO, id="head", name="head", type="EEG", labels=("Fz", "Cz"))
PLAIN = replace(INFO, id="plain", name="plain", labels=("1", "2"))


def test_the_only_stream_of_a_jaw_muscle_is_taken():
    assert choose([HEAD, INFO]) is INFO
    assert choose([HEAD, PLAIN]) is PLAIN  # by its type
    assert choose([HEAD]) is HEAD  # refused later by its channels
    assert choose([HEAD, INFO], "head") is HEAD


def test_no_stream_is_one_sentence_that_says_what_to_do():
    with pytest.raises(StreamError, match="no stream was found on this machine; start the amplifier"):
        choose([])


def test_two_streams_of_one_name_are_told_apart_by_id():
    twin = replace(INFO, id="amp-2")
    with pytest.raises(StreamError, match=r"two streams are called 'amp'.*id amp-1.*id amp-2"):
        choose([INFO, twin])
    assert choose([INFO, twin], "amp-2") is twin


def test_several_that_may_be_it_and_a_wrong_name_are_refused():
    with pytest.raises(StreamError, match="several streams may be the amplifier"):
        choose([INFO, replace(INFO, id="b", name="b")])
    with pytest.raises(StreamError, match="there is no stream 'x'"):
        choose([INFO], "x")


def test_jaw_channels_are_taken_with_their_unit():
    info = replace(INFO, labels=("ECG", *INFO.labels), units=("mV", "mV", "microvolts"))
    chosen = chosen_channels(info)
    assert chosen.columns == (1, 2)
    assert chosen.gains == (1000.0, 1.0)
    assert chosen_channels(info, ("ECG",)).columns == (0,)


def test_a_unit_that_is_not_said_is_asked_for_and_one_that_is_no_voltage_is_refused():
    with pytest.raises(StreamError, match="says nothing as its unit; say it with"):
        chosen_channels(replace(INFO, units=("", "")))
    with pytest.raises(StreamError, match="'degC', which is no voltage"):
        chosen_channels(replace(INFO, units=("degC", "degC")))
    assert chosen_channels(replace(INFO, units=("", "")), (), "mV").gains == (1000.0, 1000.0)
    with pytest.raises(StreamError, match="'kV', where uV, mV, nV, V are allowed"):
        chosen_channels(INFO, (), "kV")


def test_no_jaw_channel_a_missing_label_and_a_slow_rate_are_refused():
    with pytest.raises(StreamError, match="no channel that is recognised as a jaw muscle; it has 'Fz', 'Cz'"):
        chosen_channels(HEAD)
    with pytest.raises(StreamError, match="has no channel 'EMG'"):
        chosen_channels(INFO, ("EMG",))
    with pytest.raises(StreamError, match="sends 50 samples a second; raw EMG needs 100 or more"):
        chosen_channels(replace(INFO, rate=Fraction(50)))


def test_what_changed_is_said():
    assert difference(INFO, INFO) == ""
    assert "other order" in difference(INFO, replace(INFO, labels=INFO.labels[::-1]))


def test_a_missing_library_is_one_sentence_with_the_command_that_adds_it(monkeypatch):
    real = builtins.__import__

    def without(name, *rest):
        if name.startswith("pylsl"):
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(
        StreamError, match=r"needs pylsl, which is not installed.*pip install 'sleepbrux\[live\]'"
    ):
        source.library()


def test_a_library_that_cannot_be_loaded_is_one_sentence(monkeypatch):
    real = builtins.__import__

    def broken(name, *rest):
        if name.startswith("pylsl"):
            raise RuntimeError("LSL binary library file was not found")
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", broken)
    with pytest.raises(StreamError, match="cannot be loaded"):
        source.library()


def test_nothing_is_asked_of_the_network():
    assert "ResolveScope = machine" in source.CONFIG


def test_labels_that_a_file_cannot_hold_keep_muscle_and_side():
    from sleepbrux.recording.labels import recognise

    long = (
        "left masseter muscle, upper part",
        "left masseter muscle, lower part",
        "EMG Temporalis left, front",
        "EMG Masseter Right",
        "EMG Temporalis Left",
        "Musculus masseter rechts",
    )
    kept = source.kept_labels(long)
    assert len(set(kept)) == len(long)
    for before, after in zip(long, kept, strict=True):
        assert len(after) <= 16
        assert after.isascii()
        assert recognise(after) == recognise(before), (before, after)
    assert source.kept_labels(INFO.labels) == INFO.labels
