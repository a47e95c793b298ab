"""Arguments of the public functions: what each may be, and one sentence where it is something else."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import wraps
from numbers import Integral, Real
from typing import Any, ParamSpec, TypeVar, get_origin

from sleepbrux.core.errors import UsageError

LONGEST_SHOWN = 60
P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True)
class Kind:
    """What an argument may be.

    Attributes
    ----------
    fits
        Whether a value is one.
    words
        The same for people: "wanted is ...".
    """

    fits: Callable[[Any], bool]
    words: str

    def __or__(self, other: Kind) -> Kind:
        """A value of either kind."""
        return Kind(lambda value: self.fits(value) or other.fits(value), f"{self.words} or {other.words}")


def of(kind: type, words: str = "") -> Kind:
    """A value of a class."""
    return Kind(lambda value: isinstance(value, kind), words or f"a {kind.__name__}")


def one_of(*words: str) -> Kind:
    """One of some words."""
    return Kind(lambda value: isinstance(value, str) and value in words, " or ".join(map(repr, words)))


def each(kind: Kind, words: str) -> Kind:
    """A list or the like, of which every item is of a kind; a text is none."""

    def fits(value: Any) -> bool:
        if isinstance(value, str | bytes | Mapping) or not isinstance(value, Iterable):
            return False
        return not hasattr(value, "__next__") and all(kind.fits(item) for item in value)

    return Kind(fits, words)


def by_label(kind: Kind, words: str) -> Kind:
    """A table whose keys are texts."""
    return Kind(
        lambda value: (
            isinstance(value, Mapping)
            and all(isinstance(key, str) and kind.fits(item) for key, item in value.items())
        ),
        words,
    )


NONE = Kind(lambda value: value is None, "None")
TEXT = of(str, "a text")
FLAG = of(bool, "True or False")
WHOLE = Kind(lambda value: isinstance(value, Integral) and not isinstance(value, bool), "a whole number")
NUMBER = Kind(lambda value: isinstance(value, Real) and not isinstance(value, bool), "a number")
PATH = Kind(lambda value: isinstance(value, str | os.PathLike), "a path")
CALL = Kind(callable, "a function")
TEXTS = TEXT | each(TEXT, "a list of texts")
PAIR = Kind(
    lambda value: isinstance(value, tuple | list) and len(value) == 2 and all(map(NUMBER.fits, value)),
    "two numbers",
)
LEVELS = NUMBER | by_label(NUMBER, "a table of numbers by label")
WORDS = TEXT | by_label(TEXT, "a table of texts by label")


def check(**given: tuple[Any, Kind]) -> None:
    """Refuse arguments of another kind.

    Parameters
    ----------
    given
        By the argument's name, its value and its kind.

    Raises
    ------
    UsageError
        It names the argument, what was given, and what is wanted.

    Examples
    --------
    >>> check(workers=(2, NUMBER | NONE))
    >>> check(workers=("two", NUMBER | NONE))
    Traceback (most recent call last):
    sleepbrux.core.errors.UsageError: `workers` is 'two'; wanted is a number or None
    """
    for name, (value, kind) in given.items():
        if not kind.fits(value):
            raise UsageError(f"`{name}` is {_shown(value)}; wanted is {kind.words}")


def check_struct(made: Any) -> None:
    """Refuse fields of a struct, and of what it holds, of another kind than their annotations name.

    Raises
    ------
    UsageError
        It names the field, what was given, and what is wanted.
    """
    import msgspec

    for field in msgspec.structs.fields(made):
        value = getattr(made, field.name)
        try:
            msgspec.convert(msgspec.to_builtins(value), field.type)
        except (msgspec.ValidationError, TypeError) as error:
            wanted = re.search("Expected (.*?)(?:, got|$)", str(error))
            words = wanted[1].replace("`str`", "a text") if wanted else _wanted(field.type)
            raise UsageError(f"`{field.name}` is {_shown(value)}; wanted is {words}") from None


def _wanted(kind: Any) -> str:
    return "a text" if get_origin(kind) is None and kind is str else str(getattr(kind, "__name__", kind))


def renamed(**names: str) -> Callable[[Callable[P, T]], Callable[P, T]]:
    """A function that refuses earlier names of its arguments and says the present one.

    Parameters
    ----------
    names
        By the earlier name, the present one.

    Examples
    --------
    >>> @renamed(rate="rate_hz")
    ... def seconds(n: int, rate_hz: float) -> float:
    ...     return n / rate_hz
    >>> seconds(100, rate=50)
    Traceback (most recent call last):
    sleepbrux.core.errors.UsageError: `rate` is an earlier name of an argument of seconds(); it is now `rate_hz`
    """

    def refusing(function: Callable[P, T]) -> Callable[P, T]:
        @wraps(function)
        def called(*args: P.args, **kwargs: P.kwargs) -> T:
            for name in names.keys() & kwargs.keys():
                raise UsageError(
                    f"`{name}` is an earlier name of an argument of {function.__name__}(); it is now "
                    f"`{names[name]}`"
                )
            return function(*args, **kwargs)

        return called

    return refusing


def _shown(value: Any) -> str:
    """A plain value as it is written, another by its class."""
    plain = value is None or isinstance(value, str | int | float)
    text = repr(value) if plain else f"a {type(value).__name__}"
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."
