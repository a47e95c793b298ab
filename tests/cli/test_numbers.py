"""Options that take a number take a finite one, and say what they allow."""

from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from sleepbrux.cli import cli, options
from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.memory import exact_rate
from sleepbrux.recording.opening import Hints, open_recording

EXCERPT = Path(__file__).parents[2] / "demo_data" / "excerpt.edf"


def commands(group=cli, words=()):
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from commands(command, (*words, name))
        else:
            yield (*words, name), command


NUMBERS = [
    (words, parameter)
    for words, command in commands()
    for parameter in command.params
    if isinstance(parameter.type, (click.types.FloatParamType, click.FloatRange))
]


def test_there_are_such_options():
    assert len(NUMBERS) > 10


@pytest.mark.parametrize(
    ("words", "option"), NUMBERS, ids=[" ".join((*words, option.opts[0])) for words, option in NUMBERS]
)
@pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
def test_what_is_no_finite_number_is_wrong_usage(words, option, value):
    said = CliRunner().invoke(cli, [*words, f"{option.opts[0]}={value}"])
    assert said.exit_code == 2
    assert f"Invalid value for '{option.opts[0]}': {value}" in said.output


def test_a_number_in_the_range_is_taken():
    number = options.Number(0, 10)
    assert number.convert("7.5", None, None) == 7.5


@pytest.mark.parametrize("value", ["nan", "inf", 0.0, -1.0, 1e-320, 1e308, "1/0"])
def test_a_record_duration_that_no_file_has_is_refused(value):
    with pytest.raises(RecordingError, match=r"^excerpt\.edf: `record_duration_s` is .* allowed\.$"):
        open_recording(EXCERPT, Hints(record_duration_s=value))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 0.0, -1.0, 1e-320, 1e308, "1/0", "x"])
def test_a_rate_that_is_none_is_refused(value):
    with pytest.raises(RecordingError, match=r"^the rate is .* allowed\.$"):
        exact_rate(value)


@pytest.mark.parametrize("rate", ["1e-9", "1e9"])
def test_a_rate_that_no_file_has_is_refused_with_the_files_name(run, tmp_path, rate):
    (tmp_path / "night.csv").write_text("EMG Mass L\n" + "1.5\n" * 50)
    for verb in (["inspect"], ["score", "--out", str(tmp_path / "out")]):
        done = run(*verb, tmp_path / "night.csv", "--rate", rate)
        assert "night.csv: the rate is" in done.err
        assert "Give another --rate." in done.err


@pytest.mark.parametrize("words", [words for words, _ in commands()], ids=" ".join)
def test_help_names_no_bound_that_is_none(words):
    shown = CliRunner().invoke(cli, [*words, "--help"])
    assert shown.exit_code == 0, shown.output
    assert "None" not in shown.output
