"""No field of any file steers a terminal: all text passes one place that writes out what cannot be seen."""

import contextlib
import io
import json
import re
import sys
from dataclasses import replace

import pytest

from sleepbrux.archive import file as store
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.file import DecisionDraft, append, header_of, load_journal
from sleepbrux.archive.journal.reviewed_night import review_of
from sleepbrux.cli import main, terminal
from sleepbrux.cli.terminal import Shown, all_shown, beneath
from sleepbrux.core.errors import Note
from sleepbrux.criteria.loading import _folder
from tests.cli.conftest import Done, write_edf
from tests.cli.test_summary import scored
from tests.words import too_long

STEERING = "\x1b[2J\x1b]0;t\x07\x9b31m\x7f"
BIDI = "\u202e\u2066\u200f\u200b"
HOSTILE = f"A{STEERING}{BIDI}Z"


class Terminal(io.StringIO):
    """A stream that a person reads: click keeps codes of colours there, bars of progress are drawn."""

    def isatty(self):
        return True


def called(*arguments):
    """Run the command on a terminal."""
    out, err = Terminal(), Terminal()
    code = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main([str(a) for a in arguments])
        except SystemExit as stop:
            code = stop.code or 0
    return Done(code, out.getvalue(), err.getvalue().replace("\r", "\n"))  # a bar begins its line anew


def checked(done, *, codes=(0, 1, 2)):
    """What a run printed, after a look at every character of it."""
    text = done.out + done.err
    for style in (terminal.BOLD, terminal.FAINT, terminal.PLAIN):  # our own, around what was made visible
        text = text.replace(style, "")
    assert "Traceback" not in text, text
    assert not [c for c in text if not (c.isprintable() or c == "\n")], ascii(text)
    assert done.code in codes, text
    return text


def test_what_cannot_be_seen_is_written_out_and_lines_stay_lines():
    below = io.StringIO()
    stream = Shown(below)
    assert stream.write("a\x1b[2Jb\u202e\tc\r\n") == 11
    assert below.getvalue() == "a\\u001b[2Jb\\u202e\tc\\u000d\n"
    assert not hasattr(stream, "buffer")


def test_both_streams_pass_it_while_a_command_runs_and_no_longer():
    before = sys.stdout, sys.stderr
    with all_shown():
        assert isinstance(sys.stdout, Shown)
        assert isinstance(sys.stderr, Shown)
        assert beneath(sys.stderr) is before[1]
        with all_shown():
            assert beneath(sys.stderr) is before[1]
    assert (sys.stdout, sys.stderr) == before


def test_wrong_arguments_are_shown_as_they_are_written():
    shown = checked(called("score", "x.edf", "--out", "o", f"--{HOSTILE}"), codes=(2,))
    assert re.search(r"\\x1b|\\u001b", shown)  # click writes it out itself from some release on
    checked(called(HOSTILE), codes=(2,))
    checked(called("inspect", f"in/{HOSTILE}\n.edf"), codes=(1, 2))


@pytest.mark.parametrize(
    "arguments",
    [
        ["review", "n.night.h5", "--reader", HOSTILE],
        ["reference", "n.edf", "--accept-by", HOSTILE],
        ["reference", "n.edf", "--teeth", HOSTILE],
        ["cohort", "c.csv", "--baseline", HOSTILE],
        ["deidentify", "n.edf", "--out", "o", "--key-file", "k", "--pseudonym", HOSTILE],
        ["letter", "n.night.h5", "--field", f"name={HOSTILE}"],
    ],
)
def test_a_text_that_would_be_kept_is_refused_with_a_control_character_in_it(run, tmp_path, arguments):
    (tmp_path / "c.csv").write_text("")
    done = called(*(str(tmp_path / a) if a == "c.csv" else a for a in arguments))
    assert "control character \\u001b" in checked(done, codes=(2,))


def study_text(value, name=None):
    quoted, said = json.dumps(name or value), json.dumps(value)
    return (
        f"pseudonym = {quoted}\n[[reference]]\nid = {quoted}\nmvc_uv = {{ 'EMG Masseter L' = 200.0 }}\n"
        f'teeth = "natural"\n[[night]]\nid = {quoted}\nrecording = "night.edf"\ncondition = {quoted}\n'
        f"reference = {quoted}\nmedication = {said}\nnote = {said}\n"
    )


