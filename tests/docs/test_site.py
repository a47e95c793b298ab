"""The search for links that lead nowhere, on a made site. The site itself is built by ``.ci/run``."""

import shutil
import subprocess
import sys

import pytest

from tests.docs.pages import ROOT
from tests.docs.site.links import dead_links

PAGE = """<html><head><link rel="stylesheet" href="_static/a.css">{head}</head><body><h1 id="top-1">x</h1>
<a href="b.html#there">b</a><a href="#top-1">here</a><a href="https://doi.org/10.1/x">out</a>{body}</body></html>"""


def site(folder, head="", body=""):
    (folder / "_static").mkdir()
    (folder / "_static" / "a.css").touch()
    (folder / "a.html").write_text(PAGE.format(head=head, body=body), encoding="utf-8")
    (folder / "b.html").write_text('<p id="there">', encoding="utf-8")
    return dead_links(folder)


def test_a_sound_site_has_no_dead_link(tmp_path):
    assert site(tmp_path) == []


@pytest.mark.parametrize(
    ("head", "body"),
    [
        ("", '<a href="c.html">'),
        ("", '<a href="b.html#nowhere">'),
        ("", '<a href="#nowhere">'),
        ("", '<img src="none.png">'),
        ("", '<img src="https://elsewhere.test/x.png">'),
        ('<script src="https://elsewhere.test/x.js"></script>', ""),
    ],
)
def test_what_leads_nowhere_or_is_fetched_from_elsewhere_is_found(tmp_path, head, body):
    assert len(site(tmp_path, head, body)) == 1


@pytest.mark.slow
def test_the_site_is_built_without_a_warning(tmp_path):
    command = [sys.executable, "-m", "tests.docs.site", str(tmp_path / "site")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "site" / "search.html").is_file()
    assert "score_many" in (tmp_path / "site" / "searchindex.js").read_text("utf-8")
    shutil.rmtree(tmp_path / "site")
