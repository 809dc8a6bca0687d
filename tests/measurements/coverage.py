"""Every measurement on one drawn bench beside what is true of it: quantity, error, uncertainty.

Truths come from ``known_bench``: closed forms in the drawn values, or the amplifier itself with its noise off, played at
its sockets and taken apart by Fourier sums; where noise is measured, the amplifier itself for much longer. No analysis of
the project is used for them. Meters: their statement is a bound, and what budgets assume of it is that the error lies
anywhere inside it (GUM 4.3.7); so each range's error is drawn evenly over all of it. What budgets allow for and the
simulated bench has not, or has always alike, is drawn here as well: ``Drawn``.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from benchtest import measure
from benchtest.instruments.protocols import Function
from benchtest.measurements.budget import WHOLE
from benchtest.measurements.idle_current import RESISTOR_RELATIVE
from benchtest.measurements.rail_ripple import IDLE_SHARE
from benchtest.reading import Reading
from simulated_instruments import converters
from simulated_instruments.amplifier import AmplifierDesign, Drive
from simulated_instruments.amplifier.output_stage import OutputStage
from simulated_instruments.converters import NoiseTape, played
from simulated_instruments.leads import MeterLeads
from simulated_instruments.meter_front_end import FrontEnd
from tests.measurements.known_bench import DEMO, KnownBench, copied, opened
from tests.measurements.recorded import Records
from tests.simulated_instruments.amplifier.playing import RATE, line

ONE_WATT_V = math.sqrt(8.0)
DB_PER_NEPER = 20.0 / math.log(10.0)
NEXT_TO_NOTHING_V = 0.5e-3
"""An offset nearer to zero looks like an open path when it stands still, and is not driven: such a bench ends there."""


@dataclass(frozen=True)
class Trial:
    """One reading beside the truth."""

    name: str
    value: float
    truth: float
    expanded_uncertainty: float
    standard_uncertainty: float
    """Combined from the budget, without the part that makes U as large as the bench's own residual where that is near."""
    near_the_bench: bool
    budget: Mapping[str, float] = field(default_factory=dict)
    truth_u: float = 0.0
    """Standard uncertainty of the truth, where it is an estimate itself (noise played for some seconds)."""

    @property
    def normalised(self) -> float:
        """Error over combined standard uncertainty."""
        return (self.value - self.truth) / math.hypot(self.standard_uncertainty, self.truth_u)

    @property
    def covered(self) -> bool:
        return abs(self.value - self.truth) <= self.expanded_uncertainty


class Trials(list):
    """Collects trials; readings that were not taken are an error here. noise: the true noise of both channels with the sound
    card connected, and its standard uncertainty."""

    noise: tuple[tuple[float, ...], tuple[float, ...]]

    def add(
        self,
        name: str,
        readings: Reading | Iterable[object],
        truth: float | Callable[[Reading], float],
        *,
        truth_u: float | Callable[[Reading], float] = 0.0,
    ) -> None:
        for reading in [readings] if isinstance(readings, Reading) else readings:
            if not isinstance(reading, Reading):
                continue
            assert reading.value is not None, (name, reading.note)
            assert reading.expanded_uncertainty is not None, name
            true = truth(reading) if callable(truth) else truth
            near = "within 10 dB of the bench's own" in reading.note
            plain = math.hypot(*(u for part, u in reading.budget.items() if part != WHOLE))
            own = truth_u(reading) if callable(truth_u) else truth_u
            self.append(
                Trial(name, reading.value, true, reading.expanded_uncertainty, plain, near, dict(reading.budget), own)
            )


def meters_anywhere_in_their_statement(patch: pytest.MonkeyPatch) -> None:
    """Each range of each meter is off by one share, drawn from -1 to 1, of what its statement allows at the reading."""

    def with_errors(
        self: FrontEnd, function: Function, value: float, range: float, source: object, line_cycles: float
    ) -> float:
        share = self._errors[function, range][0] / 0.8  # drawn over 0.8 of the statement
        rows = self._rows[function, range]
        row = rows[0]
        if function is Function.AC_VOLTS:
            row = next((one for one in rows if one.covers(source.probe().ac_frequency_hz)), rows[-1])
        noise = (0.5e-6 * range + (0.1e-6 if function is Function.DC_VOLTS else 0.0)) * math.sqrt(10.0 / line_cycles)
        return value + share * row.limits(value, range) + float(noise * self._rng.standard_normal())

    patch.setattr(FrontEnd, "_with_errors", with_errors)


