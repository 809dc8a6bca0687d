"""Whatever is called in whatever order, on whatever bench: nothing is emitted above any limit, or where nothing may be.

The oracle listens at the sound card, below every limit, and knows the rules by itself: which hook-up may be driven, what a
DC check is worth and until when, and how much the amplifier may be made to put out; it computes them anew from the files.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule, run_state_machine_as_test

import benchtest.bench
from benchtest.amplifier_file import amplifier_from_text
from benchtest.errors import BenchtestError
from benchtest.safety import open_bench

CHANNELS = ("left", "right")
SETTINGS = {
    "lamp": ("in", "out"), "volume": ("minimum", "full", "-20 dB"), "inputs": ("shorted", "sound_card", "open"),
    "load": ("none", "1 kilohm", "load"), "sound_card": ("amplifier", "loopback"),
}  # fmt: skip
WORDS = st.sampled_from([(k, v) for k, vs in SETTINGS.items() for v in vs])
LEVELS = st.one_of(
    st.sampled_from([0.05, 0.3, 2.828, 4.0, 5.6, 8.0, 11.0, 15.0, 21.9, 25.0]),
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(0.0, 60.0),
)
DRIVEN = st.sampled_from([["left"], ["right"], ["left", "right"]])
ANY_CHANNELS = st.sampled_from(
    [["right"], ["left"], ["left", "right"], ["right", "left"], [], ["centre"], ["left", "left"]]
)
FREQUENCIES = st.sampled_from([20.0, 100.0, 1000.0, 997.0, 6000.0, 20000.0])


@dataclass
class Bench:
    """What was drawn of a bench and its amplifier: the numbers that the oracle computes with."""

    load_ohm: float
    load_rating_w: float
    bare: bool
    input_full_scale_v: float
    divider: float
    output_full_scale_v: float
    output_divider: float
    rated_w: float | None
    gain_db: float | None
    scenario: str
    seed: int

    def text(self) -> str:
        return f"""
