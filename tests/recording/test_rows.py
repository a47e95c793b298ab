"""Every row of the table of bad inputs has a test, and the page of them is no older than the tests."""

from __future__ import annotations

import re

import pytest

from tests.outside.registry import shared

from . import rows


@pytest.mark.parametrize("row", rows.ROWS)
def test_every_row_has_a_test(row):
    assert rows.tests_by_row()[row]


def test_the_page_is_no_older_than_the_tests():
    assert rows.PAGE.read_text("utf-8") == rows.page()


def test_rows_are_those_of_the_table_of_bad_inputs():
    text = shared("..", "bad-inputs.md").read_text("utf-8").split("## C.")[1].split("## D.")[0]
    assert [int(n) for n in re.findall(r"^\| (\d+) \|", text, re.MULTILINE)] == list(rows.ROWS)
