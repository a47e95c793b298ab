"""Work side by side and ahead: order, errors, and no more than one step ahead."""

import threading

import pytest

from sleepbrux.core.parallel import ahead


def test_items_come_in_order_and_one_is_made_ahead():
    made = []
    second = threading.Event()

    def items():
        for k in range(4):
            made.append(k)
            if k == 1:
                second.set()
            yield k

    found = ahead(items())
    assert next(found) == 0
    assert second.wait(10)
    assert [0, *found] == [0, 1, 2, 3]
    assert made == [0, 1, 2, 3]


def test_an_error_comes_where_the_item_is_asked_for():
    def items():
        yield 1
        raise ValueError("broken")

    found = ahead(items())
    assert next(found) == 1
    with pytest.raises(ValueError, match="broken"):
        next(found)


def test_nothing_gives_nothing_and_an_item_may_be_empty():
    assert list(ahead([])) == []
    assert list(ahead([None, 0, ()])) == [None, 0, ()]
