"""The nights of the open study as the review serves them: each with its own recording, without a restart."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import sys
import tempfile
import threading
import time
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal import journal_path
from sleepbrux.archive.nights import Due, why_not
from sleepbrux.core.errors import ArchiveError
from sleepbrux.practice.nights import NightRow
from sleepbrux.practice.state import TURN_MEANT, Practice, stamp
from sleepbrux.practice.trials import draw_sample
from sleepbrux.review.nights import Nights, Place
from sleepbrux.review.recordings import find_recording
from sleepbrux.review.session import ReviewSession
from sleepbrux.review.trace import Trace
from sleepbrux.scoring.night import Night

REST_S = 120.0


class Reviewing:
    """Nights to review, made anew when the study or one of its archives is another.

    Parameters
    ----------
    sampled
        Whether a sample of each is judged, without labels.
    """

    def __init__(self, practice: Practice, *, sampled: bool = False) -> None:
        self._practice, self._sampled = practice, sampled
        self._lock = threading.Lock()
        self._state: object = None
        self._asked_s = 0.0
        self._nights = Nights([], self._opened)

    def nights(self) -> Nights:
        """The nights of the study in the order of its file."""
        practice = self._practice
        with practice.lock:
            practice.meant(TURN_MEANT.get())
            self._asked_s = time.monotonic()
            return self._of(practice)

    def rest(self, after_s: float = REST_S) -> None:
        """Close the night that is open once nobody has looked at it for a while; it is opened again when asked for."""
        with self._lock:
            if self._state is None or time.monotonic() - self._asked_s < after_s:
                return
            self._nights.close()
            self._nights, self._state = Nights([], self._opened), None
        give_back()

    def _of(self, practice: Practice) -> Nights:
        study = practice.study
        rows = practice.rows(study)
        state = (practice.study_file, stamp(practice.study_file, *(row.archive for row in rows)))
        with self._lock:
            if state != self._state:
                self._nights.close()
                self._nights = Nights([_place(row) for row in rows], self._opened, most_open=1)
                self._state = state
            return self._nights

    def _opened(self, place: Place) -> ReviewSession:
        give_back()
        practice = self._practice
        study = practice.study
        entry = next(n for n in study.night if n.id == place.name)
        night = load_night(place.archive)
        if why := why_not(night, place.archive, study, entry, Due(home=practice.study_file.parent)):
            raise ArchiveError(why)
        night = on_disk(night)
        found = find_recording(night, place.archive, practice.study_file)
        trace = Trace(night, *(found or (None, ())))
        desk = ReviewSession(night, journal_path(place.archive), trace, sample=self._sampled)
        if self._sampled:
            draw_sample(desk, practice.sample_size)
        return desk


def on_disk(night: Night) -> Night:
    """The night with its longest arrays in a file that is mapped, so that what is not looked at takes no memory."""
    frames = tuple(
        replace(f, energy=_mapped(f.energy), rectified=_mapped(f.rectified), stats=_mapped(f.stats))
        for f in night.swept.frames
    )
    return replace(night, swept=replace(night.swept, frames=frames))


def _mapped(values: NDArray[Any]) -> NDArray[Any]:
    if not values.size or os.name != "posix":  # elsewhere a file that is mapped cannot be deleted
        return values
    try:
        with tempfile.TemporaryFile() as file:
            values.tofile(file)
            file.flush()
            return np.memmap(file, dtype=values.dtype, mode="r", shape=values.shape).view(np.ndarray)
    except OSError:  # no room for it: then it stays in memory
        return values


def give_back() -> None:
    """Give memory of nights that were closed back to the system, where it can be told to."""
    gc.collect()
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


def _place(row: NightRow) -> Place:
    fault = "" if row.scored else f"{row.id} is not scored yet; score it first"
    return Place(row.id, row.archive, fault=fault)
