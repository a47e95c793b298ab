"""How a JSON file begins, and how it is written."""

from __future__ import annotations

from typing import Any

import msgspec

from sleepbrux.core.version import __version__

SOFTWARE = {"name": "sleepbrux", "version": __version__}


def versioned(schema_version: str, table: dict[str, Any]) -> dict[str, Any]:
    """A table under its first two fields: the version of its form, and the program that wrote it."""
    return {"schema_version": schema_version, "software": SOFTWARE, **table}


def json_text(value: Any) -> str:
    """A value as every JSON file holds it: indented by two, a line feed at the end.

    Examples
    --------
    >>> json_text({"hours": 7.5})
    '{\\n  "hours": 7.5\\n}\\n'
    """
    return msgspec.json.format(msgspec.json.encode(value), indent=2).decode() + "\n"
