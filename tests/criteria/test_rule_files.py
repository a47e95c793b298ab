"""Rule files: what is in them, what is refused, and what makes two of them the same."""

from __future__ import annotations

import random
import re
import tomllib
from importlib import resources
from pathlib import Path

import msgspec
import pytest

from sleepbrux.core.errors import CriterionError
from sleepbrux.criteria import (
    DEFAULT_ID,
    DEFAULT_WITHOUT_MVC_ID,
    Criterion,
    criterion_ids,
    exact,
    from_table,
    from_text,
    load_criterion,
)

PUBLISHED = [
    "aasm",
    "aasm_chin",
    "castroflorio2013_emg_hr",
    "gallo1999_contraction",
    "ikeda1996",
    "lavigne1996",
    "maeda2019_2xbaseline",
    "phasic_tonic_10mvc",
    "submaximal_12mvc",
]
PARENT = load_criterion("lavigne1996")
TEXT = (resources.files("sleepbrux.criteria") / "presets" / "aasm.toml").read_text("utf-8")

# another legal value for every setting, none of them that of the parent
OTHER = {
    "envelope.amplitude": "rectified",
    "envelope.window_s": 0.2,
    "envelope.edges": "crossing",
    "threshold.level_pct_mvc": 20.5,
    "threshold.times_background": 2.5,
    "threshold.floor_pct_mvc": 5.0,
    "threshold.comparison": ">=",
    "threshold.release_ratio": 0.8,
    "threshold.test": "mean",
    "background.estimator": "night_median",
    "background.half_window_s": 100.0,
    "background.passes": 3,
    "background.guard_s": 1.0,
    "background.minimum_quiet_s": 20.0,
    "burst.minimum_s": 0.2,
    "burst.minimum_inclusive": False,
    "burst.phasic_maximum_s": 1.5,
    "burst.phasic_maximum_inclusive": False,
    "burst.bridge_s": 0.05,
    "burst.types": False,
    "episode.gap_s": 2.0,
    "episode.gap_inclusive": False,
    "episode.gap_clock": "onset_to_onset",
    "episode.gap_free_of": "any_activity",
    "episode.minimum_phasic_bursts": 2,
    "episode.mixed": "phasic_minimum",
    "episode.two_tonic": "separate",
    "episode.at_edges": "drop",
    "episode.regular": True,
    "episode.regular_minimum_s": 0.5,
    "episode.regular_maximum_s": 2.5,
    "sides.combine": "both",
    "window.minimum_valid_hours": 3.0,
    "context.wake": "drop_probable",
    "context.movement": "drop",
    "context.movement_share": 0.25,
}
# the two of a threshold exclude each other, so these start from a rule set relative to background
BACKGROUND_ONLY = {"threshold.times_background", "threshold.floor_pct_mvc"}


def base_for(key: str) -> Criterion:
    return load_criterion("maeda2019_2xbaseline") if key in BACKGROUND_ONLY else PARENT


def refused(text: str) -> str:
    """What is said about a rule file called mine.toml."""
    with pytest.raises(CriterionError) as caught:
        from_text(text, "mine.toml")
    return str(caught.value)


def replaced(old: str, new: str) -> str:
    assert TEXT.count(old) == 1, f"{old!r} stands {TEXT.count(old)} times in the rule file"
    return TEXT.replace(old, new)


# What comes with the package


def test_the_published_criteria_are_these():
    assert criterion_ids() == PUBLISHED
    assert {DEFAULT_ID, DEFAULT_WITHOUT_MVC_ID} <= set(PUBLISHED)


@pytest.mark.parametrize("name", PUBLISHED)
def test_every_preset_loads_under_its_own_name_and_has_no_parent(name):
    criterion = load_criterion(name)
    assert (criterion.id, criterion.parent) == (name, "")
    assert criterion.title
    assert criterion.summary.strip()


@pytest.mark.parametrize("name", PUBLISHED)
def test_every_value_that_is_set_has_a_source_and_a_status(name):
    criterion = load_criterion(name)
    set_here = {path for path, value in criterion.values() if value is not None}
    assert set_here == set(criterion.sources)
    for path, note in criterion.sources.items():
        assert note.status in {"read", "from memory", "our choice"}, path
        assert len(note.source) >= len("no minimum"), path


