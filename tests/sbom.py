"""``python -m tests.sbom``: the software bill of materials of the wheel, CycloneDX 1.6 as JSON.

What an installation brings, by `.ci/requirements.lock`: name, version, licence where this version is installed here,
and what each package asked for. The check sums are in the lock.
"""

from __future__ import annotations

import importlib.metadata
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple
from uuid import NAMESPACE_URL, uuid5

from sleepbrux.core.version import __version__

ROOT = Path(__file__).resolve().parents[1]
LOCK, BILL = ROOT / ".ci" / "requirements.lock", ROOT / ".ci" / "sbom.cdx.json"
OWN = "sleepbrux"


class Pin(NamedTuple):
    """One package of the lock."""

    name: str
    version: str
    asked_by: tuple[str, ...]

    @property
    def purl(self) -> str:
        """Package URL."""
        return f"pkg:pypi/{self.name}@{self.version}"


def pins(lock: str) -> Iterator[Pin]:
    """Packages of a lock with what asked for each."""
    for block in re.split(r"\n(?=[a-zA-Z0-9])", lock):
        head = re.match(r"([\w.-]+)==([^\s;]+)", block)
        if head:
            comment = re.sub(r"\n {4}#", "", block.partition("# via")[2])
            asked = re.findall(r"[\w.-]+", comment.replace("(pyproject.toml)", ""))
            yield Pin(head[1].lower(), head[2], tuple(asked))


def _licence(pin: Pin) -> list[dict[str, Any]]:
    """Licence of a package as its own metadata say it, where this very version is installed."""
    try:
        about = importlib.metadata.metadata(pin.name)
    except importlib.metadata.PackageNotFoundError:
        return []
    if about["Version"] != pin.version:
        return []
    if expression := about.get("License-Expression"):
        return [{"expression": expression}]
    named = [c.rpartition(" :: ")[2] for c in about.get_all("Classifier", []) if c.startswith("License ::")]
    return [{"license": {"name": name}} for name in named]


def bill(lock: str) -> dict[str, Any]:
    """The bill of materials of a lock."""
    found = list(pins(lock))
    own = Pin(OWN, __version__, ())
    components = [
        {
            "type": "library",
            "bom-ref": pin.purl,
            "name": pin.name,
            "version": pin.version,
            **({"licenses": told} if (told := _licence(pin)) else {}),
            "purl": pin.purl,
        }
        for pin in found
    ]
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "serialNumber": f"urn:uuid:{uuid5(NAMESPACE_URL, own.purl + lock)}",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": own.purl,
                "name": own.name,
                "version": own.version,
                "licenses": [{"expression": "BSD-3-Clause"}],
                "purl": own.purl,
            }
        },
        "components": components,
        "dependencies": [
            {
                "ref": one.purl,
                "dependsOn": sorted({p.purl for p in found if one.name in p.asked_by}),
            }
            for one in (own, *found)
        ],
    }


def main() -> None:
    """Write the bill."""
    text = json.dumps(bill(LOCK.read_text("utf-8")), indent=1, ensure_ascii=False)
    BILL.write_text(text + "\n", "utf-8")


if __name__ == "__main__":
    main()
