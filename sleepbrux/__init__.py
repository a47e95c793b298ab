"""sleepbrux: scores overnight home recordings of the jaw muscles.

>>> import sleepbrux
>>> sleepbrux.load_criterion("phasic_tonic_10mvc").threshold.level_pct_mvc
10.0

The names below are the public library; each is imported when it is first used. What is not named here
may change without notice.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from sleepbrux.core.version import __version__ as __version__

if TYPE_CHECKING:
    from sleepbrux.analysis.comparison import CountedNight as CountedNight
    from sleepbrux.analysis.comparison import compare_nights as compare_nights
    from sleepbrux.archive.file import load_night as load_night
    from sleepbrux.archive.file import save_night as save_night
    from sleepbrux.core.errors import SleepbruxError as SleepbruxError
    from sleepbrux.criteria import Criterion as Criterion
    from sleepbrux.criteria import criterion_ids as criterion_ids
    from sleepbrux.criteria import load_criterion as load_criterion
    from sleepbrux.export.chain import chain_of as chain_of
    from sleepbrux.export.frames import frames as frames
    from sleepbrux.export.mne_annotations import mne_annotations as mne_annotations
    from sleepbrux.recording.formats.mne_formats import open_with_mne as open_with_mne
    from sleepbrux.recording.memory import from_array as from_array
    from sleepbrux.recording.model import Recording as Recording
    from sleepbrux.recording.opening import open_recording as open_recording
    from sleepbrux.reference import Reference as Reference
    from sleepbrux.reference import given as given
    from sleepbrux.report.letter import Fields as Fields
    from sleepbrux.report.letter import letter_pdf as letter_pdf
    from sleepbrux.report.letter.nights import Letter as Letter
    from sleepbrux.scoring.night import Night as Night
    from sleepbrux.scoring.night import rescore as rescore
    from sleepbrux.scoring.night import score_night as score_night
    from sleepbrux.scoring.request import Request as Request
    from sleepbrux.scoring.request import score_file as score_file
    from sleepbrux.scoring.robustness import assess_robustness as assess_robustness
    from sleepbrux.study.file import load_study as load_study

_HOMES = {
    "CountedNight": "analysis.comparison",
    "Criterion": "criteria",
    "Fields": "report.letter",
    "Letter": "report.letter.nights",
    "Night": "scoring.night",
    "Recording": "recording.model",
    "Request": "scoring.request",
    "Reference": "reference",
    "SleepbruxError": "core.errors",
    "assess_robustness": "scoring.robustness",
    "chain_of": "export.chain",
    "compare_nights": "analysis.comparison",
    "criterion_ids": "criteria",
    "frames": "export.frames",
    "from_array": "recording.memory",
    "given": "reference",
    "letter_pdf": "report.letter",
    "load_criterion": "criteria",
    "load_night": "archive.file",
    "load_study": "study.file",
    "mne_annotations": "export.mne_annotations",
    "open_recording": "recording.opening",
    "open_with_mne": "recording.formats.mne_formats",
    "rescore": "scoring.night",
    "save_night": "archive.file",
    "score_file": "scoring.request",
    "score_night": "scoring.night",
}
__all__ = ["__version__", *_HOMES]  # noqa: PLE0604


def __getattr__(name: str) -> Any:
    """Import a public name where it lives, once."""
    if name not in _HOMES:
        raise AttributeError(f"module 'sleepbrux' has no attribute {name!r}")
    value = getattr(import_module(f"sleepbrux.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Public names, for completion."""
    return sorted(__all__)
