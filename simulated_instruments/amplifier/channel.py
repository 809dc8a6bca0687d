"""One channel at work: what it does to a signal, and where its output stands without one.

The signal passes linear stages first. What the output stage loses between driver and output is then taken from the
signal, divided by one plus the loop gain, and what the rails cannot deliver is cut off. Evaluating the loss at the
undisturbed signal is first order in the loss over the loop gain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .band_limited import LATENCY, Clipper, Curve, Table
from .design import ChannelDesign
from .filters import DELAY, DelayLine, FirstOrder, Running, low_pass, ramp
from .joints import JointState
from .oscillation import Oscillation
from .output_kind import OutputKind
from .slew import slew_limited
from .speaker_fuse import FuseState

FloatArray = NDArray[np.float64]

ERROR_LATENCY = LATENCY + DELAY
"""Frames from the linear signal to the signal less its error."""
_SINE = np.sin(2.0 * np.pi * (np.arange(16) + 0.5) / 16.0)
_FULL_SPAN_V = 84.0
"""Rail to rail, at which a short passes the current it is described by."""
_FAST_HZ = 2500.0
"""Mean frequency of the output signal above which the crossover's harmonics would fold."""


@dataclass
class Path:
    """What the output sees: resistance in series up to the terminals, and the load across them (inf: none)."""

    series_ohm: float
    load_ohm: float
    made: bool

    @property
    def total_ohm(self) -> float:
        return self.series_ohm + self.load_ohm if self.made else math.inf

    @property
    def share(self) -> float:
        """Terminal voltage over output voltage."""
        if not self.made:
            return 0.0
        return 1.0 if math.isinf(self.load_ohm) else self.load_ohm / (self.load_ohm + self.series_ohm)