STUDY_COMMANDS = [
    ["study", "check", "STUDY"],
    ["protocol", "STUDY", "--out", "OUT"],
    ["inspect", "--after-night", "STUDY"],
    ["score", "--study", "STUDY", "--out", "OUT"],
    ["batch", "STUDY", "--out", "OUT", "--workers", "1"],
    ["summary", "STUDY", "--results", "RESULTS"],
    ["compare", "STUDY", "--results", "RESULTS", "--quick"],
    ["clench", "STUDY"],
    ["letter", "--study", "STUDY", "--results", "RESULTS", "--out", "OUT/l.pdf"],
    ["cohort", "STUDY", "--results", "RESULTS", "--out", "OUT"],
    ["plan", "--study", "STUDY", "--results", "RESULTS", "--out", "OUT"],
]


@pytest.mark.parametrize("words", STUDY_COMMANDS, ids=[w[0] for w in STUDY_COMMANDS])
@pytest.mark.shows("steered-screen")
def test_a_study_file_steers_no_terminal(tmp_path, words):
    """Marks of direction are shown, control characters refused, whatever command reads the file."""
    write_edf(tmp_path / "night.edf")
    (tmp_path / "results").mkdir()
    places = {
        "STUDY": tmp_path / "study.toml",
        "RESULTS": tmp_path / "results",
        "OUT": tmp_path / "out",
    }

    def arguments():
        return [
            str(places[head]) + ("/" + rest if rest else "") if (head := w.partition("/")[0]) in places else w
            for w in words
            for rest in [w.partition("/")[2]]
        ]

    (tmp_path / "study.toml").write_text(study_text(HOSTILE), "utf-8")
    refused = checked(called(*arguments()), codes=(1, 2))
    assert "holds the control character \\u0007; leave it out" in refused or "\\u001b" in refused
    (tmp_path / "study.toml").write_text(study_text(f"A{BIDI}Z"), "utf-8")
    assert "holds the control character \\u202e" in checked(called(*arguments()), codes=(1, 2))
    (tmp_path / "study.toml").write_text(study_text(f"A{BIDI}Z", "P01"), "utf-8")
    checked(called(*arguments()))


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """An archive of a past that refused nothing: hostile in every text."""
    folder = tmp_path_factory.mktemp("hostile")
    night = scored(2, seed=1)
    swept = night.swept
    channels = tuple(
        replace(f, channel=replace(f.channel, label=HOSTILE + str(k), prefilter=HOSTILE))
        for k, f in enumerate(swept.frames)
    )
    swept = replace(
        swept,
        name=HOSTILE,
        format=HOSTILE,
        frames=channels,
        marks=tuple(replace(m, text=HOSTILE) for m in swept.marks),
    )
    labels = tuple(f.channel.label for f in channels)
    bursts = tuple(replace(b, label=label) for b, label in zip(night.bursts, labels, strict=True))
    renamed = dict(zip((f.channel.label for f in night.swept.frames), labels, strict=True))
    night = replace(
        night,
        bursts=bursts,
        merged=replace(night.merged, labels=labels),
        background_uv={renamed[k]: v for k, v in night.background_uv.items()},
        threshold_uv={renamed[k]: v for k, v in night.threshold_uv.items()},
    )
    notes = (*night.notes, Note("odd", "warning", HOSTILE))
    about = (("person", HOSTILE), ("night", HOSTILE), ("condition", HOSTILE))
    path = folder / "n.night.h5"
    store.save_night(replace(night, swept=swept, notes=notes, about=about), path)
    loaded = store.load_night(path)
    journal = folder / "n.review.jsonl"
    entry, _ = decided(
        review_of(loaded, load_journal(journal)),
        load_journal(journal),
        DecisionDraft(action="reject", target="e0", reason="swallow"),
        "AB",
    )
    append(journal, header_of(loaded), entry)
    return path


@pytest.mark.parametrize(
    "words",
    [
        ["report"],
        ["robustness"],
        ["letter", "--out", "OUT.pdf"],
        ["trace"],
        ["trace", "episodes_per_hour"],
        ["trace", "--json"],
        ["export", "--out", "OUT"],
        ["review", "--result"],
    ],
    ids=" ".join,
)
@pytest.mark.shows("steered-screen")
def test_an_archive_steers_no_terminal(tmp_path, archive, words):
    out = str(tmp_path / "out")
    checked(called(words[0], archive, *(w.replace("OUT", out) for w in words[1:])))


def test_two_scorings_steer_no_terminal(tmp_path, archive):
    table = tmp_path / "n.csv"
    table.write_text(f'onset,duration,label\n10,4,"{HOSTILE}"\n', "utf-8")
    for other in (archive, archive.with_name("n.review.jsonl"), table, "criterion:aasm"):
        checked(called("agreement", archive, other, "--scored", "0-120", "--out", tmp_path / "out"))