CONTACT_OHM = 0.0245
"""The probes' contact adds up to this: two touches then differ by 0.01 ohm rms (a / sqrt 6), what budgets take."""
CLIP_OHM = 0.00346
"""The sound card's clips sit up to this far down the load's leads: 0.002 ohm rms about zero, what budgets take."""


class Drawn:
    """What the simulated bench has not, drawn from a seed of its own; ``patched`` puts it there.

    The probes touch anew each time. The converters' harmonics have a phase each (they come up to a millisecond late),
    as those of real ones have: the simulated ones bend without memory, always the same way. The clips sit somewhere on the
    leads. Emitter resistors are anywhere in their print's tolerance, an output coil of some ten turns has 1 to 3 uH.
    """

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng([seed, 4711])
        self.clips = tuple(float(v) for v in self.rng.uniform(0.0, CLIP_OHM, 2))
        self.emitters = tuple(1.0 + RESISTOR_RELATIVE * float(v) for v in self.rng.uniform(-1.0, 1.0, 2))
        self.coils_h = tuple(float(v) for v in self.rng.uniform(1e-6, 3e-6, 2))
        self.contacts: dict[str, float] = {}
        self.late: dict[tuple[float, int], np.ndarray] = {}

    def patched(self, patch: pytest.MonkeyPatch) -> None:
        patch.setattr(MeterLeads, "resistance", self._touching(MeterLeads.resistance))
        patch.setattr(converters, "distorted", self._distorted)

    def contact(self, place: str) -> float:
        if place not in self.contacts:
            self.contacts[place] = float(self.rng.uniform(0.0, CONTACT_OHM))
        return self.contacts[place]

    def _touching(self, without: Callable[[MeterLeads], float]) -> Callable[[MeterLeads], float]:
        return lambda leads: without(leads) + self.contact(leads.place)

    def _distorted(self, samples: np.ndarray, h2_db: float, h3_db: float) -> np.ndarray:
        square = samples * samples
        cube = square * samples
        second = self._turned(square, h2_db, 2) * (2.0 * 10.0 ** (h2_db / 20.0))
        return samples + second + self._turned(cube, h3_db, 3) * (4.0 * 10.0 ** (h3_db / 20.0))

    def _turned(self, product: np.ndarray, level_db: float, order: int) -> np.ndarray:
        """Late by 1 to 96 frames: a harmonic of any frequency from 1 kHz on is turned by a phase drawn over whole turns."""
        key = (level_db, order)
        if key not in self.late:
            self.late[key] = np.zeros((int(self.rng.integers(1, 97)), 2))
        both = np.concatenate([self.late[key], product])
        self.late[key] = both[len(product) :]
        turned: np.ndarray = both[: len(product)]
        return turned

    def another_kind(self, known: KnownBench) -> None:
        """Change supply and idle current while it runs: 0.45 to 2.5 times the capacitance, half to twice the resistance of
        windings and capacitors, an idle current with the standard deviation that the budget gives it."""
        supply = known.amplifier.supply
        farad, copper, esr = (
            math.exp(self.rng.uniform(*np.log(ends))) for ends in ((0.45, 2.5), (0.5, 2.0), (0.5, 2.0))
        )
        positive, negative = (
            replace(r, farad=r.farad * farad, esr=r.esr * esr / farad)
            for r in (supply.design.reservoir_positive, supply.design.reservoir_negative)
        )
        windings = supply.design.transformer
        windings = replace(
            windings, primary_ohm=windings.primary_ohm * copper, secondary_ohm=windings.secondary_ohm * copper
        )
        supply.design = replace(
            supply.design, transformer=windings, reservoir_positive=positive, reservoir_negative=negative
        )
        spread = IDLE_SHARE * math.sqrt(3.0)
        idle = self.rng.uniform(1.0 - spread, 1.0 + spread)
        for channel in known.amplifier.channels:
            bias = channel.design.bias
            channel.design = replace(channel.design, bias=replace(bias, idle_a=bias.idle_a * idle))

    def design(self, design: AmplifierDesign) -> AmplifierDesign:
        left, right = (
            replace(
                d,
                output_joint=replace(d.output_joint, ohm=d.output_joint.ohm + clip),
                output_stage=_with_emitters(d.output_stage, part),
                network=replace(d.network, inductance_h=coil),
            )
            for d, clip, part, coil in zip(
                (design.left, design.right), self.clips, self.emitters, self.coils_h, strict=True
            )
        )
        return replace(design, left=left, right=right)


