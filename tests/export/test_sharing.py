"""A night to hand on: whatever text a night holds, an export shows none that was not meant to be shown."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import fields, is_dataclass, replace
from datetime import date, datetime

import msgspec
import numpy as np
import pytest

from sleepbrux.archive.file import load_night, save_night
from sleepbrux.core.errors import Note
from sleepbrux.core.provenance import Review
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import Criterion
from sleepbrux.criteria.model import SourceNote
from sleepbrux.export.files import ExportRequest, write_files
from sleepbrux.export.sharing import (
    NOTHING_SHOWN,
    OWN_TEXT,
    Shown,
    name_of,
    to_share,
    without_dates,
    words_left,
)
from sleepbrux.export.summary import report_id, summary, summary_text
from sleepbrux.recording.model import Mark
from sleepbrux.scoring.night import Night, rescore

SECRET = "Quixotequa"
EVERY = ("csv", "json", "edf", "fhir", "bids", "study", "archive")

# Fields whose texts are words of a closed list, numbers as text, or what the study shows on purpose.
CLOSED = {
    "role",
    "side",
    "muscle",
    "kind",
    "amplitude",
    "placement",
    "source",
    "severity",
    "code",
    "format",
    "digest",
    "unit",
    "supersedes",
    "keys",
    "flags",
    "about",
    "statistic",
}


def planted(value, name=""):
    """A value with the secret in every text that is somebody's own words, and a date in every date."""
    if name in CLOSED or isinstance(value, (Criterion, np.ndarray, Spans, Grid)):
        new = value
    elif isinstance(value, datetime):
        new = datetime(1987, 6, 5, value.hour, value.minute)
    elif isinstance(value, date):
        new = date(1987, 6, 5)
    elif is_dataclass(value) and not isinstance(value, type):
        own = {f.name: planted(getattr(value, f.name), f.name) for f in fields(value) if f.init}
        new = replace(value, **own)
    elif isinstance(value, tuple):
        new = tuple(planted(v, name) for v in value)
    elif isinstance(value, dict):
        keep = name in ("measures", "faults")
        new = {k if keep else planted(k): planted(v) for k, v in value.items()}
    else:
        new = _planted_text(value)
    return new


def _planted_text(value):
    return f"{value} of {SECRET} 05.06.1987" if isinstance(value, str) else value


@pytest.fixture(scope="module")
def told(night):
    """The night with the secret everywhere; labels stay labels of their channels."""
    review = Review((SECRET,), "1987-06-05T10:00:00Z", "1987-06-06T10:00:00Z", *[1] * 9)
    marks = (
        *night.swept.marks,
        Mark(100.0, 1.0, f"Apnea {SECRET}", SECRET),
        Mark(110.0, 1.0, SECRET),
    )
    notes = (
        *night.notes,
        Note("mne", "warning", f"While opening, mne said: {SECRET}"),
        Note("dates-differ", "warning", "Field 'start date' is '05.06.87', the other 1987-06-05."),
        Note("marks-from-file", "note", f"3 marks come from {SECRET}.csv."),
    )
    night = replace(night, swept=replace(night.swept, marks=marks, name=SECRET), notes=notes)
    return replace(planted(night), review=review)


def texts_of(value, path="night"):
    """Every text in a value with the path to it."""
    if is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            yield from texts_of(getattr(value, field.name), f"{path}.{field.name}")
    elif isinstance(value, (tuple, list)):
        for each in value:
            yield from texts_of(each, path)
    elif isinstance(value, dict):
        for key, each in value.items():
            yield from texts_of(key, path)
            yield from texts_of(each, f"{path}.{key}")
    elif isinstance(value, (str, date, datetime)):
        yield path, str(value)


@pytest.mark.shows("identity-leak")
def test_no_text_of_a_night_goes_out_as_it_came_in(told):
    """Holds for a field that is added later, too: what to_share does not know is found here."""
    left = {path for path, text in texts_of(to_share(told)) if re.search(f"(?i){SECRET}|1987|05.06.87", text)}
    assert left == set()
    assert {p for p, t in texts_of(told) if SECRET in t} >= {
        "night.swept.name",
        "night.reference.origin",
        "night.review.readers",
        "night.merged.labels",
    }


@pytest.mark.shows("identity-leak")
def test_no_export_holds_the_secret_by_default_and_each_with_the_option_that_asks(told, tmp_path):
    automatic = replace(told, review=None)
    for shown, sought, expected in (
        (NOTHING_SHOWN, SECRET, False),
        (NOTHING_SHOWN, "1987", False),
        (Shown(names=True), SECRET, True),
        (Shown(dates=True), SECRET, False),
        (Shown(dates=True), "1987", True),
    ):
        folder = tmp_path / f"{shown.names}{shown.dates}{sought}"
        files = write_files([(SECRET, told)], folder, ExportRequest(EVERY, shown=shown), [automatic])
        holding = [p.name for p in files if sought.encode() in p.read_bytes() or sought in p.name]
        assert bool(holding) == expected, (shown, sought, holding)


