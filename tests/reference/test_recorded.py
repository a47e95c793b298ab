"""Reference clenches: found where nobody marked them, measured as defined, refused where they mislead."""

import json
import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy import signal

from sleepbrux import reference as calibration
from sleepbrux.core.errors import ReferenceLevelError, UsageError
from sleepbrux.export.summary import summary_text
from sleepbrux.recording.clenches import (
    Proposal,
    accept,
    load_proposal,
    sidecar,
    write_proposal,
)
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark
from sleepbrux.recording.opening import open_recording
from sleepbrux.reference import STATISTICS, measure, refusals
from sleepbrux.reference.detector import find_clenches
from sleepbrux.reference.recorded import look
from sleepbrux.report.wording import reading
from sleepbrux.scoring.request import Request, score_file, study_request
from sleepbrux.signal.sweep import sweep
from sleepbrux.study.file import load_study
from sleepbrux.synth.layout import NATURAL, Recipe, clench_test, plan_night, plan_reference
from sleepbrux.synth.night import NightPlan
from sleepbrux.synth.render import STEP_UV, tiles, write_night
from sleepbrux.synth.signal import BAND_HZ, LOG_SPREAD, MEDIAN_HZ
from tests.nights import LABELS, recording_of, signal_of

MVC_UV = (215.0, 190.0)
TRIAL_SHARES = (0.94, 1.0, 0.96)
CLENCHES = [(30.0, 33.0), (43.0, 46.0), (56.0, 59.0)]
REST = [(2.0, 22.0)]


def rendered(plan, rate=1000):
    parts = list(tiles(plan, rate))
    data = np.stack([np.concatenate(side) for side in zip(*parts, strict=True)])
    marks = [Mark(c.start_s, c.duration_s, c.text) for c in plan.cues]
    return from_array(data * STEP_UV, rate, LABELS, marks=marks)


def chair(seed, **options):
    return plan_reference([(NATURAL, 1.0)], seed=seed, mvc_uv=MVC_UV, **options)


def one_tile(seed):
    """Three clenches within the first minute, so that 200 of them are quickly drawn."""
    cues, clenches = clench_test(0.0, NATURAL, rest_s=5.0)
    return NightPlan(seed=seed, duration_s=50, mvc_uv=MVC_UV, clenches=clenches, cues=cues)


def swept(recording):
    return sweep(recording, recording.channels)


def spectrum(rate=1000):
    """Power of the generator's EMG after a 20-450 Hz band-pass, from scipy's own design."""
    hz = np.linspace(BAND_HZ[0], rate / 2, 20001)[1:-1]
    power = np.exp(-0.5 * (np.log(hz / MEDIAN_HZ) / LOG_SPREAD) ** 2) / hz
    kept = power.copy()
    for order, corner, kind in ((4, 20, "highpass"), (2, 450, "lowpass")):
        sos = signal.butter(order, corner, kind, fs=rate, output="sos")
        kept *= np.abs(signal.sosfreqz(sos, hz, fs=rate)[1]) ** 2
    return power, kept


# ---------------------------------------------------------------- how a level is made


def test_a_level_is_that_of_a_plain_twin_within_a_thousandth():
    plan = chair(3)
    recording = rendered(plan)
    frames = swept(recording)
    raw = np.concatenate([t[0] for t in tiles(plan, 1000)]).astype(float) * STEP_UV
    for order, corner, kind in ((4, 20, "highpass"), (2, 450, "lowpass")):
        raw = signal.sosfilt(signal.butter(order, corner, kind, fs=1000, output="sos"), raw)
    for name, seconds in (("mean_best_1s", 1.0), ("mean_best_half_s", 0.5), ("mean_peak", 0.125)):
        best = []
        for cue in [c for c in plan.cues if c.text == NATURAL]:
            first, n = round(cue.start_s * 1000), math.floor(seconds * 100 + 0.5) * 10
            starts = range(first, first + 3000 - n + 1, 10)
            best.append(max(math.sqrt(np.mean(raw[k : k + n] ** 2)) for k in starts))
        stretches = [(c.start_s, c.start_s + 3) for c in plan.cues if c.text == NATURAL]
        measured = measure(frames[0], stretches, settings=calibration.ClenchSettings(statistic=name))
        assert measured.level_uv() == pytest.approx(np.mean(best), rel=1e-3)


