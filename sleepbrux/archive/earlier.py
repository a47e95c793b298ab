"""Archives of earlier schemas, put into today's names as they are read; the files stay as they are."""

from __future__ import annotations

from typing import Any

from sleepbrux.core.provenance import EARLIER_MEASURES

GROUPS = {"chosen": "selection", "around": "surroundings"}
IN_SURROUNDINGS = {"probably": "wake_estimate", "raised": "activity_channels", "chance": "wake_probability"}


def _renamed(table: Any, names: dict[str, str]) -> Any:
    return {names.get(key, key): value for key, value in table.items()}


def present_groups(root: Any) -> None:
    """Rename groups of schemas 2 and 3 in a file that lies in memory."""
    for earlier, name in GROUPS.items():
        if earlier in root:
            root[name] = root.pop(earlier)
    group = root.get("surroundings", {})
    for earlier, name in IN_SURROUNDINGS.items():
        if earlier in group:
            group[name] = group.pop(earlier)


def present_header(header: dict[str, Any]) -> dict[str, Any]:
    """Header of schema 2 in today's names."""
    header = dict(header)
    header["alternative_readings"] = [
        {**reading, "measures": _renamed(reading["measures"], EARLIER_MEASURES)}
        for reading in header.pop("beside", ())
    ]
    header["measures"] = _renamed(header["measures"], EARLIER_MEASURES)
    header["about"] = [["person" if k == "pseudonym" else k, v] for k, v in header.get("about", ())]
    return header
