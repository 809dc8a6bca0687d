"""How loud, on which channel, and whether at all: the levels of everything that is played.

The level rises by rungs, each after the one below was seen to respond. What each tone teaches (gain, no response, gain
that moved, distortion at a low level, a sagging rail) ends a channel's ramp before the next rung.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence

import numpy as np

from benchtest import signals
from benchtest.amplifier_file import AmplifierSpec
from benchtest.bench import Instruments
from benchtest.bench_file import ResistorsSection
from benchtest.calibration import Calibration
from benchtest.conditions import volume_db
from benchtest.errors import NotAllowed
from benchtest.events import EventStream
from benchtest.instruments.protocols import FloatArray
from benchtest.safety import limits as lim
from benchtest.safety.capturing import Capturing, Order
from benchtest.safety.findings import Capture, NotCleared
from benchtest.safety.interlock import CHANNELS, LOADS, Clearance, Interlock
from benchtest.safety.load_heat import FULL_FOR_S, LoadHeat

MARGIN_S = 0.02
"""Kept free between a record window and the fades, for what the latency moves."""
LOWER_LOAD = 0.9
"""A dummy load below this share of the rated one is another load, not the rated one's tolerance."""
TYPING_S = 600.0
"""With a hand-held meter: how long a person may take to type what it showed while a loopback tone stood."""
NO_RESPONSE = 0.1
"""A fundamental below this share of what was expected is no response."""


@functools.lru_cache(maxsize=6)
def _sine(frequency_hz: float, length_s: float, sample_rate: int) -> FloatArray:
    """A sine of peak 1 without fades; a ramp plays the same one again and again. Not to be written to."""
    shape = signals.sine(frequency_hz, 1.0, length_s, sample_rate, fade_s=0.0)
    shape.flags.writeable = False
    return shape


