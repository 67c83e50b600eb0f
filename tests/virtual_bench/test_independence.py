"""The bench shares nothing with what is fitted: every import is looked at."""

import ast
from pathlib import Path

import pytest

import hysteresis.virtual_bench

FOLDER = Path(hysteresis.virtual_bench.__file__).parent
ALLOWED = {
    "errors", "quantities", "files", "table_files", "tables", "bench", "run_folder", "plan",
    "virtual_bench",
}  # fmt: skip


def _imported(source: str) -> set[str]:
    """The parts of the package that a file imports, anywhere in it."""
    parts = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "a relative import hides where it leads"
            names = [node.module or ""]
            if node.module == "hysteresis":
                names = [f"hysteresis.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        parts |= {name.split(".")[1] for name in names if name.startswith("hysteresis.")}
    return parts


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.py")), ids=lambda p: p.name)
def test_only_records_and_files_are_imported(path):
    source = path.read_text(encoding="utf-8")
    assert _imported(source) <= ALLOWED
    assert "importlib" not in source and "__import__" not in source


def test_the_look_would_find_a_forbidden_import():
    assert _imported("def f():\n    from hysteresis.kernels import stops\n") == {"kernels"}
    assert _imported("from hysteresis import optics") == {"optics"}
