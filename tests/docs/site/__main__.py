"""``python -m tests.docs.site [FOLDER]``: the documentation as a site, offline, with warnings as errors.

FOLDER (default ``site``) is made new. Needs the extra ``docs``.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from tests.docs.pages import FOLDER
from tests.docs.site.links import dead_links


def build(out: Path) -> int:
    """Build the site; the exit code."""
    from sphinx.cmd.build import main

    shutil.rmtree(out, ignore_errors=True)
    with tempfile.TemporaryDirectory() as doctrees:
        here = str(Path(__file__).parent)
        options = ["-q", "-W", "--keep-going", "-b", "html", "-d", doctrees, "-c", here]
        if code := main([*options, str(FOLDER), str(out)]):
            return code
    dead = dead_links(out)
    for page, link in dead:
        print(f"{page}: {link} leads nowhere", file=sys.stderr)
    return 1 if dead else 0


if __name__ == "__main__":
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "site")
    code = build(folder)
    if not code:
        print(folder / "index.html")
    sys.exit(code)