def _with_emitters(stage: OutputStage, factor: float) -> OutputStage:
    upper, lower = (
        replace(half, devices=tuple(replace(one, emitter_ohm=one.emitter_ohm * factor) for one in half.devices))
        for half in (stage.upper, stage.lower)
    )
    return replace(stage, upper=upper, lower=lower)


def of(
    readings: Iterable[object], quantity: str, channel: str | None = None, frequency_hz: float | None = None
) -> list:
    return [
        r
        for r in readings
        if isinstance(r, Reading)
        and r.quantity == quantity
        and channel in (None, r.channel)
        and (frequency_hz is None or r.frequency_hz == frequency_hz)
    ]


# ---------------------------------------------------------------------------------------------------- truths


class Truth:
    """What the amplifier as it stood when this was made does, noise off; each gain is played once.

    Made before a measurement and asked after it, so that heat and idle current are those of the measurement.
    """

    def __init__(self, known: KnownBench, *, load_h: float | None = None) -> None:
        self.known = known
        self.quiet = known.quiet_copy()
        if load_h is not None:
            self.quiet.connect_load(known.load_ohm(0), known.load_ohm(1), load_h)
        self._gains: dict[tuple[int, float, float], complex] = {}

    def inputs(self, channel: int, volts: float) -> tuple[float, float]:
        return (volts, 0.0) if channel == 0 else (0.0, volts)

    def played(
        self, channel: int, frequency_hz: float, input_v: float, *, hold_s: float = 0.2, seconds: float = 0.3
    ) -> np.ndarray:
        """The last 0.2 s of both terminals, 1 kHz and its like in whole periods."""
        inputs = self.inputs(channel, input_v)
        volts = self.known.terminals(frequency_hz, inputs, hold_s=hold_s, seconds=seconds, of=self.quiet)
        return volts[-round(0.2 * RATE) :]

    def gain(self, channel: int, output_v: float, frequency_hz: float = 1000.0) -> complex:
        """Terminal voltage over the source's, sine against sine: the amplifier's own delay stays in its phase."""
        key = (channel, output_v, frequency_hz)
        if key not in self._gains:
            input_v = output_v / abs(self.known.gain(channel))
            volts = self.played(channel, frequency_hz, input_v, seconds=1.0 if frequency_hz < 100.0 else 0.3)[
                :, channel
            ]
            weights = 1.0 - np.cos(2.0 * math.pi * (np.arange(len(volts)) + 0.5) / len(volts))  # for any frequency
            self._gains[key] = line(volts * weights, frequency_hz) / input_v
        return self._gains[key]

    def gain_db(self, channel: int, output_v: float, frequency_hz: float = 1000.0) -> float:
        return 20 * math.log10(abs(self.gain(channel, output_v, frequency_hz)))

    def separation_db(self, channel: int, frequency_hz: float) -> float:
        volts = self.played(channel, frequency_hz, ONE_WATT_V / abs(self.known.gain(channel)))
        own, other = (abs(line(volts[:, c], frequency_hz)) for c in (channel, 1 - channel))
        return 20 * math.log10(own / other)

    def noise(self, *, seconds: float = 8.0) -> np.ndarray:
        """Both terminals with nothing played: noise, hum and all, the sound card's output noise where it is plugged in."""
        twin = copied(self.known.amplifier)
        rng = np.random.default_rng([self.known.simulated.truth.seed, 12345])
        twin._rng = twin.front.rng = rng
        n = round(seconds * RATE)
        silence = np.zeros((n, 2))
        if self.known.simulated.inputs == "sound_card":
            silence = played(silence, self.known.simulated.truth.converters, NoiseTape(rng, frames=2 * n))
        return twin.render(silence, RATE)


