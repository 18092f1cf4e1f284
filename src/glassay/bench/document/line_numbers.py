"""On which line of a TOML text each key stands, so that mistakes can be reported there.

TOML parsers hand back values without places. This scanner walks a text that a parser has already
accepted, so it may assume valid TOML and only keeps track of keys, tables and line ends.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass

Path = tuple[str | int, ...]
"""Where a value stands: keys, and positions within arrays."""

_TOKEN = re.compile(
    r'''(?P<string>"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?'{3,5}|"(?:\\.|[^"\\])*"|'[^']*')'''
    r"""|(?P<space>[ \t\r]+|\#[^\n]*)|(?P<newline>\n)|(?P<mark>[][{}=,.])"""
    r"""|(?P<bare>[^][{}=,.\s\#"']+)""",
    re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    text: str
    line: int


class _Tokens:
    def __init__(self, text: str) -> None:
        self._stream = self._scan(text)
        self.now = next(self._stream)

    @staticmethod
    def _scan(text: str) -> Iterator[_Token]:
        line = 1
        for match in _TOKEN.finditer(text):
            kind = match.lastgroup or ""
            if kind != "space":
                yield _Token(kind, match[0], line)
            line += match[0].count("\n")
        while True:
            yield _Token("end", "", line)

    def take(self) -> _Token:
        token, self.now = self.now, next(self._stream)
        return token

    def skip_newlines(self) -> None:
        while self.now.kind == "newline":
            self.take()

    def at(self, mark: str) -> bool:
        return self.now.kind == "mark" and self.now.text == mark


def key_lines(text: str) -> dict[Path, int]:
    """Line number (from 1) of every table and key in a valid TOML `text`.

    Arrays of tables and arrays count their members from 0: the id of the second instrument is
    `("instrument", 1, "id")`.
    """
    lines: dict[Path, int] = {}
    members: dict[Path, int] = {}
    tokens = _Tokens(text)
    table: Path = ()
    while tokens.now.kind != "end":
        if tokens.now.kind == "newline":
            tokens.take()
        elif tokens.at("["):
            table = _read_header(tokens, members, lines)
        else:
            _read_pair(tokens, table, lines)
    return lines


def _read_header(tokens: _Tokens, members: dict[Path, int], lines: dict[Path, int]) -> Path:
    line = tokens.take().line
    is_array = tokens.at("[")
    if is_array:
        tokens.take()
    keys = _read_key(tokens)
    while tokens.at("]"):
        tokens.take()
    place: Path = ()
    for depth, key in enumerate(keys):
        place += (key,)
        lines.setdefault(place, line)  # also tables that are only named on the way
        last = depth == len(keys) - 1
        if last and is_array:
            members[place] = members.get(place, -1) + 1
        if place in members:
            place += (members[place],)
    lines.setdefault(place, line)
    return place


def _read_key(tokens: _Tokens) -> list[str]:
    keys = [_plain_key(tokens.take().text)]
    while tokens.at("."):
        tokens.take()
        keys.append(_plain_key(tokens.take().text))
    return keys


def _plain_key(text: str) -> str:
    if text[:1] == "'":
        return text[1:-1]
    if text[:1] != '"':
        return text
    return str(tomllib.loads(f"k = {text}")["k"])


def _read_pair(tokens: _Tokens, table: Path, lines: dict[Path, int]) -> None:
    line = tokens.now.line
    place = table
    for key in _read_key(tokens):
        place += (key,)
        lines.setdefault(place, line)
    tokens.take()  # the equals sign
    _read_value(tokens, place, lines)


def _read_value(tokens: _Tokens, place: Path, lines: dict[Path, int]) -> None:
    if tokens.at("["):
        tokens.take()
        index = 0
        tokens.skip_newlines()
        while not tokens.at("]") and tokens.now.kind != "end":
            lines[(*place, index)] = tokens.now.line
            _read_value(tokens, (*place, index), lines)
            index += 1
            _skip_separators(tokens)
        tokens.take()
    elif tokens.at("{"):
        tokens.take()
        tokens.skip_newlines()
        while not tokens.at("}") and tokens.now.kind != "end":
            _read_pair(tokens, place, lines)
            _skip_separators(tokens)
        tokens.take()
    elif tokens.now.kind == "string":
        tokens.take()
    else:  # a number, a date or a truth value, which may hold dots
        while tokens.now.kind == "bare" or tokens.at("."):
            tokens.take()


def _skip_separators(tokens: _Tokens) -> None:
    tokens.skip_newlines()
    if tokens.at(","):
        tokens.take()
    tokens.skip_newlines()
