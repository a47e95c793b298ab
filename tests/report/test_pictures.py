"""Every page looks as somebody has looked at it: at three widths, light and dark; and each sheet."""

import pytest

from sleepbrux.report.night_page import render_night
from tests.page_pictures import (
    FOLDER,
    MOST_ROWS,
    READY,
    SCHEMES,
    WIDTHS,
    as_on,
    coarse,
    coarse_sheet,
    differing,
    grid,
    held,
    pictures,
    sheet_pictures,
    taken,
)

from .every_page import NAMES, every_page, review_served, sheets

AGAIN = "look at it with python -m tests.page_pictures NAME, then accept it with --accept"
KEYS = [f"{width} {scheme}" for width in WIDTHS for scheme in SCHEMES]


@pytest.fixture(scope="module")
def paths(night, tmp_path_factory):
    return every_page(tmp_path_factory.mktemp("pages"), night)


def changed(name, now):
    before = held(name)
    assert before.keys() == now.keys()
    return {key: found for key in now if (found := differing(before[key], now[key])) > MOST_ROWS}


@pytest.mark.browser
@pytest.mark.parametrize("name", [*NAMES, "letter"])
def test_a_page_looks_as_it_did(browser, paths, name):
    made = pictures(browser, name, paths[name].as_uri())
    assert list(made) == KEYS
    assert changed(name, coarse(made)) == {}, AGAIN


@pytest.mark.browser
def test_the_review_page_looks_as_it_did(browser, tmp_path):
    made = {}
    with review_served(tmp_path) as served:
        for key in KEYS:
            width, scheme = key.split()
            with as_on(browser, int(width), scheme):
                made[key] = taken(browser, served.address(), int(width), READY["review"])
    assert changed("review", coarse(made)) == {}, AGAIN


@pytest.mark.parametrize("name", ["chair-sheet", "patient-sheet"])
def test_a_sheet_looks_as_it_did(tmp_path, name):
    assert changed(name, coarse_sheet(sheet_pictures(sheets(tmp_path)[name]))) == {}, AGAIN


def test_no_picture_is_held_that_no_test_asks_for():
    asked = {*NAMES, "letter", "review", "chair-sheet", "patient-sheet"}
    assert {p.stem for p in FOLDER.glob("*.json")} == asked


@pytest.mark.browser
def test_what_looks_otherwise_is_seen(browser, night, tmp_path):
    """Another scheme, a section that is gone, a figure that is gone."""
    page, width = render_night(night), 1024
    before = held("night")[f"{width} light"]
    assert differing(before, held("night")[f"{width} dark"]) > MOST_ROWS
    for name, other in {
        "cautions": page.replace(' aria-labelledby="h-cautions"', " hidden"),
        "figures": page.replace('<div class="figures">', '<div class="figures" hidden>'),
        "wide": page.replace("max-width: 1200px", "max-width: 700px"),
    }.items():
        path = tmp_path / f"{name}.html"
        path.write_text(other, "utf-8")
        with as_on(browser, width, "light"):
            now = grid(taken(browser, path.as_uri(), width, READY["night"]), WIDTHS[width])
        assert differing(before, now) > MOST_ROWS, name
