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

if TYPE_CHECKING:
    from sleepbrux.calibration import Reference as Reference
    from sleepbrux.calibration import given as given
    from sleepbrux.compare import CountedNight as CountedNight
    from sleepbrux.compare import compare_nights as compare_nights
    from sleepbrux.criteria import Criterion as Criterion
    from sleepbrux.criteria import criterion_ids as criterion_ids
    from sleepbrux.criteria import load_criterion as load_criterion
    from sleepbrux.errors import SleepbruxError as SleepbruxError
    from sleepbrux.export.chain import chain_of as chain_of
    from sleepbrux.export.frames import frames as frames
    from sleepbrux.export.mne_annotations import mne_annotations as mne_annotations
    from sleepbrux.letter import Fields as Fields
    from sleepbrux.letter import letter_pdf as letter_pdf
    from sleepbrux.letter.nights import Letter as Letter
    from sleepbrux.night import Night as Night
    from sleepbrux.night import rescore as rescore
    from sleepbrux.night import score_night as score_night
    from sleepbrux.recording.memory import from_array as from_array
    from sleepbrux.recording.mne_formats import open_with_mne as open_with_mne
    from sleepbrux.recording.model import Recording as Recording
    from sleepbrux.recording.opening import open_recording as open_recording
    from sleepbrux.robustness import assess_robustness as assess_robustness
    from sleepbrux.scoring import Request as Request
    from sleepbrux.scoring import score_file as score_file
    from sleepbrux.store import load_night as load_night
    from sleepbrux.store import save_night as save_night
    from sleepbrux.study import load_study as load_study

__version__ = "0.1.0"

_HOMES = {
    "CountedNight": "compare",
    "Criterion": "criteria",
    "Fields": "letter",
    "Letter": "letter.nights",
    "Night": "night",
    "Recording": "recording.model",
    "Request": "scoring",
    "Reference": "calibration",
    "SleepbruxError": "errors",
    "assess_robustness": "robustness",
    "chain_of": "export.chain",
    "compare_nights": "compare",
    "criterion_ids": "criteria",
    "frames": "export.frames",
    "from_array": "recording.memory",
    "given": "calibration",
    "letter_pdf": "letter",
    "load_criterion": "criteria",
    "load_night": "store",
    "load_study": "study",
    "mne_annotations": "export.mne_annotations",
    "open_recording": "recording.opening",
    "open_with_mne": "recording.mne_formats",
    "rescore": "night",
    "save_night": "store",
    "score_file": "scoring",
    "score_night": "night",
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
