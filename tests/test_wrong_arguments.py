"""Every public function, every argument: a value of no meaning is refused in one sentence that names it."""

import inspect
from pathlib import Path

import numpy as np
import pytest

import sleepbrux as sb
from sleepbrux.recording.stages import hypnogram_of
from tests.nights import LABELS, recording_of, rhythm

ROOT = Path(__file__).resolve().parents[1]
EXCERPT = ROOT / "demo_data" / "excerpt.edf"
FUNCTIONS = sorted(name for name in sb.__all__ if inspect.isfunction(getattr(sb, name)))
ARGUMENTS = [
    (name, argument.name)
    for name in FUNCTIONS
    for argument in inspect.signature(getattr(sb, name)).parameters.values()
    if argument.kind is not argument.VAR_KEYWORD
] + [("score", name) for name in sb.How.__annotations__]


class Odd:
    """A value that nothing takes."""


@pytest.fixture(scope="module")
def good():
    """Calls that work, by name of the function: what the wrong argument replaces."""
    night = sb.score(recording_of([rhythm(20, 6)] * 2, seconds=120), mvc_uv=190)
    counted = [sb.CountedNight(f"n{k}", c, 9, 7.0) for k, c in enumerate("aabb")]
    persons = [sb.PersonNight(f"P{p}", c, 9, 7.0) for p in (1, 2) for c in "ab"]
    letters = ([sb.Letter("n1", "0" * 64, night)], sb.Fields())
    return {
        "agree": (night, night),
        "assess_robustness": (night,),
        "chain_of": (night, "episode_count"),
        "compare_cohort": (persons,),
        "compare_nights": (counted,),
        "criterion_ids": (),
        "frames": (night,),
        "from_array": (np.zeros((1, 9)), 1000, ["EMG"]),
        "given": (LABELS, 190),
        "invent_night": ("night.edf",),
        "letter_html": letters,
        "letter_pdf": letters,
        "load_criterion": ("aasm",),
        "load_night": ("n.night.h5",),
        "load_study": ("study.toml",),
        "mne_annotations": (night,),
        "open_recording": (EXCERPT,),
        "open_with_mne": (EXCERPT,),
        "own_variation": (counted,),
        "plan_nights": (40, sb.Variation(35.0, "test"), 0.5),
        "read_cohort": ("cohort.csv",),
        "rescore": (night, "aasm"),
        "save_night": (night, "n.night.h5"),
        "score": (night.swept.frames[0].energy[None] * 1e3,),
        "score_many": ([EXCERPT],),
        "tidy": ([night],),
    }


def of_the_function(name, good):
    """The good call's arguments by name."""
    return dict(inspect.signature(getattr(sb, name)).bind(*good[name]).arguments)


def test_every_public_function_is_in_the_table(good):
    assert sorted(good) == FUNCTIONS


@pytest.mark.parametrize(("name", "argument"), ARGUMENTS)
def test_a_value_of_no_meaning_is_refused_by_the_arguments_name(name, argument, good):
    given = of_the_function(name, good)
    if name == "score" and argument != "recording":
        given = {"recording": EXCERPT} if argument in sb.How.__annotations__ else given
    with pytest.raises(sb.SleepbruxError) as caught:
        getattr(sb, name)(**given | {argument: Odd()})
    assert str(caught.value).startswith(f"`{argument}` is a Odd; wanted is "), str(caught.value)


@pytest.mark.parametrize(
    ("name", "argument", "value"),
    [
        ("tidy", "nights", 3),
        ("given", "labels", "EMG Masseter L"),
        ("given", "mvc_uv", "190"),
        ("given", "mvc_uv", {3: 190}),
        ("given", "amplitude", "peak"),
        ("score", "mvc_uv", True),
        ("score", "channels", [3]),
        ("score_many", "workers", 1.5),
        ("score_many", "mvc_uv", [190, 190]),
        ("from_array", "labels", [1]),
        ("open_recording", "path", None),
        ("open_recording", "unit", 3),
        ("rescore", "criterion", None),
        ("compare_nights", "nights", [1, 2]),
        ("compare_nights", "order", "drawn"),
        ("plan_nights", "ratio", "half"),
        ("agree", "level", "night"),
        ("invent_night", "amplitude_mvc", (0.1, 0.2, 0.3)),
    ],
)
def test_nor_is_one_that_nearly_fits(name, argument, value, good):
    with pytest.raises(sb.SleepbruxError, match=rf"^`{argument}` is .*; wanted is ") as caught:
        getattr(sb, name)(**of_the_function(name, good) | {argument: value})
    assert "\n" not in str(caught.value)