@pytest.mark.parametrize("name", PUBLISHED)
def test_what_is_not_our_choice_names_a_publication(name):
    criterion = load_criterion(name)
    for path, note in criterion.sources.items():
        if note.status != "our choice":
            assert re.search(r"(19|20)\d\d", note.source), path


@pytest.mark.parametrize("name", PUBLISHED)
def test_every_preset_lists_where_it_departs_from_its_source(name):
    departures = load_criterion(name).departures
    assert departures
    assert all(text.endswith(".") for text in departures)


@pytest.mark.parametrize("name", PUBLISHED)
def test_no_preset_calls_itself_the_standard(name):
    criterion = load_criterion(name)
    assert "standard" not in f"{criterion.title} {criterion.summary}".lower()


@pytest.mark.shows("laboratory-cut-off")
@pytest.mark.parametrize("name", PUBLISHED)
def test_every_cut_off_names_what_it_was_made_for_and_its_source(name):
    for cut_off in load_criterion(name).cut_offs:
        assert cut_off.made_for
        assert "doi:" in cut_off.source


# What is refused, and how it is said


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("gap_s = 3.0", "gap_s = 3.0\npause_s = 3.0", ["episode", "unknown", "pause_s"]),
        ("[episode]", "[episodes]\n[episode]", ["unknown", "episodes"]),
        ("gap_s = 3.0\n", "", ["episode", "gap_s"]),
        ("[window]\nminimum_valid_hours = 4.0\n", "", ["window"]),
        ('id = "aasm"\n', "", ["id"]),
        ("gap_s = 3.0", 'gap_s = "3.0"', ["episode.gap_s", "float", "str"]),
        ("gap_s = 3.0", "gap_s = true", ["episode.gap_s", "float", "bool"]),
        ("passes = 2", "passes = 2.5", ["background.passes", "int"]),
        ("types = true", 'types = "yes"', ["burst.types", "bool", "str"]),
        ("gap_s = 3.0", "gap_s = -0.1", ["episode.gap_s", ">= 0"]),
        ("gap_s = 3.0", "gap_s = nan", ["episode.gap_s"]),
        ("gap_s = 3.0", "gap_s = inf", ["episode.gap_s"]),
        ("window_s = 0.125", "window_s = 0.0", ["envelope.window_s", "> 0"]),
        ("release_ratio = 1.0", "release_ratio = 1.1", ["threshold.release_ratio", "<= 1"]),
        ("times_background = 2.0", "times_background = 1.0", ["times_background", "> 1"]),
        ("passes = 2", "passes = 0", ["background.passes", ">= 1"]),
        ('combine = "any"', 'combine = "either"', ["sides.combine", "either"]),
        ('comparison = ">="', 'comparison = "=>"', ["threshold.comparison", "=>"]),
        ('id = "aasm"', 'id = "My rules"', ["id"]),
        ("phasic_maximum_s = 2.0", "phasic_maximum_s = 0.25", ["burst.phasic_maximum_s", "0.25"]),
        ("regular_maximum_s = 5.0", "regular_maximum_s = 0.3", ["episode.regular_maximum_s"]),
        ('"episode.gap_s" = {', '"episode.pause_s" = {', ["sources.episode.pause_s", "sections"]),
        (
            "times_background = 2.0",
            "times_background = 2.0\nlevel_pct_mvc = 10.0",
            ["threshold", "exactly one", "level_pct_mvc", "times_background"],
        ),
        ("times_background = 2.0\n", "", ["threshold", "exactly one", "level_pct_mvc", "times_background"]),
        (
            "times_background = 2.0",
            "level_pct_mvc = 10.0\nfloor_pct_mvc = 5.0",
            ["threshold.floor_pct_mvc", "times_background"],
        ),
        ("gap_s = 3.0", "gap_s = = 3.0", ["TOML", "line"]),
        (
            '"episode.gap_s" = { status = "from memory"',
            '"episode.gap_s" = { status = "rumour"',
            ["sources", "rumour", "allowed are 'read', 'from memory', 'our choice'"],
        ),
        ('"episode.gap_s" = {', '"episode.gap_s" = 3\n"x" = {', ["sources", "int"]),
    ],
)
def test_a_wrong_rule_file_is_refused_by_file_and_key(old, new, words):
    said = refused(replaced(old, new))
    assert said.startswith("mine.toml: ")
    for word in words:
        assert word in said


