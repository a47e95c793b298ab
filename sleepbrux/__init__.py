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
    from sleepbrux.analysis.agreement.agree import agree as agree
    from sleepbrux.analysis.agreement.compare import ScoringAgreement as ScoringAgreement
    from sleepbrux.analysis.cohort import Cohort as Cohort
    from sleepbrux.analysis.cohort import PersonNight as PersonNight
    from sleepbrux.analysis.cohort import compare_cohort as compare_cohort
    from sleepbrux.analysis.cohort import read_cohort as read_cohort
    from sleepbrux.analysis.comparison import CountedNight as CountedNight
    from sleepbrux.analysis.comparison import compare_nights as compare_nights
    from sleepbrux.analysis.comparison.model import Comparison as Comparison
    from sleepbrux.analysis.planning import Plan as Plan
    from sleepbrux.analysis.planning import Planned as Planned
    from sleepbrux.analysis.planning import Variation as Variation
    from sleepbrux.analysis.planning import own_variation as own_variation
    from sleepbrux.analysis.planning import plan_nights as plan_nights
    from sleepbrux.archive.file import load_night as load_night
    from sleepbrux.archive.file import save_night as save_night
    from sleepbrux.batch.run import Batch as Batch
    from sleepbrux.batch.run import score_many as score_many
    from sleepbrux.core.errors import Note as Note
    from sleepbrux.core.errors import SleepbruxError as SleepbruxError
    from sleepbrux.core.errors import UsageError as UsageError
    from sleepbrux.criteria import Criterion as Criterion
    from sleepbrux.criteria import criterion_ids as criterion_ids
    from sleepbrux.criteria import load_criterion as load_criterion
    from sleepbrux.export.chain import chain_of as chain_of
    from sleepbrux.export.frames import frames as frames
    from sleepbrux.export.frames import tidy as tidy
    from sleepbrux.export.mne_annotations import mne_annotations as mne_annotations
    from sleepbrux.recording.formats.mne_formats import open_with_mne as open_with_mne
    from sleepbrux.recording.memory import from_array as from_array
    from sleepbrux.recording.model import Mark as Mark
    from sleepbrux.recording.model import Recording as Recording
    from sleepbrux.recording.opening import Hints as Hints
    from sleepbrux.recording.opening import open_recording as open_recording
    from sleepbrux.recording.stages import Hypnogram as Hypnogram
    from sleepbrux.recording.window import Window as Window
    from sleepbrux.reference import Reference as Reference
    from sleepbrux.reference import given as given
    from sleepbrux.report.letter import Fields as Fields
    from sleepbrux.report.letter import letter_html as letter_html
    from sleepbrux.report.letter import letter_pdf as letter_pdf
    from sleepbrux.report.letter.nights import Letter as Letter
    from sleepbrux.scoring.measures import Measure as Measure
    from sleepbrux.scoring.night import Night as Night
    from sleepbrux.scoring.night import rescore as rescore
    from sleepbrux.scoring.robustness import assess_robustness as assess_robustness
    from sleepbrux.scoring.score import How as How
    from sleepbrux.scoring.score import score as score
    from sleepbrux.study.file import load_study as load_study
    from sleepbrux.synth.invented import invent_night as invent_night

_HOMES = {
    "Batch": "batch.run",
    "Cohort": "analysis.cohort",
    "Comparison": "analysis.comparison.model",
    "CountedNight": "analysis.comparison",
    "Criterion": "criteria",
    "Fields": "report.letter",
    "Hints": "recording.opening",
    "How": "scoring.score",
    "Hypnogram": "recording.stages",
    "Letter": "report.letter.nights",
    "Mark": "recording.model",
    "Measure": "scoring.measures",
    "Night": "scoring.night",
    "Note": "core.errors",
    "PersonNight": "analysis.cohort",
    "Plan": "analysis.planning",
    "Planned": "analysis.planning",
    "Recording": "recording.model",
    "Reference": "reference",
    "ScoringAgreement": "analysis.agreement.compare",
    "SleepbruxError": "core.errors",
    "UsageError": "core.errors",
    "Variation": "analysis.planning",
    "Window": "recording.window",
    "agree": "analysis.agreement.agree",
    "assess_robustness": "scoring.robustness",
    "chain_of": "export.chain",
    "compare_cohort": "analysis.cohort",
    "compare_nights": "analysis.comparison",
    "criterion_ids": "criteria",
    "frames": "export.frames",
    "from_array": "recording.memory",
    "given": "reference",
    "invent_night": "synth.invented",
    "letter_html": "report.letter",
    "letter_pdf": "report.letter",
    "load_criterion": "criteria",
    "load_night": "archive.file",
    "load_study": "study.file",
    "mne_annotations": "export.mne_annotations",
    "open_recording": "recording.opening",
    "open_with_mne": "recording.formats.mne_formats",
    "own_variation": "analysis.planning",
    "plan_nights": "analysis.planning",
    "read_cohort": "analysis.cohort",
    "rescore": "scoring.night",
    "save_night": "archive.file",
    "score": "scoring.score",
    "score_many": "batch.run",
    "tidy": "export.frames",
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
