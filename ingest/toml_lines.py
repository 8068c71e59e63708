"""On which line of a TOML text does a key stand? `tomllib` reads the values but keeps no positions."""

import re
import tomllib
from bisect import bisect_right

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]+")  # to the end of the value: a date may hold a blank


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line (from 1) on which each key, table and array element of valid TOML text begins.

    A key's path is the one that leads to its value in `tomllib.loads(text)`. Text that is not valid gives
    the lines up to the place that makes no sense.
    """
    return _KeyFinder(text).find()


class _KeyFinder:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line_starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self.lines: dict[KeyPath, int] = {}
        self.elements: dict[KeyPath, int] = {}  # array of tables -> index of its newest element

    def find(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            before = self.at
            if self._skip_text("[["):
                table = self._header(array=True)
            elif self._skip_text("["):
                table = self._header(array=False)
            else:
                self._pair(table)
            self._skip(_BLANK)
            if self.at == before:
                break
        return self.lines

    def _header(self, *, array: bool) -> KeyPath:
        line = self._line()
        path: KeyPath = ()
        keys = self._keys()
        for position, key in enumerate(keys):
            path = (*path, key)
            self.lines.setdefault(path, line)
            if array and position == len(keys) - 1:
                self.elements[path] = self.elements.get(path, -1) + 1
            if path in self.elements:
                path = (*path, self.elements[path])
        self.lines[path] = line
        self._skip_text("]]" if array else "]")
        return path

    def _pair(self, table: KeyPath) -> None:
        line = self._line()
        path = table
        for key in self._keys():
            path = (*path, key)
            self.lines.setdefault(path, line)
        self._skip_text("=")
        self._skip(_BLANK)
        self._value(path)

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._skip(_BLANK)
            start = self.at
            if self._skip(_STRING):
                keys.append(str(tomllib.loads(f"key = {self.text[start : self.at]}")["key"]))
            elif self._skip(_BARE):
                keys.append(self.text[start : self.at])
            self._skip(_BLANK)
            if not self._skip_text("."):
                return keys

    def _value(self, path: KeyPath) -> None:
        if self._skip_text("["):
            self._members("]", path)
        elif self._skip_text("{"):
            self._members("}", path)
        elif not self._skip(_STRING):
            self._skip(_SCALAR)

    def _members(self, end: str, path: KeyPath) -> None:
        index = 0
        while True:
            self._skip(_BLANK)
            before = self.at
            if self._skip_text(end):
                return
            if end == "]":
                self.lines[(*path, index)] = self._line()
                self._value((*path, index))
            else:
                self._pair(path)
            index += 1
            self._skip(_BLANK)
            self._skip_text(",")
            if self.at == before:
                return

    def _line(self) -> int:
        return bisect_right(self.line_starts, self.at)

    def _skip(self, pattern: re.Pattern[str]) -> bool:
        match = pattern.match(self.text, self.at)
        if match is None or match.end() == self.at:
            return False
        self.at = match.end()
        return True

    def _skip_text(self, wanted: str) -> bool:
        found = self.text.startswith(wanted, self.at)
        if found:
            self.at += len(wanted)
        return found
