"""The amplifier assembled: two channels on one supply, one relay, one heatsink; its time, its sound, its test points.

Rules that every later change keeps: the frozen design is never changed; all state is in the components' state objects;
``advance`` is closed form between events and ``render`` continuous from call to call; random numbers are noise and the
moments at which intermittent contacts open, nothing else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from . import test_points
from .band_limited import LATENCY
from .channel import ERROR_LATENCY, Channel, Path
from .design import AmplifierDesign
from .filters import DELAY, DelayLine, FirstOrder
from .front import Connection, Front
from .lamp import Lamp
from .noise import hum, mains_sine
from .relay import RelayState
from .test_points import Probe
from .thermal import ThermalState

FloatArray = NDArray[np.float64]

_BLOCK = 16384
"""Frames rendered at a time."""
_PRIME = DELAY + ERROR_LATENCY + LATENCY + 24
"""Frames of silence that fill the pipeline after unheard time."""
_KNOB_AGE_S = 0.5
TRANSIENT_S = 0.5
"""Decay of the output's movement at switch-on."""


@dataclass(frozen=True)
class Drive:
    """A sine at both inputs, V rms at the sockets (left, right); what ``advance`` and ``probe`` take for the signal."""

    input_rms: tuple[float, float]
    frequency_hz: float = 1000.0


SILENCE = Drive((0.0, 0.0))


@dataclass(frozen=True)
class Operating:
    """Steady state of one channel under a drive. Volts at the output devices, amperes averaged."""

    dc_v: float
    rms_v: float
    """Of the alternating part, V."""
    positive_a: float
    negative_a: float
    load_rms_a: float
    watts: float
    """Turned into heat in the output stage and the small-signal stages."""


