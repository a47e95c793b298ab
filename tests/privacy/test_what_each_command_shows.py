"""Words planted in every field of every input, and what of them each command shows: the whole table."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal import journal_path
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.file import DecisionDraft, append, header_of, load_journal
from sleepbrux.archive.journal.reviewed_night import review_of
from tests.cli.conftest import called
from tests.live.fake import chair_signal, streamed
from tests.privacy import planted
from tests.privacy.planted import WORDS, found_in, found_in_files
from tests.privacy.table import MEANINGS, NEVER, TABLE

EVERY = "csv,json,edf,fhir,bids,study,parquet,archive"
OTHERS: dict[str, tuple[Callable[..., Path], list[str]]] = {
    ".wav": (
        planted.wav,
        ["--scale", "3276.8", "--as", "ch1=masseter left", "--as", "ch2=masseter right"],
    ),
    ".h5": (planted.hdf5, []),
    ".csv": (planted.table, ["--unit", "uV"]),
    ".vhdr": (planted.brainvision, []),
}


class Ground:
    """A folder with planted inputs, and what each run of a command showed."""

    def __init__(self, folder: Path) -> None:
        self.home = folder
        self.terminal: dict[str, set[str]] = {}
        self.files: dict[str, dict[str, set[str]]] = {}

    def run(self, command: str, *arguments: object, code: int = 0) -> None:
        """Run a command; what it printed and what it wrote is looked through."""
        before = self._state()
        done = called(*command.split(), *arguments)
        assert done.code == code, (command, done.err)
        new = [path for path, state in self._state().items() if before.get(path) != state]
        self.terminal.setdefault(command, set()).update(found_in((done.out + done.err).encode()))
        files = self.files.setdefault(command, {})
        for source, names in found_in_files(new, self.home).items():
            files.setdefault(source, set()).update(names)

    def _state(self) -> dict[Path, tuple[int, int]]:
        return {p: (p.stat().st_mtime_ns, p.stat().st_ino) for p in self.home.rglob("*") if p.is_file()}


def reviewed(archive: Path) -> None:
    """A decision of the planted reader in the journal beside an archive."""
    night = load_night(archive)
    path = journal_path(archive)
    now = review_of(night, load_journal(path))
    entry, _ = decided(now, load_journal(path), DecisionDraft(action="accept", target="e0"), WORDS["reader"])
    append(path, header_of(night), entry)


@pytest.fixture(scope="session")
def ground(tmp_path_factory):
    home = tmp_path_factory.mktemp("planted") / WORDS["folder"]
    home.mkdir()
    on = Ground(home)
    name = WORDS["file"]
    (home / "one").mkdir()
    (home / "two").mkdir()
    one = planted.study(home / "one")
    two = planted.study(home / "two", "P-08", nights=3, seed=500)
    night = home / "one" / f"{name} 1.edf"
    (home / "new").mkdir()
    for each in (night, home / "one" / f"{name} chair.edf"):
        (home / "new" / each.name).hardlink_to(each)
    unmarked = planted.edf(home / f"{name} unmarked.edf", seed=40, marked=False)

    on.run("inspect", night)
    on.run("inspect --json", night)
    on.run("inspect --after-night", one)
    on.run("study new", home / "new")
    on.run("study check", one)
    on.run("protocol", one, "--out", home / "sheets")
    on.run("reference", unmarked, "--out", home / "ref", "--afresh")
    on.run(
        "reference --accept-by",
        WORDS["reader"],
        unmarked,
        "--teeth",
        "natural",
        "--out",
        home / "ref2",
    )
    with pytest.MonkeyPatch.context() as patch:
        labels = tuple(f"{WORDS['label']} masseter {side}" for side in "LR")
        streamed(patch, chair_signal(WORDS["appliance"]), labels=labels)
        on.run("chair", one, "--by-itself", "--no-open", "--person", "0", "--out", home / "chair")
    on.run("clench", one, "--out", home / "clenches")
    on.run("score", "--study", one, "--out", home / "results")
    on.run("score", unmarked, "--out", home / "loose")
    on.run("batch", one, two, "--out", home / "batch", "--workers", "1")
    results, archive = home / "results", home / "results" / "n-1.night.h5"
    archives = [results / f"n-{k}.night.h5" for k in (1, 4)]
    on.run("report", *archives, "--out", home / "pages")
    on.run("report --mark-texts", *archives, "--out", home / "marked pages")
    on.run("robustness", *archives, "--out", home / "robust")
    on.run("trace", archives[1], "episodes_per_hour")
    on.run("trace --json", archives[1], "episodes_per_hour")
    on.run("compare", one, "--results", results, "--out", home / "compared", "--quick")
    on.run("summary", one, "--results", results)
    on.run(
        "plan",
        "--study",
        one,
        "--results",
        results,
        "--out",
        home / "plan",
        "--most-nights",
        "4",
        "--ratio",
        "0.5",
    )
    on.run("cohort", one, two, "--results", home / "batch", "--out", home / "cohort")
    on.run("letter", "--study", one, "--results", results, "--out", home / "a.pdf")
    on.run("letter --with-dates", "--study", one, "--results", results, "--out", home / "b.pdf")
    for path in archives:
        reviewed(path)
        on.run("review --result", path)
    on.run("agreement", archives[0], "reviewed", "--out", home / "agreement")
    on.run("letter", archives[0], "--out", home / "c.pdf")
    on.run("letter --with-dates", archives[0], "--out", home / "d.pdf")
    on.run("report", archives[0], "--out", home / "reviewed pages")
    loose = next((home / "loose").glob("*.night.h5"))
    for k, (command, options) in enumerate(
        (
            ("export", []),
            ("export --with-names", []),
            ("export --with-dates", []),
        )
    ):
        for place, some in (("study", archives), ("loose", [loose])):
            on.run(command, *some, "--out", home / f"export {k} {place}", "--as", EVERY, *options)
    on.run("export", archive, "--recording", night, "--out", home / "export raw", "--as", "bids,edf")
    out = home / "export study"
    on.run("export --study", one, archive, "--recording", night, "--out", out, "--as", "bids,fhir")
    on.run(
        "export --identity",
        archive,
        "--recording",
        night,
        "--out",
        home / "export who",
        "--as",
        "edf",
    )
    on.run(
        "deidentify",
        night,
        "--out",
        home / "P07.edf",
        "--pseudonym",
        "P07",
        "--key-file",
        home / "key",
    )
    copy = ("--pseudonym", "P07", "--key-file", home / "key")
    on.run("deidentify --keep-labels", night, "--out", home / "P07 labels.edf", *copy)
    on.run("deidentify --without", WORDS["label"], night, "--out", home / "P07 less.edf", *copy, code=2)
    for suffix, (make, options) in OTHERS.items():
        path = make(home / f"{name}{suffix}")
        out = home / f"from {suffix[1:]}"
        on.run("score", path, "--mvc-uv", "200", *options, "--out", out)
        on.run("inspect", path, *options)
        on.run("export", next(out.glob("*.night.h5")), "--out", out / "shared", "--as", EVERY)
    return on


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize("command", sorted(TABLE))
def test_a_command_shows_what_the_table_says_and_nothing_else(ground, command):
    assert ground.terminal[command] == TABLE[command].terminal, f"{command}: on the terminal"
    found = ground.files[command]
    assert set(found) == TABLE[command].files, found


def test_every_command_is_in_the_table():
    from sleepbrux.cli import VERBS

    no_persons_file, a_page = (
        {"demo", "criteria"},
        {"start"},
    )  # tests/practice looks through what the page shows
    assert {c.split()[0] for c in TABLE} == set(VERBS) - no_persons_file - a_page


def test_every_word_is_planted_and_has_its_meaning(ground):
    inputs = [p for p in ground.home.iterdir() if p.is_file() and p.suffix != ".pdf"]
    inputs += [p for p in (ground.home / "one").iterdir() if p.is_file()]
    found = set(found_in_files(inputs, ground.home.parent))
    assert set(planted.SOURCES) == set(MEANINGS) == found | {"reader", "folder", "run day"}


@pytest.mark.shows("identity-leak")
def test_name_number_birth_date_and_free_texts_are_shown_by_no_command_unasked(ground):
    asked = {"export --identity"}
    for command in ground.terminal.keys() - asked:
        assert not ground.terminal[command] & set(NEVER), command
        assert not ground.files[command].keys() & set(NEVER), command


@pytest.mark.shows("identity-leak")
def test_no_file_of_an_export_holds_or_is_called_by_a_planted_word(ground):
    assert ground.files["export"] == {}
    written = [p for p in ground.home.rglob("*") if p.is_file() and "export 0" in str(p.parent)]
    assert {".csv", ".json", ".edf", ".h5", ".tsv", ".parquet"} <= {p.suffix for p in written}
    raw = list((ground.home / "export raw").rglob("*_emg.edf"))
    assert len(raw) == 1
    assert found_in(raw[0].read_bytes()) == set()


@pytest.mark.parametrize("word", sorted(WORDS))
def test_the_search_finds_a_word_however_it_is_written(word):
    """A check of the check: every spelling and packing is seen."""
    import base64
    import html
    import json

    text = WORDS[word]
    for written in (
        text.encode(),
        text.encode("latin-1"),
        text.upper().encode("utf-16-le"),
        html.escape(text).encode(),
        json.dumps({"a": text}).encode(),
        text.encode("ascii", "replace"),
        base64.b64encode(f"some words, {text}, and more".encode()),
        planted._plain(text).upper().encode(),
    ):
        assert word in found_in(b"<p>" + written + b"</p>"), written