@pytest.mark.shows("steered-screen")
def test_the_header_marks_and_names_of_a_recording_steer_no_terminal(tmp_path):
    path = write_edf(tmp_path / "night.edf", lights=[(60.0, f"Lights {HOSTILE}"), (70.0, HOSTILE)])
    raw = bytearray(path.read_bytes())
    raw[8:168] = (STEERING.encode("latin-1") * 20)[:160]
    raw[256 : 256 + 16] = b"EMG \x1b[2J L".ljust(16)
    path.write_bytes(raw)
    for arguments in (
        ["inspect"],
        ["inspect", "--json"],
        ["inspect", "--after-night"],
        ["reference", "--out", tmp_path / "o"],
        ["clench"],
    ):
        checked(called(arguments[0], path, *arguments[1:]))
    checked(called("score", path, "--out", tmp_path / "out"))


def test_a_rule_file_steers_no_terminal(tmp_path):
    text = (_folder() / "aasm.toml").read_text("utf-8")
    for value in (HOSTILE, f"A{BIDI}Z"):
        path = tmp_path / "mine.toml"
        title = next(line for line in text.splitlines() if line.startswith("title"))
        path.write_text(text.replace(title, f"title = {json.dumps(value)}"), "utf-8")
        for words in (
            ["criteria", "check", path],
            ["criteria", "show", path],
            ["score", "none.edf", "--out", tmp_path / "o", "--criterion", path],
        ):
            checked(called(*words))


def test_tables_of_nights_persons_marks_and_stages_steer_no_terminal(tmp_path):
    night = write_edf(tmp_path / "night.edf")
    tables = {
        "nights.csv": f'night,condition\nn,"{HOSTILE}"\nm,none\n',
        "cohort.csv": "person,condition,events,valid_hours\n"
        + "".join(f'{HOSTILE}{k},"{c}",{k + 3},7\n' for k in range(4) for c in ("none", HOSTILE)),
        "marks.csv": f'onset,text\n20,"{HOSTILE}"\n',
        "stages.csv": f"onset,duration,stage\n0,30,W\n30,30,{HOSTILE}\n",
    }
    for name, text in tables.items():
        (tmp_path / name).write_text(text, "utf-8")
    checked(called("compare", tmp_path / "nights.csv", "--results", tmp_path))
    checked(called("cohort", tmp_path / "cohort.csv", "--out", tmp_path / "c"))
    for option in ("marks", "stages"):
        checked(called("score", night, f"--{option}", tmp_path / f"{option}.csv", "--out", tmp_path / "o"))


@pytest.mark.parametrize(
    ("stream", "environment", "bold"),
    [
        (Terminal, {"TERM": "xterm"}, True),
        (io.StringIO, {"TERM": "xterm"}, False),
        (Terminal, {"TERM": "dumb"}, False),
        (Terminal, {"TERM": "xterm", "NO_COLOR": "1"}, False),
    ],
)
def test_the_answer_is_bold_only_on_a_terminal_that_wants_it(monkeypatch, stream, environment, bold):
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    beneath = stream()
    monkeypatch.setattr("sys.stdout", beneath)
    with terminal.all_shown():
        terminal.headline(f"12 episodes{HOSTILE}")
    said = beneath.getvalue()
    assert said.startswith("\x1b[1m12 episodes") is bold
    inside = said.removeprefix(terminal.BOLD).removesuffix(f"{terminal.PLAIN}\n")
    assert "\x1b" not in inside


@pytest.mark.parametrize(
    "verb",
    [["inspect", "N"], ["score", "N"], ["reference", "N"], ["trace", "A", "episodes_per_hour"],
     ["robustness", "A"], ["letter", "A"], ["report", "A"], ["export", "A", "--out", "F"]],
    ids=lambda words: words[0],
)  # fmt: skip
def test_the_first_line_is_the_answer_and_the_last_the_next_command(run, edf, tmp_path, verb):
    assert run("score", edf, "--out", tmp_path).code == 0
    places = {"N": edf, "A": tmp_path / "night.night.h5", "F": tmp_path / "files"}
    done = run(*(places.get(word, word) for word in verb))
    assert done.code in (0, 1), done.err
    first = done.out.splitlines()[0]
    assert too_long(first.split(": ", 1)[-1]) == []
    if verb[0] not in ("report", "export"):  # they say where the files are
        assert re.search(r"\d", first)
    assert re.match(r"  (sleepbrux|\S+python\S* -m sleepbrux) [a-z]+ ", done.err.splitlines()[-1])


def test_columns_of_a_table_lie_below_each_other():
    lines = terminal.table_lines(
        ("night", "per hour", ""), [("night-01", "3.4", "left out"), ("n", "12.0", "")], texts=(0, 2)
    )
    assert lines == ["  night     per hour", "  night-01       3.4  left out", "  n             12.0"]