def test_the_shape_of_an_array_is_named_and_what_is_wanted():
    with pytest.raises(
        sb.SleepbruxError, match=r"shape \(2, 9\), where \(channels, samples\) with one row for"
    ):
        sb.from_array(np.zeros((2, 9)), 1000, ["EMG"])


# classes that a caller makes; the others are what the library gives back
HYPNOGRAM = hypnogram_of([(0, 60, "n2")], 60.0, "a table")
AASM = sb.load_criterion("aasm")
MADE = {
    "CountedNight": ("n1", "none", 9, 7.0),
    "Criterion": {name: getattr(AASM, name) for name in AASM.__struct_fields__},
    "Fields": dict.fromkeys(sb.Fields.__struct_fields__, ""),
    "Hints": (),
    "Hypnogram": (HYPNOGRAM.spans, HYPNOGRAM.scored, "a table"),
    "Letter": ("n1", "0" * 64, None),  # the night is put in by the fixture
    "Mark": (1.0, 0.0, "Lights off"),
    "Note": ("gaps", "warning", "A gap."),
    "PersonNight": ("P1", "none", 9, 7.0),
    "Planned": (),
    "Variation": (35.0, "test"),
    "Window": (((0.0, 60.0),), "stated"),
}
GIVEN_BACK = (
    "Batch", "Cohort", "Comparison", "Measure", "Night", "Plan", "Recording", "Reference", "ScoringAgreement",
)  # fmt: skip
READ = ("How",)  # typed words of `score`, which checks them
FIELDS = [(name, field) for name in MADE for field in inspect.signature(getattr(sb, name)).parameters]


def test_every_public_class_is_in_one_of_the_lists():
    errors = ("SleepbruxError", "UsageError")
    classes = [name for name in sb.__all__ if inspect.isclass(getattr(sb, name)) and name not in errors]
    assert sorted(classes) == sorted([*MADE, *GIVEN_BACK, *READ])


def made_of(name, good):
    """The fields of a value that is right."""
    given = MADE[name]
    fields = given if isinstance(given, dict) else inspect.signature(getattr(sb, name)).bind(*given).arguments
    return dict(fields) | ({"night": good["rescore"][0]} if name == "Letter" else {})


@pytest.mark.parametrize(("name", "field"), FIELDS)
def test_a_field_of_no_meaning_is_refused_by_its_name(name, field, good):
    made = getattr(sb, name)
    given = made_of(name, good)
    made(**given)
    with pytest.raises(sb.UsageError) as caught:
        made(**given | {field: Odd()})
    assert str(caught.value).startswith(f"`{field}` is a Odd; wanted is "), str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("name", "field", "value"),
    [
        ("CountedNight", "events", "9"),
        ("CountedNight", "fully_worn", 1),
        ("CountedNight", "block", 1.5),
        ("Criterion", "title", 3),
        ("Criterion", "id", "Not an Id"),
        ("Criterion", "burst", None),
        ("Criterion", "sources", {"threshold.level_pct_mvc": "read"}),
        ("Fields", "question", None),
        ("Fields", "own_words", "x" * 3000),
        ("Hints", "roles", {"EMG": "masseter left"}),
        ("Hints", "datasets", "emg"),
        ("Hypnogram", "spans", {"n2": [(0, 60)]}),
        ("Hypnogram", "notes", ["short"]),
        ("Letter", "night", "n1.night.h5"),
        ("Mark", "start_s", "22:00"),
        ("Note", "severity", "error"),
        ("Planned", "looks", 5),
        ("Window", "spans_s", (0.0, 60.0)),
    ],
)
def test_nor_is_a_field_that_nearly_fits(name, field, value, good):
    given = made_of(name, good)
    with pytest.raises(sb.UsageError, match=rf"^`{field}` is .*; wanted is "):
        getattr(sb, name)(**given | {field: value})


def test_an_earlier_name_is_refused_with_the_present_one():
    with pytest.raises(
        sb.UsageError, match=r"^`rate` is an earlier name .*from_array\(\); it is now `rate_hz`$"
    ):
        sb.from_array(np.zeros((1, 9)), rate=1000, labels=["EMG"])
