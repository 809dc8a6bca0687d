"""Trials of what needs another hook-up: transients, contacts, idle current, diode test, soak, tone controls, phono."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from scipy import signal

from benchtest import measure
from benchtest.measurements.phono_equalisation import standard_db
from benchtest.measurements.sweep import Swept
from benchtest.reading import Reading
from simulated_instruments.bench import SAMPLE_RATE
from tests.measurements.coverage import ONE_WATT_V, Drawn, Trials, Truth, channel_of, of
from tests.measurements.known_bench import KnownBench
from tests.measurements.recorded import Record, Records

TURNED = {"bass up": (10.0, 0.0), "treble down": (0.0, -10.0)}
"""What the simulated knobs do when they are fully turned, dB."""
DIODE_TEST_A = 1e-3


def diode_test(known: KnownBench, drawn: Drawn, channel: str, found: Trials) -> None:
    """A load's ohms, leads and contact and all, times the current of the diode test; the meter is on it."""
    point = f"{channel}_load"
    leads = known.simulated.truth.lead_ohm["bench meter"] + drawn.contact(point)
    ohm = known.load_ohm(("left", "right").index(channel)) + leads
    found.add("diode_test", measure.diode_at(known.bench, point), ohm * DIODE_TEST_A)


def idle_current(known: KnownBench, found: Trials) -> None:
    """The movable meter is across the resistor already; the resistor is anywhere within its print's tolerance."""
    first = known.amplifier.channels[0].idle_a
    readings, _ = measure.bias_warm_up(known.bench, "left", 1, minutes=2.0)
    last = known.amplifier.channels[0].idle_a
    found.add("idle_current", of(readings, "idle_current"), last)
    found.add("idle_current_drift", of(readings, "idle_current_drift"), 100.0 * (last / first - 1.0))


def switched_on(known: KnownBench, records: Records, found: Trials) -> None:
    """Mains on with the load on: the thump as it stood at the sound card's input, behind its coupling capacitor; the relay
    lets something through for the first time."""
    known.bench.hook_up(lamp="out", load="load", inputs="shorted", volume="full")
    readings = measure.turn_on_transient(known.bench, seconds=8.0)
    _transients(known, records[-1], readings, "turn_on_transient", found)
    heard = np.concatenate(records[-1].emission.captured)[-round(8.0 * known.simulated.true_rate) :]
    closed = [float(np.flatnonzero(heard[:, c])[0]) / known.simulated.true_rate for c in (0, 1)]
    found.add("mute_delay", of(readings, "mute_delay"), lambda r: closed[channel_of(r)])


def switched_off(known: KnownBench, records: Records, found: Trials) -> None:
    """Mains off at the end of it all."""
    readings = measure.turn_off_transient(known.bench)
    _transients(known, records[-1], readings, "turn_off_transient", found)


def _transients(known: KnownBench, record: Record, readings: list[object], name: str, found: Trials) -> None:
    emission, rate = record.emission, known.simulated.true_rate
    divider = np.asarray(known.simulated.truth.input_divider)
    heard = np.concatenate(emission.captured) * divider
    pole = math.exp(-2.0 * math.pi * known.simulated.truth.converters.input_highpass_hz / rate)
    # what the capacitor is charged to follows with a first-order lag; the rest of what stands there passes it
    charge, _ = signal.lfilter([1.0 - pole], [1.0, -pole], heard, axis=0, zi=(pole * emission.dc_v * divider)[None, :])
    kept = emission.record[1] - emission.record[0]
    peaks = np.max(np.abs(heard - charge)[-kept:], axis=0)
    found.add(name, of(readings, name), lambda r: float(peaks[channel_of(r)]))


def loaded_difference(known: KnownBench, unloaded: Mapping[str, float], found: Trials) -> None:
    """Load on, warm: against the offsets with 1 kilohm, as warm."""
    readings = measure.dc_offsets(known.bench, "loaded")
    loaded = {r.channel: r.value for r in of(readings, "dc_offset") if r.value is not None}

    def true(r: Reading) -> float:
        c = channel_of(r)
        kilohm, series = known.simulated.truth.kilohm_ohm[c], known.series_ohm(c)
        at_devices = known.offset(c) / known.share(c)
        return known.offset(c) - at_devices * kilohm / (kilohm + series)

    differences = measure.loaded_difference(known.bench, dict(unloaded), loaded)
    found.add("dc_offset_loaded_difference", differences, true)


