"""Finds the line of each key of a TOML document.

The standard library's parser gives values without line numbers. This scanner walks a document *that the parser has accepted* and
notes the line of every table header, key and array element; it finds the ends of values but does not check or convert them.
"""

from __future__ import annotations

from bisect import bisect_right

from service.site.reading.finding import KeyPath

_BLANK = " \t"
_BREAK = "\r\n"


class LineMap:
    """Lines by key path."""

    def __init__(self, lines: dict[KeyPath, int]) -> None:
        self._lines = lines

    def __contains__(self, path: KeyPath) -> bool:
        return path in self._lines

    def paths(self) -> frozenset[KeyPath]:
        """Every path that has a line."""
        return frozenset(self._lines)

    def line(self, path: KeyPath) -> int:
        """The line of that path, or of the nearest table around it; 0 when not even that exists.

        >>> lines = line_map('[site]\\nname = "A"')
        >>> lines.line(("site", "name")), lines.line(("site", "units")), lines.line(("tank",))
        (2, 1, 0)
        """
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path[:-1]
        return 0


def line_map(text: str) -> LineMap:
    """The lines of every key of *text*, a document that :func:`tomllib.loads` accepts."""
    return LineMap(_Scanner(text).document())


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._starts = [0, *(i + 1 for i, c in enumerate(text) if c == "\n")]
        self._lines: dict[KeyPath, int] = {}
        self._array_sizes: dict[KeyPath, int] = {}

    def document(self) -> dict[KeyPath, int]:
        prefix: KeyPath = ()
        self._skip_to_content()
        while self._at < len(self._text):
            if self._text.startswith("[[", self._at):
                prefix = self._header(2)
            elif self._text[self._at] == "[":
                prefix = self._header(1)
            else:
                self._key_value(prefix)
            self._skip_to_content()
        return self._lines

    def _header(self, brackets: int) -> KeyPath:
        line = self._line()
        self._at += brackets
        keys = self._dotted_key()
        self._skip(_BLANK)
        self._at += brackets
        path: KeyPath = ()
        for position, key in enumerate(keys):
            path = (*path, key)
            self._lines.setdefault(path, line)
            if position == len(keys) - 1 and brackets == 2:
                size = self._array_sizes.get(path, 0)
                self._array_sizes[path] = size + 1
                path = (*path, size)
                self._lines[path] = line
            elif path in self._array_sizes:
                path = (*path, self._array_sizes[path] - 1)  # a header under [[x]] speaks of the latest x
        if brackets == 1:
            self._lines[path] = line  # the header itself, even where [a.b] came before [a]
        return path

    def _key_value(self, prefix: KeyPath) -> None:
        line = self._line()
        path = prefix
        for key in self._dotted_key():
            path = (*path, key)
            self._lines.setdefault(path, line)
        self._skip(_BLANK)
        self._at += 1  # =
        self._skip(_BLANK)
        self._value(path)

    def _dotted_key(self) -> list[str]:
        keys = []
        while True:
            self._skip(_BLANK)
            keys.append(self._simple_key())
            self._skip(_BLANK)
            if self._peek() != ".":
                return keys
            self._at += 1

    def _simple_key(self) -> str:
        quote = self._peek()
        start = self._at
        if quote == "'":
            self._string()
            return self._text[start + 1 : self._at - 1]
        if quote == '"':
            self._string()
            return _unescaped(self._text[start + 1 : self._at - 1])
        while (c := self._peek()) and (c.isalnum() or c in "_-"):
            self._at += 1
        if self._at == start:
            raise ValueError(f"no key at line {self._line()}")
        return self._text[start : self._at]

    def _value(self, path: KeyPath) -> None:
        match self._peek():
            case "'" | '"':
                self._string()
            case "[":
                self._array(path)
            case "{":
                self._inline_table(path)
            case _:
                # Numbers, dates and booleans; a date and its time may be parted by a blank.
                while (c := self._peek()) and c not in ",]}#\r\n":
                    self._at += 1

    def _string(self) -> None:
        quote = self._text[self._at]
        literal = quote == "'"
        if not self._text.startswith(quote * 3, self._at):
            self._at += 1
            while self._text[self._at] != quote:
                self._at += 1 if literal or self._text[self._at] != "\\" else 2
            self._at += 1
            return
        self._at += 3
        while not self._text.startswith(quote * 3, self._at):
            self._at += 1 if literal or self._text[self._at] != "\\" else 2
        self._at += 3
        # Up to two quotes may stand right before the closing three.
        for _ in range(2):
            if self._peek() == quote:
                self._at += 1

    def _array(self, path: KeyPath) -> None:
        self._at += 1
        size = 0
        while True:
            self._skip_to_content()
            if self._peek() == "]":
                self._at += 1
                return
            element = (*path, size)
            self._lines[element] = self._line()
            self._value(element)
            size += 1
            self._skip_to_content()
            if self._peek() == ",":
                self._at += 1

    def _inline_table(self, path: KeyPath) -> None:
        self._at += 1
        while True:
            self._skip_to_content()
            if self._peek() == "}":
                self._at += 1
                return
            self._key_value(path)
            self._skip_to_content()
            if self._peek() == ",":
                self._at += 1

    def _skip_to_content(self) -> None:
        while True:
            self._skip(_BLANK + _BREAK)
            if self._peek() != "#":
                return
            end = self._text.find("\n", self._at)
            self._at = len(self._text) if end < 0 else end

    def _skip(self, characters: str) -> None:
        while (c := self._peek()) and c in characters:
            self._at += 1

    def _peek(self) -> str:
        return self._text[self._at : self._at + 1]

    def _line(self) -> int:
        return bisect_right(self._starts, self._at)


def _unescaped(body: str) -> str:
    if "\\" not in body:
        return body
    out = []
    at = 0
    while at < len(body):
        if body[at] != "\\":
            out.append(body[at])
            at += 1
            continue
        kind = body[at + 1]
        width = {"u": 4, "U": 8}.get(kind, 0)
        out.append(chr(int(body[at + 2 : at + 2 + width], 16)) if width else _ESCAPED[kind])
        at += 2 + width
    return "".join(out)


_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}
