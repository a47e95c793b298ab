"""The nights of the open study as the review serves them: each with its own recording, without a restart."""

from __future__ import annotations

import threading

from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal import journal_path
from sleepbrux.archive.nights import Due, why_not
from sleepbrux.core.errors import ArchiveError
from sleepbrux.practice.nights import NightRow
from sleepbrux.practice.state import TURN_MEANT, Practice, stamp
from sleepbrux.review.nights import Nights, Place
from sleepbrux.review.recordings import find_recording
from sleepbrux.review.session import ReviewSession
from sleepbrux.review.trace import Trace


class Reviewing:
    """Nights to review, made anew when the study or one of its archives is another."""

    def __init__(self, practice: Practice) -> None:
        self._practice = practice
        self._lock = threading.Lock()
        self._state: object = None
        self._nights = Nights([], self._opened)

    def nights(self) -> Nights:
        """The nights of the study in the order of its file."""
        practice = self._practice
        with practice.lock:
            practice.meant(TURN_MEANT.get())
            return self._of(practice)

    def _of(self, practice: Practice) -> Nights:
        study = practice.study
        rows = practice.rows(study)
        state = (practice.study_file, stamp(practice.study_file, *(row.archive for row in rows)))
        with self._lock:
            if state != self._state:
                self._nights.close()
                self._nights = Nights([_place(row) for row in rows], self._opened)
                self._state = state
            return self._nights

    def _opened(self, place: Place) -> ReviewSession:
        practice = self._practice
        study = practice.study
        entry = next(n for n in study.night if n.id == place.name)
        night = load_night(place.archive)
        if why := why_not(night, place.archive, study, entry, Due(home=practice.study_file.parent)):
            raise ArchiveError(why)
        found = find_recording(night, place.archive, practice.study_file)
        return ReviewSession(night, journal_path(place.archive), Trace(night, *(found or (None, ()))))


def _place(row: NightRow) -> Place:
    fault = "" if row.scored else f"{row.id} is not scored yet; score it first"
    return Place(row.id, row.archive, fault=fault)
