"""Which tests take many seconds: those that ``tests/long.txt`` lists bear the mark ``long``."""

from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("untimed", deadline=None)  # the suite holds no timed assertion
settings.load_profile("untimed")

LISTED = Path(__file__).with_name("long.txt")


def listed() -> list[str]:
    """The lines of the list, each a file, a test or one case of it."""
    lines = LISTED.read_text("utf-8").splitlines()
    return [line for line in lines if line and not line.startswith("#")]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what is listed."""
    names = set(listed())
    for item in items:
        case = item.nodeid
        test = case.split("[")[0]
        if names & {case, test, test.split("::")[0]}:
            item.add_marker(pytest.mark.long)