def contact(known: KnownBench, found: Trials) -> None:
    """The movable meter is across the left relay contact already."""
    found.add("contact_resistance", measure.contact_resistance(known.bench, "left"), known.design.relay.left.ohm)


def balance_against_frequency(
    known: KnownBench, truth: Truth, sweeps: Mapping[str, Swept | str], found: Trials
) -> None:
    """At the frequency where the reading found the widest difference."""

    def true(r: Reading) -> float:
        left, right = (truth.gain_db(c, ONE_WATT_V, r.frequency_hz) - truth.gain_db(c, ONE_WATT_V) for c in (0, 1))
        return right - left

    found.add("balance_deviation", of(measure.balance_vs_frequency(known.bench, sweeps), "balance_deviation"), true)


def soak(known: KnownBench, records: Records, found: Trials) -> None:
    """A quarter of a minute at 1 W into both: the budget does not know how long it was."""
    first = len(records)
    readings, _ = measure.soaked(known.bench, ("left", "right"), ONE_WATT_V, minutes=0.25, every_s=4.0, name="soak")
    taken = [r for r in records[first:] if r.emission.last > 3 * SAMPLE_RATE]
    thd = [max(100.0 * r.harmonics(c, 1000.0, range(2, 21)) for r in taken) for c in (0, 1)]
    level = [[20.0 * math.log10(abs(r.line(c, 1000.0))) for r in taken] for c in (0, 1)]
    widest = [max((v - of_one[0] for v in of_one), key=abs) for of_one in level]
    found.add("soak_thd", of(readings, "soak_thd"), lambda r: thd[channel_of(r)])
    found.add("soak_level_change", of(readings, "soak_level_change"), lambda r: widest[channel_of(r)])


def tone_controls(known: KnownBench, found: Trials) -> None:
    """Volume at -20 dB, controls flat before and after: the shelves' own closed form. One setting a bench."""
    bench, tone = known.bench, known.design.controls.tone
    bench.hook_up(tone_controls="flat")
    measure.gain(bench, at="tone flat")
    flat = {c: measure.sweep(bench, c, output_v=0.05) for c in bench.channels}
    for setting, (bass, treble) in list(TURNED.items())[known.simulated.truth.seed % 2 :][:1]:
        bench.hook_up(tone_controls=setting)
        measure.gain(bench, at=setting)
        shelves = tone.sections(bass, treble, defeat=False)

        def true(r: Reading, shelves: tuple = shelves) -> float:
            ratios = [abs(s.response(r.frequency_hz)) / abs(s.response(1000.0)) for s in shelves]
            return 20.0 * math.log10(math.prod(ratios))

        for channel in bench.channels:
            turned = measure.sweep(bench, channel, output_v=0.05)
            readings = measure.tone_controls(bench, flat[channel], turned, channel, setting=setting)
            found.add("tone_control_range", of(readings, "tone_control_range"), true)
    bench.hook_up(tone_controls="flat")


def phono(known: KnownBench, found: Trials) -> None:
    """Into the phono input, the volume down by 40 dB."""
    bench = known.bench
    bench.hook_up(volume="-40 dB", source="phono")
    measure.gain(bench, at="phono")
    truth = Truth(known, load_h=0.0)
    for c, channel in enumerate(bench.channels):
        readings = measure.phono_equalisation(bench, measure.sweep(bench, channel, output_v=0.05), channel)

        def true(r: Reading, c: int = c) -> float:
            there = truth.gain_db(c, 0.05, r.frequency_hz) - truth.gain_db(c, 0.05)
            return there - float(standard_db(np.array([r.frequency_hz]), roll_off=r.conditions["roll_off_us"] > 0)[0])

        found.add("equalisation_error", of(readings, "equalisation_error"), true)
