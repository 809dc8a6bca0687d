"""A guarded bench with the simulated bench behind it, and what is true of it by formulas that stand here.

Nothing here uses an analysis or a measurement of the project. Truths are closed forms in the drawn component values, or
the amplifier itself with its noise off, played through its sockets, and Fourier sums written out in the amplifier's own
tests (``playing``).
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import benchtest.bench
from benchtest import measure
from benchtest.amplifier_file import AmplifierSpec, load_amplifier
from benchtest.safety import GuardedBench, open_bench
from simulated_instruments.amplifier import Amplifier, AmplifierDesign, Drive
from simulated_instruments.bench import SimulatedBench
from tests.simulated_instruments.amplifier.playing import RATE, line, tone

DEMO = load_amplifier(Path(__file__).parents[2] / "procedures" / "demo_amplifier.toml")
THERMAL_V = 0.0259
"""kT/q near 300 K, V (CODATA k and q)."""

ChangeDesign = Callable[[AmplifierDesign], AmplifierDesign]


@dataclass
class KnownBench:
    """``bench`` is what measurements see; ``simulated`` what is behind it."""

    bench: GuardedBench
    simulated: SimulatedBench

    @property
    def amplifier(self) -> Amplifier:
        return self.simulated.amplifier

    @property
    def design(self) -> AmplifierDesign:
        return self.simulated.amplifier.design

    # ------------------------------------------------------------- what a person does

    def loads_measured(self) -> KnownBench:
        """Leads nulled and both dummy loads measured, before anything is switched on."""
        measure.residual_charge(self.bench, "cold")
        for point in self.bench.touch_in_turn(["leads_shorted", "left_load", "right_load"], say="touch in turn"):
            if point == "leads_shorted":
                measure.lead_resistance(self.bench)
            else:
                measure.load_resistance(self.bench, point.split("_")[0])
        assert self.bench.load_measured
        return self

    def hooked_up(self, load: str = "load", *, volume: str = "full", warm_s: float = 20.0) -> KnownBench:
        """Mains on, warmed up, DC checks passed, inputs still shorted."""
        self.bench.hook_up(lamp="out", load=load, inputs="shorted", volume=volume)
        self.bench.mains_on()
        self.bench.sleep(warm_s)
        for channel in self.bench.channels:
            assert self.bench.dc_check(channel).outcome in ("good", "noted")
        return self

    def ready(self, load: str = "load", *, volume: str = "full", warm_s: float = 20.0) -> KnownBench:
        """The same with the sound card plugged in."""
        self.hooked_up(load, volume=volume, warm_s=warm_s)
        self.bench.hook_up(inputs="sound_card")
        return self

    def risen(self, *channels: str) -> KnownBench:
        """Each channel seen to respond up to 1 W."""
        for channel in channels or self.bench.channels:
            for volts in (0.05, 0.05, 0.3, math.sqrt(8.0)):
                self.bench.tone(volts, [channel], hold_s=0.3, window_s=0.1)
        return self

    # ------------------------------------------------------------- what is true

    def load_ohm(self, channel: int) -> float:
        """The dummy load as warm as it is now."""
        return self.simulated.loads[channel].ohm

    def series_ohm(self, channel: int) -> float:
        """From the output devices to the terminal: coil and wiring, relay contact, joint, fuse."""
        d = self.design.channels[channel]
        contact = (self.design.relay.left, self.design.relay.right)[channel]
        fuse = d.speaker_fuse
        heat = self.amplifier.channels[channel].fuse.heat
        in_fuse = fuse.holder_ohm + fuse.cold_ohm * (1.0 + fuse.hot_rise * heat)
        return d.network.series_ohm + contact.ohm + d.output_joint.ohm + in_fuse

    def share(self, channel: int) -> float:
        """Terminal voltage over that at the output devices."""
        load = self.load_ohm(channel)
        return load / (load + self.series_ohm(channel))

    def offset(self, channel: int, *, of: Amplifier | None = None) -> float:
        """DC at the loaded terminals: the input pair's offset as warm as the set is, times the gain at DC, divided.

        Feedback capacitor and coupling are sound, so the gain at DC is 1 and nothing leaks in. ``of``: a copy at another time.
        """
        pair = self.design.channels[channel].input_stage
        load = {"load": self.load_ohm(channel), "1 kilohm": self.simulated.truth.kilohm_ohm[channel]}[
            self.simulated.load
        ]
        thermal = (self.amplifier if of is None else of).thermal
        at_devices = pair.offset_v + pair.drift_v_per_k * thermal.inside_k
        return at_devices * load / (load + self.series_ohm(channel))

    def loop_gain(self, channel: int, frequency_hz: float) -> complex:
        """Open-loop gain with one pole over the noise gain."""
        d = self.design.channels[channel]
        stage, noise_gain = d.gain_stage, 1.0 + d.feedback.series_ohm / d.feedback.shunt_ohm
        pole = stage.gain_bandwidth_hz / stage.dc_gain
        return stage.dc_gain / noise_gain / (1.0 + 1j * frequency_hz / pole)

    def gain(self, channel: int, frequency_hz: float = 1000.0, *, volume_db: float = 0.0) -> complex:
        """From the source's open-circuit voltage to the loaded terminals, small signal, tone controls flat.

        Divider at the socket, volume track, coupling capacitor, line stage, feedback divider with its capacitor, input
        pole, what the loop gain leaves, what the output stage's slope at idle costs, resistance up to the terminals.
        Inductance of coil and load is left out: below 1e-4 at 1 kHz.
        """
        s = 2j * math.pi * frequency_hz
        truth = self.simulated.truth
        selector = (self.design.selector.left, self.design.selector.right)[channel]
        d, track = self.design.channels[channel], self.design.controls.volume[channel]
        total: complex = selector.resistance_ohm / (
            selector.resistance_ohm + selector.series_ohm + truth.converters.output_ohm
        )
        down = -volume_db
        total *= 10 ** ((volume_db + track.tracking_full_db + track.tracking_db_per_20db * down / 20) / 20)
        tau = d.coupling.capacitance_f * track.resistance_ohm
        total *= s * tau / (1.0 + s * tau)
        total *= d.line.gain
        f = d.feedback
        shunt = f.shunt_ohm + 1.0 / (s * f.capacitance_f)
        total *= 1.0 + f.series_ohm / shunt
        total *= 1.0 / (1.0 + s / (2 * math.pi * d.gain_stage.input_pole_hz))
        loop = self.loop_gain(channel, frequency_hz)
        total *= loop / (1.0 + loop)
        load = self.load_ohm(channel) + self.series_ohm(channel)
        total *= 1.0 - self.slope_ohm(channel) / load / (1.0 + loop)
        return total * self.share(channel)

    def slope_ohm(self, channel: int) -> float:
        """Slope of the class-AB stage at idle: each device kT/(q I) + Re, all of them in parallel, and the driver's
        resistance over the current gain, half of the current from either side."""
        d = self.design.channels[channel]
        stage = d.output_stage
        devices = [*stage.upper.devices, *stage.lower.devices]
        conductance = sum(
            1.0 / (THERMAL_V / self.amplifier.channels[channel].idle_a + one.emitter_ohm) for one in devices
        )
        per_half = 0.5 * (1.0 / stage.upper.current_gain + 1.0 / stage.lower.current_gain)
        return 1.0 / conductance + stage.driver_ohm * per_half

    # ------------------------------------------------------------- the amplifier itself, noise off

    def quiet_copy(self) -> Amplifier:
        """The amplifier as it stands now, without noise, hum from the cable and contact noise: a copy to play with."""
        twin = copied(self.amplifier)
        twin.noise_scale = 0.0
        for channel in twin.channels:
            channel.noise_scale = 0.0
        return twin

    def terminals(
        self,
        frequency_hz: float,
        input_v: tuple[float, float],
        *,
        hold_s: float,
        seconds: float = 0.25,
        of: Amplifier | None = None,
    ) -> np.ndarray:
        """Volts at both terminals while a tone stands at the sockets, after it has stood there for ``hold_s``.

        ``of``: a quiet copy made earlier, which is left as it is; otherwise the amplifier as it stands now.
        """
        twin = self.quiet_copy() if of is None else copied(of)
        twin.advance(hold_s, Drive(input_v, frequency_hz))
        return twin.render(tone(frequency_hz, *input_v, seconds=seconds), RATE)

    def thd(self, volts: np.ndarray, frequency_hz: float, *, band_hz: float = 20e3) -> float:
        """Harmonics from the second to the end of the band over the fundamental, by Fourier sums."""
        n = round(0.1 * RATE)
        whole = volts[-n:]
        orders = range(1, int(band_hz / frequency_hz) + 1)
        levels = [abs(line(whole, k * frequency_hz)) for k in orders]
        return math.sqrt(sum(v * v for v in levels[1:])) / levels[0]


def copied(amplifier: Amplifier) -> Amplifier:
    """The amplifier as it stands, to be gone on with apart. Its designs cannot change, and are shared: most of the work."""
    shared = [amplifier.design, amplifier.supply.design, *(channel.design for channel in amplifier.channels)]
    return copy.deepcopy(amplifier, {id(one): one for one in shared if hasattr(one, "__dataclass_fields__")})


@contextmanager
def opened(
    monkeypatch: pytest.MonkeyPatch,
    *,
    seed: int = 0,
    scenario: str = "healthy",
    channel: str | None = None,
    design: ChangeDesign | None = None,
    converters: dict[str, Any] | None = None,
    supply: Any = None,
    spec: AmplifierSpec = DEMO,
    calibrate: bool = True,
) -> Iterator[KnownBench]:
    """Open the simulated bench as a run does, after changing what the test needs to know better.

    ``design`` changes components, ``converters`` the sound card's errors by name, ``supply`` replaces the rails.
    """
    made: list[SimulatedBench] = []

    def make(seed: int, scenario: str, channel: str | None) -> SimulatedBench:
        simulated = SimulatedBench(seed=seed, scenario=scenario, channel=channel)
        truth = simulated.truth
        if converters is not None:
            simulated.truth = replace(truth, converters=replace(truth.converters, **converters))
        if design is not None or supply is not None:
            changed = design(truth.design) if design is not None else truth.design
            rng = np.random.default_rng(seed)
            simulated.amplifier = Amplifier(changed, rng=rng, supply=supply)
            simulated._connect_inputs()
            simulated._connect_load()
        made.append(simulated)
        return simulated

    with monkeypatch.context() as patched:
        patched.setattr(benchtest.bench, "_simulated_bench", make)
        bench = open_bench(None, amplifier=spec, seed=seed, scenario=scenario, channel=channel, calibrate=calibrate)
    with bench:
        yield KnownBench(bench, made[0])