class Driving:
    """Turns wanted output volts into a stimulus within the limits, and learns from what comes back."""

    def __init__(
        self,
        instruments: Instruments,
        interlock: Interlock,
        events: EventStream,
        capturing: Capturing,
        amplifier: AmplifierSpec,
        calibration: Calibration,
        sleep: Callable[..., None],
        idle_rails: dict[str, float],
    ) -> None:
        self.__file = instruments.file
        self.__interlock = interlock
        self.__events = events
        self.__capturing = capturing
        self.__amplifier = amplifier
        self.__sleep = sleep
        self.__idle_rails = idle_rails
        self.__hot_s = 0.0
        self.__clock = instruments.clock
        pairs: dict[str, ResistorsSection] = {"load": self.__file.load}
        if self.__file.second_load is not None:
            pairs["second load"] = self.__file.second_load
        self.__pairs = pairs
        self.__heat = {n: {c: LoadHeat(pair.rating_as_mounted_w) for c in CHANNELS} for n, pair in pairs.items()}
        self.__ohm = {name: {channel: pair.ohm(channel) for channel in CHANNELS} for name, pair in pairs.items()}
        self.calibration = calibration

    # ---------------------------------------------------------------- which load

    def pair(self) -> str:
        """Which pair of the bench file is meant now: the one across the terminals, else the first."""
        now = self.__interlock.hook_up.load
        return now if now in self.__pairs else "load"

    @property
    def load_ohm(self) -> dict[str, float]:
        """Of that pair: as measured, until then as stated."""
        return self.__ohm[self.pair()]

    def stated(self, name: str = "") -> ResistorsSection | None:
        """What the bench file states of a pair, or of the one that is meant now; None where it has no such pair."""
        return self.__pairs.get(name or self.pair())

    def ohm_of(self, name: str) -> dict[str, float]:
        """Of a pair by name, whatever is across the terminals."""
        return dict(self.__ohm.get(name, {}))

    def use_load(self, name: str, channel: str, ohm: float) -> None:
        """Take a measured resistance of a pair for all that follows."""
        self.__ohm[name][channel] = ohm

    # ---------------------------------------------------------------- how loud

    def limits(self) -> lim.DriveLimits:
        """The limits of this bench with this amplifier and the present calibration."""
        scale = self.calibration.input_volts_per_full_scale
        return lim.DriveLimits(
            load_ohm=(self.load_ohm["left"], self.load_ohm["right"]),
            load_rating_w=self.__pairs[self.pair()].rating_as_mounted_w,
            rated_power_w=self.__amplifier.rated_power_w,
            rated_load_ohm=self.__amplifier.rated_load_ohm,
            input_peak_v=(scale[0], scale[1]),
        )

    def highest_output(self, channels: Sequence[str], frequency_hz: float = 1000.0) -> float:
        """The highest output (V rms) that may be asked of these channels now: rung, clearance, load, input, frequency."""
        verified = self.__interlock.verified(frozenset(channels))
        rung = lim.next_rung(verified, self.limits())
        if any(self.__interlock.channels[c].ramp_ended for c in channels if c in CHANNELS):
            rung = min(rung, max(verified, lim.FIRST_V))  # what was seen may be played again, nothing louder
        return min([rung, *(self._ceiling(c, frequency_hz) for c in channels)])

    def _ceiling(self, channel: str, frequency_hz: float) -> float:
        limits = self.limits()
        loaded = self.__interlock.hook_up.load in LOADS
        highest = limits.highest_v(CHANNELS.index(channel), self.load_ohm[channel] if loaded else None, frequency_hz)
        limited = self.__interlock.channels[channel].clearance is Clearance.LIMITED
        if limited or not loaded:  # power belongs into a dummy load
            highest = min(highest, limits.one_watt_v())
        return min(highest, self._most_input_v() * self._gain(channel))

    def _most_input_v(self) -> float:
        """The highest input (V rms) that any tone may have; infinite where neither sensitivity nor gain is stated."""
        spec, rated = self.__amplifier, self.limits().rated_v()
        if rated is None or (spec.sensitivity_v is None and spec.gain_db is None):
            return math.inf
        return lim.INPUT_ABOVE_SENSITIVITY * rated / self.assumed_gain()

    def assumed_gain(self) -> float:
        """The gain (ratio) from input to terminals that is assumed until it is measured."""
        spec = self.__amplifier
        if spec.gain_db is not None:
            return float(10 ** (spec.gain_db / 20))
        rated = self.limits().rated_v()
        if spec.sensitivity_v is not None and rated is not None:
            return rated / spec.sensitivity_v
        return lim.UNKNOWN_GAIN

    def _gain(self, channel: str) -> float:
        return self.__interlock.channels[channel].gain or self.assumed_gain()

    def _turned_down(self) -> float:
        """What the volume position leaves (ratio), as far as it was stated in decibels; 1 otherwise."""
        position = volume_db(self.__interlock.hook_up.volume)
        return 10 ** (min(0.0, position or 0.0) / 20)

    def _may_drive(self, channels: Sequence[str]) -> frozenset[str]:
        self.__capturing.audio()  # a bench without a sound card: nothing was forbidden, it is not to be had
        now = self.__interlock.hook_up
        refusals = {
            "the sound card is in loopback: plug its output into the amplifier first": now.sound_card == "loopback",
            "the mains is off: there is nothing to drive": now.mains != "on",
            "the series lamp is in: its figures are provisional, nothing is driven on it": now.lamp == "in",
            f"the inputs are {now.inputs}: plug the sound card's output in first": now.inputs != "sound_card",
            "a tone on no channel was asked for; expected left, right or both": not channels,
        }
        for words, holds in refusals.items():
            if holds:
                raise NotAllowed(f"{words}. Nothing was driven.")
        for channel in channels:
            if channel not in CHANNELS:
                raise NotAllowed(f"no such channel: {channel!r}. Expected left or right. Nothing was driven.")
            why = self.__interlock.channels[channel].refusal()
            if why:
                raise NotCleared(f"{channel} channel is not driven: {why}")
        return frozenset(channels)

    def _rest_if_hot(self, output_v: float, length_s: float, driven: frozenset[str]) -> None:
        """Rest before the output devices and the loads have been too hot for too long; refuse what no rest allows."""
        if self.__interlock.hook_up.load in LOADS:
            for channel in driven:
                self._rest_the_load(channel, output_v, length_s)
        limits = self.limits()
        rated = limits.rated_v()
        if rated is not None:
            hot = rated / math.sqrt(2.0)
            into = min(limits.load_ohm) / limits.rated_load_ohm
            if into < LOWER_LOAD:  # half the rated power is reached at a lower voltage
                hot *= math.sqrt(into)
        else:  # the load is the only rating that is known
            hot = math.sqrt(lim.LOAD_CONTINUOUS * limits.load_rating_w * min(limits.load_ohm))
        if output_v < hot:
            return
        if length_s > lim.LONGEST_HOT_S:
            raise NotAllowed(
                f"{length_s:.1f} s above half power was asked for at a time; {lim.LONGEST_HOT_S:g} s is the longest. The "
                "output devices and the transformer's thermal link do not bear more. Soak below half power."
            )
        if self.__hot_s + length_s > lim.LONGEST_HOT_S:
            self.__sleep(self.__hot_s * lim.REST_RATIO, why="rest: the loads and the output devices cool")
            self.__hot_s = 0.0
        self.__hot_s += length_s

    def _rest_the_load(self, channel: str, output_v: float, length_s: float) -> None:
        power = output_v**2 / self.load_ohm[channel]
        heat = self.__heat[self.pair()][channel]
        heat.rested(self.__clock.now())
        rest_s = heat.rest_before(power, length_s)
        if not math.isfinite(rest_s):
            raise NotAllowed(
                f"{power:.0f} W into the {channel} dummy load for {length_s:.1f} s; it is rated at {heat.rating_w:.0f} W as "
                f"mounted: half of it continuously, all of it for {FULL_FOR_S:g} s. Play it shorter or lower."
            )
        if rest_s > 0.0:
            self.__sleep(rest_s, why=f"rest: the {channel} dummy load cools")
            heat.rested(self.__clock.now())
        heat.given(power, length_s)

    # ---------------------------------------------------------------- what is played

    def tone(
        self,
        output_v: float,
        channels: Sequence[str],
        *,
        frequency_hz: float,
        hold_s: float,
        window_s: float,
        also_ac: tuple[tuple[str, float], ...] = (),
    ) -> Capture:
        """See GuardedBench.tone."""
        driven = self._may_drive(channels)
        if not lim.near_reference(frequency_hz) and any(self.__interlock.channels[c].gain is None for c in driven):
            raise NotAllowed(
                f"a tone of {frequency_hz:g} Hz was asked for before the gain is known. Measure it at 1 kHz, 50 mV first."
            )
        if not (math.isfinite(output_v) and output_v > 0.0):
            raise NotAllowed(f"a tone of {output_v!r} V was asked for. Expected volts rms above 0.")
        highest = self.highest_output(channels, frequency_hz)
        if not output_v <= highest * 1.001:
            raise NotAllowed(
                f"{output_v:.3g} V at the output was asked for; {highest:.3g} V is the highest that may be tried now "
                f"(seen to respond so far: {self.__interlock.verified(driven):.3g} V). Rise by rungs: 50 mV, 0.3 V, "
                "1 W, then 3 dB, 1 dB and 0.25 dB steps."
            )
        length_s = hold_s + 2 * lim.FADE_S
        self._rest_if_hot(output_v, length_s, driven)
        inputs = (
            output_v / self._gain("left") if "left" in driven else 0.0,
            output_v / self._gain("right") if "right" in driven else 0.0,
        )
        rated = self.limits().rated_v()
        order = Order(
            self._sines(frequency_hz, inputs, length_s), driven, inputs, frequency_hz,
            (lim.FADE_S + hold_s - window_s - MARGIN_S, lim.FADE_S + hold_s - MARGIN_S), output_v, watched=True,
            read_rails=rated is not None and output_v >= 0.99 * rated / math.sqrt(2.0), also_ac=also_ac,
            idle_rails=self._idle_pair() if length_s > lim.LONGEST_HOT_S else None,
            before_again=lambda: self._rest_if_hot(output_v, length_s, driven),
            turned_down=self._turned_down() if any(self.__interlock.channels[c].gain is None for c in driven) else 1.0,
        )  # fmt: skip
        capture = self.__capturing.capture(order, self.calibration)
        self._learn(capture, output_v)
        return capture

    def _sines(self, frequency_hz: float, rms: tuple[float, float], length_s: float) -> FloatArray:
        rate = self.__capturing.audio().sample_rate
        shape = _sine(frequency_hz, length_s, rate)
        return np.column_stack([shape * (math.sqrt(2.0) * v) for v in rms])

    def waveform(
        self,
        shape: FloatArray,
        sample_rate: int,
        channels: Sequence[str],
        *,
        output_peak_v: float,
        highest_hz: float,
        window_s: tuple[float, float] | None,
    ) -> Capture:
        """See GuardedBench.waveform."""
        driven = self._may_drive(channels)
        rate = self.__capturing.audio().sample_rate
        if rate != sample_rate:
            raise NotAllowed(f"the waveform is made for {sample_rate} Hz, the sound card runs at {rate} Hz.")
        peak = float(np.max(np.abs(shape), initial=0.0))
        highest = math.sqrt(2.0) * self.highest_output(channels, highest_hz)
        if not (0.0 < peak <= 1.0 and 0.0 < output_peak_v <= highest * 1.001):
            raise NotAllowed(
                f"a waveform with a peak of {peak:.3g} of {output_peak_v!r} V was asked for; at most 1.0 of "
                f"{highest:.3g} V (peak) may be tried now."
            )
        length_s = len(shape) / rate
        rms = float(np.sqrt(np.mean(np.square(shape))))
        self._rest_if_hot(output_peak_v * rms, length_s, driven)
        peaks = [output_peak_v / self._gain(c) if c in driven else 0.0 for c in CHANNELS]
        edge = lim.FADE_S + MARGIN_S
        order = Order(
            np.column_stack([shape * v for v in peaks]), driven, (peaks[0] * rms, peaks[1] * rms), None,
            window_s or (edge, length_s - edge), output_peak_v * rms, watched=True,
            before_again=lambda: self._rest_if_hot(output_peak_v * rms, length_s, driven),
        )  # fmt: skip
        return self.__capturing.capture(order, self.calibration)

    def highest_burst(self, channels: Sequence[str]) -> float:
        """The highest output (V rms) that may be asked for inside bursts of these channels now; 0 for none."""
        driven = frozenset(channels)
        seen = max(self.__interlock.verified(driven), self.__interlock.burst_v.get(driven, 0.0))
        state = self.__interlock
        full = all(state.channels[c].clearance is Clearance.FULL for c in driven) and state.hook_up.load in LOADS
        tops = [self.limits().highest_burst_v(CHANNELS.index(c), self.load_ohm[c]) for c in driven]
        if not full or any(top is None for top in tops) or any(state.channels[c].ramp_ended for c in driven):
            return 0.0
        bounds = [seen * lim.BURST_RUNG, *(self._most_input_v() * self._gain(c) for c in driven)]
        return min([*bounds, *(top for top in tops if top is not None)])

    def bursts(self, output_v: float, channels: Sequence[str], *, count: int) -> Capture:
        """See GuardedBench.bursts."""
        driven = self._may_drive(channels)
        highest = self.highest_burst(channels)
        if not 0.0 < output_v <= highest * 1.001:
            raise NotAllowed(
                f"bursts of {output_v!r} V were asked for; {highest:.3g} V is the highest that may be tried now. They need "
                "a dummy load, a full DC check and a rated power, and rise by 0.5 dB from the highest tone that was seen."
            )
        rate = self.__capturing.audio().sample_rate
        shape = signals.bursts(lim.REFERENCE_HZ, 1.0, rate, count=count, on_s=lim.LONGEST_BURST_S)
        peaks = [math.sqrt(2.0) * output_v / self._gain(c) if c in driven else 0.0 for c in CHANNELS]
        order = Order(
            np.column_stack([shape * v for v in peaks]), driven, (peaks[0] / math.sqrt(2.0), peaks[1] / math.sqrt(2.0)),
            None, (lim.FADE_S, len(shape) / rate - lim.FADE_S), output_v, watched=True,
        )  # fmt: skip
        capture = self.__capturing.capture(order, self.calibration)
        if all(self._burst_seen(capture, c, output_v) for c in driven):
            self.__interlock.burst_v[driven] = max(self.__interlock.burst_v.get(driven, 0.0), output_v)
        return capture

    def _burst_seen(self, capture: Capture, channel: str, output_v: float) -> bool:
        peak = float(np.max(np.abs(capture.channel(channel)), initial=0.0))
        return peak > 0.7 * math.sqrt(2.0) * output_v

    def loopback_waveform(
        self, shape: FloatArray, share: float, channels: Sequence[str], *, window_s: tuple[float, float]
    ) -> Capture:
        """See GuardedBench.loopback_waveform."""
        self._must_be_loopback(share)
        if not float(np.max(np.abs(shape), initial=0.0)) <= 1.0:
            raise NotAllowed("the waveform's peak is above 1. Expected a shape between -1 and 1.")
        scale = self.calibration.output_volts_per_full_scale
        peaks = [share * v if c in channels else 0.0 for c, v in zip(CHANNELS, scale, strict=True)]
        rms = float(np.sqrt(np.mean(np.square(shape))))
        order = Order(
            np.column_stack([shape * v for v in peaks]), frozenset(channels), (peaks[0] * rms, peaks[1] * rms), None,
            window_s,
        )  # fmt: skip
        return self.__capturing.capture(order, self.calibration)

    def loopback_tone(
        self,
        share: float,
        *,
        frequency_hz: float,
        hold_s: float,
        window_s: float,
        while_playing: Callable[[], None] | None,
    ) -> Capture:
        """See GuardedBench.loopback_tone."""
        self._must_be_loopback(share)
        scale = self.calibration.output_volts_per_full_scale
        rms = (share * scale[0] / math.sqrt(2.0), share * scale[1] / math.sqrt(2.0))

        def played(hold_s: float, meanwhile: Callable[[], None] | None) -> Capture:
            order = Order(
                self._sines(frequency_hz, rms, hold_s + 2 * lim.FADE_S), frozenset(CHANNELS), rms, frequency_hz,
                (lim.FADE_S + hold_s - window_s - MARGIN_S, lim.FADE_S + hold_s - MARGIN_S), while_playing=meanwhile,
                patience_s=TYPING_S if any(meter.driver == "handheld" for meter in self.__file.dmm) else 10.0,
            )  # fmt: skip
            return self.__capturing.capture(order, self.calibration)

        shortest = window_s + 2 * MARGIN_S
        if hold_s > 2.0 * shortest and self.__capturing.tone_off_s() is None:
            played(shortest, None)  # the way round is found from a short tone: all of what is searched is kept
        return played(hold_s, while_playing)

    def _must_be_loopback(self, share: float) -> None:
        if self.__interlock.hook_up.sound_card != "loopback":
            raise NotAllowed(
                "a loopback tone was asked for while the sound card is on the amplifier. Have its output plugged "
                'into the dividers first: hook_up(sound_card="loopback").'
            )
        if not 0.0 < share <= lim.INPUT_SHARE:
            raise NotAllowed(f"share of full scale {share!r}: expected above 0 and at most {lim.INPUT_SHARE}.")

    def record(self, seconds: float, during: Callable[[], None] | None) -> Capture:
        """See GuardedBench.record."""
        rate = self.__capturing.audio().sample_rate
        silence = signals.silence(seconds, rate)
        order = Order(
            np.column_stack([silence, silence]), frozenset(), (0.0, 0.0), None, (0.0, seconds), while_playing=during
        )
        return self.__capturing.capture(order, self.calibration)

    # ---------------------------------------------------------------- what it teaches

    def _learn(self, capture: Capture, output_v: float) -> None:
        verified = True
        for name in capture.driven:
            verified = self._learn_channel(name, capture, output_v) and verified
        self._check_sag(capture)
        if verified and lim.near_reference(capture.frequency_hz or 0.0):
            before = self.__interlock.verified_v.get(capture.driven, 0.0)
            self.__interlock.verified_v[capture.driven] = max(before, output_v)

    def _learn_channel(self, name: str, capture: Capture, output_v: float) -> bool:
        """Learn one channel's gain and whether its ramp ends here; True where the level was seen to respond."""
        state = self.__interlock.channels[name]
        figures = capture.figures[name]
        driven_v = capture.input_v[CHANNELS.index(name)]
        expected = driven_v * self._gain(name)
        if state.gain is None:
            expected *= self._turned_down()
        if not figures.level_v > NO_RESPONSE * expected:
            state.ramp_ended = state.ramp_ended or (
                f"no response to the tone: {expected:.3g} V expected, {figures.level_v:.2g} V seen. A lead off, or a dead "
                "channel: the level is not raised"
            )
            return False
        measured = figures.level_v / driven_v
        rated = self.limits().rated_v()
        if state.gain is None:
            state.gain = measured
            return figures.level_v > 0.5 * min(output_v, lim.FIRST_V)
        moved_db = 20.0 * math.log10(measured / state.gain)
        frequency = capture.frequency_hz or 0.0
        if not lim.near_reference(frequency):
            if abs(moved_db) > lim.RESPONSE_MOVED_DB:
                state.ramp_ended = (
                    f"{moved_db:+.1f} dB at {frequency:g} Hz against 1 kHz: more than a flat amplifier has"
                )
            return True
        half = rated / math.sqrt(2.0) if rated is not None else lim.SECOND_V
        if output_v < 0.99 * half and abs(moved_db) > lim.GAIN_MOVED_DB:
            state.ramp_ended = f"the gain moved by {moved_db:+.2f} dB without a prompt at {output_v:.3g} V"
        low = rated is not None and lim.SECOND_V < output_v < rated * math.sqrt(0.1)
        if low and figures.thd > lim.THD_LOW_LEVEL and not self._claims_more_thd():
            state.ramp_ended = f"THD {100 * figures.thd:.2g} % at {output_v:.3g} V, below a tenth of rated power"
        return True

    def _claims_more_thd(self) -> bool:
        stated = self.__amplifier.rated_thd_percent
        return stated is not None and stated / 100.0 > lim.THD_LOW_LEVEL

    def _idle_pair(self) -> tuple[float, float]:
        return self.__idle_rails.get("rail_positive", 0.0), self.__idle_rails.get("rail_negative", 0.0)

    def _check_sag(self, capture: Capture) -> None:
        if capture.rails is None:
            return
        sag = lim.sag(capture.rails, self._idle_pair())
        if sag > lim.RAIL_SAG_STOP:
            for name in capture.driven:
                self.__interlock.channels[name].ramp_ended = f"a rail sags by {100 * sag:.0f} % under load"
        elif sag > lim.RAIL_SAG_NOTE:
            self.__events.emit("note", text=f"a rail sags by {100 * sag:.0f} % under load", severity="note")