# ---------------------------------------------------------------------------------------------------- the trials


def trials(seed: int, *, power: bool) -> list[Trial]:
    """Every measurement on the bench of one seed; with ``power`` those too that go up to the top, which take longest."""
    from tests.measurements import further_trials as further

    with pytest.MonkeyPatch.context() as patch:
        meters_anywhere_in_their_statement(patch)
        drawn, records = Drawn(seed), Records()
        drawn.patched(patch)
        records.patched(patch)
        spec = DEMO.model_copy(update={"rated_power_w": 66.0})
        with opened(patch, seed=seed, spec=spec, design=drawn.design) as known:
            # the DC watch is not on trial, and is a third of the time: it sees nothing, for as long as it would have looked
            patch.setattr("benchtest.safety.capturing._dc_reading", lambda meter: known.simulated.advance(0.2) or 0.0)
            found = Trials()
            _cold(known, drawn, found)
            _offsets_and_rails(known, found)
            if min(abs(known.offset(c)) for c in (0, 1)) < NEXT_TO_NOTHING_V:
                return list(found)
            _small_signals(known, drawn, records, found)
            _one_watt(known, records, found)
            if power:
                _power(known, records, found)
                _reservoirs(known, drawn, found)
            _turned_down(known, found)
            further.tone_controls(known, found)
            further.phono(known, found)
            further.switched_off(known, records, found)
            return list(found)


def _cold(known: KnownBench, drawn: Drawn, found: Trials) -> None:
    from tests.measurements import further_trials as further

    bench = known.bench
    found.add("residual_charge", measure.residual_charge(bench, "cold"), 0.0)
    points = ["leads_shorted", "left_speaker_fuse", "right_speaker_fuse", "left_load", "right_load"]
    for point in bench.touch_in_turn(points, say=""):
        channel = point.split("_")[0]
        if point == "leads_shorted":
            reading = measure.lead_resistance(bench)
            true = known.simulated.truth.lead_ohm["bench meter"] + drawn.contact(point)
            found.add("lead_resistance", reading, true)
        elif point.endswith("fuse"):
            fuse = known.design.channels[("left", "right").index(channel)].speaker_fuse
            found.add("fuse_resistance", measure.fuse_resistance(bench, channel), fuse.holder_ohm + fuse.cold_ohm)
        else:
            true = known.load_ohm(("left", "right").index(channel))
            found.add("load_resistance", measure.load_resistance(bench, channel), true)
            further.diode_test(known, drawn, channel, found)


def _offsets_and_rails(known: KnownBench, found: Trials) -> None:
    from tests.measurements import further_trials as further

    bench = known.bench
    bench.move_meter("left_emitter_resistor_1")
    known.hooked_up("1 kilohm", warm_s=60.0)
    measure.rail_voltages(bench, "idle")  # what was just switched on settles; the truth is that of a settled supply
    bench.sleep(60.0)
    rails = None
    while rails != known.amplifier.supply.rails():  # they step a little as the set warms: once more then
        rails = known.amplifier.supply.rails()
        readings = measure.rail_voltages(bench, "idle")
    found.add("rail_voltage", of(readings, "rail_voltage"), lambda r: rails[0 if r.value > 0 else 1])
    true = 100 * (rails[0] + rails[1]) / (0.5 * (rails[0] - rails[1]))
    found.add("rail_difference", of(readings, "rail_difference"), true)
    ripple = known.amplifier.rail_ripple(Drive((0.0, 0.0)))
    found.add(
        "rail_ripple, idle", measure.rail_ripple(bench),
        lambda r: ripple[0 if r.conditions["rail"] == "positive" else 1] / (2 * math.sqrt(3)),
    )  # fmt: skip
    before = [known.offset(c) for c in (0, 1)]
    later = known.quiet_copy()
    drift, curve = measure.warm_up(bench, (0, 30, 60, 120))
    later.advance(float(curve.columns["time_s"][-1]), Drive((0.0, 0.0)))
    after = [known.offset(c, of=later) for c in (0, 1)]
    found.add("offset_drift", of(drift, "offset_drift"), lambda r: after[channel_of(r)] - before[channel_of(r)])
    further.idle_current(known, found)
    bench.sleep(1800.0)
    if min(abs(known.offset(c)) for c in (0, 1)) >= NEXT_TO_NOTHING_V:
        found.add("dc_offset", measure.dc_offsets(bench, "warm"), lambda r: known.offset(channel_of(r)))


