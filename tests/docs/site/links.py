"""Links of a built site that lead nowhere, and what it would fetch from elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

OUTSIDE = ("http", "https", "mailto", "data", "javascript")


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.ids: set[str] = set()
        self.links: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value for name, value in attrs if value is not None}
        self.ids |= {found[name] for name in ("id", "name") if name in found}
        if tag == "a" and "href" in found:
            self.links.append(found["href"])
        if tag in ("img", "script") and "src" in found:
            self.fetched.append(found["src"])
        if tag == "link" and found.get("rel") in ("stylesheet", "preload", "icon"):
            self.fetched.append(found["href"])


def _pages(folder: Path) -> dict[Path, _Page]:
    pages = {}
    for path in folder.rglob("*.html"):
        if "_static" in path.parts:  # the theme's own templates
            continue
        pages[path] = page = _Page()
        page.feed(path.read_text("utf-8"))
    return pages


def dead_links(folder: Path) -> list[tuple[str, str]]:
    """(page, link) for every link and picture that has no file or no place in it, or is fetched from elsewhere."""
    pages = _pages(folder)
    return sorted(
        (path.relative_to(folder).as_posix(), link)
        for path, page in pages.items()
        for link, fetched in [*((k, False) for k in page.links), *((k, True) for k in page.fetched)]
        if _dead(path, link, pages, fetched=fetched)
    )


def _dead(path: Path, link: str, pages: dict[Path, _Page], *, fetched: bool) -> bool:
    parts = urlsplit(link)
    if parts.scheme in OUTSIDE or parts.netloc:
        return fetched and parts.scheme != "data"
    target = (path.parent / unquote(parts.path)).resolve() if parts.path else path.resolve()
    if not target.exists():
        return True
    page = next((p for place, p in pages.items() if place.resolve() == target), None)
    return bool(parts.fragment) and page is not None and unquote(parts.fragment) not in {*page.ids, "top"}


def outside_links(folder: Path) -> Iterator[str]:
    """Every address elsewhere that a page names."""
    for page in _pages(folder).values():
        yield from (link for link in page.links if urlsplit(link).scheme in ("http", "https"))
