"""What all test folders have in common; and makes the helpers beside it importable from each."""

import os

if "PYTEST_XDIST_WORKER" in os.environ:
    # a worker has one core: a second thread of the linear algebra would spin for another's
    os.environ.setdefault("OMP_NUM_THREADS", "1")

from shared import shared_folder

__all__ = ["shared_folder"]
