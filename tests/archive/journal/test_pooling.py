"""Reviewed nights are pooled with their like only."""

from dataclasses import replace

import pytest

from sleepbrux.archive.file import save_night
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.file import (
    DecisionDraft,
    append,
    header_of,
    journal_path,
    load_journal,
)
from sleepbrux.archive.journal.reviewed_night import review_of
from sleepbrux.archive.nights import read_nights
from sleepbrux.study.file import Study, StudyNight


@pytest.fixture
def study(night, tmp_path):
    for name in ("n1", "n2"):
        save_night(replace(night, about=(("night", name),)), tmp_path / f"{name}.night.h5")
    nights = tuple(StudyNight(id=n, recording=f"{n}.edf", condition="none") for n in ("n1", "n2"))
    return Study(pseudonym="P1", night=nights)


def reject_one(night, archive):
    path = journal_path(archive)
    journal = load_journal(path)
    draft = DecisionDraft(action="reject", target="e0", reason="swallow")
    entry, _ = decided(review_of(night, journal), journal, draft, "AB")
    append(path, header_of(night), entry)


def counts(study, folder):
    nights, missing = read_nights(study, folder, suffix=".night.h5")
    assert missing == []
    return [n.measures["episode_count"].value for n in nights], [n.scoring for n in nights]


def test_a_review_counts_once_every_night_has_one(study, night, tmp_path):
    assert counts(study, tmp_path) == ([3, 3], ["", ""])
    reject_one(night, tmp_path / "n1.night.h5")
    numbers, said = counts(study, tmp_path)
    assert numbers == [3, 3]
    assert "its review is not used" in said[0]
    assert said[1] == ""
    reject_one(night, tmp_path / "n2.night.h5")
    numbers, said = counts(study, tmp_path)
    assert numbers == [2, 2]
    assert all("1 rejected" in text for text in said)
