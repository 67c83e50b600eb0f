"""One piece of work and what comes of it: plain bytes and texts, so that it may run anywhere."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

FORMAT = 2
"""Part of every key: another number makes every result anew."""


@dataclass(frozen=True)
class Task:
    """What is to be worked out of one run, whole in itself.

    `fit`: measure where there is no recording, fit where there is no model, and the figures.
    `forecast`: the error on a path that the model foretells. `run` names the run; `files` are
    contents by their names in its folder, those of the path below 'path/'. `stamp` is the date
    that a model bears: it comes from the one who asks, so that the work itself knows no clock.
    `placement`: how the path lies and moves, see `placement_of`.
    """

    kind: Literal["fit", "forecast"]
    run: str
    files: dict[str, bytes] = field(repr=False)
    memory: str = "auto"
    path: str = ""
    pause_s: float = 0.0
    stamp: str = ""
    placement: dict[str, Any] = field(default_factory=dict)

    def inputs(self) -> dict[str, str]:
        """SHA-256 of every file, by name."""
        return {name: sha256(data) for name, data in sorted(self.files.items())}

    def key(self, software: dict[str, str]) -> str:
        """SHA-256 of all that the result depends on: inputs, options, software."""
        about = [FORMAT, self.kind, self.inputs(), self.memory, self.path, self.pause_s,
                 self.placement, software]  # fmt: skip
        return sha256(json.dumps(about, sort_keys=True).encode())


@dataclass(frozen=True)
class Outcome:
    """What came of a task. `files` are new contents by name, `plain` what JSON can hold.

    Of a failure `reason` is a sentence, and `lasting` says that the same input would fail again.
    """

    done: bool
    files: dict[str, bytes] = field(default_factory=dict, repr=False)
    plain: dict[str, Any] = field(default_factory=dict, repr=False)
    seconds: float = 0.0
    reason: str = ""
    lasting: bool = True


Work = Callable[[Task], Outcome]
Results = Generator[tuple[Task, Outcome], None, None]
Engine = Callable[[Iterable[Task], Work], Results]
"""Takes tasks one by one, gives what is finished in any order; closing it stops the work."""


def failed(reason: str, *, lasting: bool = False, seconds: float = 0.0) -> Outcome:
    """An outcome without a result."""
    return Outcome(False, reason=reason, lasting=lasting, seconds=seconds)


def sha256(data: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(data).hexdigest()
