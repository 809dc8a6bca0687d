"""What a meter finds at the test points of the amplifier: volts with the mains on, ohms with it off.

Points of the bench itself (loads, sound card, shorted leads) are the bench's, except that ``dc_watch`` and the loads
are answered as the amplifier sees them.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .amplifier import Amplifier
    from .operating import Drive

_NOISE_BAND_HZ = 100e3
"""What a true-rms meter of the better kind still sees."""
_METER_OHM = 10e6
_SHORTED_DEVICE_OHM = 0.2
_CAPACITOR_OHM = 47e3
"""What an ohmmeter shows across a sound electrolytic in circuit, after some seconds."""
_EMITTER = re.compile(r"(left|right)_emitter_resistor_(\d)")


@dataclass(frozen=True)
class Probe:
    """DC, AC (rms of everything that alternates) and the frequency that dominates it; source_ohm lies in series."""

    dc: float
    ac_rms: float
    ac_frequency_hz: float
    source_ohm: float


def probe(amplifier: Amplifier, point: str, drive: Drive) -> Probe:
    """Volts at ``point`` now.

    Raises
    ------
    ValueError
        If the amplifier has no such point.
    """
    channel, _, place = point.partition("_")
    if channel in ("left", "right"):
        return _channel_point(amplifier, 0 if channel == "left" else 1, place, point, drive)
    rails = amplifier.supply.rails()
    if point in ("rail_positive", "rail_negative", "rail_to_rail"):
        positive, negative = _ripple(amplifier, drive)
        if point == "rail_positive":
            return Probe(rails[0], positive, 2.0 * amplifier.mains_hz, 0.05)
        if point == "rail_negative":
            return Probe(rails[1], negative, 2.0 * amplifier.mains_hz, 0.05)
        return Probe(rails[0] - rails[1], positive + negative, 2.0 * amplifier.mains_hz, 0.05)
    if point == "rail_auxiliary":
        return Probe(amplifier.supply.auxiliary()[0], 0.0, 2.0 * amplifier.mains_hz, 5.0)
    if point == "mains_input":
        return Probe(0.0, amplifier.design.supply.mains.voltage, amplifier.mains_hz, 0.4)
    if point == "dc_watch":
        left, right = (_channel_point(amplifier, c, "output", point, drive) for c in (0, 1))
        return Probe(0.32 * left.dc + 0.68 * right.dc, 0.0, 0.0, 32e3)
    raise ValueError(f"the amplifier has no test point '{point}'. Expected one of benchtest.instruments.test_points.")


def _channel_point(amplifier: Amplifier, c: int, place: str, point: str, drive: Drive) -> Probe:
    channel = amplifier.channels[c]
    path = amplifier.path(c)
    if place in ("output", "load", "amplifier_output"):
        if place == "load" and math.isinf(path.load_ohm):
            return Probe(0.0, 0.0, 0.0, 8.0)
        return output(amplifier, c, drive, before_relay=place == "amplifier_output")
    if place == "output_minus":
        return _minus(amplifier, c, drive)
    if place in ("speaker_fuse", "relay_contact", "headphone_switch"):
        return _across(amplifier, c, place, drive)
    if place == "feedback_capacitor":
        # none of the output's DC falls across the resistors beside a sound capacitor; a leak takes its share
        stands = amplifier.operating(c, drive).dc_v
        return Probe(stands * channel.design.feedback.capacitor_share, 0.0, 0.0, channel.design.feedback.shunt_ohm)
    if place.startswith("output_devices_"):
        rail = 0 if place.endswith("positive") else 1
        stage = channel.design.output_stage
        if (stage.upper, stage.lower)[rail].shorted:
            return Probe(0.0, 0.0, 0.0, _SHORTED_DEVICE_OHM)
        before = output(amplifier, c, drive, before_relay=True)
        across = amplifier.rails()[rail] - before.dc
        return Probe(across, before.ac_rms, before.ac_frequency_hz, 1.0)
    if place.startswith("rail_fuse_"):
        rail = 0 if place.endswith("positive") else 1
        gone = amplifier.supply.fuses_open["positive" if rail == 0 else "negative"]
        reservoir = amplifier.supply.reservoirs()[rail]
        return Probe(reservoir if gone else 0.0, 0.0, 0.0, 1.0)
    found = _EMITTER.fullmatch(point)
    if found:
        number, devices = int(found.group(2)), channel.design.output_stage.devices
        if number > len(devices):
            return Probe(0.0, 0.0, 0.0, 1e9)
        operating = amplifier.operating(c, drive)
        half = len(channel.design.output_stage.upper.devices)
        living = min(1.0, max(0.0, amplifier.supply.rails()[0] / 20.0))
        volts = channel.design.output_stage.emitter_volts(number, channel.idle_a) * living
        if operating.rms_v > 0.01 or abs(operating.dc_v) > 0.2:
            one = devices[number - 1]
            alive = [d for d in (devices[:half] if number <= half else devices[half:]) if not d.open]
            current = operating.positive_a if number <= half else operating.negative_a
            volts = 0.0 if one.open else current / max(1, len(alive)) * one.emitter_ohm
        return Probe(volts, 0.0, 0.0, devices[number - 1].emitter_ohm)
    raise ValueError(f"the amplifier has no test point '{point}'. Expected one of benchtest.instruments.test_points.")


def output(amplifier: Amplifier, c: int, drive: Drive, *, before_relay: bool = False) -> Probe:
    """Volts at the terminals of a channel (0 left), or at its output before relay and fuse."""
    channel, path = amplifier.channels[c], amplifier.path(c)
    if not before_relay and not path.made:
        if math.isinf(path.load_ohm):
            # nothing holds the terminal: it floats and drifts, with hum from the air
            slow = math.sin(amplifier.time / 7.0 + 2.0 * c) + math.sin(amplifier.time / 2.3)
            return Probe(amplifier.floating_v[c] * (1.0 + 0.5 * slow), 4e-3, amplifier.mains_hz, 2e7)
        return Probe(0.0, 0.0, 0.0, path.load_ohm)
    operating = amplifier.operating(c, drive)
    frequency = drive.frequency_hz
    rails = amplifier.supply.rails()
    living = min(1.0, max(0.0, max(rails[0], -rails[1]) / 20.0))
    square = operating.rms_v**2
    noise = 0.0 if channel.stuck else amplifier.noise_at_output(c, _NOISE_BAND_HZ) * living
    hum = amplifier.hum_at_output(c) * living
    oscillation = channel.design.network.oscillation_v * living if channel.design.network.oscillates else 0.0
    parts = [(square, frequency), (hum**2, amplifier.mains_hz), (noise**2, 10e3)]
    parts.append((oscillation**2, channel.design.network.oscillation_hz))
    dominant = max(parts)[1]
    ac = math.sqrt(sum(p for p, _ in parts))
    dc = operating.dc_v
    resistance = amplifier.output_ohm(c, frequency)
    if before_relay:
        if channel.kind.kind == "bridged":
            # the plus half: half of what stands across, or all of it above where the other one is stuck
            stands = amplifier.midpoint_v * channel.kind.minus_stuck
            own = dc + stands if channel.kind.minus_stuck else 0.5 * dc
            return Probe(
                amplifier.midpoint_v + own, ac * (1.0 if channel.kind.minus_stuck else 0.5), dominant, resistance
            )
        return Probe(dc + amplifier.midpoint_v, ac, dominant, resistance)
    share = path.share
    dc = amplifier.terminal_dc(c, dc) * share
    outside = amplifier.outside(c)
    if outside is not None and operating.rms_v > 0.0:
        ac *= abs(outside.response(frequency))
    if amplifier.film_v[c] and math.isfinite(path.load_ohm) and ac > 0.0:
        current = ac * share / path.load_ohm
        ac = max(0.0, ac * share - amplifier.film_v[c] * math.tanh(current / amplifier.contact(c).film_a)) / share
    return Probe(dc, ac * share, dominant, resistance + path.series_ohm)


def _minus(amplifier: Amplifier, c: int, drive: Drive) -> Probe:
    kind = amplifier.channels[c].kind
    if kind.kind != "bridged":
        return Probe(0.0, 0.0, 0.0, 0.05)
    middle = amplifier.midpoint_v
    swing = amplifier.operating(c, drive)
    return Probe(
        middle * (1.0 + kind.minus_stuck), 0.5 * swing.rms_v * (kind.minus_stuck == 0), drive.frequency_hz, 0.1
    )


def _across(amplifier: Amplifier, c: int, place: str, drive: Drive) -> Probe:
    """Volts across fuse or contact: what is before it less what is behind it."""
    channel, path = amplifier.channels[c], amplifier.path(c)
    before = output(amplifier, c, drive, before_relay=True)
    made = amplifier.relay.made(amplifier.contact(c))
    switched = amplifier.design.headphones.closed(c, plugged=amplifier.headphone_ohm is not None)
    if path.made:
        ohms = {"speaker_fuse": channel.fuse.ohm, "relay_contact": amplifier.contact(c).ohm}
        ohm = ohms.get(place, amplifier.design.headphones.contact_ohm)
        total = path.total_ohm
        ratio = 0.0 if math.isinf(total) else ohm / total
        return Probe(before.dc * ratio, before.ac_rms * ratio, before.ac_frequency_hz, ohm)
    broken_here = {
        "speaker_fuse": made and not channel.fuse.conducts,
        "relay_contact": not made,
        "headphone_switch": made and channel.fuse.conducts and not switched,
    }[place]
    if broken_here and math.isfinite(path.load_ohm):
        return before
    return Probe(0.0, 0.0, 0.0, 0.1)


def _ripple(amplifier: Amplifier, drive: Drive) -> tuple[float, float]:
    """Rms of the ripple on each rail; a triangle's is its peak to peak over 2 sqrt 3."""
    positive, negative = amplifier.rail_ripple(drive)
    return positive / (2.0 * math.sqrt(3.0)), negative / (2.0 * math.sqrt(3.0))


