"""The table of confounders: its ways are rules, and in a generated hour each signal does what it is for."""

import re

from sleepbrux.recording.opening import open_recording
from sleepbrux.scoring.measures import LABELS, label_of
from sleepbrux.signal.swept import sweep_recording
from tests import context_table


def test_signals_give_back_precision_and_sound_costs_recall(recording, planned):
    found = context_table.tallies(sweep_recording(open_recording(recording)), planned)

    def precision(way):
        return found[way].matched / found[way].counted

    def recall(way):
        return found[way].matched / found[way].truth

    assert recall("EMG alone") == 1
    assert precision("EMG alone") < precision("stages") < precision("all but sound")
    assert precision("EMG alone") < precision("leg")
    assert recall("sound") < recall("stages")
    assert recall("stages") == 1


def test_the_caption_says_what_the_figures_are():
    assert context_table.CAPTION == "in this generator, at these assumed rates"
    assert set(context_table.RATES) == set(context_table.KINDS)


def test_every_measure_has_a_name_for_people(night):
    """No label is a key with blanks for its underscores, unless those are the very words."""
    for name in night.measures:
        label = label_of(name)
        assert label in LABELS.values() or re.search(r"position|stage|rises by", label), name
        for word in ("per hour of the", "_", " count", " pct", " like ", " uv", " hz", "index"):
            assert word not in label, (name, label)
