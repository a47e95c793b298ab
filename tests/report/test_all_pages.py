"""What all pages share: one style sheet, signs of one meaning, words, and a shape that fits every screen."""

import html
import re
from importlib.resources import files
from pathlib import Path

import pytest

from sleepbrux.criteria import criterion_ids, load_criterion
from sleepbrux.report.axes import CONDITION_SHAPES, CONDITIONS, KIND_SHAPES
from sleepbrux.report.frame import style
from sleepbrux.report.numbers import en_dashes
from sleepbrux.report.palette import DARK, LIGHT
from tests.golden import FOLDER

from .every_page import NAMES, every_page
from .test_accessibility import violations
from .test_in_browser import OVERLAPS, opened, sized, unsized, until


@pytest.fixture(scope="module")
def paths(night, tmp_path_factory):
    return every_page(tmp_path_factory.mktemp("pages"), night)


@pytest.fixture(params=NAMES)
def page(request, paths):
    return paths[request.param].read_text("utf-8")


def visible(page):
    body = re.sub(r"(?s)<(script|style)\b.*?</\1>", " ", page)
    alts = " ".join(re.findall(r'aria-label="([^"]*)"', body))
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"(?s)<[^>]+>", " ", body) + " " + alts))


def test_every_page_has_the_one_style_sheet_a_skip_link_and_all_its_sections_in_the_contents(page):
    assert page.count("<style>") == 1
    assert f"<style>{style()}</style>" in page
    assert "style=" not in page
    assert page.count('<a class="skip" href="#main">') == page.count('<main id="main"') == 1
    contents = re.search(r"(?s)<nav aria-label=.Contents.>(.*?)</nav>", page)[1]
    assert re.findall(r'href="#([\w-]+)"', contents) == re.findall(r'<h2 id="([\w-]+)"', page)


def test_no_sign_of_a_kind_is_a_sign_of_a_condition():
    kinds = {LIGHT[k] for k in KIND_SHAPES} | {DARK[k] for k in KIND_SHAPES}
    conditions = {scheme[f"c{k}"] for scheme in (LIGHT, DARK) for k in range(CONDITIONS)}
    assert not kinds & conditions
    assert not set(KIND_SHAPES.values()) & set(CONDITION_SHAPES)
    assert LIGHT.keys() == DARK.keys()


def test_ranges_have_an_en_dash_and_nothing_a_bracketed_plural(page):
    text = re.sub(r"\S*(doi|PMC)\S*|\d{4}-\d\d(-\d\d)?|\b[0-9a-f]{4}(-[0-9a-f]{4})+\b", " ", visible(page))
    # names of files, of settings and of channels are not ours to write
    text = re.sub(r"\b[a-zA-Z_]\w*-[\w-]*", " ", text)
    assert not re.findall(r"\d-\d+\.?\d*\b.{0,10}", text)
    assert "(s)" not in text


# words that readers stumbled on, and what stands for them now (sleepbrux/docs/glossary.md)
NOT_OURS = (
    r"stated window",
    r"neither a count of tooth grinding nor",
    r"\b(it|they|that|these|this|which|each|sentence|interval|test|all)( of these)? stands? on\b",
    r"\brests? on\b",
    r"says nothing of other nights",
    r"counting noise if events were independent",
    r"so it is too short",
    r"accepted by nobody",
    r"[Ww]hose word",
    r"No person has looked at this",
    r"come or gone by the rules",
    r"four of five such studies",
    r"reaches from lower to higher",
    r"\b(is|was|be|been) told (in|apart|from|by)\b",
    r"chance of (telling|having told)",
    r"stands? apart",
    r"no hour is an hour of sleep",
    r"hangs on the rule",
    r"none is the right one",
    r"told from the conditions",
    r"would read [\d.]+ % above its own level",
    r"corrects nothing",
    r"score the others alone",
    r"record times leave",
    r"wants a word",
    r"\bstands? beside\b",
    r"\bat hand\b",
    r"stands on that",
    r"absence beside it",
)
TEMPLATES = (
    Path(str(files("sleepbrux.report"))) / "templates",
    Path(str(files("sleepbrux.review"))) / "templates",
)