class Amplifier:
    """An integrated amplifier on the bench.

    Parameters
    ----------
    design
        Component values; a fault is a design with a component replaced.
    rng
        Noise, and when intermittent contacts open.
    supply
        Something that behaves as ``supply.Supply`` does; built from the design when left out.
    noise_scale
        0 switches all random noise off (for tests); 1 is the design's.
    """

    latency_frames = DELAY + ERROR_LATENCY + LATENCY
    """Frames by which what ``render`` returns lags what it is given; the filters look ahead as far."""

    def __init__(
        self, design: AmplifierDesign, *, rng: np.random.Generator, supply: Any = None, noise_scale: float = 1.0
    ) -> None:
        if supply is None:
            from .supply import Supply

            supply = Supply(design.supply)
        self.design = design
        self.supply = supply
        self.noise_scale = noise_scale
        self.time = 0.0
        self.smoke: list[tuple[float, str]] = []
        self.front = Front(design, rng)
        self.channels = tuple(
            Channel(d, design.kind.of(name), rng, noise_scale)
            for d, name in zip(design.channels, ("left", "right"), strict=True)
        )
        self.relay = RelayState(design.relay)
        self.thermal = ThermalState(design.thermal)
        self._rng = rng
        self._mains = False
        self._load = (math.inf, math.inf)
        self._inductance = 0.0
        self._film = [design.relay.left.film_v, design.relay.right.film_v]
        self._age = 0.0
        self._rested = True
        self._last_rms = [0.0, 0.0]
        self._last_dc: list[float | None] = [None, None]
        self._start_dc: list[float] = [0.0, 0.0]
        self._rail_lines = (DelayLine(ERROR_LATENCY), DelayLine(ERROR_LATENCY))
        self._floating = (float(rng.normal(0.0, 0.03)), float(rng.normal(0.0, 0.03)))
        self._headphone_ohm: float | None = None
        self._drive = SILENCE
        self._middle = 0.0
        self._was_near = False
        self._ripple: tuple[tuple[float, float, bool], tuple[float, float]] | None = None
        self._idle()

    # Knobs and wires

    def switch_mains(self, on: bool) -> None:
        """The mains switch, or the plug."""
        if on == self._mains:
            return
        self._mains = on
        self.supply.switch(on)
        self._disturb(supply=True)
        if on:
            rails = self._rails()
            empty = 1.0 - min(1.0, rails[0] / 20.0)
            for channel in self.channels:
                if self.design.kind.kind != "capacitor":
                    channel.transient_v += channel.design.turn_on_v * empty

    def insert_lamp(self, power_w: float | None) -> None:
        """A lamp of this power in series with the live, or None."""
        self.supply.insert_lamp(None if power_w is None else Lamp(power_w))
        self._disturb(supply=True)

    def set_volume(self, db_re_full: float) -> None:
        """Decibels relative to full volume, 0 or less; -inf for minimum."""
        if not db_re_full <= 0.0:
            raise ValueError(f"volume {db_re_full} dB re full. Expected 0 or less, -inf for minimum.")
        self.front.volume_db = db_re_full
        self._disturb()

    def set_balance(self, position: float) -> None:
        """-1 left only, 0 centre, 1 right only."""
        self.front.balance = position
        self._disturb()

    def set_tone(self, bass_db: float, treble_db: float, defeat: bool = True) -> None:
        """Boost or cut at the ends of the band; ``defeat`` takes the controls out of circuit."""
        self.front.tone = self.design.controls.tone.sections(bass_db, treble_db, defeat=defeat)
        self._disturb()

    def connect_inputs(
        self, kind: Connection, source_ohm: float = 100.0, hum_v: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        """What is plugged into the selected input. hum_v: mains hum in series with the source (ground loop), V rms."""
        if kind not in ("shorted", "open", "source"):
            raise ValueError(f"inputs '{kind}'. Expected shorted, open or source.")
        self.front.connection, self.front.source_ohm, self.front.hum_v = kind, source_ohm, hum_v
        self._disturb()

    def select_input(self, name: Literal["line", "phono"], *, monitor: bool = False) -> None:
        """Which input is heard; ``monitor``: the tape monitor is in, and no recorder plays."""
        if name not in ("line", "phono"):
            raise ValueError(f"input '{name}'. Expected line or phono.")
        self.front.phono, self.front.monitor = name == "phono", monitor
        self._disturb()

    def plug_headphones(self, ohm: float | None) -> None:
        """Headphones of this impedance in the socket, which silences the loudspeakers; None draws the plug."""
        self._headphone_ohm = ohm
        self._disturb()

    def connect_load(self, left_ohm: float, right_ohm: float, inductance_h: float = 0.0) -> None:
        """What lies across the speaker terminals; inf for nothing."""
        if not (left_ohm >= 0.0 and right_ohm >= 0.0):
            raise ValueError(f"loads of {left_ohm} and {right_ohm} ohm. Expected 0 or more, inf for none.")
        self._load = (max(left_ohm, 1e-3), max(right_ohm, 1e-3))
        self._inductance = inductance_h
        self._disturb()

    def _disturb(self, *, supply: bool = False) -> None:
        """Something was changed: time goes on in smaller steps for a while, the smallest after the mains switch."""
        self._age = 0.0 if supply else min(self._age, _KNOB_AGE_S)
        self._ripple = None

    # Where things stand

    def _rails(self) -> tuple[float, float]:
        """Rails as the channels see them: about half the supply where there is one rail."""
        positive, negative = self.supply.rails()
        if self.design.kind.single_supply:
            half = 0.5 * (positive - negative)
            return half, -half
        return positive, negative

    def contact(self, channel: int) -> Any:
        """The relay contact of a channel (0 left)."""
        return self.design.relay.left if channel == 0 else self.design.relay.right

    def path(self, channel: int) -> Path:
        """What this channel's output sees now."""
        c = self.channels[channel]
        contact = self.contact(channel)
        made = self.relay.made(contact) and c.fuse.conducts and c.joint.made
        made = made and self.design.headphones.closed(channel, plugged=self._headphone_ohm is not None)
        series = c.design.network.series_ohm + contact.ohm + c.design.output_joint.ohm
        series += c.fuse.ohm if c.fuse.conducts else 0.0
        load, short = self._load[channel], c.design.terminal_short_ohm
        if math.isfinite(short):
            load = short if math.isinf(load) else load * short / (load + short)
        return Path(series, load, made)

    def outside(self, channel: int) -> FirstOrder | None:
        """What coil and load inductance do to the terminal voltage, against resistances alone; None without load."""
        path = self.path(channel)
        if not path.made or math.isinf(path.load_ohm):
            return None
        load, series = round(path.load_ohm, 2), round(path.series_ohm, 1)  # fine enough, and the filter is kept
        coil = self.channels[channel].design.network.inductance_h
        return FirstOrder(1.0, self._inductance / load, (self._inductance + coil) / (load + series))

    def _dc(self, channel: int, rails: tuple[float, float]) -> float:
        c = self.channels[channel]
        return c.dc(self.thermal.inside_k, self.front.volume(channel), rails, self.path(channel).total_ohm)

    def peak(self, channel: int, drive: Drive) -> float:
        """Peak that the drive asks of this channel's output, before any limit; crosstalk included."""
        f = drive.frequency_hz
        own = drive.input_rms[self.front.source_of(channel)] * self.front.response(channel, f)
        other = drive.input_rms[self.front.source_of(1 - channel)] * self.front.response(1 - channel, f)
        total = own + other * self.front.crosstalk(f)
        return math.sqrt(2.0) * abs(total * self.channels[channel].gain(f))

    def operating(self, channel: int, drive: Drive) -> Operating:
        """Steady state of a channel under ``drive``."""
        c = self.channels[channel]
        rails = self._rails()
        path = self.path(channel)
        total = path.total_ohm
        dc = self._dc(channel, rails)
        peak = self.peak(channel, drive) if rails[0] > 4.0 or rails[1] < -4.0 else 0.0
        living = min(1.0, max(0.0, (max(rails[0], -rails[1]) - 4.0) / 8.0))
        pairs = 0.5 * len(c.design.output_stage.devices)
        idle = c.idle_a * pairs * living
        conductance = 0.0 if math.isinf(total) else 1.0 / total
        low, high = c.limits(rails, total)
        if peak + abs(dc) <= min(high, -low) and peak > 0.0:
            rms, mean = peak / math.sqrt(2.0), dc
            half = math.hypot(idle, peak * conductance / math.pi)
            shift = 0.5 * dc * conductance
            positive, negative = half + max(0.0, shift), half + max(0.0, -shift)
        elif peak == 0.0:
            rms, mean = 0.0, dc
            current = dc * conductance
            root = math.sqrt(0.25 * current * current + idle * idle)
            positive, negative = root + 0.5 * current, root - 0.5 * current
        else:
            wave = np.clip(dc + peak * _SINE, low, high)
            mean = float(wave.mean())
            rms = float(wave.std())
            current = wave * conductance
            root = np.sqrt(0.25 * current * current + idle * idle)
            positive, negative = float((root + 0.5 * current).mean()), float((root - 0.5 * current).mean())
        if c.stuck:
            extra = c.through_a
            positive, negative = positive + extra, negative + extra
        load_a = math.hypot(rms, mean) * conductance
        drawn = positive * rails[0] - negative * rails[1]
        standing = c.design.standing_a * living
        oscillation = c.design.network.oscillation_a * living if c.design.network.oscillates else 0.0
        watts = drawn - load_a * load_a / conductance if conductance else drawn
        watts += (standing + oscillation) * (rails[0] - rails[1])
        more = standing + oscillation
        return Operating(mean, rms, positive + more, negative + more, load_a, max(0.0, watts))

    def _drawn(self, points: tuple[Operating, Operating]) -> tuple[float, float]:
        """Average currents from the supply's rails, A, to a milliampere (so that a settled supply stays settled)."""
        positive = points[0].positive_a + points[1].positive_a
        negative = points[0].negative_a + points[1].negative_a
        kind = self.design.kind.kind
        if kind == "bridged":
            positive = negative = positive + negative
        elif kind == "capacitor":
            negative = positive
        return round(positive, 3), round(negative, 3)

    def _idle(self) -> None:
        for i, c in enumerate(self.channels):
            ohm = c.design.output_stage.upper.devices[0].emitter_ohm
            c.idle_a = c.design.bias.idle(self.thermal.junction_rise(i), self.thermal.sink_k, ohm)

    # Unheard time

    def advance(self, seconds: float, drive: Drive = SILENCE) -> None:
        """Let time pass under a steady drive."""
        if not (seconds >= 0.0 and math.isfinite(seconds)):
            raise ValueError(f"advance by {seconds} s. Expected 0 or more, finite.")
        if drive != self._drive:
            self._drive = drive
            self._disturb()
        left = seconds
        while left > 1e-9:
            points = (self.operating(0, drive), self.operating(1, drive))
            # what was just changed settles fast first, slowly later: steps in proportion to the time since
            shorted = any(c.design.output_stage.short_through_a > 1.0 for c in self.channels)
            step = min(left, 0.01 if shorted and self._age < 1.0 else max(0.05, 0.6 * self._age))
            if any(c.idle_a > 3.0 * c.design.bias.idle_a for c in self.channels):
                step = min(step, 3.0)
            sensed = self._sensed(points, drive)
            event = self.relay.next_change(self._mains, self.supply.reservoirs()[0], sensed)
            step = min(step, event)
            for i in (0, 1):
                if self.path(i).made:
                    step = min(step, max(1e-6, self.channels[i].fuse.time_to_blow(points[i].load_rms_a)))
            step = max(step, 0.0)
            self._pass(step, points, sensed)
            left -= step
            if event <= step:
                self.relay.change()
                self._disturb()
        if seconds > 0.0:
            self._rested = True
            self._last_dc = [None, None]

    def _sensed(self, points: tuple[Operating, Operating], drive: Drive) -> tuple[float, float]:
        """What the protection's low-pass makes of each output at most: its DC, and what is left of a low tone."""
        left = 1.0 / math.hypot(1.0, 2.0 * math.pi * drive.frequency_hz * self.design.relay.filter_s)
        low, high = (math.copysign(abs(p.dc_v) + math.sqrt(2.0) * p.rms_v * left, p.dc_v) for p in points)
        return low, high

    def _pass(
        self,
        step: float,
        points: tuple[Operating, Operating],
        dc: tuple[float, float],
        *,
        supply: bool = True,
    ) -> None:
        """Let ``step`` seconds pass in everything that is slow."""
        rail = self.supply.reservoirs()[0]  # the relay is fed before the rail fuses
        if supply and step > 0.0:
            factor = 1.571 if max(p.rms_v for p in points) > 1.0 else 1.0
            self.supply.advance(step, *self._drawn(points), form_factor=factor)
        self.thermal.advance(step, (points[0].watts, points[1].watts))
        self.relay.advance(step, self._mains, rail, dc)
        for i, c in enumerate(self.channels):
            made = self.path(i).made
            was = c.fuse.blown
            c.fuse.advance(step, points[i].load_rms_a if made else 0.0)
            if c.fuse.blown and not was:
                self.smoke.append((self.time + step, f"{('left', 'right')[i]} speaker fuse blown"))
            c.follow_short(self._rails())
            c.transient_v *= math.exp(-step / TRANSIENT_S)
            hot = self.thermal.thermal.ambient_c + self.thermal.junction_rise(i)
            if hot > self.thermal.thermal.rated_c and not c.dead_device:
                c.dead_device = True
                self.smoke.append((self.time + step, f"{('left', 'right')[i]} output device dead at {hot:.0f} C"))
            c.joint.until(self.time, step, self.thermal.thermal.ambient_c + self.thermal.inside_k)
            self.front.joints[i].until(self.time, step, math.inf)
        self._idle()
        self._middle = self._middle_after(step)
        self.time += step
        self._age += step

    # Sound

    def render(self, v_input: FloatArray, sample_rate: float) -> FloatArray:
        """Play volts at the input sockets, get volts across the speaker terminals; both shape (n, 2).

        The output lags by ``latency_frames``. Time passes by n / sample_rate.

        Raises
        ------
        ValueError
            If the shape is not (n, 2), a sample is not finite, or the rate is not above 0.
        """
        v = np.asarray(v_input, dtype=np.float64)
        if v.ndim != 2 or v.shape[1] != 2:
            raise ValueError(f"input voltages of shape {v.shape}. Expected (frames, 2).")
        if not sample_rate > 0.0:
            raise ValueError(f"sample rate {sample_rate}. Expected above 0 Hz.")
        if not np.isfinite(v).all():
            raise ValueError("an input voltage is not finite. Expected volts.")
        out = np.empty((2, len(v)))
        if self._rested and len(v):
            self._prime(sample_rate)
        first = 0
        while first < len(v):
            first += self._block(v, out, first, sample_rate)
        return out.T

    def _prime(self, rate: float) -> None:
        """Fill the pipeline with what stood there before."""
        self._rested = False
        rails = self._rails()
        self.front.rest()
        for i, c in enumerate(self.channels):
            c.rest(0.0)
            c.settle_ripple(rails, rate)
            self._start_dc[i] = self._dc(i, rails)
        for line, level in zip(self._rail_lines, rails, strict=True):
            line.fill(level)
        silence = np.zeros((2, _PRIME))
        self._signal(silence, rate, prime=True)

    def _block(self, v: FloatArray, out: FloatArray, first: int, rate: float) -> int:
        """Render up to a block, less if the relay moves before; returns the frames done."""
        n = min(_BLOCK, len(v) - first)
        rails = self._rails()
        dc = tuple(self._dc(i, rails) if (last := self._last_dc[i]) is None else last for i in (0, 1))
        event = self.relay.next_change(self._mains, self.supply.reservoirs()[0], (dc[0], dc[1]))
        for i in (0, 1):
            if self.path(i).made:
                event = min(event, self.channels[i].fuse.time_to_blow(self._last_rms[i]))
        moves = event * rate < n
        if moves:
            n = max(1, min(n, math.ceil(event * rate)))
        relay_moves = (
            moves and self.relay.next_change(self._mains, self.supply.reservoirs()[0], (dc[0], dc[1])) * rate <= n
        )
        sockets = np.ascontiguousarray(v[first : first + n].T)
        terminals, points, means, outputs = self._signal(sockets, rate)
        trip = self._follow_protection(outputs, rate)
        for i in (0, 1):
            out[i, first : first + n] = terminals[i]
            if trip is not None and not self.contact(i).welded:
                out[i, first + trip : first + n] = 0.0
        self._pass(n / rate, points, means, supply=False)
        self._last_rms = [p.load_rms_a for p in points]
        self._last_dc = list(means)
        if relay_moves or trip is not None:
            self.relay.change()
            self._disturb()
        return n

    def _follow_protection(self, outputs: list[FloatArray], rate: float) -> int | None:
        """Let the DC protection see this block; the frame at which it trips, or None."""
        relay = self.design.relay
        n = len(outputs[0])
        highest = max(float(np.max(np.abs(v), initial=0.0)) for v in outputs)
        each = max(1, min(n, round(4e-3 * rate)))
        if not relay.present or highest + abs(relay.sensing_offset_v) < 0.5 * relay.trip_v or n < each:
            return None
        stretches = n // each
        pairs = [v[: stretches * each].reshape(stretches, each).mean(axis=1).tolist() for v in outputs]
        before = list(self.relay.seen_v)
        trip = self.relay.trips_within(list(zip(pairs[0], pairs[1], strict=True)), each / rate)
        self.relay.seen_v = before  # _pass lets the whole block's mean be seen; here only the moment is looked for
        return None if trip is None else trip * each

    def _signal(
        self, sockets: FloatArray, rate: float, *, prime: bool = False
    ) -> tuple[tuple[FloatArray, FloatArray], tuple[Operating, Operating], tuple[float, float], list[FloatArray]]:
        """One block through everything: terminal volts, mean operating points, mean outputs, outputs."""
        n = sockets.shape[1]
        noise = 0.0 if prime else self.noise_scale
        frequency = self.mains_hz
        sine: FloatArray | None = None
        wanted = self._mains and not prime
        if wanted or any(self.front.hum_v) or self.front.connection == "open":
            sine = mains_sine(2.0 * math.pi * frequency, self.time, n, rate)
        start_rails = self._rails()
        inputs = self.front.render(sockets, rate, sine, noise, self.time)
        paths = (self.path(0), self.path(1))
        totals = (paths[0].total_ohm, paths[1].total_ohm)
        ideal = []
        dcs = []
        for i, c in enumerate(self.channels):
            track = self.design.controls.volume[i].resistance_ohm
            y = c.linear(inputs[i], rate, track, self.outside(i)) if not c.design.line.dead else np.zeros(n)
            end_dc = self._dc(i, start_rails)
            if abs(end_dc - self._start_dc[i]) > 1e-12:
                y += np.linspace(self._start_dc[i], end_dc, n, endpoint=False)
            else:
                y += end_dc
            if not prime:
                self._start_dc[i] = end_dc
            if sine is not None and c.design.magnetic_hum_v and self._mains:
                size = c.design.magnetic_hum_v * math.sqrt(2.0) * min(1.0, start_rails[0] / 30.0)
                y += hum(sine, size, size / 3.0, 0.0)
            ideal.append(y)
            dcs.append(end_dc)
        near = self._near(ideal, totals, start_rails)
        rails, flows = self._supply(ideal, totals, start_rails, rate, near=near, prime=prime)
        late = None
        if near or self._was_near:
            late = np.stack([line(rails[k]) for k, line in enumerate(self._rail_lines)])
        else:
            for line, rail in zip(self._rail_lines, rails, strict=True):
                line.push(rail)
        self._was_near = near
        terminals = []
        points = []
        means = []
        outputs = []
        for i, c in enumerate(self.channels):
            y = ideal[i] + c.rejected(rails, rate) if not c.stuck else ideal[i]
            if c.oscillation.present and not c.stuck and start_rails[0] > 12.0:
                y = y + c.oscillation.heard(y, start_rails[0], rate, noise)
            v = c.output(y, late, totals[i], rate)
            means.append(float(v.mean()))
            outputs.append(v)
            points.append(self._point(i, v, flows[i], start_rails, totals[i]))
            terminals.append(self._terminal(i, v, paths[i], points[i].load_rms_a, rate))
        return (terminals[0], terminals[1]), (points[0], points[1]), (means[0], means[1]), outputs

    def _near(self, ideal: list[FloatArray], totals: tuple[float, float], rails: tuple[float, float]) -> bool:
        """Whether a channel comes near what its rails allow."""
        for y, c, total in zip(ideal, self.channels, totals, strict=True):
            low, high = c.limits(rails, total)
            if c.stuck or float(y.max(initial=0.0)) > 0.8 * high or float(y.min(initial=0.0)) < 0.8 * low:
                return True
        return False

    def _supply(
        self,
        ideal: list[FloatArray],
        totals: tuple[float, float],
        start: tuple[float, float],
        rate: float,
        *,
        near: bool,
        prime: bool,
    ) -> tuple[FloatArray, list[tuple[float, float]]]:
        """Rails (2, n) under what both channels draw, and each channel's average currents."""
        rails = np.array([[start[0]], [start[1]]])
        if prime:  # a moment of silence in which nothing moves
            return np.repeat(rails, len(ideal[0]), axis=1), [(0.0, 0.0), (0.0, 0.0)]
        flows: list[tuple[float, float]] = []
        for last in (False, True) if near else (True,):
            currents, flows = self._currents(ideal, totals, rails, near)
            rails = np.ascontiguousarray(self.supply.waveform(currents.T, rate, commit=last).T)
            if self.design.kind.single_supply:
                half = 0.5 * (rails[0] - rails[1])
                rails = np.stack([half, -half])
        return rails, flows

    def _currents(
        self, ideal: list[FloatArray], totals: tuple[float, float], rails: FloatArray, near: bool
    ) -> tuple[FloatArray, list[tuple[float, float]]]:
        """What the rails give, (2, n) A, when the outputs are cut off at ``rails`` (2, n or 1)."""
        n = len(ideal[0])
        currents = np.zeros((2, n))
        flows = []
        for i, c in enumerate(self.channels):
            living = min(1.0, max(0.0, (float(rails[0, 0] - rails[1, 0]) * 0.5 - 4.0) / 8.0))
            idle = c.idle_a * 0.5 * len(c.design.output_stage.devices) * living
            standing = c.design.standing_a * living
            if c.design.network.oscillates:
                standing += c.design.network.oscillation_a * living
            total = totals[i]
            if c.stuck:
                level = float(rails[0, 0] if c.stuck > 0 else rails[1, 0])
                load = 0.0 if math.isinf(total) else level / total
                through = c.through_a
                positive: Any = max(load, 0.0) + through + standing
                negative: Any = max(-load, 0.0) + through + standing
            elif math.isinf(total) or (total > 100.0 and idle > 0.05):
                positive = negative = idle + standing
            else:
                y = ideal[i]
                if near:
                    low, high = c._limits(rails, total)
                    y = np.clip(y, low, high)
                half = y * (0.5 / total)
                root = half * half
                root += idle * idle
                np.sqrt(root, out=root)
                root += standing
                positive, negative = root + half, root - half
            if self.design.kind.kind == "bridged":
                positive = negative = positive + negative
            elif self.design.kind.kind == "capacitor":
                negative = positive
            currents[0] += positive
            currents[1] += negative
            flows.append((float(np.mean(positive)), float(np.mean(negative))))
        return currents, flows

    def _point(
        self, i: int, v: FloatArray, flow: tuple[float, float], rails: tuple[float, float], total: float
    ) -> Operating:
        """Mean operating point of a block, for heat and fuses."""
        mean = float(v.mean())
        square = float(np.dot(v, v)) / len(v)
        out = 0.0 if math.isinf(total) else square / total
        drawn = flow[0] * rails[0] - flow[1] * rails[1]
        rms_a = 0.0 if math.isinf(total) else math.sqrt(square) / total
        return Operating(
            mean, math.sqrt(max(0.0, square - mean * mean)), flow[0], flow[1], rms_a, max(0.0, drawn - out)
        )

    def _terminal(self, i: int, v: FloatArray, path: Path, rms_a: float, rate: float) -> FloatArray:
        """From the output devices to the speaker terminal."""
        share: Any
        c = self.channels[i]
        if not path.made and not (c.joint.joint.intermittent and self._headphone_ohm is None):
            return np.zeros(len(v))
        share = 1.0 if math.isinf(path.load_ohm) else path.load_ohm / (path.load_ohm + path.series_ohm)
        if math.isfinite(path.load_ohm) and c.fuse.conducts:  # the fuse warms meanwhile: no step from block to block
            warmer = path.series_ohm - c.fuse.ohm + c.fuse.ohm_after(len(v) / rate, rms_a)
            share = np.linspace(share, path.load_ohm / (path.load_ohm + warmer), len(v), endpoint=False)
        out = c.coupled(v, (self._middle, self._middle_after(len(v) / rate)), path.total_ohm, rate) * share
        if math.isfinite(path.load_ohm) and c.fuse.matters(1.5 * rms_a):
            current = v * (1.0 / path.total_ohm)
            out = out - current * c.fuse.swing_ohm(current, rate) * share
        if c.joint.joint.intermittent and self.relay.made(self.contact(i)) and c.fuse.conducts:
            gate = np.full(len(v), 1.0 if c.joint.made else 0.0)
            for when, made in c.joint.until(
                self.time, len(v) / rate, self.thermal.thermal.ambient_c + self.thermal.inside_k
            ):
                gate[max(0, min(len(v), int((when - self.time) * rate))) :] = 1.0 if made else 0.0
            out = out * gate
        film = self._film[i]
        if film and math.isfinite(path.load_ohm):
            contact = self.contact(i)
            current = out / path.load_ohm
            out = out - film * np.tanh(current / contact.film_a)
            if float(np.max(np.abs(current))) > contact.clean_a:
                self._film[i] *= math.exp(-len(v) / rate / 0.3)
        return np.asarray(out, dtype=np.float64)

    def headphone_volts(self, channel: int, drive: Drive) -> float:
        """What the headphones get, V rms; 0 with none plugged in."""
        if self._headphone_ohm is None:
            return 0.0
        return self.operating(channel, drive).rms_v * self.design.headphones.share(self._headphone_ohm)

    # Meter and ohmmeter

    def probe(self, point: str, drive: Drive = SILENCE) -> Probe:
        """What a voltmeter finds at a test point now."""
        return test_points.probe(self, point, drive)

    def resistance(self, point: str) -> float:
        """What an ohmmeter finds at a test point with the mains off; inf for an open circuit."""
        return test_points.resistance(self, point)

    @property
    def floating_v(self) -> tuple[float, float]:
        """Where a terminal without load drifts about when its path is open."""
        return self._floating

    @property
    def midpoint_v(self) -> float:
        """What the output devices stand at without a signal: half the supply where there is one rail."""
        return self._middle

    def _middle_after(self, seconds: float) -> float:
        """The midpoint follows half the supply through its own filter when that is slow: behind an output capacitor."""
        kind, supply = self.design.kind, self.design.supply
        if not (kind.single_supply and supply.single_rail):
            return 0.0
        half = self._rails()[0]
        if kind.kind != "capacitor":
            return half
        return min(2.0 * half, half + (self._middle - half) * math.exp(-seconds / TRANSIENT_S))

    def contact_film(self, channel: int) -> float:
        """Drop that the oxide on this relay contact makes, V; less after a loud burst."""
        return self._film[channel]

    def terminal_dc(self, channel: int, dc_v: float) -> float:
        """What of the output's DC reaches the terminal."""
        kind = self.design.kind
        if kind.kind != "capacitor":
            return dc_v
        if math.isinf(self._load[channel]):
            return 0.3 * self.midpoint_v
        return kind.capacitor_leak_v if self._mains else 0.0

    def noise_at_output(self, channel: int, band_hz: float) -> float:
        """Noise at the output up to ``band_hz``, V rms."""
        c = self.channels[channel]
        return self.noise_scale * self.front.noise_density(channel) * abs(c.gain(1000.0)) * math.sqrt(band_hz)

    def hum_at_output(self, channel: int) -> float:
        """Mains hum at the output, V rms: stray field, pickup, cable."""
        c = self.channels[channel]
        gain = abs(c.gain(self.mains_hz)) * self.front.volume(channel)
        cable = self.front.hum_v[self.front.source_of(channel)] * self.front.input_gain(channel)
        own = c.design.magnetic_hum_v if self._mains and not c.stuck else 0.0
        return math.hypot(own, math.hypot(self.front.pickup(channel) if self._mains else 0.0, cable) * gain)

    def output_ohm(self, channel: int, frequency_hz: float) -> float:
        """Output resistance before the output network: the emitter resistors over one plus the loop gain."""
        c = self.channels[channel]
        stage = c.design.output_stage
        alive = max(1, len(stage.upper.alive))
        open_loop = (stage.upper.devices[0].emitter_ohm + 0.3) / alive + stage.driver_ohm / stage.upper.current_gain
        return open_loop / abs(1.0 + c.design.gain_stage.loop_gain(frequency_hz, c.noise_gain))

    def rail_ripple(self, drive: Drive) -> tuple[float, float]:
        """Peak-to-peak ripple of each rail under ``drive``, V."""
        if not self._mains:
            return 0.0, 0.0
        drawn = self._drawn((self.operating(0, drive), self.operating(1, drive)))
        key = (round(drawn[0], 2), round(drawn[1], 2), self._age < 5.0)
        if self._ripple is None or self._ripple[0] != key:
            self._ripple = (key, self.supply.ripple(key[0], key[1]))
        return self._ripple[1]

    @property
    def mains_hz(self) -> float:
        """Mains frequency."""
        return float(self.design.supply.mains.frequency)


_SINE = np.sin(2.0 * np.pi * (np.arange(64) + 0.5) / 64.0)