@dataclass
class Channel:
    """State of one channel. ``idle_a`` is the idle current of each device."""

    design: ChannelDesign
    kind: OutputKind
    rng: np.random.Generator
    noise_scale: float = 1.0
    idle_a: float = 0.0
    transient_v: float = 0.0
    through_a: float = 0.0
    """What runs from rail to rail through a shorted device and the other half, A."""
    joint: JointState = field(init=False)
    fuse: FuseState = field(init=False)
    oscillation: Oscillation = field(init=False)
    dead_device: bool = False

    def __post_init__(self) -> None:
        self.joint = JointState(self.design.output_joint, self.rng)
        self.fuse = FuseState(self.design.speaker_fuse)
        self.oscillation = Oscillation(self.design.network, self.rng)
        self._fast = Running()
        self._feedback = Running()
        self._kind = Running()
        self._error = Running()
        self._ripple = Running()
        self._ripple_last = 0.0
        self._dry = Running()
        self._clipper = Clipper()
        self._curve = Curve()
        self._delay = DelayLine(ERROR_LATENCY)
        self._table: tuple[float, float, Table] | None = None
        self._last = 0.0
        self._kind_dc: float | None = 0.0
        self._left = ((0.0, 0.0, 0.0), 1.0)

    # Linear part

    @property
    def noise_gain(self) -> float:
        return self.design.feedback.gain if not self.design.feedback.open else 1e6

    def sections(self) -> tuple[FirstOrder, ...]:
        """The power amplifier's fast sections."""
        gain = self.design.gain_stage
        return (low_pass(gain.input_pole_hz), gain.closed_loop(self.noise_gain))

    def gain(self, frequency_hz: float) -> complex:
        """From the line stage's input to the output devices, small signal."""
        d = self.design
        if d.line.dead or self.stuck:
            return 0.0
        total: complex = d.line.gain * (-1.0 if d.line.inverting else 1.0) * self.halves
        total *= d.feedback.section().response(frequency_hz)
        for section in self.sections():
            total *= section.response(frequency_hz)
        if self.kind.kind == "servo":
            servo = self.kind.section(math.inf)
            total *= servo.response(frequency_hz) if servo else 1.0
        return total

    @property
    def halves(self) -> float:
        """Share of the gain that is left: a bridged output with one half dead has half of it."""
        return 0.5 if self.kind.kind == "bridged" and self.kind.minus_stuck else 1.0

    # Where the output stands

    @property
    def stuck(self) -> int:
        """+1 or -1: the output stands at that rail whatever the input; 0: it works."""
        stage = self.design.output_stage
        if stage.upper.shorted or self.dead_device:
            return 1
        if stage.lower.shorted:
            return -1
        if self.design.feedback.open:
            return 1 if self.design.input_stage.offset_v >= 0.0 else -1
        return 0

    def _stands_at(self, positive: float, negative: float) -> int:
        """Which rail a stuck output stands at (0 positive); through a short from rail to rail, the one that is left."""
        own = 0 if self.stuck > 0 else 1
        if self.design.output_stage.short_through_a > 1.0 and abs((positive, negative)[own]) < 1.0:
            return 1 - own
        return own

    def limits(self, rails: tuple[float, float], total_ohm: float) -> tuple[float, float]:
        """Lowest and highest output voltage at these rails into ``total_ohm``."""
        upper, lower = self.design.output_stage.upper, self.design.output_stage.lower
        eaten = self.oscillation.eaten_v
        high = max(rails[0] - upper.saturation_v - eaten, 0.0)
        low = min(rails[1] + lower.saturation_v + eaten, 0.0)
        if self.kind.kind == "bridged":
            across = self._bridged(np.array([[rails[0]], [rails[1]]]), np.array([low]), np.array([high]), total_ohm)
            return float(across[0][0]), float(across[1][0])
        if math.isfinite(total_ohm):
            high = min(high * (total_ohm / (total_ohm + upper.saturation_ohm)), upper.reach_a * total_ohm)
            low = max(low * (total_ohm / (total_ohm + lower.saturation_ohm)), -lower.reach_a * total_ohm)
        return low, high

    def moving_limits(self, rails: FloatArray, total_ohm: float) -> tuple[FloatArray, FloatArray]:
        """The same for moving ``rails`` (2, n)."""
        upper, lower = self.design.output_stage.upper, self.design.output_stage.lower
        high = rails[0] - upper.saturation_v - self.oscillation.eaten_v
        low = rails[1] + lower.saturation_v + self.oscillation.eaten_v
        np.maximum(high, 0.0, out=high)
        np.minimum(low, 0.0, out=low)
        if self.kind.kind == "bridged":
            return self._bridged(rails, low, high, total_ohm)
        if math.isfinite(total_ohm):
            high *= total_ohm / (total_ohm + upper.saturation_ohm)
            low *= total_ohm / (total_ohm + lower.saturation_ohm)
            np.minimum(high, upper.reach_a * total_ohm, out=high)
            np.maximum(low, -lower.reach_a * total_ohm, out=low)
        return low, high

    def _bridged(
        self, rails: FloatArray, low: FloatArray, high: FloatArray, total_ohm: float
    ) -> tuple[FloatArray, FloatArray]:
        """Limits across a bridged output: while one half rises the other falls; a dead half stands where it stuck."""
        saturation = self.design.output_stage.upper.saturation_ohm
        left = 1.0 if math.isinf(total_ohm) else total_ohm / (total_ohm + 2.0 * saturation)
        if self.kind.minus_stuck:
            stands = rails[0] if self.kind.minus_stuck > 0 else rails[1]
            return (low - stands) * left, (high - stands) * left
        return (low - high) * left, (high - low) * left

    def dc(self, rise_k: float, volume: float, rails: tuple[float, float], total_ohm: float) -> float:
        """Output voltage without a signal, before relay and fuse; ``volume`` is the ratio set by the controls."""
        d = self.design
        low, high = self.limits(rails, total_ohm)
        if self.stuck:
            return rails[self._stands_at(rails[0], rails[1])]
        works = min(1.0, max(0.0, (max(rails[0], -rails[1]) - 4.0) / 8.0))
        value = d.input_stage.offset(rise_k) + d.coupling.leakage_v * volume * d.line.gain
        value *= d.feedback.dc_gain
        if self.kind.kind == "servo" and not self.kind.servo_dead:
            value = self.kind.servo_offset_v
        elif self.kind.kind == "servo":
            value *= d.feedback.gain
        if rails[0] < 4.0 or rails[1] > -4.0:
            # one rail gone: the front end has lost its tail or its load; the output leans on the living one
            value += 0.6 if rails[0] >= 4.0 else -0.6
        if self.kind.kind == "bridged" and self.kind.minus_stuck:
            value -= rails[0] if self.kind.minus_stuck > 0 else rails[1]
        if d.network.oscillates:
            value += d.network.offset_shift_v
        value = value * works + self.transient_v
        return min(max(value, low), high)

    def follow_short(self, rails: tuple[float, float]) -> None:
        """Let the current from rail to rail through a shorted device follow the rails.

        It follows in small parts, since the rails, on a series lamp above all, fall with it.
        """
        stage = self.design.output_stage
        if stage.upper.shorted or stage.lower.shorted:
            if min(rails[0], -rails[1]) < 0.02 * max(rails[0], -rails[1]):
                self.through_a = 0.0  # a fuse has opened: nothing runs from rail to rail any more
                return
            target = stage.short_through_a * max(0.0, rails[0] - rails[1] - 2.0) / _FULL_SPAN_V
            self.through_a += 0.15 * (target - self.through_a)

    def feedback_ohm(self) -> float:
        """From the output to ground through the feedback divider, at DC, amplifier dead."""
        f = self.design.feedback
        return math.inf if f.open else f.series_ohm + f.shunt_ohm + min(f.leak_ohm, 47e3)

    def cold_ohm(self) -> float:
        """From the output to ground with everything dead: feedback divider, and a shorted device into an empty rail."""
        stage = self.design.output_stage
        return (
            0.4 + stage.upper.devices[0].emitter_ohm
            if stage.upper.shorted or stage.lower.shorted
            else self.feedback_ohm()
        )

    # Signal

    def coupled(self, v: FloatArray, middle: tuple[float, float], load_ohm: float, rate: float) -> FloatArray:
        """Through the output capacitor, where the kind has one; ``middle``: what the output stands at, start and end."""
        section = self.kind.section(load_ohm) if self.kind.kind == "capacitor" else None
        if section is None:
            return v
        if self._kind_dc is not None:
            self._kind.settle(self._kind_dc + middle[0], section, rate)
            self._kind_dc = None
        return self._kind.slow(v + ramp(*middle, len(v)), section, rate)

    def table(self, total_ohm: float, *, idle_within: float = 0.015) -> tuple[Table, float]:
        """Error made inside the loop against output voltage, and a factor near 1 for the voltage: the table is made anew
        only when the load has changed by more than that a fuse warms, or the idle current by ``idle_within``."""
        conductance = 0.0 if math.isinf(total_ohm) else 1.0 / total_ohm
        if self._table is not None:
            idle, g, table = self._table
            if abs(self.idle_a - idle) <= idle_within * idle and abs(conductance - g) <= 0.02 * g:
                return table, (conductance / g if g else 1.0)
        stage, gain = self.design.output_stage, self.design.gain_stage
        most = 50.0
        v = np.sinh(np.linspace(-7.0, 7.0, 1501)) * (most / math.sinh(7.0))
        even = gain.even_per_v + 2e-4 * self.design.input_stage.imbalance
        error = even * v * v + gain.odd_per_v2 * v**3
        if conductance > 0.0:
            current = np.clip(v * conductance, -16.0, 16.0)
            error = error + stage.crossover(max(self.idle_a, 1e-9))(current)
        table = Table.of(v, error)
        self._table = (self.idle_a, conductance, table)
        self._left = ((0.0, 0.0, 0.0), 1.0)
        return table, 1.0

    def left_by_feedback(self, peak_v: float, frequency_hz: float, total_ohm: float) -> float:
        """Share of a sine's ideal level that is there: what the output stage loses, less what feedback takes back."""
        table, scale = self.table(total_ohm, idle_within=0.2)  # moves a level at 20 kHz by some parts in 10 000 at most
        scale = round(scale, 3)  # a load that warms moves it all the time, by nothing that matters here
        key = (peak_v, frequency_hz, scale)
        if self._left[0] != key:
            lost = float(table(peak_v * scale * _SINE) @ _SINE) / (0.5 * len(_SINE) * peak_v)
            remains = self.design.gain_stage.error(self.noise_gain).response(frequency_hz)
            self._left = (key, abs(1.0 - lost * remains))
        return self._left[1]

    def linear(self, x: FloatArray, rate: float, track_ohm: float, outside: FirstOrder | None = None) -> FloatArray:
        """From the line stage's input (V, with noise) to the ideal output, DELAY frames late.

        The coupling capacitor into the volume control's ``track_ohm`` is linear too and is done here, where it costs
        nothing beside the feedback capacitor. So is ``outside``, what the inductance of coil and load does to the
        voltage at the terminals.
        """
        d = self.design
        section = d.feedback.section()
        scale = d.line.gain * (-1.0 if d.line.inverting else 1.0) * self.halves
        sections = (*self.sections(), FirstOrder(scale, 0.0, 0.0), *((outside,) if outside else ()))
        coupling = d.coupling.section(track_ohm)
        slow = [s for s in (section, coupling) if s.slow(rate)]
        y = self._fast.fast(x, sections if section in slow else (*sections, section), rate)
        if len(slow) == 2:
            y = self._feedback.slow_pair(y, section, coupling, rate)
        elif slow:
            y = self._feedback.slow(y, slow[0], rate)
        if d.feedback.distortion_per_v2 > 0.0:
            # what a dried-out capacitor has across it bends its capacitance
            across = self._dry.slow(x * d.line.gain, FirstOrder(1.0, 0.0, max(section.a1, 1e-4)), rate)
            y = y + (d.feedback.gain - 1.0) * d.feedback.distortion_per_v2 * across**3
        return self._servo(y, rate)

    def _servo(self, y: FloatArray, rate: float) -> FloatArray:
        servo = self.kind.section(math.inf) if self.kind.kind == "servo" else None
        if servo is not None:
            y = self._kind.slow(y, servo, rate)
        return y

    def rejected(self, rails: FloatArray, rate: float) -> FloatArray:
        """What of the rails' ripple reaches the output, V."""
        r = self.design.rejection
        mixed = rails[0] * r.positive
        mixed += rails[1] * r.negative
        high = self._ripple.slow(mixed, FirstOrder(0.0, 0.08, 0.08), rate)
        slope = rate / (2.0 * math.pi * r.corner_hz)
        out = high * (1.0 + slope)
        out[1:] -= slope * high[:-1]
        out[0] -= slope * self._ripple_last
        self._ripple_last = float(high[-1])
        return out

    def settle_ripple(self, rails: tuple[float, float], rate: float) -> None:
        r = self.design.rejection
        level = rails[0] * r.positive + rails[1] * r.negative
        self._ripple.settle(level, FirstOrder(0.0, 0.08, 0.08), rate)
        self._ripple_last = 0.0

    def output(self, y: FloatArray, rails: FloatArray | None, total_ohm: float, rate: float) -> FloatArray:
        """From the ideal output to the real one. ``rails``: (2, n), ERROR_LATENCY late; None while they are far.

        Returns (n,) volts at the output devices, ERROR_LATENCY + LATENCY frames late.
        """
        if self.stuck and rails is not None:
            rail: FloatArray = rails[self._stands_at(float(rails[0, -1]), float(rails[1, -1]))]
            return rail
        gain = self.design.gain_stage
        y = slew_limited(y, self._last, gain, self.noise_gain, rate)
        change = y[1:] - y[:-1]
        self._last = float(y[-1])
        power = float(np.dot(y, y)) / len(y)
        speed = float(np.dot(change, change)) / len(y)
        fast = power > 1e-2 and speed > power * (2.0 * math.pi * _FAST_HZ / rate) ** 2
        table, scale = self.table(total_ohm)
        error = self._curve(y * scale, table, fast=fast)
        error = self._error.fast(error, (gain.error(self.noise_gain),), rate)
        low, high = (None, None) if rails is None else self.moving_limits(rails, total_ohm)
        return self._clipper(self._delay(y) - error, low, high)

    @property
    def clipping(self) -> bool:
        """True where the last rendered block passed a limit."""
        return self._clipper.active

    def rest(self, dc_v: float) -> None:
        """As if the output had stood at ``dc_v`` for long: what a stretch of unheard time leaves."""
        self._fast = Running()
        self._feedback = Running()
        self._kind = Running()
        self._error = Running()
        self._dry = Running()
        self._clipper.clear()
        self._curve.clear()
        self._delay.fill(dc_v)
        self._last = dc_v
        self._kind_dc = dc_v
