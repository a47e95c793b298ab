"""``sleepbrux plan``: names of conditions come through as they were meant, or are asked about."""

import pytest

QUICK = ["--rate", 5, "--cv-pct", 20, "--most-nights", 4, "--ratio", 0.1]
DAYS = ["--schedule", "randomised nights", "--start", "2026-03-02", "--nights", 4]


def laid(run, tmp_path, *conditions):
    done = run("plan", *QUICK, *DAYS, "--out", tmp_path, *conditions)
    assert done.code == 0, done.err
    rows = (tmp_path / "schedule.csv").read_text("utf-8").splitlines()[1:]
    return {row.split(",", 2)[2].rsplit(",", 1)[0].strip('"') for row in rows}


@pytest.mark.shows("wrong-count")
def test_a_name_with_commas_is_one_condition(run, tmp_path):
    name = "night guard, upper, soft"
    assert laid(run, tmp_path, "--conditions", "none", "--conditions", name) == {"none", name}
    assert f'condition = "{name}"' in (tmp_path / "schedule.toml").read_text("utf-8")
    assert 'baseline = "none"' in (tmp_path / "schedule.toml").read_text("utf-8")


def test_plain_names_may_be_written_with_commas(run, tmp_path):
    assert laid(run, tmp_path, "--conditions", "none,night guard,splint") == {
        "none",
        "night guard",
        "splint",
    }
    assert laid(run, tmp_path) == {"none", "appliance"}


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (
            ["none,night guard, upper, soft"],
            "a comma with a blank behind it, which may stand inside a name",
        ),
        (["none"], "does not name two conditions; write --conditions once for each name"),
        (["none,"], "does not name two conditions"),
        (["none", " "], "does not name two conditions"),
        (["none,splint,none"], "names 'none' twice"),
        (["none", "splint", "splint "], "names 'splint' twice"),
    ],
)
def test_names_in_doubt_are_asked_about_before_anything_is_computed(run, tmp_path, values, said):
    given = [word for value in values for word in ("--conditions", value)]
    done = run("plan", "--rate", 5, "--cv-pct", 20, *DAYS, "--out", tmp_path / "out", *given)
    assert done.code == 2
    assert said in done.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("option", ["--rate", "--hours", "--ratio"])
@pytest.mark.parametrize("value", ["1e308", "99999999999999999999", "0", "-1"])
def test_a_number_that_no_night_has_is_wrong_usage(run, option, value):
    done = run("plan", "--cv-pct", 20, *("--rate", 5) * (option != "--rate"), option, value)
    assert done.code == 2
    assert "is not in the range" in done.err


def test_the_largest_numbers_that_are_taken_give_a_plan(run, tmp_path):
    done = run("plan", "--rate", 10000, "--hours", 24, "--cv-pct", 300, "--most-nights", 4, "--ratio", 100,
               "--out", tmp_path)  # fmt: skip
    assert done.code == 0, done.err
