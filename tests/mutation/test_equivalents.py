"""The list of equivalent mutants speaks of lines that stand in the files, and gives a reason for each."""

from __future__ import annotations

import pytest

from tests.mutation.equivalents import equivalents
from tests.mutation.mutants import ROOT, changes_functions_alone, changes_types_alone, put_into
from tests.mutation.rooms import ROOMS


@pytest.mark.parametrize("one", equivalents(), ids=lambda one: f"{one['file']}: {one['line']}")
def test_every_line_of_the_list_still_stands_in_its_file(one):
    assert set(one) == {"file", "operators", "line", "mutated", "why"}
    assert one["file"] in {file for file, _ in ROOMS.values()}
    lines = [line.strip() for line in (ROOT / one["file"]).read_text("utf-8").splitlines()]
    assert one["line"] in lines
    assert one["mutated"]
    assert one["line"] not in one["mutated"]
    assert all(operator.startswith("core/") for operator in one["operators"])
    assert len(one["why"]) > 20


def test_every_room_names_files_that_are_there():
    for file, tests in ROOMS.values():
        assert all((ROOT / name).is_file() for name in (file, *tests))


SOURCE = "from __future__ import annotations\nX = 1\ndef f(a: int | None) -> int:\n    return a + 1\n"


def test_a_mutant_of_a_type_of_a_function_and_of_the_module_are_told_apart():
    types = SOURCE.replace("int | None", "int + None")
    inside = SOURCE.replace("a + 1", "a - 1")
    module = SOURCE.replace("X = 1", "X = 2")
    assert [changes_types_alone(SOURCE, one) for one in (types, inside, module)] == [True, False, False]
    assert [changes_functions_alone(SOURCE, one) for one in (inside, module)] == [True, False]


def test_a_mutant_reaches_a_function_that_was_imported_by_name(tmp_path, monkeypatch):
    path = tmp_path / "a_mutated_module.py"
    path.write_text(SOURCE)
    monkeypatch.syspath_prepend(tmp_path)
    import a_mutated_module

    held = a_mutated_module.f
    assert held(3) == 4
    put_into(a_mutated_module, SOURCE, SOURCE.replace("a + 1", "a - 1"))
    assert held(3) == 2