def _small_signals(known: KnownBench, drawn: Drawn, records: Records, found: Trials) -> None:
    from tests.measurements import further_trials as further

    bench = known.bench
    bench.hook_up(volume="full")
    bench.hook_up(inputs="sound_card")
    unloaded = measure.gains(bench)
    open_truth = Truth(known)
    open_gain = [open_truth.gain(c, 0.3) for c in (0, 1)]
    offsets = {r.channel: r.value for r in measure.dc_offsets(bench, "warm")}
    bench.mains_off()
    measure.discharge(bench)
    bench.move_meter("left_relay_contact")
    further.switched_on(known, records, found)
    bench.sleep(1800.0)
    assert all(bench.dc_check(channel).outcome in ("good", "noted") for channel in bench.channels)
    further.loaded_difference(known, offsets, found)
    for at, inputs in (("inputs shorted", "shorted"), ("sound card connected", "sound_card")):
        if inputs == "sound_card":
            bench.hook_up(inputs=inputs)
        readings = measure.noise_and_hum(bench, at)
        y = Truth(known).noise()
        level, level_u = zip(*(noise_level(y[:, c]) for c in (0, 1)), strict=True)
        found.noise = level, level_u
        weighted, weighted_u = zip(*(noise_level(y[:, c], a_weighted=True) for c in (0, 1)), strict=True)
        quiet = known.quiet_copy().render(np.zeros((round(1.0 * RATE), 2)), RATE)[-round(0.6 * RATE) :]
        hum = [max(abs(line(quiet[:, c], 50.0 * k)) for k in range(1, 11)) for c in (0, 1)]
        found.add(
            f"noise, {at}",
            of(readings, "noise"),
            lambda r, v=level: v[channel_of(r)],
            truth_u=lambda r, u=level_u: u[channel_of(r)],
        )
        found.add(
            f"noise_a_weighted, {at}", of(readings, "noise_a_weighted"),
            lambda r, v=weighted: v[channel_of(r)], truth_u=lambda r, u=weighted_u: u[channel_of(r)],
        )  # fmt: skip
        found.add(
            f"signal_to_noise, {at}", of(readings, "signal_to_noise"),
            lambda r, v=level: 20 * math.log10(ONE_WATT_V / v[channel_of(r)]),
            truth_u=lambda r, v=level, u=level_u: DB_PER_NEPER * u[channel_of(r)] / v[channel_of(r)],
        )  # fmt: skip
        found.add(f"hum, {at}", of(readings, "hum"), lambda r, hum=hum: hum[channel_of(r)])
    truth = Truth(known)
    gains = measure.gain(bench)
    true = [truth.gain_db(c, 0.05) for c in (0, 1)]
    found.add("gain", of(gains, "gain"), lambda r: true[channel_of(r)])
    found.add("channel_balance", of(gains, "channel_balance"), true[1] - true[0])
    rated = math.sqrt(66.0 * 8.0)
    found.add(
        "input_sensitivity", measure.input_sensitivity(bench, gains),
        lambda r: (rated if r.conditions["at"] == "rated power" else ONE_WATT_V) / 10 ** (true[channel_of(r)] / 20),
    )  # fmt: skip
    loaded = measure.gains(bench)
    closed = [abs(truth.gain(c, 0.3)) for c in (0, 1)]
    kilohm = known.simulated.truth.kilohm_ohm

    def impedance(c: int) -> float:
        g1, g2 = abs(open_gain[c]), closed[c]
        at_clips = (g1 - g2) / (g2 / known.load_ohm(c) - g1 / kilohm[c])
        return at_clips - drawn.clips[c]  # the clips' share of the leads is not the amplifier's

    readings = measure.output_impedance(bench, unloaded, loaded)
    found.add("output_impedance", of(readings, "output_impedance"), lambda r: impedance(channel_of(r)))
    found.add("damping_factor", of(readings, "damping_factor"), lambda r: 8.0 / impedance(channel_of(r)))


