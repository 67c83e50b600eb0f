"""How every kernel is compiled: cached on disk, without the interpreter lock, IEEE division."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a plain function on its first call."""
    result: Callable[..., Any] = njit(cache=True, error_model="numpy", nogil=True)(function)
    return result


def inlined(function: Callable[..., Any]) -> Callable[..., Any]:
    """The same, written out at every place of call: for short steps with many arguments."""
    result: Callable[..., Any] = njit(
        cache=True, error_model="numpy", nogil=True, inline="always"
    )(function)
    return result


def summing(function: Callable[..., Any]) -> Callable[..., Any]:
    """The same, for a long sum: its order and fused products are left to the compiler."""
    result: Callable[..., Any] = njit(
        cache=True, error_model="numpy", nogil=True, fastmath={"reassoc", "contract"}
    )(function)
    return result