def test_over_200_seeds_each_statistic_is_within_a_hundredth_of_its_own_expectation():
    power, kept = spectrum()
    freedom = 2 * kept.sum() ** 2 / (kept**2).sum() * (500 - BAND_HZ[0]) / len(kept)
    share = math.sqrt(kept.sum() / power.sum())
    held_s = 2.6 - 0.2  # half-way up to half-way down, less the ramps
    levels = {name: [] for name in STATISTICS}
    freedoms, plateaus = [], []
    for seed in range(200):
        plan = one_tile(1000 + seed)
        recording = rendered(plan)
        (frame,) = sweep(recording, [recording.channels[seed % 2]])
        stretches = [(c.start_s, c.start_s + 3) for c in plan.cues if c.text == NATURAL]
        measured = measure(frame, stretches)
        for name, statistic in STATISTICS.items():
            levels[name].append(measured.level_uv(statistic) / (MVC_UV[seed % 2] * share))
        freedoms.append(measured.freedom_per_s)
        plateaus.append(measured.plateau_s)
    assert np.median(freedoms) == pytest.approx(freedom, rel=0.1)
    assert np.mean(plateaus) == pytest.approx(held_s, abs=0.2)
    for name, statistic in STATISTICS.items():
        if statistic.over == "highest":
            continue  # its trials are not alike: see the next test
        gain = calibration.inflation_pct(statistic, trial_s=held_s, freedom_per_s=freedom)
        expected = np.mean(TRIAL_SHARES) * (1 + gain / 100)
        assert np.mean(levels[name]) == pytest.approx(expected, rel=0.01), name


def test_the_best_window_is_dearer_the_shorter_it_is_and_the_plateau_costs_nothing():
    gains = [
        calibration.inflation_pct(STATISTICS[name], trial_s=2.4, freedom_per_s=300)
        for name in (
            "mean_plateau",
            "mean_best_1s",
            "highest_best_1s",
            "mean_best_half_s",
            "mean_peak",
        )
    ]
    assert gains == sorted(gains)
    assert abs(gains[0]) < 0.5
    assert 2 < gains[1] < 8


def test_inflation_follows_the_spectrum_also_for_another_noise():
    # white noise through the band-pass at 1000 Hz, by brute force, with a true level of 100 µV
    rng = np.random.default_rng(8)
    sos = np.vstack(
        [
            signal.butter(4, 20, "highpass", fs=1000, output="sos"),
            signal.butter(2, 450, "lowpass", fs=1000, output="sos"),
        ]
    )
    hz = np.linspace(0.5, 499.5, 1000)
    kept = np.abs(signal.sosfreqz(sos, hz, fs=1000)[1]) ** 2
    freedom = 2 * kept.sum() ** 2 / (kept**2).sum() * (hz[1] - hz[0])
    noise = signal.sosfilt(sos, rng.standard_normal((1500, 3400)), axis=1)[:, 1000:]
    squares = (noise**2).reshape(1500, 240, 10).mean(axis=2)
    windows = np.lib.stride_tricks.sliding_window_view(squares, 100, axis=1).mean(axis=2)
    seen = np.sqrt(windows.max(axis=1)).mean() / math.sqrt(kept.mean())
    said = calibration.inflation_pct(STATISTICS["mean_best_1s"], trial_s=2.4, freedom_per_s=freedom)
    assert 100 * (seen - 1) == pytest.approx(said, abs=0.5)


def test_rest_is_told_as_rms_and_as_mean_rectified_by_the_root_of_half_pi():
    measured = measure(swept(rendered(chair(5)))[0], CLENCHES, [(10.0, 30.0)])
    ratio = measured.rest_rms_uv / measured.rest_rectified_uv
    assert ratio == pytest.approx(math.sqrt(math.pi / 2), rel=0.02)


