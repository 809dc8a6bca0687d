"""The circuit that both channels make with one supply, one relay and one heatsink: where everything stands, and what a
stretch of time does to it. No signal is rendered here (see ``rendering``).

Rules that every later change keeps: the frozen design is never changed; all state is in the components' state objects
and here; random numbers are noise and the moments at which intermittent contacts open, nothing else.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from .channel import Channel, Path
from .design import AmplifierDesign
from .filters import FirstOrder
from .front import Front
from .operating import SILENCE, Drive, Operating, operating_point
from .relay import Contact, RelayState
from .thermal import ThermalState

TRANSIENT_S = 0.5
"""Decay of the output's movement at switch-on."""
_CHANNELS = ("left", "right")


class Circuit:
    """Components with their state. Channel 0 is left."""

    def __init__(self, design: AmplifierDesign, *, rng: np.random.Generator, supply: Any, noise_scale: float) -> None:
        self.design = design
        self.supply = supply
        self.noise_scale = noise_scale
        self.time = 0.0
        self.smoke: list[tuple[float, str]] = []
        """What was destroyed by being driven: (time, what)."""
        self.front = Front(design, rng)
        self.channels = tuple(
            Channel(d, design.kind.of(name), rng, noise_scale)
            for d, name in zip(design.channels, _CHANNELS, strict=True)
        )
        self.relay = RelayState(design.relay)
        self.thermal = ThermalState(design.thermal)
        self.mains = False
        self.load_ohm = (math.inf, math.inf)
        self.load_henry = 0.0
        self.headphone_ohm: float | None = None
        self.age = 0.0
        """Seconds since anything was changed."""
        self.film_v = [design.relay.left.film_v, design.relay.right.film_v]
        """Drop that the oxide on each relay contact makes; less after a loud burst."""
        self.floating_v = (float(rng.normal(0.0, 0.03)), float(rng.normal(0.0, 0.03)))
        """Where a terminal without load drifts about when its path is open."""
        self.midpoint_v = 0.0
        """What the output devices stand at without a signal: half the supply where there is one rail."""
        self._ripple: tuple[tuple[float, float, bool], tuple[float, float]] | None = None
        self._set_idle_currents()

    # Where things stand

    def rails(self) -> tuple[float, float]:
        """Rails as the channels see them: half the supply either way where there is one rail."""
        positive, negative = self.supply.rails()
        if self.design.kind.single_supply:
            half = 0.5 * (positive - negative)
            return half, -half
        return positive, negative

    @property
    def relay_supply_v(self) -> float:
        """What the relay is fed from: before the rail fuses."""
        return float(self.supply.reservoirs()[0])

    @property
    def mains_hz(self) -> float:
        """Mains frequency."""
        return float(self.design.supply.mains.frequency)

    def contact(self, channel: int) -> Contact:
        """The relay contact of a channel."""
        return self.design.relay.left if channel == 0 else self.design.relay.right

    def path(self, channel: int) -> Path:
        """What this channel's output sees now."""
        c = self.channels[channel]
        contact, fuse, design = self.contact(channel), c.fuse, c.design
        conducts = fuse.conducts
        made = conducts and c.joint.made and self.relay.made(contact)
        made = made and self.design.headphones.closed(channel, plugged=self.headphone_ohm is not None)
        series = design.network.series_ohm + contact.ohm + design.output_joint.ohm
        series += fuse.ohm if conducts else 0.0
        load, short = self.load_ohm[channel], design.terminal_short_ohm
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
        return FirstOrder(1.0, self.load_henry / load, (self.load_henry + coil) / (load + series))

    def dc(self, channel: int, rails: tuple[float, float], total_ohm: float | None = None) -> float:
        """Output voltage without a signal, before relay and fuse; ``total_ohm`` is the path's where it is at hand."""
        c = self.channels[channel]
        total_ohm = self.path(channel).total_ohm if total_ohm is None else total_ohm
        return c.dc(self.thermal.inside_k, self.front.volume(channel), rails, total_ohm)

    def peak(self, channel: int, drive: Drive) -> float:
        """Peak that the drive asks of this channel's output, before any limit; crosstalk included."""
        f = drive.frequency_hz
        own = drive.input_rms[self.front.source_of(channel)] * self.front.response(channel, f)
        other = drive.input_rms[self.front.source_of(1 - channel)] * self.front.response(1 - channel, f)
        total = own + other * self.front.crosstalk(f)
        return math.sqrt(2.0) * abs(total * self.channels[channel].gain(f))

    def operating(self, channel: int, drive: Drive) -> Operating:
        """Steady state of a channel under ``drive``."""
        rails = self.rails()
        alive = drive is not SILENCE and (rails[0] > 4.0 or rails[1] < -4.0)
        c, total_ohm = self.channels[channel], self.path(channel).total_ohm
        peak = self.peak(channel, drive) if alive else 0.0
        if peak > 0.0:
            peak *= c.left_by_feedback(peak, drive.frequency_hz, total_ohm)
        return operating_point(c, rails, total_ohm, self.dc(channel, rails, total_ohm), peak)

    def drawn(self, drive: Drive) -> tuple[float, float]:
        """What both channels draw from the positive and the negative rail under ``drive``, A on average."""
        return self.drawn_at((self.operating(0, drive), self.operating(1, drive)))

    def drawn_at(self, points: tuple[Operating, Operating]) -> tuple[float, float]:
        """Average currents from the supply's rails, A, to a milliampere (so that a settled supply stays settled)."""
        positive, negative = self.drawn_exactly(points)
        return round(positive, 3), round(negative, 3)

    def drawn_exactly(self, points: tuple[Operating, Operating]) -> tuple[float, float]:
        """The same, not rounded."""
        positive, negative = self.shared(
            points[0].positive_a + points[1].positive_a, points[0].negative_a + points[1].negative_a
        )
        return float(positive), float(negative)

    def shared(self, positive: Any, negative: Any) -> tuple[Any, Any]:
        """From the halves' currents to the rails': a single rail feeds both halves of a bridge, and an output behind a
        capacitor draws from it with one half only."""
        if self.design.kind.kind == "bridged":
            return positive + negative, positive + negative
        if self.design.kind.kind == "capacitor":
            return positive, positive
        return positive, negative

    # What meters make of it

    def terminal_dc(self, channel: int, dc_v: float) -> float:
        """What of the output's DC reaches the terminal."""
        kind = self.design.kind
        if kind.kind != "capacitor":
            return dc_v
        if math.isinf(self.load_ohm[channel]):
            return 0.3 * self.midpoint_v
        return kind.capacitor_leak_v if self.mains else 0.0

    def noise_at_output(self, channel: int, band_hz: float) -> float:
        """Noise at the output up to ``band_hz``, V rms."""
        c = self.channels[channel]
        return self.noise_scale * self.front.noise_density(channel) * abs(c.gain(1000.0)) * math.sqrt(band_hz)

    def hum_at_output(self, channel: int) -> float:
        """Mains hum at the output, V rms: stray field, pickup, cable."""
        c = self.channels[channel]
        gain = abs(c.gain(self.mains_hz)) * self.front.volume(channel)
        cable = self.front.hum_v[self.front.source_of(channel)] * self.front.input_gain(channel)
        own = c.design.magnetic_hum_v if self.mains and not c.stuck else 0.0
        return math.hypot(own, math.hypot(self.front.pickup(channel) if self.mains else 0.0, cable) * gain)

    def output_ohm(self, channel: int, frequency_hz: float) -> float:
        """Output resistance before the output network: the emitter resistors over one plus the loop gain."""
        c = self.channels[channel]
        stage = c.design.output_stage
        alive = max(1, len(stage.upper.alive))
        open_loop = (stage.upper.devices[0].emitter_ohm + 0.3) / alive + stage.driver_ohm / stage.upper.current_gain
        return open_loop / abs(1.0 + c.design.gain_stage.loop_gain(frequency_hz, c.noise_gain))

    def rail_ripple(self, drive: Drive) -> tuple[float, float]:
        """Peak-to-peak ripple of each rail under ``drive``, V."""
        if not self.mains:
            return 0.0, 0.0
        drawn = self.drawn_exactly((self.operating(0, drive), self.operating(1, drive)))
        key = (round(drawn[0], 2), round(drawn[1], 2), self.age < 5.0)
        if self._ripple is None or self._ripple[0] != key:
            self._ripple = (key, self.supply.ripple(key[0], key[1]))
        # worked out for currents to 10 mA, and in proportion between them: no step where the idle current drifts
        standing = self.supply.standing()
        first, second = (
            ripple * (now + own) / max(1e-6, then + own)
            for ripple, now, then, own in zip(self._ripple[1], drawn, key[:2], standing, strict=True)
        )
        return first, second

    # Time

    def pass_time(
        self, seconds: float, points: tuple[Operating, Operating], sensed: tuple[float, float], *, supply: bool = True
    ) -> None:
        """Let time pass in everything that is slow, with the channels at ``points`` and the protection seeing
        ``sensed``; ``supply`` False where its time has passed already."""
        relay_supply = self.relay_supply_v
        if supply and seconds > 0.0:
            factor = 1.571 if max(p.rms_v for p in points) > 1.0 else 1.0
            self.supply.advance(seconds, *self.drawn_at(points), form_factor=factor)
        self.thermal.advance(seconds, (points[0].watts, points[1].watts))
        self.relay.advance(seconds, self.mains, relay_supply, sensed)
        inside_c = self.thermal.thermal.ambient_c + self.thermal.inside_k
        for i, c in enumerate(self.channels):
            intact = not c.fuse.blown
            load_a = points[i].load_rms_a
            c.fuse.advance(seconds, load_a if load_a > 0.0 and self.path(i).made else 0.0)
            if c.fuse.blown and intact:
                self.smoke.append((self.time + seconds, f"{_CHANNELS[i]} speaker fuse blown"))
            c.follow_short(self.rails())
            c.transient_v *= math.exp(-seconds / TRANSIENT_S)
            hot = self.thermal.thermal.ambient_c + self.thermal.junction_rise(i)
            if hot > self.thermal.thermal.rated_c and not c.dead_device:
                c.dead_device = True
                self.smoke.append((self.time + seconds, f"{_CHANNELS[i]} output device dead at {hot:.0f} C"))
            c.joint.until(self.time, seconds, inside_c)
            self.front.joints[i].until(self.time, seconds, math.inf)
        self._set_idle_currents()
        self.midpoint_v = self.midpoint_after(seconds)
        self.time += seconds
        self.age += seconds

    def midpoint_after(self, seconds: float) -> float:
        """The midpoint follows half the supply; behind an output capacitor slowly, through a filter of its own."""
        kind, supply = self.design.kind, self.design.supply
        if not (kind.single_supply and supply.single_rail):
            return 0.0
        half = self.rails()[0]
        if kind.kind != "capacitor":
            return half
        return min(2.0 * half, half + (self.midpoint_v - half) * math.exp(-seconds / TRANSIENT_S))

    def disturb(self, *, supply: bool = False) -> None:
        """Something was changed: time goes on in smaller steps for a while, the smallest after the mains switch."""
        self.age = 0.0 if supply else min(self.age, 0.5)
        self._ripple = None

    def _set_idle_currents(self) -> None:
        for i, c in enumerate(self.channels):
            ohm = c.design.output_stage.upper.devices[0].emitter_ohm
            c.idle_a = c.design.bias.idle(self.thermal.junction_rise(i), self.thermal.sink_k, ohm)
