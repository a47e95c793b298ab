"""The list of equivalent mutants speaks of lines that stand in the files, and gives a reason for each."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from tests.mutation.__main__ import _Mutated, drawn
from tests.mutation.equivalents import equivalents
from tests.mutation.mutants import ROOT, functions_of, places, put_into, within
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
    def at(line, text):
        column = SOURCE.splitlines()[line - 1].index(text)
        return SimpleNamespace(start_pos=(line, column), end_pos=(line, column + len(text)))

    types, bodies = places(SOURCE)
    spots = [at(2, "1"), at(3, "|"), at(3, "int:"), at(4, "+")]
    assert [within(one, types) for one in spots] == [False, True, False, False]
    assert [within(one, bodies) for one in spots] == [False, False, False, True]
    assert places(SOURCE.replace("annotations", "division"))[0] == []


def test_a_mutant_reaches_a_function_that_was_imported_by_name(tmp_path, monkeypatch):
    path = tmp_path / "a_mutated_module.py"
    path.write_text(SOURCE)
    monkeypatch.syspath_prepend(tmp_path)
    import a_mutated_module

    held = a_mutated_module.f
    assert held(3) == 4
    put_into(functions_of(a_mutated_module), str(path), SOURCE, SOURCE.replace("a + 1", "a - 1"))
    assert held(3) == 2


def test_a_seed_draws_the_same_mutants_whatever_ids_they_have():
    def mutants(*ids):
        spots = [("core/Number", 0), ("core/Number", 1), ("core/Add_Sub", 0), ("core/Add_Sub", 1)]
        made = {
            id_: SimpleNamespace(operator_name=name, occurrence=k, operator_args={})
            for id_, (name, k) in zip(ids, spots, strict=True)
        }
        order = {
            seed: [(made[j].operator_name, made[j].occurrence) for j in drawn(made, seed)] for seed in (1, 2)
        }
        assert sorted(order[1]) == sorted(order[2]) == sorted(spots)
        return order

    assert mutants("a", "b", "c", "d") == mutants("z", "m", "a", "q")
    assert len({tuple(order) for order in mutants("a", "b", "c", "d").values()}) == 2


def test_a_warning_of_the_compiler_about_a_mutant_is_no_error(tmp_path):
    text = "X = 1\nY = X is not 1\n"
    path = tmp_path / "a_module_with_a_literal.py"
    path.write_text(text)
    with pytest.warns(SyntaxWarning):
        compile(text, str(path), "exec")
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert _Mutated("a_module_with_a_literal", path, text).source_to_code(text.encode(), path)
