"""Work side by side and ahead: order, errors, how far ahead, and no threads within threads."""

import threading
import time

import pytest

from sleepbrux.core import parallel
from sleepbrux.core.parallel import each, made_ahead


def test_results_come_in_order_and_two_are_made_at_a_time():
    together = threading.Barrier(2)

    def slow(n):
        together.wait(10)  # each call waits for another one
        time.sleep(0.01 * (4 - n))
        return n * n

    assert list(made_ahead(slow, range(4))) == [0, 1, 4, 9]


def test_no_more_is_taken_from_the_source_than_is_made():
    taken = []

    def source():
        for n in range(10):
            taken.append(n)
            yield n

    found = made_ahead(lambda n: n, source())
    assert next(found) == 0
    assert len(taken) == 3
    found.close()


def test_an_error_comes_where_the_item_is_asked_for():
    def broken(n):
        if n == 1:
            raise ValueError("broken")
        return n

    found = made_ahead(broken, range(3))
    assert next(found) == 0
    with pytest.raises(ValueError, match="broken"):
        next(found)


def test_an_error_of_the_source_is_not_lost():
    def source():
        yield 1
        raise ValueError("broken")

    with pytest.raises(ValueError, match="broken"):
        list(made_ahead(lambda n: n, source()))


def test_nothing_gives_nothing_and_an_item_may_be_empty():
    assert list(made_ahead(lambda n: n, [])) == []
    assert list(made_ahead(lambda n: n, [None, 0, ()])) == [None, 0, ()]


def test_work_side_by_side_starts_no_threads_of_its_own_inside_another(monkeypatch):
    monkeypatch.setattr(parallel, "default_threads", lambda: 2)

    def inner(_):
        return threading.current_thread().name

    def outer(_):
        return {threading.current_thread().name} == set(each(inner, range(4)))

    assert all(each(outer, range(4)))
    assert all(made_ahead(outer, range(4)))
    assert threading.current_thread().name not in each(inner, range(4))
