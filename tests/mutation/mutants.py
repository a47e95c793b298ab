"""Mutants of a file by cosmic-ray, and what they change: types alone, functions alone, or the module."""

from __future__ import annotations

import ast
import gc
from collections.abc import Iterator
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


class _Stripped(ast.NodeTransformer):
    """A tree without types and, where asked, without what functions do."""

    def __init__(self, *, bodies: bool) -> None:
        self.bodies = bodies

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.FunctionDef:
        self.generic_visit(node)
        node.returns = None
        if not self.bodies:
            node.body = [ast.Pass()]
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AnnAssign:
        self.generic_visit(node)
        node.annotation = ast.Constant(0)
        return node


def _dump(source: str, *, bodies: bool) -> str:
    return ast.dump(_Stripped(bodies=bodies).visit(ast.parse(source)))


def changes_types_alone(source: str, changed: str) -> bool:
    """Whether the two differ in annotations only, which are never evaluated under the future import."""
    return "from __future__ import annotations" in source and _dump(source, bodies=True) == _dump(
        changed, bodies=True
    )


def changes_functions_alone(source: str, changed: str) -> bool:
    """Whether the two differ only inside functions, so that new code in the same functions is the mutant."""
    return _dump(source, bodies=False) == _dump(changed, bodies=False)


def _functions(code: CodeType) -> Iterator[CodeType]:
    """Code of functions at the module's and the classes' level, in order."""
    for const in code.co_consts:
        if isinstance(const, CodeType):
            if const.co_flags & 0x2:  # new locals: a function, not the body of a class
                yield const
            else:
                yield from _functions(const)


def put_into(module: ModuleType, source: str, changed: str) -> None:
    """Give the module's functions, wherever they are referred to, the code of the mutant."""
    name = str(module.__file__)
    before, after = (list(_functions(compile(text, name, "exec"))) for text in (source, changed))
    new = {(a.co_qualname, a.co_firstlineno): b for a, b in zip(before, after, strict=True)}
    found = set()
    for thing in gc.get_objects():
        if isinstance(thing, FunctionType) and thing.__code__.co_filename == name:
            key = (thing.__code__.co_qualname, thing.__code__.co_firstlineno)
            if key in new:
                thing.__code__ = new[key]
                found.add(key)
    changed_code = {key for (key, b), a in zip(new.items(), before, strict=True) if a.co_code != b.co_code}
    if missed := changed_code - found:
        raise AssertionError(f"no function to put the mutant into: {missed}")
