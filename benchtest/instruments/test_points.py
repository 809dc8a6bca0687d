"""Names of the places where a meter's leads can sit: one vocabulary for bench files, prompts and simulated probes.

``outside`` points may be moved live; ``inside`` points are touched with the amplifier off only. ``minus`` says where the
meter's other lead goes.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class TestPoint:
    """A place, where it is, and what a person is told to do with the two leads."""

    __test__ = False

    name: str
    outside: bool
    words: str


_CHANNELS = ("left", "right")


def _points() -> dict[str, TestPoint]:
    found: list[TestPoint] = [
        TestPoint("leads_shorted", True, "touch the meter's two leads together"),
        TestPoint("rail_positive", False, "positive rail: red on the reservoir capacitor's plus, black on ground"),
        TestPoint("rail_negative", False, "negative rail: red on the reservoir capacitor's minus, black on ground"),
        TestPoint("rail_to_rail", False, "rail to rail: red on the positive rail, black on the negative rail"),
        TestPoint("rail_resistor_positive", False, "across the 22 ohm in the positive supply lead"),
        TestPoint("rail_resistor_negative", False, "across the 22 ohm in the negative supply lead"),
        TestPoint("rail_auxiliary", False, "auxiliary rail: red on the regulator's output, black on ground"),
        TestPoint("mains_input", True, "mains voltage: read it off a plug-in wattmeter; no hand probe on mains"),
        TestPoint("dc_watch", True, "the DC watch: 100 k from left, 47 k from right plus, through its low-pass"),
        TestPoint("sound_card_output", True, "sound card output, left: red on tip, black on sleeve"),
        TestPoint("sound_card_output_right", True, "sound card output, right: red on tip, black on sleeve"),
        TestPoint("sound_card_input", True, "sound card input, left: red on tip, black on sleeve"),
        TestPoint("sound_card_input_right", True, "sound card input, right: red on tip, black on sleeve"),
    ]
    for c in _CHANNELS:
        found += [
            TestPoint(f"{c}_output", True, f"{c} speaker terminals: red on plus, black on minus"),
            TestPoint(f"{c}_output_minus", True, f"{c} minus terminal to chassis"),
            TestPoint(f"{c}_load", True, f"across the {c} dummy load, disconnected from the amplifier"),
            TestPoint(f"{c}_second_load", True, f"across the {c} resistor of the second dummy load, disconnected"),
            TestPoint(f"{c}_speaker_fuse", False, f"across the {c} speaker fuse, both ends, in its holder"),
            TestPoint(f"{c}_amplifier_output", False, f"{c} amplifier output before relay and fuse, black on ground"),
            TestPoint(f"{c}_listed_point", False, f"the point of your list, {c} channel, black on ground"),
            TestPoint(f"{c}_relay_contact", False, f"across the {c} relay contact"),
            TestPoint(
                f"{c}_headphone_switch",
                False,
                f"across the headphone socket's switch, {c} channel (none: leads together)",
            ),
            TestPoint(
                f"{c}_feedback_capacitor", False, f"across the {c} feedback capacitor, red on the resistor's end"
            ),
            TestPoint(f"{c}_output_devices_positive", False, f"C to E of the {c} output devices, positive side"),
            TestPoint(f"{c}_output_devices_negative", False, f"C to E of the {c} output devices, negative side"),
            TestPoint(f"{c}_rail_fuse_positive", False, f"across the {c} fuse in the positive rail"),
            TestPoint(f"{c}_rail_fuse_negative", False, f"across the {c} fuse in the negative rail"),
        ]
        found += [
            TestPoint(f"{c}_emitter_resistor_{n}", False, f"across {c} emitter resistor {n}") for n in range(1, 9)
        ]
    return {point.name: point for point in found}


TEST_POINTS: dict[str, TestPoint] = _points()
"""Every test point by name."""


def is_inside(point: str) -> bool:
    """Whether a point is inside the set; what is no test point (a meter not yet placed) is not.

    >>> is_inside("rail_positive"), is_inside("left_output"), is_inside("movable")
    (True, False, False)
    """
    return point in TEST_POINTS and not TEST_POINTS[point].outside