def test_the_change_from_trial_to_trial_is_a_straight_line():
    bursts = [(a, b, uv) for (a, b), uv in zip(CLENCHES, (200.0, 180.0, 160.0), strict=True)]
    measured = measure(swept(recording_of([bursts], seconds=70))[0], CLENCHES)
    assert measured.change_pct_per_trial == pytest.approx(-100 * 20 / 180, abs=4)


def test_generated_levels_lie_within_the_published_spread():
    # Ferrario 1993 (criteria, 4b; read in the abstract): mean MVC 156.8-216.2 µV masseter, rest 1.4 µV;
    # bounds are half and twice the means: order of magnitude only, other instruments
    for frames in swept(rendered(chair(6))):
        stretches = [(40.0, 43.0), (53.0, 56.0), (66.0, 69.0)]
        measured = measure(frames, stretches, [(10.0, 30.0)])
        assert 156.8 / 2 < measured.level_uv() < 216.2 * 2
        assert 1.4 / 2 < measured.rest_rms_uv < 1.4 * 3
        assert not refusals(measured, threshold_pct_mvc=10)


# ---------------------------------------------------------------- finding them


@pytest.mark.parametrize("seed", range(8))
def test_unmarked_clenches_are_found_within_50_ms(seed):
    night = seed % 2 == 0
    plan = plan_night(Recipe(hours=0.2, awake_s=60, settle_s=60), seed=seed) if night else chair(seed)
    found = find_clenches(swept(rendered(plan)))
    truth = [burst for _, burst in plan.clenches][:3]
    assert len(found.clenches_s) == 3
    for (start, stop), burst in zip(found.clenches_s, truth, strict=True):
        assert abs(start - burst.start_s) <= 0.05
        assert abs(stop - burst.stop_s) <= 0.05
    rest = found.rest_s
    assert 5 <= rest[1] - rest[0] <= 20
    assert rest[1] <= truth[0].start_s


@pytest.mark.parametrize("seed", range(3))
def test_a_night_without_the_script_proposes_nothing(seed):
    plan = plan_night(Recipe(hours=0.5, awake_s=200, settle_s=60, episodes_per_hour=20), seed=seed)
    assert find_clenches(swept(rendered(replace(plan, clenches=())))) is None


def test_episodes_of_like_shape_that_come_unevenly_are_not_the_script():
    bursts = [(40.0, 43.0, 200.0), (50.0, 53.0, 200.0), (70.0, 73.0, 200.0)]
    assert find_clenches(swept(recording_of([bursts, bursts], seconds=100))) is None


def nine_clenches(folder, *, starts=(30, 43, 56, 140, 153, 166, 250, 263, 276), lengths=(3.0,) * 9):
    """A chair recording without marks: clenches of 200 µV, here in three groups of three."""
    bursts = [(a, a + n, 200.0) for a, n in zip(starts, lengths, strict=True)]
    path = folder / "chair.edf"
    data = np.stack([signal_of(bursts, seconds=310, seed=k) for k in range(2)])
    write_edf(path, data)
    return path


def write_edf(path, data):
    from edfio import Edf, EdfSignal

    Edf(
        [
            EdfSignal(
                np.clip(row, -3000, 3000),
                1000,
                label=name[:16],
                physical_dimension="uV",
                physical_range=(-3000, 3000),
            )
            for row, name in zip(data, LABELS, strict=True)
        ]
    ).write(path)


def test_every_stretch_like_a_clench_is_numbered_with_the_reason_why_it_was_not_taken(tmp_path):
    looked = look(nine_clenches(tmp_path))
    assert [c.number for c in looked.clenches] == list(range(1, 10))
    assert [c.taken for c in looked.clenches] == [True] * 3 + [False] * 6
    assert [round(c.start_s) for c in looked.clenches] == [30, 43, 56, 140, 153, 166, 250, 263, 276]
    assert all("another run of 3" in c.reason for c in looked.clenches if not c.taken)


