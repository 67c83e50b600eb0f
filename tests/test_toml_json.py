"""TOML and JSON: lines of keys, and each mistake told with its line."""

from collections.abc import Callable
from pathlib import Path

import pytest

from hysteresis.errors import InputError
from hysteresis.files import read_json, read_toml, write_json


def fault(read: Callable[[], object]) -> InputError:
    with pytest.raises(InputError) as caught:
        read()
    assert "\n" not in str(caught.value)  # one sentence
    return caught.value


def test_lines_of_toml_keys(tmp_path: Path) -> None:
    path = tmp_path / "file.toml"
    path.write_text(
        """\
# heading = 1
top = 1
"quoted key" = 'a # no comment'
[one]  # [two]
key = \"\"\"
inside = 2
[not.a.section]\"\"\"
dotted.deep.key = [ # numbers
    1,
    2, # ] not the end

    { u = "}", v = 4 },
]
[one.two]
date = 2026-01-02T03:04:05Z
[[rows]]
x = 1
[[rows]]
x = 2
[rows.sub]
y = 3
[[rows.list]]
z = 4
"""
    )
    content, line_of = read_toml(path)
    assert content["one"]["dotted"]["deep"]["key"][2]["v"] == 4
    expected = {
        ("top",): 2,
        ("quoted key",): 3,
        ("one",): 4,
        ("one", "key"): 5,
        ("one", "dotted"): 8,
        ("one", "dotted", "deep", "key"): 8,
        ("one", "dotted", "deep", "key", 0): 9,
        ("one", "dotted", "deep", "key", 1): 10,
        ("one", "dotted", "deep", "key", 2): 12,
        ("one", "dotted", "deep", "key", 2, "v"): 12,
        ("one", "two"): 14,
        ("one", "two", "date"): 15,
        ("rows",): 16,
        ("rows", 0): 16,
        ("rows", 0, "x"): 17,
        ("rows", 1): 18,
        ("rows", 1, "x"): 19,
        ("rows", 1, "sub"): 20,
        ("rows", 1, "sub", "y"): 21,
        ("rows", 1, "list", 0, "z"): 23,
    }
    assert {key: line_of(key) for key in expected} == expected
    for none in [("heading",), ("inside",), ("not",), ("one", "two", "key"), ("rows", 2)]:
        assert line_of(none) is None


def test_a_table_is_not_a_file_of_settings(tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    path.write_text("0.1,0.2,0.3\n" * 100_000)
    error = fault(lambda: read_toml(path))
    assert "more than 1 MB" in error.what and "bench.toml" in str(error.mend)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a = 1\nb = \n", 2),
        ("a = 1\nb 2\n", 2),
        ("a = 1\n\n[s\nb = 2\n", 3),
        ("a = 1\na = 2\n", 2),
        ("a = 1\nb = 'open\n", 2),
        ("a = 1\nb = [1,\n\n", 2),
        ("a = " + 5000 * "[" + "\n", None),
        ("a = " + 5000 * "9" + "\n", None),
    ],
)
def test_toml_mistakes(tmp_path: Path, text: str, line: int | None) -> None:
    path = tmp_path / "file.toml"
    path.write_text(text)
    error = fault(lambda: read_toml(path))
    assert error.row == line
    assert error.what.startswith("this is not valid TOML")


def test_json_round_trip(tmp_path: Path) -> None:
    path = tmp_path / "file.json"
    content = {"b": [1, 0.1, None, True], "a": {"name": "µ"}}
    write_json(path, content)
    assert read_json(path) == content
    assert "µ" in path.read_text(encoding="utf-8")
    with pytest.raises(ValueError, match="JSON compliant"):
        write_json(path, {"a": float("nan")})
    assert read_json(path) == content


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ('{"a": 1,\n"b": }', 2, "not valid JSON"),
        ('{"a": 1', 1, "not valid JSON"),
        ('{"a": 1,\n"b": [2, NaN]}', 2, "not a number of JSON"),
            ('{"NaN": "NaN",\n"a": -Infinity}', 2, "not a number of JSON"),
        ('{"a": 1, "a": 2}', None, "stands twice"),
        (5000 * "[", None, "not usable JSON"),
        (5000 * "9", None, "not usable JSON"),
    ],
)
def test_json_mistakes(tmp_path: Path, text: str, line: int | None, what: str) -> None:
    path = tmp_path / "file.json"
    path.write_text(text)
    error = fault(lambda: read_json(path))
    assert error.row == line
    assert what in error.what
