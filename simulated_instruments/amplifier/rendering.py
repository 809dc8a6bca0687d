"""Sound: volts at the input sockets to volts at the speaker terminals, block by block and continuous from call to call.

A block goes: front (both channels) - linear part of each power amplifier - supply under what both draw - output stages
on those rails - relay, fuse, contact, terminal. Where a relay or a fuse acts within a block, the block ends there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .band_limited import LATENCY
from .channel import ERROR_LATENCY, Path
from .circuit import Circuit
from .filters import DELAY, DelayLine, ramp
from .front import MIX_DELAY
from .joints import gate
from .noise import hum, mains_sine
from .operating import Operating, living

FloatArray = NDArray[np.float64]

LATENCY_FRAMES = MIX_DELAY + DELAY + ERROR_LATENCY + LATENCY
"""Frames by which the terminals lag the sockets; the filters look ahead as far."""

_BLOCK = 20480
"""Frames rendered at a time: a little more than ten mains cycles, the time that a meter integrates over."""
_PRIME = LATENCY_FRAMES + 24
"""Frames of silence that fill the pipeline after unheard time."""
_NEAR = 0.8
"""Share of what the rails allow from which on clipping has to be looked for."""


@dataclass(frozen=True)
class _Block:
    """What one block gave: per channel terminals and outputs (n,), and their mean operating point."""

    terminals: list[FloatArray]
    outputs: list[FloatArray]
    points: tuple[Operating, Operating]


class Rendering:
    """Renders a circuit. Keeps only what lies between blocks."""

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        self._rested = True
        self._last: tuple[Operating, Operating] | None = None
        self._start_dc = [0.0, 0.0]
        self._was_near = False
        self._asked: tuple[tuple[float, float], tuple[float, float], float] | None = None
        self._cycle: FloatArray | None = None
        self._rail_lines = (DelayLine(ERROR_LATENCY), DelayLine(ERROR_LATENCY))

    def rest(self) -> None:
        """Unheard time has passed."""
        self._rested = True
        self._last = None
        self._asked = self._cycle = None

    def render(self, v_input: FloatArray, rate: float) -> FloatArray:
        """(n, 2) volts in, (n, 2) volts out; time passes by n / rate."""
        out = np.empty((2, len(v_input)))
        if self._rested and len(v_input):
            self._prime(rate)
        first = 0
        while first < len(v_input):
            first += self._next(v_input, out, first, rate)
        return out.T

    def _prime(self, rate: float) -> None:
        """Fill the pipeline with what stood there before."""
        circuit = self._circuit
        self._rested = False
        rails = circuit.rails()
        circuit.front.rest()
        for i, c in enumerate(circuit.channels):
            c.rest(0.0)
            c.settle_ripple(rails, rate)
            self._start_dc[i] = circuit.dc(i, rails)
        for line, level in zip(self._rail_lines, rails, strict=True):
            line.fill(level)
        # Silence leaves nothing in the filters before the output stage: what stands there is the offset.
        ideal = [np.full(_PRIME, level) for level in self._start_dc]
        totals = (circuit.path(0).total_ohm, circuit.path(1).total_ohm)
        self._was_near = self._near(ideal, totals, rails)
        late = np.repeat(np.array(rails)[:, None], _PRIME, axis=1) if self._was_near else None
        for c, y, total in zip(circuit.channels, ideal, totals, strict=True):
            c.output(y, late, total, rate)

    def _next(self, v: FloatArray, out: FloatArray, first: int, rate: float) -> int:
        """Render up to a block, less if the relay or a fuse acts before; returns the frames done."""
        circuit, last = self._circuit, self._last
        n = min(_BLOCK, len(v) - first)
        rails = circuit.rails()
        dc = (circuit.dc(0, rails), circuit.dc(1, rails)) if last is None else (last[0].dc_v, last[1].dc_v)
        relay_moves = circuit.relay.next_change(circuit.mains, circuit.relay_supply_v, dc) * rate
        event = relay_moves
        for i in (0, 1):
            if last is not None and circuit.path(i).made:
                event = min(event, circuit.channels[i].fuse.time_to_blow(last[i].load_rms_a) * rate)
        if event < n:
            n = max(1, math.ceil(event))
        block = self._render_block(np.ascontiguousarray(v[first : first + n].T), rate)
        trip = self._trips_at(block.outputs, rate)
        for i in (0, 1):
            out[i, first : first + n] = block.terminals[i]
            if trip is not None and not circuit.contact(i).welded:
                out[i, first + trip : first + n] = 0.0
        circuit.pass_time(n / rate, block.points, (block.points[0].dc_v, block.points[1].dc_v), supply=False)
        self._last = block.points
        if relay_moves <= n or trip is not None:
            circuit.relay.change()
            circuit.disturb()
        return n

    def _trips_at(self, outputs: list[FloatArray], rate: float) -> int | None:
        """The frame of this block at which the DC protection trips, or None."""
        circuit = self._circuit
        relay, n = circuit.design.relay, len(outputs[0])
        highest = max(float(np.max(np.abs(v), initial=0.0)) for v in outputs)
        each = max(1, min(n, round(4e-3 * rate)))
        if not relay.present or highest + abs(relay.sensing_offset_v) < 0.5 * relay.trip_v or n < each:
            return None
        stretches = n // each
        pairs = [v[: stretches * each].reshape(stretches, each).mean(axis=1).tolist() for v in outputs]
        before = list(circuit.relay.seen_v)
        trip = circuit.relay.trips_within(list(zip(pairs[0], pairs[1], strict=True)), each / rate)
        circuit.relay.seen_v = before  # pass_time shows it the whole block's mean; here only the moment is looked for
        return None if trip is None else trip * each

    def _render_block(self, sockets: FloatArray, rate: float) -> _Block:
        circuit = self._circuit
        n = sockets.shape[1]
        noise = circuit.noise_scale
        sine: FloatArray | None = None
        if circuit.mains or any(circuit.front.hum_v) or circuit.front.connection == "open":
            sine = mains_sine(2.0 * math.pi * circuit.mains_hz, circuit.time, n, rate)
        start = circuit.rails()
        inputs = circuit.front.render(sockets, rate, sine, noise, circuit.time)
        paths = (circuit.path(0), circuit.path(1))
        totals = (paths[0].total_ohm, paths[1].total_ohm)
        ideal = [self._ideal(i, inputs[i], sine, start, totals[i], rate) for i in (0, 1)]
        near = self._near(ideal, totals, start)
        rails, flows = self._rails(ideal, totals, start, rate, near=near)
        late = None
        if near or self._was_near:
            late = np.stack([line(rails[k]) for k, line in enumerate(self._rail_lines)])
        else:
            for line, rail in zip(self._rail_lines, rails, strict=True):
                line.push(rail)
        self._was_near = near
        terminals, outputs, points = [], [], []
        for i, c in enumerate(circuit.channels):
            y = ideal[i]
            if not c.stuck:
                y = y + c.rejected(rails, rate)
                if c.oscillation.present and start[0] > 12.0:
                    y = y + c.oscillation.heard(y, start[0], rate, noise)
            v = c.output(y, late, totals[i], rate)
            points.append(_mean_point(v, flows[i], start, totals[i]))
            terminals.append(self._terminal(i, v, paths[i], points[i].load_rms_a, rate))
            outputs.append(v)
        return _Block(terminals, outputs, (points[0], points[1]))

    def _ideal(
        self,
        i: int,
        x: FloatArray,
        sine: FloatArray | None,
        rails: tuple[float, float],
        total_ohm: float,
        rate: float,
    ) -> FloatArray:
        """Line input to output, with offset and the transformer's hum, before the output stage has its say."""
        circuit = self._circuit
        c = circuit.channels[i]
        n = len(x)
        if c.design.line.dead:
            y = np.zeros(n)
        else:
            track = circuit.design.controls.volume[i].resistance_ohm
            y = c.linear(x, rate, track, circuit.outside(i))
        start, end = self._start_dc[i], circuit.dc(i, rails, total_ohm)
        y += ramp(start, end, n) if abs(end - start) > 1e-12 else end
        self._start_dc[i] = end
        if sine is not None and c.design.magnetic_hum_v and circuit.mains:
            size = c.design.magnetic_hum_v * math.sqrt(2.0) * min(1.0, rails[0] / 30.0)
            y += hum(sine, size, size / 3.0, 0.0)
        return y

    def _near(self, ideal: list[FloatArray], totals: tuple[float, float], rails: tuple[float, float]) -> bool:
        """Whether a channel comes near what its rails allow."""
        for y, c, total in zip(ideal, self._circuit.channels, totals, strict=True):
            low, high = c.limits(rails, total)
            if c.stuck or float(y.max(initial=0.0)) > _NEAR * high or float(y.min(initial=0.0)) < _NEAR * low:
                return True
        return False

    def _rails(
        self,
        ideal: list[FloatArray],
        totals: tuple[float, float],
        start: tuple[float, float],
        rate: float,
        *,
        near: bool,
    ) -> tuple[FloatArray, list[tuple[float, float]]]:
        """Rails (2, n) under what both channels draw, and each channel's average currents.

        Where clipping is near, what is drawn depends on the rails. Under a drive that goes on as it was they are expected
        to repeat the mains cycle before; otherwise they are looked at once before it counts. Either is enough, since a
        rail moves by a few hundredths of what the limit was wrong by.
        """
        circuit = self._circuit
        rails = np.array([[start[0]], [start[1]]])
        flows: list[tuple[float, float]] = []
        expected = self._expected(ideal, start, rate) if near else None
        if expected is not None:
            rails = expected
        for last in (False, True) if near and expected is None else (True,):
            pairs = [self._halves(i, ideal[i], totals[i], rails, near) for i in (0, 1)]
            flows = [(float(np.mean(p)), float(np.mean(q))) for p, q in pairs]
            currents = np.empty((2, len(ideal[0])))
            currents[0], currents[1] = pairs[0][0] + pairs[1][0], pairs[0][1] + pairs[1][1]
            rails = np.ascontiguousarray(circuit.supply.waveform(currents.T, rate, commit=last).T)
            if circuit.design.kind.single_supply:
                half = 0.5 * (rails[0] - rails[1])
                rails = np.stack([half, -half])
        if near:
            self._cycle = rails[:, -round(rate / circuit.mains_hz) :].copy()
        return rails, flows

    def _expected(self, ideal: list[FloatArray], start: tuple[float, float], rate: float) -> FloatArray | None:
        """Rails (2, n) as in the last mains cycle, repeated; None where that would be no good guess."""
        n = len(ideal[0])
        powers = (float(ideal[0] @ ideal[0]) / n, float(ideal[1] @ ideal[1]) / n)
        asked, self._asked = self._asked, (powers, start, self._circuit.age)
        cycle = round(rate / self._circuit.mains_hz)
        if asked is None or self._cycle is None or self._cycle.shape[1] != cycle or asked[2] > self._circuit.age:
            return None
        alike = all(abs(now - before) <= 0.02 * before for now, before in zip(powers, asked[0], strict=True))
        alike = alike and all(
            abs(now - before) <= 0.005 * abs(before) for now, before in zip(start, asked[1], strict=True)
        )
        return np.take(self._cycle, np.arange(n), axis=1, mode="wrap") if alike else None

    def _halves(self, i: int, y: FloatArray, total: float, rails: FloatArray, near: bool) -> tuple[Any, Any]:
        """What a channel draws from the rails, A, its output cut off at ``rails`` (2, n or 1)."""
        circuit = self._circuit
        c = circuit.channels[i]
        works = living(float(rails[0, 0]), float(rails[1, 0]))
        idle = c.idle_a * 0.5 * len(c.design.output_stage.devices) * works
        standing = c.design.standing_a * works
        if c.design.network.oscillates:
            standing += c.design.network.oscillation_a * works
        if c.stuck:
            level = float(rails[0, 0] if c.stuck > 0 else rails[1, 0])
            load = 0.0 if math.isinf(total) else level / total
            standing += c.through_a
            return circuit.shared(max(load, 0.0) + standing, max(-load, 0.0) + standing)
        if math.isinf(total) or (total > 100.0 and idle > 0.05):
            return circuit.shared(idle + standing, idle + standing)
        if near:
            y = np.clip(y, *c.moving_limits(rails, total))
        half = y * (0.5 / total)
        root = half * half
        root += idle * idle
        np.sqrt(root, out=root)
        root += standing
        return circuit.shared(root + half, root - half)

    def _terminal(self, i: int, v: FloatArray, path: Path, rms_a: float, rate: float) -> FloatArray:
        """From the output devices to the speaker terminal."""
        circuit = self._circuit
        c = circuit.channels[i]
        n, seconds = len(v), len(v) / rate
        loose = c.joint.joint.intermittent and circuit.headphone_ohm is None
        if not path.made and not loose:
            return np.zeros(n)
        share: Any = 1.0
        loaded = math.isfinite(path.load_ohm)
        if loaded:
            share = path.load_ohm / (path.load_ohm + path.series_ohm)
        if loaded and c.fuse.conducts:  # the fuse warms meanwhile: no step from block to block
            warmer = path.series_ohm - c.fuse.ohm + c.fuse.ohm_after(seconds, rms_a)
            share = ramp(share, path.load_ohm / (path.load_ohm + warmer), n)
        out = c.coupled(v, (circuit.midpoint_v, circuit.midpoint_after(seconds)), path.total_ohm, rate) * share
        if loaded and c.fuse.matters(1.5 * rms_a):
            current = v * (1.0 / path.total_ohm)
            out = out - current * c.fuse.swing_ohm(current, rate) * share
        contact = circuit.contact(i)
        if loose and c.joint.joint.intermittent:
            if not (circuit.relay.made(contact) and c.fuse.conducts):
                return np.zeros(n)
            inside_c = circuit.thermal.thermal.ambient_c + circuit.thermal.inside_k
            out = out * gate(c.joint, circuit.time, n, rate, inside_c)
        film = circuit.film_v[i]
        if film and loaded:
            current = out / path.load_ohm
            out = out - film * np.tanh(current / contact.film_a)
            if float(np.max(np.abs(current))) > contact.clean_a:
                circuit.film_v[i] *= math.exp(-seconds / 0.3)
        return np.asarray(out, dtype=np.float64)


def _mean_point(v: FloatArray, flow: tuple[float, float], rails: tuple[float, float], total_ohm: float) -> Operating:
    """Mean operating point of a block, for heat and fuses."""
    mean = float(v.mean())
    square = float(np.dot(v, v)) / len(v)
    out = 0.0 if math.isinf(total_ohm) else square / total_ohm
    rms_a = 0.0 if math.isinf(total_ohm) else math.sqrt(square) / total_ohm
    watts = flow[0] * rails[0] - flow[1] * rails[1] - out
    return Operating(mean, math.sqrt(max(0.0, square - mean * mean)), flow[0], flow[1], rms_a, max(0.0, watts))