@pytest.mark.parametrize(
    ("starts", "lengths", "which", "words"),
    [
        ((30, 43, 56, 150), (3, 3, 3, 3), 4, "alone: a pause of 91 s from the one before"),
        ((30, 43, 56, 100), (3, 3, 3, 8), 4, "lasts 8.0 s; 1.5 to 6 s are looked for"),
        (
            (30, 40, 60, 70),
            (3, 3, 3, 3),
            1,
            "unevenly spaced in its run (onsets 10, 20, 10 s apart)",
        ),
        ((30, 43), (3, 3), 2, "only two in a row"),
    ],
)
def test_the_reason_is_that_which_failed(tmp_path, starts, lengths, which, words):
    looked = look(nine_clenches(tmp_path, starts=starts, lengths=lengths))
    row = looked.clenches[which - 1]
    assert not row.taken
    assert words in row.reason


def test_clenches_that_make_no_run_are_taken_one_by_one_by_a_person_and_by_nobody_else(tmp_path):
    path = nine_clenches(tmp_path, starts=(30, 40, 60, 70), lengths=(3.0, 4.0, 3.0, 3.0))
    looked = look(path)
    assert looked.proposal is None
    assert not looked.usable
    assert not any(c.taken for c in looked.clenches)
    selection = look(path, choose=(1, 3))
    assert selection.usable
    assert [c.number for c in selection.clenches if c.taken] == [1, 3]
    assert [round(a) for a, _ in selection.proposal.clenches_s] == [30, 60]
    assert selection.proposal.rests_s[0][1] <= 30
    with pytest.raises(UsageError, match="there is no clench 5; there are 1 to 4"):
        look(path, choose=(5,))


def test_numbers_stay_when_others_are_chosen_and_written_down(tmp_path):
    path = nine_clenches(tmp_path)
    selection = look(path, choose=(4, 5, 6))
    assert [c.number for c in selection.clenches if c.taken] == [4, 5, 6]
    assert selection.proposal.rests_s[0][1] <= 140
    write_proposal(path, selection.proposal)
    again = look(path)
    assert [(c.number, c.taken) for c in again.clenches] == [(c.number, c.taken) for c in selection.clenches]
    assert "not among the clenches in the file" in again.clenches[0].reason


def test_beside_marks_a_stretch_without_a_mark_is_named(tmp_path):
    path = tmp_path / "chair.edf"
    plan = plan_reference([(NATURAL, 1.0), ("Clench with splint", 0.9)], seed=4, mvc_uv=MVC_UV)
    first = next(c for c in plan.cues if c.text == NATURAL)
    write_night(replace(plan, cues=tuple(c for c in plan.cues if c is not first)), path)
    looked = look(path)
    assert looked.clenches[0].reason == "no mark names it as a clench"
    assert looked.clenches[-1].reason == "marked as a clench with splint"
    assert [c.taken for c in looked.clenches] == [False, True, True, False, False, False]


def test_an_unmarked_recording_is_written_as_a_proposal_and_counts_as_unconfirmed(tmp_path):
    path = unmarked_night(tmp_path)
    looked = look(path)
    assert not looked.cues.confirmed
    assert looked.usable
    assert score_file(path, Request()).reference is None  # nothing is used before it is written down
    write_proposal(path, looked.proposal)
    night = score_file(path, Request())
    assert night.criterion.id == "phasic_tonic_10mvc"
    assert not night.reference.confirmed
    assert "unconfirmed" in night.reference.kind
    assert "the reference clenches are not confirmed" in " ".join(reading(night))
    assert json.loads(summary_text(night))["reference"]["confirmed"] is False
    assert "reference-unconfirmed" in {n.code for n in night.notes}


@pytest.mark.shows("wrong-reference")
def test_accepted_clenches_are_confirmed_until_somebody_changes_their_times(tmp_path):
    path = unmarked_night(tmp_path)
    proposal = look(path).proposal
    with pytest.raises(ReferenceLevelError, match="between the teeth"):
        accept(proposal, by="AB", on=date(2026, 3, 1))
    with pytest.raises(ReferenceLevelError, match="`accepted_by`"):
        accept(proposal, by=" ", on=date(2026, 3, 1), teeth="natural")
    write_proposal(path, accept(proposal, by="AB", on=date(2026, 3, 1), teeth="natural"))
    night = score_file(path, Request())
    assert night.reference.confirmed
    assert night.reference.teeth == "natural teeth"
    assert "accepted by AB" in night.reference.origin
    text = sidecar(path).read_text()
    first = f"{proposal.clenches_s[0][0]:.3f}"
    sidecar(path).write_text(text.replace(first, f"{proposal.clenches_s[0][0] - 0.1:.3f}"))
    assert not score_file(path, Request()).reference.confirmed