def test_what_is_shared_is_scored_again_to_the_same_numbers(told, tmp_path):
    shared = to_share(replace(told, review=None))
    save_night(shared, tmp_path / "x.night.h5")
    again = rescore(load_night(tmp_path / "x.night.h5"), told.criterion)
    before = rescore(replace(told, review=None), told.criterion)
    assert {n: m.value for n, m in again.measures.items()} == {n: m.value for n, m in before.measures.items()}
    assert "episodes_near_respiratory_event_count" in again.measures


def test_a_plain_night_loses_nothing_but_its_name_and_date(night):
    before, after = summary(night), summary(to_share(night))
    changed = {k for k in before if before[k] != after[k]}
    assert changed <= {"recording", "start", "notes", "provenance"}
    assert after["start_clock"] == before["start_clock"]
    assert [n["code"] for n in after["notes"]] == [n["code"] for n in before["notes"]]


def test_an_exported_report_has_an_id_of_its_own_that_tells_nothing_of_the_name(night):
    """An id over the name would let anybody try names until the id fits."""
    other = replace(night, swept=replace(night.swept, name="somebody else"))
    assert report_id(night) != report_id(other)
    assert report_id(to_share(night)) == report_id(to_share(other))


def test_the_review_is_told_without_reader_and_day(told):
    text = summary_text(to_share(told))
    assert "Reviewed scoring (reader 1): of" in text


def test_names_of_files_come_from_the_study_or_the_digest(night):
    assert name_of(night) == "P-01_night-1"
    assert name_of(replace(night, about=())) == f"night_{night.swept.digest[:8]}"
    dated = (("person", "P-01"), ("night", "2026-03-02"), ("condition", "none"))
    assert name_of(replace(night, about=dated)) == "P-01_[date]"


def test_two_nights_of_one_name_stay_apart(night, other_night, tmp_path):
    dated = [
        replace(n, about=(("person", "P-01"), ("night", day), ("condition", "none")))
        for n, day in ((night, "2026-03-02"), (other_night, "2026-03-03"))
    ]
    files = write_files([("a", dated[0]), ("b", dated[1])], tmp_path, ExportRequest(("json",)))
    names = sorted(p.name for p in files if p.name.endswith("summary.json"))
    assert names == ["P-01_[date]-2.summary.json", "P-01_[date].summary.json"]


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("clench of 2026-03-02", "clench of [date]"),
        ("02.03.2026", "[date]"),
        ("3/2/26", "[date]"),
        ("2 March 2026", "[date]"),
        ("02-MAR-2026", "[date]"),
        ("March 2, 2026", "[date]"),
        ("20260302", "[date]"),
        ("0.125 s of 3.5 h", "0.125 s of 3.5 h"),
        ("22:30:05", "22:30:05"),
        ("12345678 samples", "12345678 samples"),
        ("night 12", "night 12"),
        ("version 1.2", "version 1.2"),
    ],
)
def test_dates_leave_a_text_and_other_numbers_stay(text, left):
    assert without_dates(text) == left


def test_every_class_of_a_night_is_walked_through():
    """A night that grows a field of a kind that the planting does not know would pass unseen."""
    kinds = {str(f.type) for f in dataclasses.fields(Night)}
    known = {
        "Swept",
        "tuple[Quality, ...]",
        "Criterion",
        "Reference | None",
        "Window",
        "Amplitude",
        "dict[str, float | None]",
        "tuple[Bursts, ...]",
        "CombinedBursts",
        "tuple[int, ...]",
        "Episodes",
        "Selection",
        "Labels",
        "dict[str, Measure]",
        "tuple[Note, ...]",
        "tuple[tuple[str, str], ...]",
        "Extremes | None",
        "str",
        "Review | None",
        "tuple[AlternativeReading, ...]",
    }
    assert kinds <= known


@pytest.mark.shows("identity-leak")
def test_texts_of_a_rule_file_of_ones_own_stay_at_home_and_its_id_is_named(night):
    rule = night.criterion.derive(level_pct_mvc=12, id="mine")
    known = rule.departures
    note = SourceNote(status="read", source=SECRET)
    rule = msgspec.structs.replace(
        rule,
        title=SECRET,
        summary=SECRET,
        parent=SECRET,
        departures=(*known, SECRET),
        sources=rule.sources | {"burst.minimum_s": note},
    )
    own = replace(night, criterion=rule, about=(("recording_ends_sha256", "0a1b"),))
    shared = to_share(own).criterion
    assert SECRET not in str(shared)
    assert shared.departures == (*known, OWN_TEXT)
    assert list(shared.values()) == list(rule.values())
    assert words_left(own) == (("rule set", "mine"),)
    assert to_share(own, Shown(names=True)).criterion == rule
    assert to_share(night).criterion == night.criterion
