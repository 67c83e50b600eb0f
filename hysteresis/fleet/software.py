"""What a result depends on beside its inputs: the software, down to its libraries.

Bits also go with the processor, as linear algebra and compiled kernels choose their instructions
by it; that is told, not refused.
"""

from __future__ import annotations

import functools
import hashlib
import platform
from importlib.metadata import version
from pathlib import Path

LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "pandas")
NO_INFLUENCE = ("cli", "report", "virtual_bench", "fleet")
"""Parts of the package that no result comes from: words, pages, the simulated rig, the rounds of
the fleet itself (its `work.py` is counted all the same)."""


@functools.cache
def software() -> dict[str, str]:
    """Names and versions; `hysteresis` with a digest of the source that results come from."""
    found = {"hysteresis": f"{version('hysteresis')} {_source_digest()[:12]}"}
    found["python"] = platform.python_version()
    return found | {name: version(name) for name in LIBRARIES}


@functools.cache
def processor() -> str:
    """The kind of processor that kernels are compiled for on this machine."""
    from llvmlite.binding import get_host_cpu_name

    return f"{platform.machine()} {get_host_cpu_name()}"


def differences(here: dict[str, str], there: dict[str, str]) -> str:
    """What is not the same, in words; '' where all is."""
    return ", ".join(
        f"{name} {there.get(name, 'none')} there and {here.get(name, 'none')} here"
        for name in sorted({*here, *there})
        if here.get(name) != there.get(name)
    )


def _source_digest() -> str:
    root = Path(__file__).resolve().parents[1]
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        part = path.relative_to(root)
        if part.parts[0] not in NO_INFLUENCE or part.name == "work.py":
            digest.update(part.as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()
