"""From the input sockets to the line stage's input, for both channels: what is plugged in, selector, volume, balance,
tone, crosstalk, noise. (The coupling capacitors' high-pass is linear and done in ``channel``.)"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .design import AmplifierDesign
from .filters import FirstOrder, Running
from .joints import JointState, gate
from .noise import Crackle, Flicker, Telegraph, hum, thermal_density, white

FloatArray = NDArray[np.float64]

Connection = Literal["shorted", "open", "source"]
_KNOB_S = 5e-3
"""A knob takes at least this long to move."""
_FILM_KNEE_V = 0.03
_PHONO_POWER = 0.45
"""Power of white noise from 20 Hz to 20 kHz through the phono equaliser, over a flat gain as at 1 kHz (computed)."""
MIX_DELAY = 3
"""Frames by which the crosstalk's differentiator looks ahead, and what passes beside it is delayed."""
_SLOPE = np.array([-1.0, 9.0, -45.0, 0.0, 45.0, -9.0, 1.0]) / 60.0
"""Central difference of sixth order: turns the phase by exactly 90 degrees, 0.2 dB low at 20 kHz and 96 kHz. (A plain
difference lags by half a frame, which adds a third of a per cent to 20 kHz in both channels.)"""
CABLE_THIRD, CABLE_FIFTH = 0.45, 0.2
"""Odd harmonics of the current in a ground loop, relative to the fundamental; common practice, no source."""