@pytest.mark.shows("wrong-reference")
def test_a_proposal_of_another_recording_is_not_used(tmp_path):
    path = unmarked_night(tmp_path)
    other = Proposal(recording_sha256="0" * 64, clenches_s=((1.0, 4.0), (14.0, 17.0)))
    write_proposal(path, other)
    with pytest.raises(ReferenceLevelError, match="belong to another one"):
        load_proposal(path, open_recording(path).source.digest())
    night = score_file(path, Request())
    assert night.reference is None
    assert "clench-file-unusable" in {n.code for n in night.notes}


def test_clenches_marked_as_natural_are_never_proposed_as_those_of_an_appliance(tmp_path):
    path = tmp_path / "night.edf"
    write_night(plan_night(Recipe(hours=0.2, awake_s=60, settle_s=30), seed=4), path)
    with pytest.raises(ReferenceLevelError, match="name clenches with natural teeth and none with splint"):
        look(path, teeth="splint")
    assert look(path).cues.teeth == "natural teeth"


def unmarked_night(folder):
    plan = plan_night(Recipe(hours=0.2, awake_s=60, settle_s=30), seed=4)
    cues = tuple(c for c in plan.cues if c.text.startswith("Lights"))
    path = folder / "night.edf"
    write_night(replace(plan, cues=cues), path)
    return path


# ---------------------------------------------------------------- what is refused, what is warned of


def clenches(levels_uv, *, gain=1.0, rest=True):
    bursts = [(a, b, uv) for (a, b), uv in zip(CLENCHES, levels_uv, strict=True)]
    recording = from_array(gain * signal_of(bursts, seconds=70)[None], 1000, LABELS[:1])
    return measure(swept(recording)[0], CLENCHES, REST if rest else [])


@pytest.mark.parametrize(
    ("levels_uv", "gain", "threshold", "words"),
    [
        ((200.0, 80.0, 210.0), 1, None, "spread by"),
        ((6.0, 6.0, 6.0), 4, None, "times rest"),
        ((60.0, 60.0, 60.0), 1, 10.0, "under 3 times its resting level"),
        ((200.0, 200.0, 200.0), 1000, None, "factor of 1000"),
        ((200.0, 200.0, 200.0), 1e-3, None, "factor of 1000"),
    ],
)
@pytest.mark.shows("wrong-reference")
def test_what_would_mislead_is_refused(levels_uv, gain, threshold, words):
    (why, *_) = refusals(clenches(levels_uv, gain=gain), threshold_pct_mvc=threshold)
    assert words in why


def test_a_threshold_at_three_times_rest_is_not_refused():
    assert not refusals(clenches((90.0, 90.0, 90.0)), threshold_pct_mvc=10.0)
    assert not refusals(clenches((60.0, 60.0, 60.0), rest=False), threshold_pct_mvc=10.0)


def test_one_clench_far_above_the_second_is_warned_of():
    # CV of (200, 125, 125) is 29 %: warned of twice, not refused
    measured = clenches((215.0, 130.0, 130.0))
    assert {n.code for n in calibration.warnings(measured)} == {"mvc-spread", "mvc-one-high"}
    assert not calibration.warnings(clenches((200.0, 190.0, 195.0)))


def test_a_submaximal_clench_is_scaled_and_says_so():
    bursts = [(a, b, 120.0) for a, b in CLENCHES]
    frames = swept(recording_of([bursts], seconds=70))
    plain, scaled = (
        calibration.from_clenches(
            frames,
            CLENCHES,
            REST,
            calibration.ClenchSettings(effort_pct=e),
            origin=calibration.ReferenceOrigin("t", "same electrodes"),
        )
        for e in (100.0, 60.0)
    )
    assert scaled.levels[0].mvc_uv == pytest.approx(plain.levels[0].mvc_uv / 0.6)
    assert "scaled from 60 % effort" in scaled.statistic
    assert "submaximal" in {n.code for n in scaled.notes}


