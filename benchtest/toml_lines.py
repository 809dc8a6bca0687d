"""On which line does each key of a TOML text stand? The standard reader keeps no positions, so this reads them again.

Only for text that ``tomllib`` has already accepted: nothing is validated here. Pure; no I/O.
"""

from __future__ import annotations

from bisect import bisect_right

Path = tuple[str | int, ...]
"""Keys and array positions from the top of the file, such as ("dmm", 0, "accuracy", 1, "range")."""

_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def key_lines(text: str) -> dict[Path, int]:
    """Line number, from 1, of every key, table and array element in ``text``.

    Parameters
    ----------
    text : str
        TOML that ``tomllib.loads`` accepts.

    Returns
    -------
    dict
        Path to line. A table that is only implied by a longer header ([a.b] implies a) has that header's line.

    Examples
    --------
    >>> key_lines("# a bench\\n[load]\\nleft_ohm = 8.0\\n")
    {('load',): 2, ('load', 'left_ohm'): 3}
    """
    scanner = _Scanner(text.replace("\r\n", "\n"))
    scanner.document()
    return scanner.lines


class _Scanner:
    """Walks through the text once; ``lines`` fills up on the way."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._newlines = [i for i, character in enumerate(text) if character == "\n"]
        self._tables_in: dict[Path, int] = {}  # array of tables -> how many have begun

    def document(self) -> None:
        prefix: Path = ()
        while self._to_next_token():
            if self.text[self.at] == "[":
                prefix = self._header()
            else:
                self._pair(prefix)

    def _header(self) -> Path:
        is_array = self.text.startswith("[[", self.at)
        line = self._line()
        self.at += 2 if is_array else 1
        keys = self._dotted_key()
        self.at += 2 if is_array else 1
        path: Path = ()
        for i, key in enumerate(keys):
            path = (*path, key)
            self.lines.setdefault(path, line)
            last = i == len(keys) - 1
            if last and is_array:
                self._tables_in[path] = self._tables_in.get(path, 0) + 1
            if path in self._tables_in:
                path = (*path, self._tables_in[path] - 1)
                self.lines.setdefault(path, line)
        return path

    def _pair(self, prefix: Path) -> None:
        line = self._line()
        path = prefix
        for key in self._dotted_key():
            path = (*path, key)
            self.lines.setdefault(path, line)
        self._skip(" \t")
        self.at += 1  # the equals sign
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip(" \t")
        first = self.text[self.at]
        if first in "\"'":
            self._string()
        elif first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}\n#":
                self.at += 1

    def _array(self, path: Path) -> None:
        self.at += 1
        index = 0
        while self._to_next_token() and self.text[self.at] != "]":
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self.lines[(*path, index)] = self._line()
            self._value((*path, index))
            index += 1
        self.at += 1

    def _inline_table(self, path: Path) -> None:
        self.at += 1
        while self._to_next_token() and self.text[self.at] != "}":
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self._pair(path)
        self.at += 1

    def _dotted_key(self) -> list[str]:
        keys = []
        while True:
            self._skip(" \t")
            if self.text[self.at] in "\"'":
                keys.append(self._string())
            else:
                start = self.at
                while self.at < len(self.text) and (self.text[self.at].isalnum() or self.text[self.at] in "_-"):
                    self.at += 1
                keys.append(self.text[start : self.at])
            self._skip(" \t")
            if not self.text.startswith(".", self.at):
                return keys
            self.at += 1

    def _string(self) -> str:
        quote = self.text[self.at]
        if self.text.startswith(quote * 3, self.at):
            return self._long_string(quote)
        self.at += 1
        found = []
        while self.text[self.at] != quote:
            if quote == '"' and self.text[self.at] == "\\":
                found.append(self._escape())
            else:
                found.append(self.text[self.at])
                self.at += 1
        self.at += 1
        return "".join(found)

    def _long_string(self, quote: str) -> str:
        # Its text is never a key, so only its end matters. Up to two quotes may stand before the closing three.
        self.at += 3
        while not self.text.startswith(quote * 3, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += 3
        for _ in range(2):
            if self.text.startswith(quote, self.at):
                self.at += 1
        return ""

    def _escape(self) -> str:
        kind = self.text[self.at + 1]
        width = {"u": 4, "U": 8}.get(kind, 0)
        digits = self.text[self.at + 2 : self.at + 2 + width]
        self.at += 2 + width
        return chr(int(digits, 16)) if width else _ESCAPES[kind]

    def _to_next_token(self) -> bool:
        """Skip blanks, line ends and comments; False at the end of the text."""
        while self.at < len(self.text):
            if self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif self.text[self.at] in " \t\n\r":
                self.at += 1
            else:
                return True
        return False

    def _skip(self, characters: str) -> None:
        while self.at < len(self.text) and self.text[self.at] in characters:
            self.at += 1

    def _line(self) -> int:
        return bisect_right(self._newlines, self.at - 1) + 1
