"""The table fault x signature: which scenario stands for which row of the trade's signature table, and how it shows.

The 34 rows are those of the trade's table of faults (common practice); a test holds every row to at least one scenario.
"""

from __future__ import annotations

from . import SCENARIOS

ROWS = (
    "output device shorted", "output device or its fuse open, one half", "one rail missing",
    "one of parallel devices open", "bias too low", "bias too high, runaway", "input pair unbalanced or ageing",
    "input coupling capacitor leaky", "feedback shunt capacitor open or dry", "the same shorted or leaky",
    "feedback resistor open", "reservoir dried out", "rectifier diode open", "decoupling or ground return open",
    "ground loop, test set-up", "input screen or input ground open", "noisy transistor, resistor", "oscillation",
    "relay or selector contacts oxidised", "speaker fuse blown, relay open, broken joint",
    "fuse in the speaker line, overloaded", "cracked joint", "volume or balance control worn",
    "interstage or output coupling capacitor dry", "tone control, loudness or filter in circuit",
    "compensation or driver fault", "shorted turn in the mains transformer", "wrong mains setting",
    "channels crossed after repair", "one channel inverted", "solder bridge, shared ground resistance",
    "protection sensing faulty", "gain mismatch of halves", "bridged output, half dead",
)  # fmt: skip
"""What each row is, from 1 on."""


def as_markdown() -> str:
    """One line for each row and scenario.

    Examples
    --------
    >>> as_markdown().splitlines()[2]
    '| 1 | output device shorted | `output-stage-shorted` | a rail at the output, no signal |'
    """
    lines = ["| row | fault | scenario | shows as |", "|---|---|---|---|"]
    for number, what in enumerate(ROWS, start=1):
        for scenario in SCENARIOS.values():
            if number in scenario.rows:
                lines.append(f"| {number} | {what} | `{scenario.name}` | {scenario.detectable} |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(as_markdown())