def test_kinds_of_microvolt_are_converted_only_when_asked_and_said():
    reference = calibration.given(LABELS[:1], 172.0)
    other = calibration.converted(reference, "rectified")
    assert other.levels[0].mvc_uv == pytest.approx(172.0 / math.sqrt(math.pi / 2))
    assert "amplitude-converted" in {n.code for n in other.notes}
    assert calibration.converted(reference, "rms") == reference


# ---------------------------------------------------------------- the trap: an appliance in the mouth


TRAP = """
pseudonym = "T"
{ask}
[[reference]]
id = "chair"
recording = "chair.edf"
teeth = "natural"
placement = "other placement"
[[reference]]
id = "splint-clench"
recording = "chair.edf"
teeth = "front splint"
placement = "other placement"
[[night]]
id = "n1"
recording = "night.edf"
condition = "front splint"
reference = "{reference}"
"""


@pytest.fixture(scope="module")
def trap(tmp_path_factory):
    folder = tmp_path_factory.mktemp("trap")
    write_night(
        plan_reference([(NATURAL, 1.0), ("Clench with front splint", 0.5)], seed=2, mvc_uv=MVC_UV),
        folder / "chair.edf",
    )
    recipe = Recipe(hours=0.3, awake_s=60, settle_s=30, episodes_per_hour=60, amplitude_mvc=(0.06, 0.3))
    write_night(plan_night(recipe, seed=9), folder / "night.edf")

    def study(reference, ask=""):
        (folder / "study.toml").write_text(TRAP.format(reference=reference, ask=ask))
        loaded = load_study(folder / "study.toml")
        return score_file(folder / "night.edf", study_request(loaded, loaded.night[0], folder))

    return study


def test_a_night_is_scored_against_natural_teeth_and_says_where_they_clenched(trap):
    night = trap("chair")
    assert night.reference.teeth == "natural teeth"
    assert night.reference.source == "other recording"
    assert night.reference.levels[0].mvc_uv == pytest.approx(215, rel=0.12)
    assert night.reference.levels[0].muscle == "masseter"
    assert night.reference.levels[0].side == "left"
    assert not night.alternative_readings


@pytest.mark.shows("wrong-reference")
def test_an_appliance_in_reference_must_be_asked_for(trap):
    from sleepbrux.core.errors import StudyError

    with pytest.raises(StudyError, match="score_against_appliance_clench"):
        trap("splint-clench")


def test_asked_for_it_shows_both_readings(trap):
    night = trap("splint-clench", "score_against_appliance_clench = true")
    assert night.reference.teeth == "front splint"
    assert night.reference.levels[0].mvc_uv == pytest.approx(215 / 2, rel=0.12)
    (other,) = night.alternative_readings
    assert other.reference.teeth == "natural teeth"
    assert other.reference.source == "own clench"  # the night has clenches of its own
    # half the clench is half the threshold: the trap
    assert night.measures["bursts_per_hour"].value > other.measures["bursts_per_hour"].value
    (note,) = (n.text for n in night.notes if n.code == "both-readings")
    assert "natural teeth" in note
    assert "front splint" in note


def test_both_readings_outlive_the_archive_and_other_rules(trap, tmp_path):
    from sleepbrux.archive.file import load_night, save_night
    from sleepbrux.report.night_page import render_night
    from sleepbrux.scoring.night import rescore

    night = trap("splint-clench", "score_against_appliance_clench = true")
    save_night(night, tmp_path / "n.h5")
    again = load_night(tmp_path / "n.h5")
    assert again.alternative_readings == night.alternative_readings
    assert again.reference == night.reference
    other = rescore(again, "lavigne1996")
    assert (
        other.alternative_readings[0].measures["bursts_per_hour"]
        != night.alternative_readings[0].measures["bursts_per_hour"]
    )
    assert "natural teeth (threshold" in render_night(again)