def test_the_file_that_these_are_made_from_is_itself_accepted():
    assert from_text(TEXT, "mine.toml") == load_criterion("aasm")


def test_an_unknown_id_lists_those_that_there_are():
    with pytest.raises(CriterionError) as caught:
        load_criterion("lavigne")
    assert "'lavigne'" in str(caught.value)
    for name in PUBLISHED:
        assert name in str(caught.value)


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(CriterionError, match=r"^gone\.toml: cannot be read"):
        load_criterion(tmp_path / "gone.toml")


def test_a_folder_that_is_called_like_a_file_is_refused(tmp_path):
    (tmp_path / "folder.toml").mkdir()
    with pytest.raises(CriterionError, match=r"^folder\.toml: cannot be read"):
        load_criterion(tmp_path / "folder.toml")


@pytest.mark.parametrize("encoding", ["latin-1", "utf-16"])
def test_a_file_in_another_encoding_is_refused_with_what_to_do(tmp_path, encoding):
    path = tmp_path / "mine.toml"
    path.write_bytes(TEXT.replace("Manual", "Manüal").encode(encoding))
    with pytest.raises(CriterionError, match=r"^mine\.toml: .*UTF-8"):
        load_criterion(path)


def test_a_rule_file_is_read_from_a_path_given_as_text_or_as_path(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(replaced('id = "aasm"', 'id = "mine"'), "utf-8")
    assert load_criterion(path).id == "mine"
    assert load_criterion(str(path)) == load_criterion(path)


def test_a_file_that_begins_with_a_byte_order_mark_is_read(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(TEXT, "utf-8-sig")
    assert load_criterion(path) == load_criterion("aasm")


# Derived rule sets


def test_every_setting_has_another_value_here_so_that_none_is_left_out():
    assert set(OTHER) == {path for path, _ in PARENT.values()}


@pytest.mark.parametrize("key", OTHER)
def test_a_derived_rule_set_has_the_value_and_says_where_it_comes_from(key):
    base = base_for(key)
    changes = {key: OTHER[key]}
    derived = base.derive(changes, new_id="mine")
    before, after = dict(base.values()), dict(derived.values())
    assert {k for k in after if after[k] != before[k]} == {key}
    assert after[key] == OTHER[key]
    assert (derived.id, derived.parent) == ("mine", base.id)
    note = derived.sources[key]
    assert (note.status, base.id in note.source) == ("our choice", True)


def test_a_derived_id_names_the_parent_and_the_change():
    derived = PARENT.derive({"episode.gap_s": 2.0})
    assert derived.id == "lavigne1996+gap_s-2.0"
    assert derived.parent == "lavigne1996"
    assert derived.derive({"burst.minimum_s": 0.3}).parent == derived.id


def test_ids_of_different_changes_differ_and_do_not_depend_on_their_order():
    one, two = {"episode.gap_s": 2.0}, {"burst.bridge_s": 0.05}
    ids = {PARENT.derive(c).id for c in (one, two, {"episode.gap_s": 2.5}, one | two)}
    assert len(ids) == 4
    assert PARENT.derive(one | two).id == PARENT.derive(two | one).id


def test_many_changes_give_a_short_id_that_still_names_the_parent():
    numbers = {k: v for k, v in OTHER.items() if isinstance(v, float) and k not in BACKGROUND_ONLY}
    derived = PARENT.derive(numbers)
    assert len(derived.id) <= 80
    assert derived.id.startswith("lavigne1996+")
    assert derived.id != PARENT.derive(numbers | {"episode.gap_s": 2.1}).id


@pytest.mark.parametrize("key", [k for k, v in OTHER.items() if k not in BACKGROUND_ONLY])
def test_every_single_change_gives_a_usable_id_by_itself(key):
    derived = PARENT.derive({key: OTHER[key]})
    assert derived.id.startswith("lavigne1996+")
    assert load_criterion("lavigne1996").id == derived.parent


def test_a_derived_rule_set_can_be_derived_from_again_and_again():
    derived = PARENT
    for key in (
        "episode.gap_s",
        "burst.minimum_s",
        "burst.bridge_s",
        "burst.phasic_maximum_s",
        "episode.regular_minimum_s",
        "episode.regular_maximum_s",
    ):
        derived = derived.derive({key: OTHER[key]})
    assert dict(derived.values())["episode.regular_maximum_s"] == 2.5


def test_the_parent_is_not_changed():
    before = PARENT.digest()
    PARENT.derive({"episode.gap_s": 2.0})
    assert PARENT.digest() == before
    assert PARENT.sources["episode.gap_s"].status == "from memory"


@pytest.mark.parametrize("changes", [{"episode.pause_s": 1.0}, {"episodes.gap_s": 1.0}])
def test_a_change_of_what_does_not_exist_is_refused(changes):
    with pytest.raises(CriterionError, match=r"unknown|no such section"):
        PARENT.derive(changes)


def test_a_change_outside_the_sections_is_refused_as_a_rule_error():
    with pytest.raises(CriterionError):
        PARENT.derive({"title": "mine"})


def test_a_change_to_an_impossible_value_is_refused():
    with pytest.raises(CriterionError, match=r"episode\.gap_s"):
        PARENT.derive({"episode.gap_s": -1.0})
    with pytest.raises(CriterionError, match="exactly one"):
        PARENT.derive({"threshold.times_background": 2.0})


def test_a_threshold_can_be_exchanged_for_the_other_kind():
    changes = {"threshold.level_pct_mvc": None, "threshold.times_background": 3.0}
    assert PARENT.needs_mvc
    assert not PARENT.derive(changes).needs_mvc


# Digest


@pytest.mark.shows("stale-result")
def test_the_digest_changes_with_every_single_value():
    digests = set()
    for key, value in OTHER.items():
        # the table itself, so that neither id nor source gives the change away
        base = base_for(key)
        table = msgspec.to_builtins(base)
        section, name = key.split(".")
        table[section][name] = value
        digests |= {base.digest(), from_table(table, "test").digest()}
    assert len(digests) == len(OTHER) + 2


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('what its 3 s of stable background leave together" }', 'what its 3 s leave together" }'),
        ("The manual could not be read and is recalled.", "The manual is recalled."),
        ('id = "aasm"', 'id = "aasm2"'),
        (
            '"threshold.times_background" = { status = "from memory"',
            '"threshold.times_background" = { status = "read"',
        ),
    ],
)
def test_the_digest_changes_with_a_source_a_status_a_departure_and_the_id(old, new):
    changed = from_text(replaced(old, new), "mine.toml")
    assert changed.digest() != load_criterion("aasm").digest()


