"""A night as pandas frames, for those who go on in Python."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sleepbrux.export.columns import BURSTS, EPISODES, EVENTS, MEASURES, Columns
from sleepbrux.export.events import events
from sleepbrux.export.study_table import measures_csv
from sleepbrux.export.tables import bursts_csv, channel_bursts_csv, episodes_csv
from sleepbrux.scoring.night import Night

if TYPE_CHECKING:
    import pandas as pd

DTYPES = {"text": "str", "integer": "Int64", "number": "float64", "0 or 1": "Int64"}


def _dtypes(columns: Columns) -> dict[str, str]:
    return {name: DTYPES[column.type] for name, column in columns.items()}


def frames(night: Night) -> dict[str, pd.DataFrame]:
    """Tables of a night; ``frame.attrs["columns"]`` gives the meaning of each of its columns.

    Returns
    -------
    ``episodes``, ``bursts``, ``channel_bursts`` and ``measures`` with the columns of the CSV files, and
    ``events`` with every event of `events`. Whole numbers and flags are ``Int64``, missing where a file
    has an empty cell. ``measures`` is indexed by the name of the measure.
    """
    import io

    import pandas as pd

    def read(text: str, columns: Columns) -> pd.DataFrame:
        return pd.read_csv(io.StringIO(text), dtype=_dtypes(columns), keep_default_na=False, na_values=[""])

    happened = pd.DataFrame([vars(e) for e in events(night)], columns=list(EVENTS))
    made = {
        "episodes": (read(episodes_csv(night), EPISODES), EPISODES),
        "bursts": (read(bursts_csv(night), BURSTS), BURSTS),
        "channel_bursts": (read(channel_bursts_csv(night), BURSTS), BURSTS),
        "events": (happened.replace({"episode": {0: pd.NA}}).astype(_dtypes(EVENTS)), EVENTS),
        "measures": (read(measures_csv(night), MEASURES), MEASURES),
    }
    for frame, columns in made.values():
        frame.attrs["columns"] = {name: column.meaning for name, column in columns.items()}
        frame.attrs["recording"] = night.swept.name
    found = {name: frame for name, (frame, _) in made.items()}
    found["measures"] = found["measures"].set_index("measure")
    return found
