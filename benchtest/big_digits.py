"""Numbers drawn large on a terminal, so that they are read from two metres. Pure.

A figure is five by seven dots, a point one by seven; a dot is two columns and one line, which is about square. Seven
lines of an ordinary terminal are some 35 mm high: letters of a two-hundredth of the distance are read with ease, so
10 mm would do for two metres (rule of thumb, no source).
"""

from __future__ import annotations

_FIGURES = {
    "0": "01110 11011 11011 11011 11011 11011 01110",
    "1": "00110 01110 00110 00110 00110 00110 01111",
    "2": "01110 11011 00011 00110 01100 11000 11111",
    "3": "01110 11011 00011 00110 00011 11011 01110",
    "4": "00011 00111 01111 11011 11111 00011 00011",
    "5": "11111 11000 11110 00011 00011 11011 01110",
    "6": "00110 01100 11000 11110 11011 11011 01110",
    "7": "11111 00011 00011 00110 00110 01100 01100",
    "8": "01110 11011 11011 01110 11011 11011 01110",
    "9": "01110 11011 11011 01111 00011 00110 01100",
    "-": "000 000 000 111 000 000 000",
    "+": "000 000 010 111 010 000 000",
    ".": "0 0 0 0 0 0 1",
    " ": "00 00 00 00 00 00 00",
    "O": "01110 11011 11011 11011 11011 11011 01110",
    "L": "11000 11000 11000 11000 11000 11000 11111",
    "V": "10001 10001 10001 01010 01010 01010 00100",
    "A": "00100 01010 01010 10001 11111 10001 10001",
    "m": "00000 00000 11010 10101 10101 10101 10101",
    "u": "00000 00000 10001 10001 10001 10011 11101",
    "k": "10000 10000 10010 10100 11000 10100 10010",
    "M": "10001 11011 10101 10101 10001 10001 10001",
    "n": "00000 00000 10110 11001 10001 10001 10001",
    "o": "00000 00000 01110 10001 10001 10001 01110",
    "h": "10000 10000 10110 11001 10001 10001 10001",
    "R": "11110 10001 10001 11110 10100 10010 10001",
}
LINES = 7
_ON, _OFF = "██", "  "
_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"))


def drawn(text: str) -> list[str]:
    """``text`` as LINES lines; a sign that is not in the set is left out.

    >>> print("\\n".join(line.rstrip() for line in drawn("1.")))
        ████
      ██████
        ████
        ████
        ████
        ████
      ████████  ██
    """
    rows = [""] * LINES
    for sign in text:
        figure = _FIGURES.get(sign)
        if figure is None:
            continue
        for i, dots in enumerate(figure.split()):
            rows[i] += "".join(_ON if dot == "1" else _OFF for dot in dots) + _OFF
    return rows


def columns(text: str) -> int:
    """How many columns ``drawn`` takes.

    >>> columns("-12.34"), columns("") == 0
    (60, True)
    """
    return len(drawn(text)[0])


def in_figures(value: float | None, unit: str, digits: int = 4) -> tuple[str, str]:
    """A number of ``digits`` digits and its unit with a prefix; an overload is OL.

    >>> in_figures(-0.012345, "V"), in_figures(0.0, "V"), in_figures(None, "ohm"), in_figures(8.0, "ohm", 3)
    (('-12.35', 'mV'), ('0.000', 'mV'), ('OL', 'ohm'), ('8.00', 'ohm'))
    >>> in_figures(0.99996, "V"), in_figures(-2e-8, "V")
    (('1.000', 'V'), ('-0.020', 'uV'))
    """
    if value is None:
        return "OL", unit
    if value == 0.0:
        return f"{0:.{digits - 1}f}", f"m{unit}"
    smallest = _PREFIXES[-1]
    scale, prefix = next((each for each in _PREFIXES if abs(value) >= each[0] * (1 - 0.5 * 10**-digits)), smallest)
    shown = value / scale
    before = len(str(int(abs(shown) * (1 + 0.5 * 10**-digits))))
    return f"{shown:.{max(0, digits - before)}f}", f"{prefix}{unit}"