def test_the_digest_does_not_change_with_comments_order_or_the_way_a_number_is_written():
    lines = [line for line in TEXT.splitlines() if not line.startswith("#")]
    at = lines.index("[sources]")
    sources = lines[at + 1 :]
    random.Random(1).shuffle(sources)
    text = "\n".join(["# mine", *lines[:at], "", "[sources]", *sources])
    text = text.replace("gap_s = 3.0", "gap_s   = 3").replace("0.125", "1.25e-1")
    same = from_text(text, "mine.toml")
    assert list(same.sources) != list(load_criterion("aasm").sources)
    assert same.digest() == load_criterion("aasm").digest()


def test_a_rule_set_written_out_and_read_again_is_the_same():
    for name in PUBLISHED:
        criterion = load_criterion(name)
        again = from_table(msgspec.to_builtins(criterion), "again")
        assert (again, again.digest()) == (criterion, criterion.digest())


def test_digests_of_the_presets_differ_and_are_64_hexadecimal_digits():
    digests = {load_criterion(name).digest() for name in PUBLISHED}
    assert len(digests) == len(PUBLISHED)
    assert all(re.fullmatch(r"[0-9a-f]{64}", digest) for digest in digests)


# Decimals


@pytest.mark.parametrize("value", [0.1, 0.25, 0.29, 2.01, 3.0, 1e-05])
def test_a_decimal_is_taken_as_it_is_written(value):
    text = f"x = {value!r}"
    assert exact(value) * 100_000 == round(tomllib.loads(text)["x"] * 100_000)


def test_the_files_hold_no_path_and_no_address_but_doi():
    folder = Path(str(resources.files("sleepbrux.criteria") / "presets"))
    for path in folder.glob("*.toml"):
        assert "http" not in path.read_text("utf-8"), path.name


def test_a_wrong_word_is_answered_with_the_allowed_ones():
    with pytest.raises(CriterionError, match=r"episode\.mixed.*'one_of_each', 'phasic_minimum'"):
        PARENT.derive({"episode.mixed": "both"})
