"""``python -m tests.golden``: the report and the letter of the excerpt, to be looked at before they change.

The suite holds the texts of both and a coarse picture of the letter's pages against `FOLDER`. A change
that is meant is looked at first: this command writes page and letter, and pictures of both, into
``tests/.golden``; with ``--accept`` it puts the new ones into `FOLDER`.
"""

from __future__ import annotations

import html
import json
import re
import sys
from pathlib import Path

from sleepbrux.report.letter import Fields, letter_pdf
from sleepbrux.report.letter.nights import Letter
from sleepbrux.report.outputs import report_text
from sleepbrux.scoring.request import Request, score_file

FOLDER = Path(__file__).parent / "golden"
LOOK = Path(__file__).parent / ".golden"
EXCERPT = Path(__file__).resolve().parents[1] / "demo_data" / "excerpt.edf"
GRID = (36, 26)


def lines_of(page: str) -> str:
    """Visible text of a page, a line an element."""
    body = re.sub(r"(?s)<(script|style)\b.*?</\1>", " ", page)
    text = html.unescape(re.sub(r"(?s)<[^>]+>", "\n", body))
    rows = (re.sub(r"\s+", " ", line).strip() for line in text.split("\n"))
    return "\n".join(row for row in rows if row) + "\n"


def pages_of(pdf: bytes) -> list[list[list[int]]]:
    """Each page as a coarse grid of ink, per cent of the cell."""
    import pypdfium2

    grids = []
    for page in pypdfium2.PdfDocument(pdf):
        grey = page.render(scale=1.0, grayscale=True).to_numpy().squeeze()
        high, wide = (n // m for n, m in zip(grey.shape, GRID, strict=True))
        cut = grey[: high * GRID[0], : wide * GRID[1]]
        ink = 100 * (255 - cut.reshape(GRID[0], high, GRID[1], wide).mean(axis=(1, 3))) / 255
        grids.append(ink.round().astype(int).tolist())
    return grids


def made() -> dict[str, str | bytes]:
    """Page and letter of the excerpt, and what of them is held."""
    import io

    import pypdf

    night = score_file(EXCERPT, Request(mvc_uv=190.0))
    page = report_text(night)
    pdf = letter_pdf([Letter("excerpt", "0" * 64, night)], Fields(question="Why?", snoring="no"))
    words = "\n\n".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(pdf)).pages)
    return {
        "report.html": page,
        "letter.pdf": pdf,
        "report.txt": lines_of(page),
        "letter.txt": words + "\n",
        "letter.pages.json": json.dumps(pages_of(pdf)) + "\n",
    }


def main() -> None:
    LOOK.mkdir(exist_ok=True)
    found = made()
    for name, content in found.items():
        data = content if isinstance(content, bytes) else content.encode("utf-8")
        (LOOK / name).write_bytes(data)
    import pypdfium2

    for k, page in enumerate(pypdfium2.PdfDocument(found["letter.pdf"]), start=1):
        page.render(scale=1.5).to_pil().save(LOOK / f"letter-{k}.png")
    print(f"look at report.html and letter-1.png in {LOOK}")
    if "--accept" in sys.argv:
        FOLDER.mkdir(exist_ok=True)
        for name in ("report.txt", "letter.txt", "letter.pages.json"):
            (FOLDER / name).write_bytes((LOOK / name).read_bytes())
        print(f"accepted into {FOLDER}")


if __name__ == "__main__":
    main()