@dataclass
class Front:
    """State of the input side. Gains are ratios from the socket (after the source's own resistance) to the wiper."""

    design: AmplifierDesign
    rng: np.random.Generator
    connection: Connection = "open"
    source_ohm: float = 100.0
    hum_v: tuple[float, float] = (0.0, 0.0)
    volume_db: float = -math.inf
    balance: float = 0.0
    tone: tuple[FirstOrder, ...] = ()
    phono: bool = False
    monitor: bool = False
    """The tape monitor is in: what the amplifier hears comes from a recorder that is not there."""
    joints: tuple[JointState, JointState] = field(init=False)

    def __post_init__(self) -> None:
        paths = (self.design.selector.left, self.design.selector.right)
        self.joints = (JointState(paths[0].joint, self.rng), JointState(paths[1].joint, self.rng))
        self._tone = [[Running(), Running()], [Running(), Running()]]
        self._phono = [[Running(), Running()], [Running(), Running()]]
        self.tone = self.design.controls.tone.sections(0.0, 0.0, defeat=True)
        self._before_mix = [np.zeros(2 * MIX_DELAY), np.zeros(2 * MIX_DELAY)]
        self._gain: list[float] | None = None
        self._volumes: dict[tuple[int, float, float], float] = {}
        self._flicker = (Flicker(self.rng), Flicker(self.rng))
        self._popcorn = (Telegraph(self.rng), Telegraph(self.rng))
        self._crackle = (Crackle(self.rng), Crackle(self.rng))
        self._leak = (Crackle(self.rng), Crackle(self.rng))

    # Values

    def volume(self, channel: int) -> float:
        """Ratio from the top of the volume control to the line stage."""
        key = (channel, self.volume_db, self.balance)
        known = self._volumes.get(key)
        if known is None:
            controls = self.design.controls
            known = controls.volume[channel].gain(self.volume_db) * controls.balance.gain(self.balance, channel)
            self._volumes[key] = known
        return known

    def source_of(self, channel: int) -> int:
        """Which socket feeds this channel."""
        return 1 - channel if self.design.selector.crossed else channel

    def input_gain(self, channel: int) -> float:
        """From the source's voltage to the top of the volume control, signed."""
        joint = self.joints[channel]
        if self.connection != "source" or self.monitor_in or not (joint.made or joint.joint.intermittent):
            return 0.0
        paths = (self.design.selector.left, self.design.selector.right)
        path = paths[channel]
        if self.phono:
            path = replace(path, resistance_ohm=self.design.phono.resistance_ohm)
        return path.gain(self.source_ohm)

    @property
    def monitor_in(self) -> bool:
        return self.monitor or self.design.selector.monitor_open

    def response(self, channel: int, frequency_hz: float) -> complex:
        """From the source's voltage at this channel's socket to the line stage's input, small signal; no crosstalk."""
        coupling = self.design.channels[channel].coupling
        total: complex = self.input_gain(channel) * self.volume(channel) if self.joints[channel].made else 0.0
        total *= coupling.section(self.design.controls.volume[channel].resistance_ohm).response(frequency_hz)
        if self.phono:
            total *= self.design.phono.response(frequency_hz)
        for section in self.tone:
            total *= section.response(frequency_hz)
        return total

    def crosstalk(self, frequency_hz: float) -> complex:
        """What of one channel's wiper voltage reaches the other's line stage, as a ratio."""
        c = self.design.crosstalk
        return c.shared + 2j * math.pi * frequency_hz * c.capacitance_f * c.impedance_ohm

    def noise_density(self, channel: int) -> float:
        """Noise at the line stage's input, V per root hertz over 20 kHz, the power amplifier's own referred to it."""
        squares = self._white_density(channel) ** 2
        if self.phono and not self.monitor_in:
            stage = self.design.phono
            squares += _PHONO_POWER * (self.volume(channel) * stage.gain * stage.noise_v) ** 2
        return math.sqrt(squares)

    def _white_density(self, channel: int) -> float:
        """The white part of it: all but the phono stage's, which its equaliser shapes."""
        d = self.design.channels[channel]
        volume = self.volume(channel)
        track = self.design.controls.volume[channel]
        source = 0.0 if self.connection == "shorted" else self.source_ohm if self.connection == "source" else 33e3
        squares = d.line.noise_v**2 + (d.input_stage.noise_v / d.line.gain) ** 2
        squares += thermal_density(track.source_ohm(volume)) ** 2 + (volume * thermal_density(470.0 + source)) ** 2
        return math.sqrt(squares)

    def pickup(self, channel: int) -> float:
        """Mains-frequency hum at the top of the volume control, V rms, from the set itself (not the cable)."""
        path = (self.design.selector.left, self.design.selector.right)[channel]
        return math.hypot(path.pickup_v, path.open_pickup_v if self.connection == "open" else 0.0)

    # Signal

    def render(
        self, sockets: FloatArray, rate: float, sine: FloatArray | None, noise_scale: float, now: float
    ) -> tuple[FloatArray, FloatArray]:
        """Source voltages (2, n) to the line stages' inputs, noise included. ``sine``: of the mains' phase, (n,)."""
        n = sockets.shape[1]
        wipers = []
        target = [self.volume(0), self.volume(1)]
        start = self._gain or target
        for c in (0, 1):
            d = self.design.channels[c]
            x = self._top(c, sockets, rate, sine, now, noise_scale)
            if d.coupling.crackle_v and noise_scale:
                x = x + noise_scale * self._leak[c](n, rate, d.coupling.crackle_v)
            if start[c] != target[c]:
                moving = min(n, max(1, int(_KNOB_S * rate)))
                gain = np.full(n, target[c])
                gain[:moving] = np.linspace(start[c], target[c], moving)
                x = x * gain
                crackle = self.design.controls.volume[c].crackle_v * 10.0
            else:
                x = x * target[c]
                crackle = self.design.controls.volume[c].crackle_v * min(1.0, 4.0 * target[c])
            if crackle and noise_scale:
                x = x + noise_scale * self._crackle[c](n, rate, crackle)
            wipers.append(x)
        self._gain = target
        mixed = self._mix(wipers[0], wipers[1], rate)
        out = []
        for c in (0, 1):
            y = mixed[c]
            if noise_scale:
                y = y + noise_scale * self._noise(c, n, rate)
            for i, section in enumerate(self.tone[:2]):
                running = self._tone[c][i]
                y = running.slow(y, section, rate) if section.slow(rate) else running.fast(y, (section,), rate)
            out.append(y)
        return out[0], out[1]

    def _top(
        self, c: int, sockets: FloatArray, rate: float, sine: FloatArray | None, now: float, noise_scale: float
    ) -> FloatArray:
        """Voltage at the top of the volume control."""
        n = sockets.shape[1]
        gain = self.input_gain(c)
        path = (self.design.selector.left, self.design.selector.right)[c]
        root2 = math.sqrt(2.0)
        if gain:
            source = self.source_of(c)
            x = sockets[source] * gain
            cable = self.hum_v[source]
            if cable and sine is not None:
                x = x + hum(
                    sine, cable * root2 * gain, CABLE_THIRD * cable * root2 * gain, CABLE_FIFTH * cable * root2 * gain
                )
        else:
            x = np.zeros(n)
        if self.phono and not self.monitor_in:
            if noise_scale:
                x = x + white(self.rng, n, noise_scale * self.design.phono.noise_v * math.sqrt(0.5 * rate))
            for running, section in zip(self._phono[c], self.design.phono.sections(), strict=True):
                x = running.slow(x, section, rate) if section.slow(rate) else running.fast(x, (section,), rate)
        if path.joint.intermittent:
            x = x * gate(self.joints[c], now, n, rate, math.inf)
        if path.contact_v:
            x = x - path.contact_v * np.tanh(x / _FILM_KNEE_V)
        pickup = self.pickup(c)
        if pickup and sine is not None:
            x = x + hum(sine, pickup * root2, 0.12 * pickup * root2, 0.05 * pickup * root2)
        return np.asarray(x, dtype=np.float64)

    def _mix(self, left: FloatArray, right: FloatArray, rate: float) -> tuple[FloatArray, FloatArray]:
        c = self.design.crosstalk
        taps = _SLOPE * (c.capacitance_f * c.impedance_ohm * rate)
        taps[MIX_DELAY] += c.shared
        n, sides = len(left), []
        for channel, wiper in enumerate((left, right)):
            sides.append(np.concatenate([self._before_mix[channel], wiper]))
            self._before_mix[channel] = sides[channel][n:].copy()
        to_left, to_right = np.correlate(sides[1], taps), np.correlate(sides[0], taps)
        to_left += sides[0][MIX_DELAY : MIX_DELAY + n]
        to_right += sides[1][MIX_DELAY : MIX_DELAY + n]
        return to_left, to_right

    def _noise(self, c: int, n: int, rate: float) -> FloatArray:
        d = self.design.channels[c]
        density = self._white_density(c)
        noise: FloatArray = white(self.rng, n, density * math.sqrt(0.5 * rate))
        if d.input_stage.flicker_corner_hz > 0.0:
            own = d.input_stage.noise_v / d.line.gain
            noise += self._flicker[c](n, rate, own, d.input_stage.flicker_corner_hz)
        if d.input_stage.popcorn_v:
            noise += self._popcorn[c](n, rate, d.input_stage.popcorn_v / d.line.gain, 12.0)
        return noise

    def rest(self) -> None:
        """What unheard time leaves: nothing."""
        self._tone = [[Running(), Running()], [Running(), Running()]]
        self._phono = [[Running(), Running()], [Running(), Running()]]
        self._before_mix = [np.zeros(2 * MIX_DELAY), np.zeros(2 * MIX_DELAY)]
        self._gain = None
