"""What can be done at the bench as menus: each leaf is a line that can be typed as well.

Pure but for ``choose``, which shows a list and hands back what was chosen: a terminal's arrow keys, or a test's script.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from benchtest.instruments.test_points import TEST_POINTS

Choice = tuple[str, str]
"""(words shown, what it stands for)."""
Choose = Callable[[str, Sequence[Choice]], str | None]
"""A question and its choices -> what was chosen; None where the person went back."""

BACK = ("back", "")
TYPE = "type"
VERDICT = "verdict"

HANDS: Mapping[str, Sequence[Choice]] = {
    "Mains": (("on", "mains on"), ("off at the wall", "mains off")),
    "Series lamp": (("in", "lamp in"), ("out", "lamp out")),
    "Load at the speaker terminals": (
        ("nothing", "load none"), ("1 kilohm across each pair", "load 1 kilohm"), ("the dummy load", "load dummy"),
    ),
    "Inputs": (
        ("shorted", "inputs shorted"), ("the sound card's output", "inputs sound_card"), ("nothing", "inputs open"),
    ),
    "Volume": (("minimum", "volume minimum"), ("full", "volume full"), ("down by 20 dB", "volume -20 dB")),
    "Loudspeaker relay": (("held, its coil on a supply of yours", "relay held"), ("free again", "relay free")),
    "Tape monitor": (("in", "monitor in"), ("out", "monitor out")),
    "Headphones": (("plugged in", "headphones in"), ("drawn again", "headphones out")),
    "Lid": (("off", "lid off"), ("on", "lid on")),
    "Wait": (("30 s", "wait 30 s"), ("2 min", "wait 2 min"), ("10 min", "wait 10 min")),
}  # fmt: skip
METER: Sequence[Choice] = (
    ("both rails (mains on: volts; mains off: what the reservoirs hold)", "rails"),
    ("DC at both outputs", "dc"),
    ("drift of the DC over ten minutes", "drift"),
    ("discharge the reservoirs, and measure it", "discharge"),
    ("does the DC come and go? left", "watch left"),
    ("does the DC come and go? right", "watch right"),
    ("DC volts at a point ...", "measure dc"),
    ("AC volts at a point ...", "measure ac"),
    ("ohms at a point ...", "measure ohms"),
    ("idle current, left (across emitter resistor 1, warm)", "idle left 1"),
    ("idle current, right", "idle right 1"),
)
SOUND_CARD: Sequence[Choice] = (
    ("noise and hum", "noise"),
    ("gain, both channels (50 mV at the output)", "gain"),
    ("polarity", "polarity"),
    ("does the meter see the same tone? 1 W", "agree"),
    ("rising tone: output power, left", "power left"),
    ("rising tone: output power, right", "power right"),
    ("rising tone: output power, both", "power both"),
    ("distortion at 1 W, left", "tone 1 W left"),
    ("distortion at 1 W, right", "tone 1 W right"),
    ("distortion at half power, left", "tone half left"),
    ("distortion at half power, right", "tone half right"),
    ("distortion at rated power, left", "tone rated left"),
    ("distortion at rated power, right", "tone rated right"),
    ("sweep: response and separation", "sweep"),
    ("ripple of both rails, under load", "ripple"),
    ("does a steady tone come and go? left", "watch tone left"),
    ("does a steady tone come and go? right", "watch tone right"),
)
FIRST: Sequence[Choice] = (
    ("Hands: mains, lamp, load, inputs, volume, lid, wait", "hands"),
    ("Meter", "meter"),
    ("Sound card", "sound card"),
    ("Look: what is connected now", "look"),
    ("Readings so far", "readings"),
    ("The whole test after a repair", "run power_on"),
    ("Help", "help"),
    ("Verdict", VERDICT),
    ("type instead", TYPE),
)


def act(choose: Choose, causes: Mapping[str, str], reaches: Callable[[str], bool]) -> str:
    """One act from the menus, as the line that would be typed; "" where the person went back to typing."""
    while True:
        first = choose("What next?", FIRST)
        if first is None or first == TYPE:
            return ""
        line: str | None
        if first == "hands":
            line = _hands(choose)
        elif first == "meter":
            line = _meter(choose, reaches)
        elif first == "sound card":
            line = choose("Sound card:", [*SOUND_CARD, BACK])
        elif first == VERDICT:
            line = verdict(choose, causes)
        else:
            line = first
        if line:
            return line


def _hands(choose: Choose) -> str | None:
    what = choose("Which?", [*((name, name) for name in HANDS), BACK])
    return choose(f"{what}:", [*HANDS[what], BACK]) if what else None


def _meter(choose: Choose, reaches: Callable[[str], bool]) -> str | None:
    line = choose("Meter:", [*METER, BACK])
    if not line or not line.startswith("measure"):
        return line
    point = choose(f"{line.removeprefix('measure ').upper()} where?", [*points(reaches), BACK])
    return f"{line} {point}" if point else None


def points(reaches: Callable[[str], bool]) -> list[Choice]:
    """The points that a meter of this bench reaches, outside ones first."""
    found = [p for p in TEST_POINTS.values() if not p.name.startswith("sound_card") and reaches(p.name)]
    return [(p.words + ("" if p.outside else "  (inside)"), p.name) for p in sorted(found, key=lambda p: not p.outside)]


def verdict(choose: Choose, causes: Mapping[str, str]) -> str:
    """A verdict from lists: healthy, faulty with its cause and channel, or stop; "" where the person went back."""
    kinds = (
        ("healthy: hand it back", "verdict healthy"),
        ("faulty: name the cause", "faulty"),
        ("stop: this is not for me", "stop"),
        BACK,
    )
    while True:
        kind = choose("Your verdict:", kinds)
        if kind != "faulty":
            return kind or ""
        cause = choose("The cause (type to search):", [*listed(causes.items()), BACK])
        if not cause:
            continue
        channel = choose("Which channel?", (("left", "left"), ("right", "right"), ("both, or the set", "both"), BACK))
        if channel:
            return f"verdict {cause} {channel}"


def listed(causes: Iterable[tuple[str, str]]) -> list[Choice]:
    """Causes as choices, in the order of their names."""
    return [(f"{name:<32} {line}", name) for name, line in sorted(causes)]
