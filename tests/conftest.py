"""What all test folders have in common; and makes the helpers beside it importable from each."""

import os

# One thread of linear algebra per process of pytest: on small matrices a second one spins for the
# core that the other process has. Before numpy is imported, which reads it.
os.environ.setdefault("OMP_NUM_THREADS", "1")
# Lines of the same length whatever the terminal.
os.environ["COLUMNS"] = "100"

from shared import shared_folder

__all__ = ["shared_folder"]