[bench]
name = "drawn"
simulated = true
[operator]
driver = "simulated"
[load]
left_ohm = {self.load_ohm}
right_ohm = {self.load_ohm}
tolerance_percent = 1.0
power_rating_w = {self.load_rating_w}
as_mounted = "{"bare" if self.bare else "heatsink"}"
[[dmm]]
name = "bench meter"
driver = "simulated"
connected_to = "movable"
[[dmm]]
name = "left meter"
driver = "simulated"
connected_to = "left_output"
[[dmm]]
name = "right meter"
driver = "simulated"
connected_to = "right_output"
[[dmm]]
name = "watch meter"
driver = "simulated"
connected_to = "dc_watch"
[audio]
driver = "simulated"
sample_rate = 96000
output_full_scale_v = {self.output_full_scale_v}
input_full_scale_v = {self.input_full_scale_v}
left_input_divider = {self.divider}
right_input_divider = {self.divider}
output_divider = {self.output_divider}
[lamp]
power_w = 60.0
"""

    def most_peak_v(
        self, load_ohm: float, *, loaded: bool, dc_limited: bool, frequency_hz: float, burst: bool
    ) -> float:
        """The largest predicted peak at the terminals, V: the rules of the bench, written down a second time."""
        watts = self.load_rating_w * (0.4 if self.bare else 1.0)
        rated_ohm = 8.0
        w = 2 * math.pi * frequency_hz
        # Power in 10 ohm behind 0.1 uF: |I|^2 R with |I|^2 = V^2 / (R^2 + 1 / (w C)^2), at most 0.5 W.
        network = math.sqrt(0.5 / 10.0 * (10.0**2 + 1.0 / (w * 100e-9) ** 2))
        bounds = [0.9 * self.input_full_scale_v * self.divider / math.sqrt(2.0), network]
        if loaded:
            bounds.append(math.sqrt((10.0 if burst else 1.0) * watts * load_ohm))
        if self.rated_w is not None:
            bounds.append(math.sqrt((2.0 if burst else 1.3) * self.rated_w * rated_ohm))
        if not loaded or dc_limited:
            bounds.append(math.sqrt(rated_ohm))  # 1 W
        return math.sqrt(2.0) * min(bounds)


BENCHES = st.builds(
    Bench,
    load_ohm=st.sampled_from([4.0, 7.9, 8.0, 8.2, 16.0]),
    load_rating_w=st.sampled_from([200.0, 5.0, 10.0, 50.0]),
    bare=st.booleans(),
    # What is stated may be wrong, but not so wrong that nothing seems to come back: 2 V and 23.3 are true.
    input_full_scale_v=st.sampled_from([2.0, 1.0]),
    divider=st.sampled_from([23.3, 10.0, 40.0]),
    output_full_scale_v=st.sampled_from([2.0, 1.0, 4.0]),
    output_divider=st.sampled_from([1.0, 2.0]),
    rated_w=st.sampled_from([None, 10.0, 60.0]),
    gain_db=st.sampled_from([None, 20.0, 29.0, 40.0]),
    scenario=st.sampled_from(
        [
            *["healthy"] * 8,
            "input-pair-unbalanced",
            "output-stage-shorted",
            "bias-low",
            "reservoir-dry",
            "relay-open",
        ]
    ),
    seed=st.integers(0, 5),
)


@dataclass
class Oracle:
    """What the bench is really set to, as the simulated bench knows it, and what has been allowed by DC checks."""

    drawn: Bench
    simulated: object = None
    guarded: object = None
    cleared: dict[str, str] = field(default_factory=dict)
    stopped: bool = False
    frequency_hz: float = 1000.0
    burst: bool = False
    assumed_gain: float = 200.0
    faults: list[str] = field(default_factory=list)
    emissions: int = 0

    def hear(self, stimulus: np.ndarray) -> None:
        """Judge what is about to be emitted. Faults are kept as well as raised: a procedure may swallow what is raised."""
        found = list(self._wrong(np.max(np.abs(stimulus), axis=0)))
        self.faults += found
        assert not found, found

    def _wrong(self, peaks: np.ndarray):
        if not np.any(peaks > 0.0):
            return
        self.emissions += 1
        b = self.simulated
        if not np.all(peaks <= 1.0):
            yield f"{peaks} is above full scale, or no number"
        if self.stopped:
            yield "something is emitted after a stop"
        if b.sound_card_at == "loopback":
            if not np.all(peaks <= 0.9 * 1.0001):
                yield f"loopback at {peaks}"
            return
        for words, holds in {
            "mains off": not b.mains_on, "lamp in": b.lamp_in, "inputs not the sound card": b.inputs != "sound_card",
        }.items():  # fmt: skip
            if holds:
                yield f"driven with {words}"
        full_scale = self.drawn.output_full_scale_v / self.drawn.output_divider
        for i, channel in enumerate(CHANNELS):
            if not peaks[i] > 0.0:
                continue
            if channel not in self.cleared:
                yield f"{channel} driven without a DC check"
                continue
            gain = self.guarded.gain(channel) or self.assumed_gain
            load_ohm = self.guarded.load_ohm[channel]
            if not 0.95 <= load_ohm / self.drawn.load_ohm <= 1.05:
                yield f"{load_ohm} ohm is taken for the {channel} load"
            most = self.drawn.most_peak_v(
                load_ohm, loaded=b.load == "load", dc_limited=self.cleared[channel] == "limited",
                frequency_hz=self.frequency_hz, burst=self.burst,
            )  # fmt: skip
            predicted = float(peaks[i]) * full_scale * gain
            if self.drawn.rated_w is not None and self.drawn.gain_db is not None:
                # Four times what makes rated power into 8 ohm at full volume, as the file states the gain.
                at_most = 4.0 * math.sqrt(2.0 * self.drawn.rated_w * 8.0) / 10 ** (self.drawn.gain_db / 20)
                if not float(peaks[i]) * full_scale <= at_most * 1.002:
                    yield f"{channel}: {peaks[i] * full_scale:.3f} V peak at the input, {at_most:.3f} V at most"
            if not predicted <= most * 1.002:
                yield f"{channel}: {predicted:.3f} V peak predicted, {most:.3f} V at most ({self.frequency_hz:g} Hz)"


def amplifier_of(drawn: Bench):
    lines = ["[amplifier]", 'name = "drawn"', 'output_stage = "direct_coupled"']
    if drawn.rated_w is not None:
        lines += [f"rated_power_w = {drawn.rated_w}", "rated_load_ohm = 8.0"]
    if drawn.gain_db is not None:
        lines.append(f"gain_db = {drawn.gain_db}")
    return amplifier_from_text("\n".join(lines), "drawn.toml")


class Hostile(RuleBasedStateMachine):
    """Calls everything that a procedure can call, in any order, and swallows whatever is raised."""

    folder = None
    heard = 0

    @initialize(
        drawn=BENCHES,
        start=st.sampled_from(["climbed", "climbed", "ready", "nothing"]),
        then_hz=FREQUENCIES,
        both=st.booleans(),
    )
    def opened(self, drawn, start="nothing", then_hz=1000.0, both=False):
        path = self.folder / "bench.toml"
        path.write_text(drawn.text(), encoding="utf-8")
        self.oracle = Oracle(drawn)
        make = benchtest.bench.__dict__["_simulated_bench"]

        def listening(seed, scenario, channel):
            simulated = make(drawn.seed, drawn.scenario, "left")
            card = simulated.audio()
            begin = card.begin

            def begin_heard(stimulus, **more):
                self.oracle.hear(stimulus)
                return begin(stimulus, **more)

            card.begin = begin_heard
            self.oracle.simulated = simulated
            return simulated

        benchtest.bench._simulated_bench = listening
        try:
            self.bench = open_bench(path, amplifier=amplifier_of(drawn), calibrate=False)
        finally:
            benchtest.bench._simulated_bench = make
        self.oracle.guarded = self.bench
        if drawn.gain_db is not None:
            self.oracle.assumed_gain = 10 ** (drawn.gain_db / 20)
        if start != "nothing":
            self.ready()
        if start == "climbed":
            self.rise(["left", "right"] if both else ["right"], 40, then_hz, 1.0)

    def attempt(self, act):
        with contextlib.suppress(BenchtestError, ValueError):
            act()

    @rule(word=WORDS)
    def hook_up(self, word):
        name, value = word
        simulated = self.oracle.simulated
        before = simulated.load, simulated.lamp_in
        self.attempt(lambda: self.bench.hook_up(**{name: value}))
        if (simulated.load, simulated.lamp_in) != before:
            self.oracle.cleared.clear()

    @rule(on=st.booleans())
    def mains(self, on):
        self.oracle.cleared.clear()
        self.attempt(self.bench.mains_on if on else self.bench.mains_off)
        if on:
            self.attempt(lambda: self.bench.sleep(20.0))

    @rule(channel=st.sampled_from(CHANNELS), before_relay=st.booleans())
    def dc_check(self, channel, before_relay):
        outcome = None
        with contextlib.suppress(BenchtestError):
            outcome = self.bench.dc_check(channel, before_relay=before_relay).outcome
        if outcome in ("good", "noted", "limited") and not before_relay:
            self.oracle.cleared[channel] = outcome
        elif outcome is not None and outcome != "not_reached" and not before_relay:
            self.oracle.cleared.pop(channel, None)
        if outcome == "stop":
            self.oracle.stopped = True

    @rule(seconds=st.sampled_from([0.1, 30.0]))
    def sleep(self, seconds):
        self.attempt(lambda: self.bench.sleep(seconds))

    @rule()
    def ready(self):
        """What a good procedure does first, so that much of what follows is not refused at once."""
        self.mains(False)
        for word in (("lamp", "out"), ("load", "load"), ("inputs", "shorted"), ("volume", "full")):
            self.hook_up(word)
        self.mains(True)
        for channel in CHANNELS:
            self.dc_check(channel, False)
        self.hook_up(("inputs", "sound_card"))
        self.hook_up(("sound_card", "amplifier"))

    def playing(self, act, frequency_hz, burst=False):
        self.oracle.frequency_hz, self.oracle.burst = frequency_hz, burst
        self.attempt(act)

    @rule(level=LEVELS, channels=ANY_CHANNELS, frequency_hz=FREQUENCIES, hold_s=st.sampled_from([0.3, 0.3, 1.0, 12.0]))
    def tone(self, level, channels, frequency_hz, hold_s):
        self.playing(
            lambda: self.bench.tone(level, channels, frequency_hz=frequency_hz, hold_s=hold_s, window_s=0.2),
            frequency_hz,
        )

    @rule(
        channels=DRIVEN,
        steps=st.sampled_from([3, 10, 40]),
        then_hz=FREQUENCIES,
        more=st.sampled_from([1.0, 1.0, 1.01, 1.5]),
    )
    def rise(self, channels, steps, then_hz, more):
        """As loud as is said to be allowed, again and again, and then somewhat louder at another frequency."""
        before = -1.0
        for frequency_hz, share in [*[(1000.0, 1.0)] * steps, (1000.0, more), (then_hz, more)]:
            level = 0.0
            with contextlib.suppress(BenchtestError, KeyError):
                level = self.bench.highest_output(channels, frequency_hz) if channels else 0.0
            if level == before and (frequency_hz, share) == (1000.0, 1.0):
                continue  # the top is reached
            before = level
            self.tone(level * share, channels, frequency_hz, 0.3)

    @rule(channels=DRIVEN, level=LEVELS, hz=FREQUENCIES, peak=st.sampled_from([0.5, 1.0, 1.0, 3.0, math.nan]))
    def waveform(self, channels, level, hz, peak):
        shape = peak * np.sin(2 * np.pi * 1000.0 * np.arange(28_800) / 96_000)
        self.playing(lambda: self.bench.waveform(shape, 96_000, channels, output_peak_v=level, highest_hz=hz), hz)

    @rule(channels=DRIVEN, more=st.sampled_from([1.0, 1.0, 1.5, math.nan]))
    def bursts(self, channels, more):
        level = self.bench.highest_burst(channels) if channels else 1.0
        self.playing(lambda: self.bench.bursts(level * more, channels), 1000.0, burst=True)

    @rule(share=st.sampled_from([0.1, 0.6, 0.95, 2.0, math.nan]))
    def loopback(self, share):
        self.attempt(lambda: self.bench.loopback_tone(share, hold_s=0.3, window_s=0.1))

    @rule()
    def record(self):
        self.attempt(lambda: self.bench.record(0.1))

    @rule(channel=st.sampled_from(CHANNELS), ohm=st.sampled_from([7.9, 8.3, 0.01, math.nan]))
    def use_load(self, channel, ohm):
        self.attempt(lambda: self.bench.use_load(channel, ohm))

    @precondition(lambda self: self.oracle.emissions > 3)
    @rule()
    def stop(self):
        self.attempt(lambda: self.bench.stop("as if something had been seen"))
        self.oracle.stopped = True

    def teardown(self):
        if hasattr(self, "bench"):
            self.bench.close()
            type(self).heard += self.oracle.emissions
            assert not self.oracle.faults


def test_no_sequence_of_calls_emits_above_a_limit(tmp_path):
    Hostile.folder, Hostile.heard = tmp_path, 0
    run_state_machine_as_test(
        Hostile, settings=settings(max_examples=12, stateful_step_count=12, deadline=None, derandomize=True,
                                   suppress_health_check=list(HealthCheck)),
    )  # fmt: skip
    assert Hostile.heard > 30  # it was not refused all the time


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_no_sequence_of_calls_emits_above_a_limit_at_length(tmp_path):
    Hostile.folder, Hostile.heard = tmp_path, 0
    run_state_machine_as_test(
        Hostile, settings=settings(max_examples=600, stateful_step_count=20, deadline=None,
                                   suppress_health_check=list(HealthCheck)),
    )  # fmt: skip
    assert Hostile.heard > 1000


BINDING = {
    "rated power": ({"rated_w": 10.0}, 1000.0),
    "load": ({"load_rating_w": 10.0}, 1000.0),
    "load, bare": ({"load_rating_w": 50.0, "bare": True}, 1000.0),
    "sound card's input": ({"divider": 14.0, "rated_w": None}, 1000.0),
    "output network": ({}, 20000.0),
}


@pytest.mark.parametrize("limit", BINDING)
def test_each_limit_is_reached_and_not_passed(tmp_path, limit):
    """The oracle's own arithmetic says where the top is; rising as allowed ends there, neither above nor well below."""
    changes, frequency_hz = BINDING[limit]
    drawn = Bench(8.0, 200.0, False, 2.0, 23.3, 2.0, 1.0, 60.0, 31.5, "healthy", 0)
    for name, value in changes.items():
        setattr(drawn, name, value)
    Hostile.folder = tmp_path
    machine = Hostile()
    machine.opened(drawn, "ready")
    try:
        machine.rise(["left"], 40, frequency_hz, 1.0)
        top = machine.bench.highest_output(["left"], frequency_hz)
        most = drawn.most_peak_v(8.0, loaded=True, dc_limited=False, frequency_hz=frequency_hz, burst=False)
        assert not machine.bench.ramp_ended("left")
        assert math.sqrt(2.0) * top == pytest.approx(most, rel=2e-3)
        assert machine.oracle.emissions > 5
    finally:
        machine.teardown()
