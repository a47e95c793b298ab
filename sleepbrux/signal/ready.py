"""Loops that were compiled beforehand, and whether they serve here.

A wheel may hold the loops as machine code (`READY`), made by ``python -m tests.ready_code`` for one processor family,
one Python and one numba, so that a first run need not compile. It is used where all three agree and the source is
the same to the byte; elsewhere numba compiles, and keeps what it compiled in its own place.
"""

from __future__ import annotations

import platform
import sys
from contextlib import suppress
from functools import cache
from hashlib import sha256
from pathlib import Path
from pickle import UnpicklingError
from typing import Any

import numba
from numba.core.caching import IndexDataCacheFile
from numba.core.compiler import CompileResult

config: Any = numba.config
# Every x86 processor since about 2015 has the instructions of this level (x86-64 psABI).
CPU, FEATURES = "x86-64-v3", ""
NEEDED = ("avx2", "bmi", "bmi2", "f16c", "fma", "lzcnt", "movbe")
READY = Path(__file__).parent / "ready_code" / f"numba-{numba.__version__}"


class ReadyFirst:
    """A function's cache in which the code that came with the package is looked up before the user's own.

    The names under which numba keeps code are its own affair; `READY` is of this very version.

    Parameters
    ----------
    function
        The loop.
    own
        numba's cache of it.
    """

    def __init__(self, function: Any, own: Any) -> None:
        source = Path(function.__code__.co_filename)
        python = f"{sys.version_info[0]}{sys.version_info[1]}{getattr(sys, 'abiflags', '')}"
        name = f"{source.stem}.{function.__qualname__}-{function.__code__.co_firstlineno}.py{python}"
        self._own = own
        self._code = (sha256(function.__code__.co_code).hexdigest(), sha256(b"").hexdigest())
        self._file = IndexDataCacheFile(str(READY), name, _digest(source))

    def __getattr__(self, name: str) -> Any:
        """All but the look-up is numba's own."""
        return getattr(self._own, name)

    def holds_code(self) -> bool:
        """Whether there is any code of this very source."""
        with suppress(OSError, EOFError, UnpicklingError):
            return bool(self._file._load_index())
        return False

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Compiled code for these types, None where there is none yet."""
        target_context.refresh()
        triple = target_context.codegen().magic_tuple()[0]
        with suppress(OSError, EOFError, UnpicklingError):  # a copy that was cut off
            stored = self._file.load((sig, (triple, CPU, FEATURES), self._code))
            if stored is not None:
                return CompileResult._rebuild(target_context, *stored)
        return self._own.load_overload(sig, target_context)


@cache
def _digest(source: Path) -> bytes:
    return sha256(source.read_bytes()).digest()


@cache
def can_use_ready() -> bool:
    """Whether code lies ready, may be used, and this processor has its instructions."""
    if config.CPU_NAME or config.BOUNDSCHECK or config.DISABLE_JIT or not READY.is_dir():
        return False
    if platform.machine().casefold() not in ("x86_64", "amd64"):
        return False
    from llvmlite.binding import get_host_cpu_features

    has = get_host_cpu_features()
    return all(has.get(name, False) for name in NEEDED)


def look_first(loop: Any) -> None:
    """Let a compiled loop look for code that came with the package, where that serves here."""
    if can_use_ready():
        loop._cache = ReadyFirst(loop.py_func, loop._cache)


def is_ready(loop: Any) -> bool:
    """Whether a loop came compiled."""
    kept = getattr(loop, "_cache", None)
    return isinstance(kept, ReadyFirst) and kept.holds_code()
