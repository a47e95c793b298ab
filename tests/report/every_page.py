"""Every page of the program, made small and the same each time: for the tests that ask the same of all."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from sleepbrux.archive.file import save_night
from sleepbrux.reference import given
from sleepbrux.report.letter import Fields, letter_html
from sleepbrux.report.letter.nights import Letter
from sleepbrux.report.night_page import render_night
from sleepbrux.report.outputs import ARCHIVE
from sleepbrux.report.sheets import chair_sheet, patient_sheet
from sleepbrux.review.trace import Trace, check_same
from sleepbrux.scoring.night import Night, score_night
from sleepbrux.scoring.robustness import assess_robustness
from sleepbrux.study.file import load_study
from sleepbrux.synth.study import load_scenario, study_file, write_recording
from tests.analysis.comparison.test_study_comparison import COUNTS
from tests.analysis.comparison.test_study_comparison import scored as ten_minutes
from tests.cli.conftest import called as run
from tests.nights import recording_of
from tests.report.conftest import held_night
from tests.review.conftest import BURSTS, SECONDS, Served

__all__ = ["NAMES", "every_page", "held_night", "review_served", "sheets"]

NAMES = ("night", "robustness", "study", "reference", "clench", "agreement", "cohort")
"""Pages with the one style sheet of `sleepbrux.report.frame`."""


def study_folder(out: Path) -> None:
    """Archives of nine short nights with their table."""
    lines, k = ["night;condition;date"], 0
    for condition, counts in COUNTS.items():
        for count in counts:
            save_night(ten_minutes(k, count), out / f"n{k}{ARCHIVE}")
            lines.append(f"n{k};{condition};2026-03-{k + 1:02d}")
            k += 1
    (out / "nights.csv").write_text("\n".join(lines) + "\n", "utf-8")


def letter_page(night: Night) -> str:
    """A letter about four nights, of which one has a gap."""
    letters = []
    for k, condition in enumerate(("none", "splint", "none", "splint")):
        about = (("person", "P-07"), ("night", f"night-{k + 1}"), ("condition", condition))
        own = night if k == 0 else ten_minutes(k, 3 + k % 2)
        letters.append(Letter(f"night-{k + 1}", f"{k:064x}", replace(own, about=about)))
    return letter_html(letters, Fields(question="May a splint be made?", snoring="no"))


def sheets(folder: Path) -> dict[str, bytes]:
    """Chair sheet and patient sheet of the demo's study, before any recording exists."""
    (folder / "plan.toml").write_text(study_file(load_scenario()), "utf-8")
    study = load_study(folder / "plan.toml")
    return {"chair-sheet": chair_sheet(study), "patient-sheet": patient_sheet(study)}


@contextmanager
def review_served(folder: Path) -> Iterator[Served]:
    """The review page of a night of three minutes, with its recording."""
    marks = [(5.0, 0.0, "Lights off"), (175.0, 0.0, "Lights on")]
    recording = recording_of([BURSTS, BURSTS], seconds=SECONDS, marks=marks, name="night-01")
    labels = [c.label for c in recording.channels]
    night = score_night(recording, given(labels, 200.0), channels=labels)
    archive = folder / "night-01.night.h5"
    save_night(night, archive)
    served = Served.of(night, archive, Trace(night, recording, check_same(night, recording)))
    try:
        yield served
    finally:
        served.stop()


def every_page(out: Path, night: Night) -> Mapping[str, Path]:
    """Every page as a file, by name."""
    out = out / "study"  # the name stands on the page
    out.mkdir()
    study_folder(out)
    small = replace(load_scenario(), rate_hz=500)
    write_recording(small, "reference", out / "chair.edf")
    persons = ["person,condition,events,valid_hours"]
    persons += [
        f"person {p},{condition},{20 + 3 * p + k - (6 if condition == 'splint' else 0)},7"
        for p in range(6)
        for condition in ("none", "splint")
        for k in range(2)
    ]
    (out / "persons.csv").write_text("\n".join(persons) + "\n", "utf-8")
    for call in (
        ("compare", out, "--out", out),
        ("agreement", out, "criterion:lavigne1996", "--out", out),
        ("cohort", out / "persons.csv", "--out", out),
        ("reference", out / "chair.edf", "--out", out),
        ("clench", out / "chair.edf", "--out", out),
    ):
        done = run(*call)
        assert done.code == 0, (call, done.err)
    (out / "night.html").write_text(render_night(night), encoding="utf-8")
    (out / "robust.html").write_text(render_night(night, robustness=assess_robustness(night)), "utf-8")
    (out / "letter.html").write_text(letter_page(night), "utf-8")
    found = {
        "night": "night.html",
        "robustness": "robust.html",
        "study": "study.report.html",
        "reference": "chair.edf.reference.html",
        "clench": "chair.clench.html",
        "agreement": "agreement.html",
        "cohort": "cohort.report.html",
        "letter": "letter.html",
    }
    return {name: out / file for name, file in found.items()}