def _one_watt(known: KnownBench, records: Records, found: Trials) -> None:
    from tests.measurements import further_trials as further

    bench = known.bench
    known.risen()
    found.add("level_agreement", measure.level_agreement(bench), 0.0)
    further.contact(known, found)
    further.soak(known, records, found)
    truth = Truth(known)
    sweeps, swept = {}, {}
    for channel in bench.channels:
        sweeps[channel] = measure.sweep(bench, channel)
        swept[channel] = records[-1]
    separated = measure.separation(bench, sweeps)
    further.balance_against_frequency(known, truth, sweeps, found)
    noise, noise_u = found.noise
    resistive = Truth(known, load_h=0.0)
    for c, channel in enumerate(bench.channels):
        for reading in of(measure.frequency_response(bench, sweeps[channel], channel), "frequency_response"):
            name = "frequency_response, " + ("low" if reading.frequency_hz < 1000.0 else "high")
            # the response is that into a resistor: what the load's own inductance does to it is an error
            true = resistive.gain_db(c, ONE_WATT_V, reading.frequency_hz) - resistive.gain_db(c, ONE_WATT_V)
            found.add(name, reading, true)
        high = of(measure.thd_high(bench, sweeps[channel], channel), "thd")
        found.add("thd, 6.3 kHz, sweep", high, 100 * swept[channel].harmonics_in_a_sweep(c, 6300.0, (2, 3)))
        for frequency in (1000.0, 10e3):
            found.add(
                "crosstalk, sweep", of(separated, "crosstalk", channel, frequency), truth.separation_db(c, frequency)
            )
            reading = measure.crosstalk(bench, channel, frequency)
            found.add("crosstalk, tone", reading, records[-1].separation_db(c, frequency))
        pair = measure.distortion(bench, channel, "1 W")
        level = of(pair, "thd")[0].level
        thd = records[-1].harmonics(c, 1000.0, range(2, 21))
        found.add("thd, 1 W", of(pair, "thd"), 100 * thd)
        _thd_n(found, "thd_n, 1 W", of(pair, "thd_n"), thd, noise[c] / level, noise_u[c] / level)
        pair = measure.thd_vs_level(bench, channel)
        level = of(pair, "thd")[0].level
        thd = records[-1].harmonics(c, 1000.0, range(2, 21))
        _thd_n(found, "thd_n, 10 mW", of(pair, "thd_n"), thd, noise[c] / level, noise_u[c] / level)
        for frequency in (6300.0, 10e3):
            reading = of(measure.thd_at(bench, channel, frequency), "thd")[0]
            thd = records[-1].harmonics(c, frequency, range(2, int(20e3 / frequency) + 1))
            found.add("thd, high, tone", reading, 100 * thd)
        for pair_hz, ratio in (("60+7000", 4.0), ("250+8000", 4.0), ("19000+20000", 1.0)):
            low_hz, high_hz = (float(f) for f in pair_hz.split("+"))
            reading = measure.intermodulation(bench, channel, pair_hz)
            true = records[-1].intermodulation(c, low_hz, high_hz, ratio)
            found.add(f"intermodulation, {pair_hz}", reading, 100 * true)


def _thd_n(found: Trials, name: str, readings: list[Reading], thd: float, noise: float, noise_u: float) -> None:
    total = math.hypot(thd, noise)
    found.add(name, readings, 100 * total, truth_u=100 * noise_u * noise / total)


