"""Makes the helpers beside it (`verify_data`, `run_on_disk`) importable from every test folder.

On several cores a file stays on one of them, so that what its tests share is made once; tests of
whole runs share theirs across files.
"""

from __future__ import annotations

import pytest

WHOLE_RUNS = {"camera_job", "typed_job"}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        used = set(getattr(item, "fixturenames", ()))
        file = item.nodeid.partition("::")[0]
        item.add_marker(pytest.mark.xdist_group("whole runs" if used & WHOLE_RUNS else file))
