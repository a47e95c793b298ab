"""The data dictionary: every column of every table, with unit and meaning."""

from __future__ import annotations

from sleepbrux.export.tables import BURST_COLUMNS, EPISODE_COLUMNS, NIGHT_COLUMNS, csv_text
from sleepbrux.night import Night

MEASURE_COLUMNS = {
    "measure": "name, as in the summary",
    "value": "empty where it cannot be computed",
    "unit": "1 is a plain count or ratio",
    "basis": "what it was computed from or divided by",
    "reason": "why there is no value",
    "low_95": "lower end of the first interval, in the measure's unit",
    "high_95": "upper end",
    "interval": "what that interval can say",
    "keys": "settings that it rests on, joined by spaces",
}
EXCLUDED_COLUMNS = {
    "start_s": "s from the first sample, gaps counted",
    "stop_s": "s",
    "channel": "label",
    "reason": "word for programs",
    "text": "in words",
}
EVENT_COLUMNS = {
    "onset": "s from the first sample, gaps counted",
    "duration": "s",
    "trial_type": "type of event",
    "channel": "channel that it belongs to",
    "episode": "number of its episode as in all tables",
    "peak_pct_mvc": "highest envelope, % MVC",
    "mean_pct_mvc": "level over the whole event, % MVC",
    "peak_uv": "highest envelope, µV",
    "mean_uv": "level over the whole event, µV",
}
TEXT = ("kind", "sides", "flags", "channel", "measure", "unit", "basis", "reason", "interval",
        "keys", "text", "trial_type", "night", "condition", "criterion", "reference", "recording",
        "report_id", "supersedes", "window", "pseudonym", "study_sha256", "input_sha256")  # fmt: skip
MEANINGS = {
    "episodes": EPISODE_COLUMNS,
    "bursts": BURST_COLUMNS,
    "channel_bursts": BURST_COLUMNS,
    "measures": MEASURE_COLUMNS,
    "excluded": EXCLUDED_COLUMNS,
    "events": EVENT_COLUMNS,
    "nights": NIGHT_COLUMNS,
}
UNITS = (("_pct_mvc", "% MVC"), ("_uv", "µV"), ("_s", "s"), ("_hz", "Hz"), ("_hours", "h"),
         ("_per_hour", "1/h"), ("_pct", "%"))  # fmt: skip


def unit_of(column: str) -> str:
    """Unit of a column by its name; empty for a text.

    Examples
    --------
    >>> unit_of("start_s"), unit_of("peak_pct_mvc"), unit_of("bursts"), unit_of("kind")
    ('s', '% MVC', '1', '')
    """
    if column in TEXT:
        return ""
    if column in ("onset", "duration"):
        return "s"
    return next((unit for end, unit in UNITS if column.endswith(end)), "1")


def dictionary_csv(night: Night) -> str:
    """One row a column of each table, and one a measure of the night."""
    rows = [
        (table, column, unit_of(column), "text" if not unit_of(column) else "number", meaning)
        for table, columns in MEANINGS.items()
        for column, meaning in columns.items()
    ]
    rows += [
        ("study_table", name, m.unit, "number", f"measure of the night; {m.basis}")
        for name, m in night.measures.items()
    ]
    return csv_text(("table", "column", "unit", "type", "meaning"), rows)
