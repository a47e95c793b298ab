"""The page and the JSON file about the reference clenches of a recording."""

from __future__ import annotations

from pathlib import Path

from sleepbrux.core.files import safe_stem, write_together
from sleepbrux.reference.recorded import ReferenceCheck
from sleepbrux.report.outputs import refuse_other
from sleepbrux.report.reference_page import reference_json, reference_page


def write_reference(
    looked: ReferenceCheck, folder: Path, name: str, steps: tuple[str, str], *, only_own: bool = False
) -> Path:
    """Write page and JSON about a recording; the page.

    Parameters
    ----------
    steps
        How clenches that were found are accepted, and how others are taken.
    only_own
        Refuse to write over files about another recording.
    """
    folder.mkdir(parents=True, exist_ok=True)
    page = folder / f"{safe_stem(name)}.reference.html"
    if only_own:
        refuse_other(page.with_suffix(".json"), "input_sha256", looked.swept.digest)
    write_together({page: reference_page(looked, *steps), page.with_suffix(".json"): reference_json(looked)})
    return page