def resistance(amplifier: Amplifier, point: str) -> float:
    """Ohms at ``point`` with the mains off; inf for an open circuit.

    Raises
    ------
    ValueError
        If the amplifier has no such point.
    """
    channel, _, place = point.partition("_")
    fuses = amplifier.supply.fuses_open
    supply = amplifier.design.supply
    if channel in ("left", "right"):
        c = 0 if channel == "left" else 1
        one, path = amplifier.channels[c], amplifier.path(c)
        made = amplifier.relay.made(amplifier.contact(c))
        if place in ("output", "load"):
            # the amplifier itself, unpowered: the feedback divider to ground, behind relay and fuse
            inside = one.cold_ohm() + path.series_ohm if path.made else math.inf
            return _parallel(path.load_ohm, inside)
        if place == "amplifier_output":
            return _parallel(one.cold_ohm(), path.load_ohm + path.series_ohm if path.made else math.inf)
        if place == "output_minus":
            return 0.05 if amplifier.design.kind.kind != "bridged" else 20e3
        if place == "speaker_fuse":
            return one.fuse.ohm
        if place == "relay_contact":
            # a film of oxide is thick to the small current of an ohmmeter
            film = amplifier.film_v[c] / amplifier.contact(c).film_a
            return amplifier.contact(c).ohm + film if made else math.inf
        if place == "headphone_switch":
            closed = amplifier.design.headphones.closed(c, plugged=amplifier.headphone_ohm is not None)
            return amplifier.design.headphones.contact_ohm if closed else math.inf
        if place == "feedback_capacitor":
            return _parallel(one.design.feedback.leak_ohm, _CAPACITOR_OHM)
        if place.startswith("output_devices_"):
            stage = one.design.output_stage
            half = stage.upper if place.endswith("positive") else stage.lower
            rail = "rail_positive" if place.endswith("positive") else "rail_negative"
            around = one.feedback_ohm() + resistance(amplifier, rail)  # by way of ground, around a good device
            return _parallel(_SHORTED_DEVICE_OHM, around) if half.shorted else around
        if place.startswith("rail_fuse_"):
            name = "positive" if place.endswith("positive") else "negative"
            fuse = supply.fuse_positive if name == "positive" else supply.fuse_negative
            return math.inf if fuses[name] else (fuse.ohm if fuse is not None else 0.005)
        found = _EMITTER.fullmatch(point)
        if found:
            number, devices = int(found.group(2)), one.design.output_stage.devices
            if number > len(devices) or devices[number - 1].open:
                return math.inf
            return devices[number - 1].emitter_ohm
    if point in ("rail_positive", "rail_negative", "rail_to_rail"):
        positive, negative = supply.reservoir_positive.bleeder_ohm, supply.reservoir_negative.bleeder_ohm
        short = [_rail_short(amplifier, rail) for rail in (0, 1)]
        if point == "rail_positive":
            return _parallel(positive, short[0])
        if point == "rail_negative":
            return _parallel(negative, short[1])
        return _parallel(positive, short[0]) + _parallel(negative, short[1])
    if point == "rail_auxiliary":
        return 5e3
    if point == "mains_input":
        return math.inf if fuses["mains"] else supply.transformer.copper_ohm + supply.mains_fuse.ohm
    if point == "dc_watch":
        return 147e3
    raise ValueError(f"the amplifier has no test point '{point}'. Expected one of benchtest.instruments.test_points.")


def _rail_short(amplifier: Amplifier, rail: int) -> float:
    """A shorted device between this rail and ground by way of whatever lies at the output."""
    found = math.inf
    for c, channel in enumerate(amplifier.channels):
        stage = channel.design.output_stage
        half = stage.upper if rail == 0 else stage.lower
        if half.shorted:
            path = amplifier.path(c)
            found = min(
                found, _parallel(channel.feedback_ohm(), path.load_ohm + path.series_ohm if path.made else math.inf)
            )
    return found


def _parallel(a: float, b: float) -> float:
    if math.isinf(a):
        return b
    return a if math.isinf(b) else a * b / (a + b)
