"""The data dictionary: every column of every table, with type, unit, range and meaning."""

from __future__ import annotations

from sleepbrux.export.columns import TABLES, Column, measure_column
from sleepbrux.export.tables import csv_text
from sleepbrux.scoring.night import Night

HEADS = ("table", "column", "unit", "type", "range", "meaning")


def _row(table: str, name: str, column: Column) -> tuple[str, ...]:
    return table, name, column.unit, column.type, column.range, column.meaning


def dictionary_csv(night: Night) -> str:
    """One row a column of each table, and one a measure of the night as the study table has it."""
    rows = [
        _row(table, name, column) for table, columns in TABLES.items() for name, column in columns.items()
    ]
    rows += [
        _row("study_table", name, measure_column(name, m.unit, m.basis)) for name, m in night.measures.items()
    ]
    return csv_text(HEADS, rows)
