"""Plain readings at named test points, and what a person sees: for checks that need a hand-held meter and eyes.

Method: common practice, no published standard. Ohms and the diode test only with the mains off and the reservoirs
measured empty; points inside the set are touched with the amplifier off. What a person says is kept as ``inspection``:
1 where it is as it should be, 0 where it is not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchtest.errors import NotAllowed, NotReachable
from benchtest.instruments.test_points import TEST_POINTS
from benchtest.measurements.budget import from_meter
from benchtest.measurements.carrying import carry_meter
from benchtest.measurements.cold_ohms import less_the_leads
from benchtest.measurements.unmeasured import not_measured
from benchtest.quantities import LAMP_BRIGHTNESS, TOLD_IN_WORDS
from benchtest.reading import Reading, Verdict
from benchtest.safety import GuardedBench

SHORT_OHM = 10.0
"""A rail or an output that reads less to ground, steadily, is shorted (common practice)."""
GROUNDED_OHM = 1.0
"""A minus terminal below this to chassis is ground."""


def channel_of(point: str) -> str:
    """left, right or none.

    >>> channel_of("left_output"), channel_of("rail_positive")
    ('left', 'none')
    """
    first = point.partition("_")[0]
    return first if first in ("left", "right") else "none"


def is_test_point(name: str) -> bool:
    """Whether benchtest knows the point by this name.

    >>> is_test_point("left_speaker_fuse"), is_test_point("left_collector of the driver")
    (True, False)
    """
    return name in TEST_POINTS


def volts_at(bench: GuardedBench, point: str, *, quantity: str = "voltage", at: str = "") -> Reading:
    """DC volts where a meter sits; the movable one is brought to an outside point, or to any with the mains off."""
    conditions = bench.conditions(at=at or point.replace("_", " "), point=point)
    common: dict[str, Any] = {"conditions": conditions, "method": "multimeter, DC volts (common practice)"}
    try:
        _bring(bench, point)
        value = bench.dc_volts(point)
    except (NotReachable, NotAllowed) as why:
        return not_measured(quantity, channel_of(point), "V", why, **common)
    if value.value is None:
        return not_measured(quantity, channel_of(point), "V", "the meter shows an overload", **common)
    return Reading(
        quantity=quantity, channel=channel_of(point), unit="V", **from_meter(value.value, value.budget), **common
    )


def ohms_at(
    bench: GuardedBench, point: str, *, quantity: str = "resistance", short_below: float | None = None, at: str = ""
) -> Reading:
    """Ohms at a point, less the leads. ``short_below``: less than this is a failed reading. Open reads as no value."""
    conditions = bench.conditions(at=at or point.replace("_", " "), point=point)
    common: dict[str, Any] = {"conditions": conditions, "method": "two-wire ohms less the leads (common practice)"}
    channel = channel_of(point)
    try:
        _bring(bench, point)
        value = bench.ohms(point)
    except (NotReachable, NotAllowed) as why:
        return not_measured(quantity, channel, "ohm", why, **common)
    if value.value is None:
        return Reading(
            quantity=quantity, channel=channel, value=None, unit="ohm", note="open (OL)", verdict=Verdict.INFORMATION,
            **common,
        )  # fmt: skip
    leads = bench.lead_ohm or 0.0
    figures = less_the_leads(value, leads)
    words = TEST_POINTS[point].words.partition(":")[0]
    if short_below is not None and figures["value"] < short_below:
        return Reading(
            quantity=quantity, channel=channel, unit="ohm", verdict=Verdict.FAIL, note=f"SHORTED: {words}", **figures,
            **common,
        )  # fmt: skip
    return Reading(quantity=quantity, channel=channel, unit="ohm", **figures, **common)


def diode_at(bench: GuardedBench, point: str, *, at: str = "") -> Reading:
    """What the diode test shows at a point, V; open reads as no value."""
    conditions = bench.conditions(at=at or point.replace("_", " "), point=point)
    common: dict[str, Any] = {"conditions": conditions, "method": "diode test of a multimeter (common practice)"}
    try:
        _bring(bench, point)
        value = bench.diode(point)
    except (NotReachable, NotAllowed) as why:
        return not_measured("diode_test", channel_of(point), "V", why, **common)
    if value.value is None:
        return Reading(
            quantity="diode_test", channel=channel_of(point), value=None, unit="V", note="open (OL)", **common
        )
    return Reading(
        quantity="diode_test", channel=channel_of(point), unit="V", **from_meter(value.value, value.budget), **common
    )


def by_eye(
    bench: GuardedBench, what: str, question: str, choices: Sequence[str], *, good: Sequence[str], about: str
) -> Reading:
    """What a person sees, hears or smells: 1 as it should be, 0 not (a failed reading). ``what`` names it shortly."""
    answer = bench.ask(question, choices, about=about)
    fine = answer in good
    return Reading(
        quantity="inspection", channel="none", value=float(fine), unit="1", expanded_uncertainty=0.0,
        verdict=Verdict.INFORMATION if fine else Verdict.FAIL, method="looked at by a person",
        conditions={"at": what, "answer": answer}, note="" if fine else f"{what}: {answer}",
    )  # fmt: skip


def lamp(bench: GuardedBench) -> Reading:
    """The series lamp three seconds after switch-on, by eye: 0 dark, 1 dull, 2 half, 3 bright, which is a short (fails)."""
    state = bench.lamp_state()
    return Reading(
        quantity="lamp_brightness", channel="none", value=LAMP_BRIGHTNESS[state], unit="1", expanded_uncertainty=0.0,
        verdict=Verdict.FAIL if state == "bright" else Verdict.INFORMATION, method="looked at by a person",
        conditions=bench.conditions(at="on the lamp", answer=state),
        note="the series lamp stays bright: a short behind it" if state == "bright" else state,
    )  # fmt: skip


def lamp_words(reading: Reading) -> str:
    """dark, dull, half or bright."""
    return TOLD_IN_WORDS["lamp_brightness"][reading.value or 0.0]


def half_bright(bench: GuardedBench) -> None:
    """What follows a lamp that is not dim within three seconds: off, unless the person knows what draws so much."""
    known = bench.ask(
        "The lamp is HALF BRIGHT and stays so: idle current too high, oscillation, a leaky capacitor, or the wrong mains "
        "setting. A class A set draws as much. Is that what it is, or is the lamp too small for this set?",
        ("no", "yes"), about="setting",
    )  # fmt: skip
    if known != "yes":
        bench.stop("the series lamp does not go dim within three seconds: something draws too much")
    bench.tell("Lamp half bright: go on, a hand at the switch; what it is will be seen in the idle current.")


def typed_value(bench: GuardedBench, quantity: str, unit: str, question: str, *, u: float, at: str = "") -> Reading:
    """What a person reads off (a wattmeter, a thermometer); ``u``: expanded uncertainty in ``unit``."""
    value = bench.enter(question, unit=unit)
    common: dict[str, Any] = {"conditions": bench.conditions(at=at), "method": "read off and typed in by a person"}
    if value is None:
        return not_measured(quantity, "none", unit, "no number was typed", **common)
    return Reading(quantity=quantity, channel="none", value=value, unit=unit, expanded_uncertainty=u, **common)


MAINS_U_V = 2.0
"""Of a plug-in wattmeter's volts, expanded: 1 % of 230 V (judgement; cheap ones print no better)."""


