"""A night as pandas frames, for those who go on in Python."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sleepbrux.export.events import events
from sleepbrux.export.tables import (
    IDENTITY_COLUMNS,
    bursts_csv,
    channel_bursts_csv,
    episodes_csv,
)
from sleepbrux.night import Night

if TYPE_CHECKING:
    import pandas as pd


def frames(night: Night) -> dict[str, pd.DataFrame]:
    """Tables of a night, each with its meaning in ``frame.attrs``.

    Returns
    -------
    ``episodes``, ``bursts`` and ``channel_bursts`` with the columns of the CSV files, ``events`` with
    every event of `events`, and ``measures``: one row a measure with value, unit, basis and reason.
    """
    import io

    import pandas as pd

    from sleepbrux.export.dictionary import MEANINGS

    texts = dict.fromkeys(("kind", "sides", "flags", "channel", *IDENTITY_COLUMNS), str)
    found = {
        name: pd.read_csv(io.StringIO(text), dtype=texts, keep_default_na=False, na_values=[""])
        for name, text in (
            ("episodes", episodes_csv(night)),
            ("bursts", bursts_csv(night)),
            ("channel_bursts", channel_bursts_csv(night)),
        )
    }
    for name in ("bursts", "channel_bursts"):
        found[name]["episode"] = found[name]["episode"].astype("Int64")
    found["events"] = pd.DataFrame([vars(e) for e in events(night)])
    found["measures"] = pd.DataFrame(
        [(n, m.value, m.unit, m.basis, m.reason) for n, m in night.measures.items()],
        columns=["measure", "value", "unit", "basis", "reason"],
    ).set_index("measure")
    for name, frame in found.items():
        frame.attrs["columns"] = MEANINGS.get(name, {})
        frame.attrs["recording"] = night.swept.name
    return found
