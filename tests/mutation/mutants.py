"""Mutants of a file by cosmic-ray, and what they change: types alone, functions alone, or the module."""

from __future__ import annotations

import ast
import gc
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cosmic_ray.work_item import MutationSpec

ROOT = Path(__file__).parents[2]


def mutated_source(source: str, mutation: MutationSpec) -> str:
    """The source with one change."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    operator = get_operator(mutation.operator_name)(**mutation.operator_args)
    changed = mutate_code(source, operator, mutation.occurrence)
    if changed is None:
        raise AssertionError(f"no such mutant: {mutation}")
    return changed


Places = list[tuple[tuple[int, int], tuple[int, int]]]


def _place(node: ast.expr | ast.stmt) -> tuple[tuple[int, int], tuple[int, int]]:
    return (node.lineno, node.col_offset), (node.end_lineno or 0, node.end_col_offset or 0)


def places(source: str) -> tuple[Places, Places]:
    """Where annotations stand that are never evaluated, and where the bodies of functions do."""
    types: Places = []
    bodies: Places = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef):
            bodies.append((_place(node.body[0])[0], _place(node.body[-1])[1]))
            types += [_place(node.returns)] if node.returns else []
        if isinstance(node, ast.arg | ast.AnnAssign) and node.annotation:
            types.append(_place(node.annotation))
    return (types if "from __future__ import annotations" in source else []), bodies


def within(mutation: MutationSpec, some: Places) -> bool:
    """Whether the change lies in one of the places."""
    return any(start <= tuple(mutation.start_pos) and tuple(mutation.end_pos) <= end for start, end in some)


def _functions(code: CodeType) -> Iterator[CodeType]:
    """Code of functions at the module's and the classes' level, in order."""
    for const in code.co_consts:
        if isinstance(const, CodeType):
            if const.co_flags & 0x2:  # new locals: a function, not the body of a class
                yield const
            else:
                yield from _functions(const)


Key = tuple[str, int]


def functions_of(module: ModuleType) -> list[FunctionType]:
    """Every function that was made from the module's file, wherever it is referred to."""
    return [
        thing
        for thing in gc.get_objects()
        if isinstance(thing, FunctionType) and thing.__code__.co_filename == module.__file__
    ]


def put_into(functions: Sequence[FunctionType], name: str, source: str, changed: str) -> None:
    """Give the functions of the file ``name`` the code of the mutant."""
    with warnings.catch_warnings():
        warnings.simplefilter(
            "ignore", SyntaxWarning
        )  # `is` beside a literal; it would end the child as an error
        before, after = (list(_functions(compile(text, name, "exec"))) for text in (source, changed))
    new: dict[Key, CodeType] = {
        (a.co_qualname, a.co_firstlineno): b for a, b in zip(before, after, strict=True)
    }
    found = set()
    for function in functions:
        key = (function.__code__.co_qualname, function.__code__.co_firstlineno)
        if key in new:
            function.__code__ = new[key]
            found.add(key)
    if missed := {key for (key, b), a in zip(new.items(), before, strict=True) if a != b} - found:
        raise AssertionError(f"no function to put the mutant into: {missed}")
