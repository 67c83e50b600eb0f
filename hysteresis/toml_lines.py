"""On which line a TOML file sets which key, for complaints about values that parse but do not fit.

`tomllib` keeps no places. This walks once through a text that `tomllib` has accepted, so it may
trust the syntax and only has to tell keys, values, strings and comments apart.
"""

from __future__ import annotations

import re
import tomllib

KeyPath = tuple[str | int, ...]

_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|' r"'''.*?'{3,5}|" r'"(?:\\.|[^"\\])*"|' r"'[^']*'", re.DOTALL
)
_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_KEY = re.compile(r"""(?:"(?:\\.|[^"\\])*"|'[^']*'|[A-Za-z0-9_-]+)""")
_PLAIN = re.compile(r"[^,\]}\n#]+")


def lines_of_keys(text: str) -> dict[KeyPath, int]:
    """Map every key path of a valid TOML text to its line number, counted from 1."""
    return _Walk(text).lines


class _Walk:
    """One pass over the text. A class only because the position is shared by the rules."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}
        section: KeyPath = ()
        while self._skip() < len(text):
            if text.startswith("[[", self.at):
                section = self._section(2)
            elif text.startswith("[", self.at):
                section = self._section(1)
            else:
                self._setting(section)

    def _skip(self) -> int:
        match = _BLANK.match(self.text, self.at)
        self.at = match.end() if match else self.at
        return self.at

    def _note(self, path: KeyPath, start: int) -> None:
        line = self.text.count("\n", 0, start) + 1
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _section(self, brackets: int) -> KeyPath:
        start = self.at
        self.at += brackets
        names = self._dotted()
        self.at += brackets
        path: KeyPath = ()
        for i, name in enumerate(names):
            path = (*path, name)
            if brackets == 2 and i == len(names) - 1:
                self.counts[path] = self.counts.get(path, -1) + 1
            if path in self.counts:  # an array of tables: the last member so far is meant
                self._note(path, start)
                path = (*path, self.counts[path])
        self._note(path, start)
        return path

    def _dotted(self) -> list[str]:
        names = []
        while True:
            self._skip()
            match = _KEY.match(self.text, self.at)
            if match is None:
                raise AssertionError("the text was said to be valid TOML")
            self.at = match.end()
            key = match[0]
            names.append(str(tomllib.loads(f"v={key}")["v"]) if key[0] in "\"'" else key)
            self._skip()
            if not self.text.startswith(".", self.at):
                return names
            self.at += 1

    def _setting(self, section: KeyPath) -> None:
        start = self._skip()
        path = (*section, *self._dotted())
        self._note(path, start)
        self.at += 1  # the equals sign
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._skip()
        mark = self.text[self.at]
        if mark in "[{":
            self.at += 1
            member = 0
            while self.text[self._skip()] not in "]}":
                if mark == "[":
                    self._note((*path, member), self.at)
                    self._value((*path, member))
                    member += 1
                else:
                    self._setting(path)
                if self.text[self._skip()] == ",":
                    self.at += 1
            self.at += 1
            return
        match = (_STRING if mark in "\"'" else _PLAIN).match(self.text, self.at)
        if match is None:
            raise AssertionError("the text was said to be valid TOML")
        self.at = match.end()
