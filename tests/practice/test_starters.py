"""A starter to double-click: the one for Linux is run as its Exec line says; the others are only written."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from sleepbrux.practice.starters import desktop_entry, starter, write_starter

from .conftest import ROOT


def words_of(entry):
    """The Exec line taken apart as the Desktop Entry Specification says (sections "string" and "Exec")."""
    line = re.search(r"^Exec=(.*)$", entry, re.MULTILINE)[1]
    line = line.replace("\\\\", "\\")
    words = re.findall(r'"((?:[^"\\]|\\.)*)"', line)
    return [re.sub(r"\\(.)", r"\1", word).replace("%%", "%") for word in words]


@pytest.mark.skipif(sys.platform != "linux", reason="tried on Linux alone")
def test_the_entry_of_the_menu_starts_the_program(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    path = write_starter(home=tmp_path)
    assert path == tmp_path / "data" / "applications" / "sleepbrux.desktop"
    done = subprocess.run(
        [*words_of(path.read_text("utf-8")), "--help"], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
    assert "from recordings to a letter" in " ".join(done.stdout.split())


@pytest.mark.parametrize("word", ["/a b/c", 'q"uote', "back\\slash", "do$llar", "per%cent", "tick`"])
def test_odd_paths_survive_the_exec_line(word):
    assert words_of(desktop_entry([word, "start"])) == [word, "start"]


def test_those_of_other_systems_are_written_and_not_tried(tmp_path):
    words = ["/opt/my python", "-m", "sleepbrux", "start"]
    path, text = starter("darwin", tmp_path, words)
    assert (path, text) == (
        Path(tmp_path / "Desktop" / "sleepbrux.command"),
        "#!/bin/sh\nexec '/opt/my python' -m sleepbrux start\n",
    )
    path, text = starter("win32", tmp_path, words)
    assert path.name == "sleepbrux.cmd"
    assert text == '@echo off\r\n"/opt/my python" -m sleepbrux start\r\n'