def _power(known: KnownBench, records: Records, found: Trials) -> None:
    bench = known.bench
    for driven in (("left",), ("right",), ("left", "right")):
        records.clear()
        readings = measure.output_power(bench, driven, target_thd=0.01)
        for power, volts in zip(of(readings, "output_power"), of(readings, "output_voltage"), strict=True):
            c = channel_of(power)
            nearest = min(records, key=lambda r, c=c, v=volts.value: abs(r.asked_v(c) * abs(known.gain(c)) - v))
            true = nearest.volts_at_thd(c, 0.01) ** 2 / known.load_ohm(c)
            found.add(f"output_power, {len(driven)} driven", power, true)
            headroom = measure.clipping_headroom(bench, [power])
            found.add("clipping_headroom", headroom, 10 * math.log10(true / 66.0))
    for c, channel in enumerate(bench.channels):
        for at in ("half power", "rated power"):
            reading = of(measure.distortion(bench, channel, at), "thd")[0]
            thd = records[-1].harmonics(c, 1000.0, range(2, 21))
            found.add(f"thd, {at}", reading, 100 * thd)


def _reservoirs(known: KnownBench, drawn: Drawn, found: Trials) -> None:
    """On a supply of another kind and with another idle current: what the budget judges of all amplifiers is drawn."""
    channels, supply = known.amplifier.channels, known.amplifier.supply
    before = supply.design, [channel.design for channel in channels]
    drawn.another_kind(known)
    known.bench.sleep(900.0)
    measure.rail_voltages(known.bench, "idle")
    reservoirs = (supply.design.reservoir_positive.farad, supply.design.reservoir_negative.farad)
    readings = measure.ripple_under_load(known.bench, "left")
    found.add(
        "reservoir_capacitance", of(readings, "reservoir_capacitance"),
        lambda r: reservoirs[0 if r.conditions["rail"] == "positive" else 1],
    )  # fmt: skip
    supply.design = before[0]
    for channel, design in zip(channels, before[1], strict=True):
        channel.design = design
    known.bench.sleep(900.0)


def _turned_down(known: KnownBench, found: Trials) -> None:
    known.bench.hook_up(volume="-20 dB")
    readings = measure.channel_balance(known.bench)
    db = known.amplifier.front.volume_db
    true = [20 * math.log10(abs(known.gain(c, volume_db=db))) for c in (0, 1)]
    found.add("channel_balance, -20 dB", of(readings, "channel_balance"), true[1] - true[0])


def channel_of(reading: Reading) -> int:
    return ("left", "right").index(reading.channel)


def noise_level(y: np.ndarray, *, a_weighted: bool = False) -> tuple[float, float]:
    """rms in 20 Hz to 20 kHz and its standard uncertainty, by a Hann-weighted periodogram written out.

    Unweighted with hum, A-weighted (the curve of IEC 61672-1 written out) without its lines. The uncertainty is that of the
    noise: a bin is exponentially distributed, and Hann weights leave 18 of 35 values independent.
    """
    n = len(y)
    window = np.hanning(n)
    f = np.fft.rfftfreq(n, 1 / RATE)
    power = np.abs(np.fft.rfft(y * window)) ** 2 * 2 / (np.sum(window**2) * n)
    inside = (f >= 20.0) & (f <= 20e3)
    hum = (np.abs(f / 50.0 - np.round(f / 50.0)) * 50.0 < 1.0) & (f < 520.0)
    if a_weighted:
        f2 = np.square(f)
        a = 12194**2 * f2**2 / ((f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194**2))
        power *= (a * 10 ** (2.0 / 20)) ** 2
        inside &= ~hum
    square = float(np.sum(power[inside]))
    scatter = math.sqrt(35 / 18 * float(np.sum(power[inside & ~hum] ** 2)) / 2)
    return math.sqrt(square), scatter / 2 / math.sqrt(square)


@dataclass(frozen=True)
class Summary:
    """Of one quantity over many seeds: how many, rms of error over u, share covered, share near the bench's own."""

    count: int
    rms: float
    covered: float
    mean: float
    near: float


def summaries(all_trials: Iterable[Trial]) -> dict[str, Summary]:
    by_name: dict[str, list[Trial]] = defaultdict(list)
    for trial in all_trials:
        by_name[trial.name].append(trial)
    return {
        name: Summary(
            len(group),
            math.sqrt(sum(t.normalised**2 for t in group) / len(group)),
            sum(t.covered for t in group) / len(group),
            sum(t.normalised for t in group) / len(group),
            sum(t.near_the_bench for t in group) / len(group),
        )
        for name, group in by_name.items()
    }