def mains_voltage(bench: GuardedBench) -> Reading:
    """The mains voltage as a plug-in wattmeter shows it; rails and power are then judged for the mains as it is.

    It stands in the conditions of every later reading. Without a wattmeter it is not measured, and nothing is scaled.
    """
    question = "Mains voltage now, on the plug-in wattmeter (none: there is no wattmeter; no hand probe on mains)?"
    reading = typed_value(bench, "mains_voltage", "V", question, u=MAINS_U_V, at="mains on")
    if reading.value is None or not 80.0 <= reading.value <= 300.0:
        why = (
            "no number was typed"
            if reading.value is None
            else f"{reading.value:g} V was typed, which is no mains voltage"
        )
        return not_measured("mains_voltage", "none", "V", why, conditions=reading.conditions, method=reading.method)
    bench.mains_voltage = reading.value
    return reading


def kind_of_output(bench: GuardedBench, rails: Mapping[str, float]) -> tuple[str, list[Reading]]:
    """Which kind of output stage this seems to be, from the minus terminals and the rails (V, as far as known).

    Returns the kind as amplifier files call it ("unknown" where it cannot be told) and the readings behind it. A servo
    cannot be told from a direct-coupled output by its volts.
    """
    readings = [
        volts_at(bench, f"{c}_output_minus", quantity="terminal_voltage", at="minus to chassis") for c in CHANNELS
    ]
    minus = [abs(r.value) for r in readings if r.value is not None]
    if minus and max(minus) > 1.0:
        return "bridged", readings
    plus, negative = rails.get("positive"), rails.get("negative")
    if plus is None or negative is None or plus < 5.0:
        return "unknown", readings
    return ("capacitor_coupled" if abs(negative) < 0.1 * plus else "direct_coupled"), readings


CHANNELS = ("left", "right")


def _bring(bench: GuardedBench, point: str) -> None:
    if not bench.sits_on(point) and (TEST_POINTS[point].outside or bench.hook_up_now.mains != "on"):
        carry_meter(bench, point)