@pytest.mark.parametrize("words", NOT_OURS)
def test_no_page_template_or_golden_text_has_words_that_readers_stumbled_on(paths, words):
    texts = {name: visible(path.read_text("utf-8")) for name, path in paths.items()}
    texts |= {p.name: p.read_text("utf-8") for folder in TEMPLATES for p in sorted(folder.glob("*.j2"))}
    texts |= {p.name: p.read_text("utf-8") for folder in TEMPLATES for p in sorted(folder.glob("*.js"))}
    texts["golden"] = (FOLDER / "report.txt").read_text("utf-8")
    # what a rule file says of its source is quoted, and belongs to the digest of the rules
    for line in (d for i in criterion_ids() for d in load_criterion(i).departures):
        texts = {name: text.replace(en_dashes(line), "") for name, text in texts.items()}
    found = {name: m[0] for name, text in texts.items() if (m := re.search(words, text))}
    assert not found


@pytest.mark.browser
@pytest.mark.parametrize("name", [*NAMES, "letter"])
@pytest.mark.parametrize("width", [390, 768, 1280])
def test_every_page_fits_the_screen_and_no_text_lies_over_another(browser, paths, name, width):
    try:
        sized(browser, width, 800)
        shown(browser, paths[name])
        browser.execute_script("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        if width == 390:
            assert browser.execute_script(SIDEWAYS) == []
        small, over = browser.execute_script(OVERLAPS)
        clipped = browser.execute_script(CLIPPED)
        tiny = browser.execute_script(TINY)
    finally:
        unsized(browser)
    assert (small, over, clipped, tiny) == ([], [], [], [])


# boxes that scroll sideways, with everything unfolded
SIDEWAYS = """
return [...document.querySelectorAll('body *')].filter((e) =>
  ['auto', 'scroll'].includes(getComputedStyle(e).overflowX) && e.scrollWidth > e.clientWidth + 1
).map((e) => e.tagName + ' ' + (e.getAttribute('aria-label') || e.className) + ' ' + e.scrollWidth);
"""

# letters of less than 11 px; those of a canvas are set in draw.js
TINY = """
return [...document.querySelectorAll('body *:not(svg *)')].filter((e) => {
  const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
  return own && e.getBoundingClientRect().width && parseFloat(getComputedStyle(e).fontSize) < 11;
}).map((e) => e.tagName + ' ' + e.textContent.slice(0, 40));
"""


def test_the_letters_of_every_canvas_are_large_enough():
    sizes = [
        float(size)
        for folder in TEMPLATES
        for path in sorted(folder.glob("*.js"))
        for size in re.findall(r"font = [\"'`](\d+(?:\.\d+)?)px", path.read_text("utf-8"))
    ]
    assert sizes
    assert min(sizes) >= 11


CLIPPED = """
return [...document.querySelectorAll('svg.figure text')].filter((e) => {
  const p = e.getBoundingClientRect(), q = e.ownerSVGElement.getBoundingClientRect();
  return p.width && (p.left < q.left - 1 || p.right > q.right + 1);
}).map((e) => e.textContent);
"""


def shown(browser, path):
    browser.get_log("browser")
    if path.name in ("night.html", "robust.html"):
        opened(browser, path)
        until(browser, "document.getElementById('strip').dataset.ready")
    else:
        browser.get(path.as_uri())
    assert browser.get_log("browser") == []


@pytest.mark.browser
@pytest.mark.parametrize("name", [n for n in (*NAMES, "letter") if n != "night"])
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (1280, "dark"), (390, "light")])
def test_no_rule_of_accessibility_is_broken(browser, paths, name, width, scheme):
    try:
        sized(browser, width, 900, scheme)
        shown(browser, paths[name])
        browser.execute_script("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        assert violations(browser) == []
    finally:
        unsized(browser)


@pytest.mark.browser
@pytest.mark.parametrize("name", ["night", "study"])
def test_the_first_screen_is_in_short_sentences_without_a_rule_identifier(browser, paths, name):
    try:
        sized(browser, 1280, 800)
        shown(browser, paths[name])
        texts = browser.execute_script(FIRST)
    finally:
        unsized(browser)
    sentences = [s for text in texts for s in re.split(r"(?<=[.:]) ", text) if s.strip()]
    assert len(sentences) >= 4
    assert [s for s in sentences if len(s.split()) > 25] == []
    assert [s for s in sentences for rule in criterion_ids() if rule in s] == []


FIRST = """
return [...document.querySelectorAll('main p, main li, figcaption')].filter((e) => {
  const r = e.getBoundingClientRect(); return r.height && r.bottom <= 800;
}).map((e) => e.innerText);
"""
