"""The headless browser of the report tests."""

from tests.report.conftest import browser

__all__ = ["browser"]
