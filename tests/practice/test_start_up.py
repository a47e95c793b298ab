"""What the page loads before it can be used: no library of numbers, also where a chair gives the reference."""

import subprocess
import sys

HEAVY = ("numpy", "numba", "scipy", "pandas", "h5py", "mne", "tomlkit", "typst")
SHOW = f"""
import sys
from pathlib import Path
from sleepbrux.practice import serving
from sleepbrux.practice.screens import screen
from sleepbrux.practice.state import Practice
practice = Practice(Path(sys.argv[1]))
for at in ("nights", "score", "files"):
    assert screen(practice, at).html.count("<h2"), at
practice.close()
assert "Folder" in screen(practice, "people").html
practice.stop()
print([name for name in {HEAVY!r} if name in sys.modules])
"""
STUDY = """
pseudonym = "P-01"
[[reference]]
id = "chair-1"
recording = "chair.edf"
teeth = "natural"
[[night]]
id = "n1"
recording = "n1.edf"
condition = "none"
reference = "chair-1"
"""


def test_the_first_screens_load_no_library_of_numbers(tmp_path):
    (tmp_path / "study.toml").write_text(STUDY, "utf-8")
    for name in ("chair.edf", "n1.edf"):
        (tmp_path / name).write_bytes(b"0       ")
    words = [sys.executable, "-c", SHOW, str(tmp_path)]
    said = subprocess.run(words, capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"
