"""The simulated bench: one amplifier behind all simulated instruments, and one clock.

Rules that every later change keeps:

* All time moves through ``SimulatedBench.advance`` (and, where a process bridges the bench to an audio server, through
  ``render_block``). What nobody records moves in closed form; audio is rendered only inside a record window.
* ``bench_text`` states what the person believes; ``truth`` holds what is. Nothing in benchtest reads ``truth``.
* One lock guards the bench; nobody sleeps in wall time while holding it, and ``mute`` never takes it.
"""

from __future__ import annotations

import math
import threading
import time as wall
from collections import deque
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from benchtest.errors import InstrumentError
from benchtest.instruments.protocols import AudioInterface, Clock, FloatArray, Operator, SwitchedSocket
from benchtest.instruments.test_points import TEST_POINTS
from simulated_instruments.amplifier import SILENCE, Amplifier, Drive, Probe
from simulated_instruments.clock import SimulatedClock
from simulated_instruments.converters import ConverterErrors, NoiseTape, Recorder, divided, played
from simulated_instruments.dummy_load import DummyLoad
from simulated_instruments.emission import Emission, strength
from simulated_instruments.faults.scenario import NO_CHANGE, BenchChange
from simulated_instruments.leads import METERS, MeterLeads
from simulated_instruments.operator import SimulatedOperator
from simulated_instruments.socket import SimulatedSocket
from simulated_instruments.sound_card import SimulatedSoundCard
from simulated_instruments.truth import (
    CHANNELS,
    LAMP_POWER_W,
    SAMPLE_RATE,
    Truth,
    bench_text,
    draw_truth,
    generator,
    keep_truth,
    sequence,
)

__all__ = ["SAMPLE_RATE", "SimulatedBench", "Truth"]

_STEP_FRAMES = 20480  # longest rendered step, so that a mute from another thread is seen soon
_SILENT_AFTER_S = 0.3
HEADPHONE_OHM = 33.0
SERIES_OHM = 10e3
_HEARD_S = 0.1  # of blocks, by which a meter knows what is emitted
_PAIRS = ("load", "second load")


class SimulatedBench:
    """An amplifier, a sound card with dividers, a dummy load, six meters and somebody who moves the leads.

    Parameters
    ----------
    seed
        Everything that a real bench leaves to chance follows from it.
    scenario, channel
        What is wrong with the amplifier, and in which channel ("left", "right"; None: drawn from the seed).
    live
        The bench is served to other processes and bridged to a real audio server: while something has been emitted in
        the last 0.3 s, waiting means waiting for ``render_block``; otherwise time jumps.
    converters
        A sound card with these errors instead of drawn ones.

    Raises
    ------
    FileError
        If there is no such scenario or channel.
    """

    def __init__(
        self,
        *,
        seed: int = 0,
        scenario: str = "healthy",
        channel: str | None = None,
        live: bool = False,
        converters: ConverterErrors | None = None,
    ) -> None:
        self.truth: Truth = draw_truth(seed, scenario, channel)
        if converters is not None:
            self.truth = replace(self.truth, converters=converters)
        self.lock = threading.RLock()
        self._moved = threading.Condition(self.lock)
        self._live = live
        self._time = 0.0
        self.audio_noise = NoiseTape(generator(seed, "audio"))
        self.amplifier = Amplifier(self.truth.design, rng=generator(seed, "amplifier"))
        self.true_rate = SAMPLE_RATE * (1.0 + self.truth.converters.rate_ppm * 1e-6)
        self.clock: Clock = SimulatedClock(now=self.now, advance=self.advance)
        self.loads = tuple(DummyLoad(ohm) for ohm in self.truth.load_ohm)
        self.second_loads = tuple(DummyLoad(ohm) for ohm in self.truth.second_load_ohm)
        self.unsafe_acts: list[str] = []
        """What the person was told to do, and did, that nobody should: for tests and for scoring."""

        self.mains_on = False
        self.lamp_in = False
        self.lid_on = False
        self.inputs = "open"
        self.load = "none"
        self.sound_card_at = "amplifier"
        self.source = "line"
        self.monitor_in = False
        self.series_ohm = 0.0
        self.rail_resistors = False
        self.relay_held = False
        self._calibrated = False
        self.leads = {name: MeterLeads(self, name, at, self.truth.lead_ohm[name]) for name, at in METERS.items()}

        self._card = SimulatedSoundCard(self, sample_rate=SAMPLE_RATE)
        self._operator = SimulatedOperator(self, rng=generator(seed, "operator"))
        self._socket = SimulatedSocket(self)
        self._servers: dict[str, Any] = {}
        self._connected_load_ohm = (np.inf, np.inf)
        self._blocks: Recorder | None = None
        self._blocks_until = -1.0
        self._heard: deque[FloatArray] = deque()
        self._last_sound = -np.inf
        self._expected_until = -np.inf
        self._connect_inputs()
        self._connect_load()

    # What the person believes, and the doors to the instruments

    def bench_text(
        self,
        *,
        meter_resources: Mapping[str, str] | None = None,
        control_resource: str = "",
        sound_card: tuple[str, str] | None = None,
    ) -> str:
        """The bench file, TOML, with stated values; the truth differs by the drawn errors.

        For another process, meter_resources (name -> VISA resource), control_resource ("127.0.0.1:port") and sound_card
        (output device, input device) name where the served instruments are reached.
        """
        return bench_text(meter_resources=meter_resources, control_resource=control_resource, sound_card=sound_card)

    def open_multimeters(self) -> dict[str, str]:
        """Start the meters' SCPI servers on loopback, once; name -> VISA resource."""
        from simulated_instruments.multimeter import MultimeterModel
        from simulated_instruments.multimeter_server import serve_tcp

        if not self._servers:
            children = sequence(self.truth.seed, "meters").spawn(len(self.leads))
            for number, ((name, leads), child) in enumerate(zip(self.leads.items(), children, strict=True), start=1):
                model = MultimeterModel(
                    leads,
                    rng=np.random.default_rng(child),
                    identity=f"benchtest,simulated multimeter ({name}),{number},1.0",
                    wait=self.advance,
                )
                self._servers[name] = serve_tcp(model)
        return {name: server.resource for name, server in self._servers.items()}

    def audio(self) -> AudioInterface:
        """The sound card."""
        return self._card

    def operator(self) -> Operator:
        """Whoever moves the leads."""
        return self._operator

    def mains_socket(self) -> SwitchedSocket:
        """The switched mains socket."""
        return self._socket

    def keep_truth(self, run_id: str) -> None:
        """Note what was true of a run, outside every archive; only training and scoring open it."""
        keep_truth(self.truth, run_id)

    def close(self) -> None:
        """Stop the meters' servers and the sound card."""
        self._card.close()
        servers, self._servers = self._servers, {}
        for server in servers.values():
            server.close()

    # Time

    def now(self) -> float:
        """Seconds on the bench's clock."""
        return self._time

    def playing(self) -> bool:
        """Whether anything is heard or announced: a stimulus in process, or sound through ``render_block``, now, in the
        last 0.3 s, or under way (see ``expect_sound``)."""
        now = wall.monotonic()
        return self._card.playing() or now - self._last_sound < _SILENT_AFTER_S or now < self._expected_until

    def expect_sound(self, seconds: float) -> None:
        """Another process begins to play or record for so long (0: it has done): a live bench's time does not jump.

        Sound takes some tenths of a second through an audio server. Without this word, whoever measured in the meantime
        would find silence, and the bench's clock far ahead.
        """
        with self.lock:
            self._expected_until = wall.monotonic() + seconds if seconds > 0.0 else -np.inf
            self._moved.notify_all()

    def advance(self, seconds: float) -> None:
        """Let ``seconds`` pass, on a live bench by waiting for the audio while it plays."""
        with self.lock:
            target = self._time + seconds
            while self._live and self._card.emission is None and self._time < target and self.playing():
                self._moved.wait(0.05)  # lets go of the lock; render_block moves the time
            if self._time < target:
                self._run_to(target)

    def _run_to(self, target: float) -> None:
        emission = self._card.emission
        while emission is not None:
            self._card.note_mute()
            reached = emission.frame_at(target)
            if emission.cursor >= reached:
                break
            stop = min(reached, emission.next_change(emission.cursor))
            if emission.rendering(emission.cursor):
                stop = min(stop, emission.cursor + _STEP_FRAMES)
                self._render(emission, stop)
            else:
                self._advance_unheard((stop - emission.cursor) / emission.rate, self._drive_in(emission))
            emission.cursor = stop
            self._time = max(self._time, emission.time_of(stop))
        # Of an emission that goes on, a part of a frame is left; the next step makes up for it.
        if emission is None:
            self._advance_unheard(target - self._time, SILENCE)
        elif emission.cursor >= emission.last:
            self._advance_unheard(max(0.0, target - max(self._time, emission.time_of(emission.last))), SILENCE)
        self._time = max(self._time, target)

    def _advance_unheard(self, seconds: float, drive: Drive) -> None:
        if seconds <= 0.0:
            return
        self.amplifier.advance(seconds, drive)
        powers: tuple[float, ...] = (0.0, 0.0)
        if self.load in _PAIRS and max(drive.input_rms) > 0.0:
            volts = [self._terminal(channel, drive).ac_rms for channel in CHANNELS]
            powers = tuple(v**2 / load.ohm for v, load in zip(volts, self._pair(), strict=True))
        self._warm_loads(powers, seconds)

    def _warm_loads(self, powers: tuple[float, ...], seconds: float) -> None:
        for load, power in zip(self._pair(), powers, strict=True):
            load.warm(power, seconds)
        for load in self.loads if self.load == "second load" else self.second_loads:
            load.warm(0.0, seconds)
        if self.load in _PAIRS:
            changed = [
                abs(load.ohm / ohm - 1.0)
                for load, ohm in zip(self._pair(), self._connected_load_ohm, strict=True)
                if math.isfinite(ohm)
            ]
            if max(changed, default=0.0) > 2e-4:
                self._connect_load()

    # Audio

    def _render(self, emission: Emission, stop: int) -> None:
        if emission.cursor == emission.render_from:
            emission.dc_v = self._input_dc()
        volts = self._through(emission.emitted(emission.cursor, stop))
        emission.captured.append(volts)

    def render_block(self, emitted: FloatArray) -> FloatArray:
        """Pass a block of emitted fractions (n, 2) through bench and amplifier; recorded fractions (n, 2).

        Successive blocks are continuous; the bench's time moves by n samples. For a bridge to a real audio server.
        """
        samples = np.clip(np.asarray(emitted, dtype=np.float64), -1.0, 1.0)
        with self.lock:
            if self._blocks is None or self._blocks_until != self._time:
                self._blocks = Recorder(self.truth.converters, self.true_rate, self.audio_noise)
                self._blocks.settle(self._input_dc())
            if np.max(np.abs(samples), initial=0.0) > 1e-6:
                self._last_sound = wall.monotonic()
                self._heard.append(samples)
                while sum(map(len, self._heard)) - len(self._heard[0]) > _HEARD_S * self.true_rate:
                    self._heard.popleft()
            else:
                self._heard.clear()
            recorded = self._blocks.record(self._through(samples))
            self._time += len(samples) / self.true_rate
            self._blocks_until = self._time
            self._moved.notify_all()
        return recorded

    def _through(self, emitted: FloatArray) -> FloatArray:
        """Emitted fractions of full scale -> volts at the sound card's input; the amplifier's time moves along."""
        seconds = len(emitted) / self.true_rate
        hooks = self._card.hooks
        loopback = self.sound_card_at == "loopback"
        if loopback or self.inputs == "sound_card":
            volts = played(emitted, self.truth.converters, self.audio_noise) / self.truth.output_divider
            for channel in hooks.cut_output:
                volts[:, channel] = 0.0
        else:
            volts = np.zeros_like(emitted)
        if loopback:
            self.amplifier.advance(seconds, SILENCE)
            terminals = volts
        else:
            terminals = self.amplifier.render(volts, self.true_rate)
            if self.load in _PAIRS:
                watts = [float(v @ v) / len(v) / load.ohm for v, load in zip(terminals.T, self._pair(), strict=True)]
                self._warm_loads((watts[0], watts[1]), seconds)
        return self._at_the_input(terminals)

    @property
    def change(self) -> BenchChange:
        """What is wrong with the bench now: a bench fault comes about once the sound card is back from its loopback."""
        return self.truth.bench_change if self._calibrated else NO_CHANGE

    def _at_the_input(self, terminals: FloatArray) -> FloatArray:
        """Volts at the terminals (.., 2) -> volts at the sound card's input, through leads and dividers as they are."""
        change = self.change
        if change.leads_swapped:
            terminals = terminals[..., ::-1]
        believed = np.asarray(self.truth.input_divider)
        divisors = believed * np.asarray(change.input_divider) * np.asarray(change.calibration)
        return divided(terminals, divisors) if terminals.ndim == 2 else terminals / divisors

    def _input_dc(self) -> FloatArray:
        if self.sound_card_at == "loopback":
            return np.zeros(2)
        return self._at_the_input(np.array([self._terminal(channel, SILENCE).dc for channel in CHANNELS]))

    def _terminal(self, channel: str, drive: Drive) -> Probe:
        return self.amplifier.probe(f"{channel}_output", drive)

    def _drive(self, rms: tuple[float, float], frequency_hz: float) -> Drive:
        """What arrives at the amplifier's input sockets of an emitted rms, fractions of full scale."""
        if self.inputs != "sound_card" or self.sound_card_at != "amplifier":
            return SILENCE
        volts = [
            0.0 if channel in self._card.hooks.cut_output else level * full_scale / self.truth.output_divider
            for channel, (level, full_scale) in enumerate(
                zip(rms, self.truth.converters.output_full_scale_v, strict=True)
            )
        ]
        return Drive(input_rms=(volts[0], volts[1]), frequency_hz=frequency_hz or 1000.0)

    def _drive_in(self, emission: Emission) -> Drive:
        stretch = emission.stretch_at(emission.cursor)
        return SILENCE if stretch is None else self._drive(stretch.rms, stretch.frequency_hz)

    def _sounding(self) -> tuple[tuple[float, float], float]:
        """Rms, fractions of full scale, and frequency of what is emitted at this moment, whoever emits it."""
        emission = self._card.emission
        if emission is not None:
            stretch = emission.stretch_at(max(0, emission.cursor - 1))
            return (stretch.rms, stretch.frequency_hz) if stretch is not None else ((0.0, 0.0), 0.0)
        if self._heard:
            return strength(np.concatenate(self._heard), self.true_rate)
        return (0.0, 0.0), 0.0

    def emitted_now(self) -> tuple[tuple[float, float], float]:
        """Rms (volts at the sound card's output sockets) and frequency of what is being emitted."""
        (left, right), frequency = self._sounding()
        full_scale = self.truth.converters.output_full_scale_v
        return (left * full_scale[0], right * full_scale[1]), frequency

    def drive_now(self) -> Drive:
        """What drives the amplifier at this moment, as a meter on it notices."""
        level, frequency = self._sounding()
        return self._drive(level, frequency) if max(level) > 0.0 else SILENCE

    # What a hand can do

    def switch_mains(self, on: bool) -> None:
        """Mains on or off, at once."""
        with self.lock:
            self._calibrated = self._calibrated or on
            if on and self.relay_held:
                self.unsafe_acts.append("switched on with the loudspeaker relay held: no protection")
            self.mains_on = on
            self.amplifier.switch_mains(on)

    def insert_lamp(self, lamp_in: bool) -> None:
        """The series lamp in or out."""
        with self.lock:
            if self.mains_on and lamp_in != self.lamp_in:
                self.unsafe_acts.append("changed the series lamp with the mains on")
            self.lamp_in = lamp_in
            self.amplifier.insert_lamp(LAMP_POWER_W if lamp_in else None)

    def connect_inputs(self, inputs: str) -> None:
        """ "shorted", "open" or "sound_card", both channels."""
        with self.lock:
            self.inputs = inputs
            self._connect_inputs()

    def route_sound_card(self, where: str) -> None:
        """ "amplifier", or "loopback": the output straight to the input dividers' far end."""
        with self.lock:
            self._calibrated = self._calibrated or (self.sound_card_at == "loopback" and where == "amplifier")
            self.sound_card_at = where
            self._connect_inputs()

    def connect_load(self, load: str) -> None:
        """ "none", "1 kilohm", "load" or "second load", across both speaker terminal pairs."""
        with self.lock:
            if self.mains_on and load != self.load:
                self.unsafe_acts.append(f"changed the load from {self.load} to {load} with the mains on")
            self.load = load
            self._connect_load()

    def set_volume(self, db: float) -> None:
        """Both channels' volume, dB relative to full, -inf for minimum."""
        with self.lock:
            self.amplifier.set_volume(db)

    def set_tone(self, bass_db: float = 0.0, treble_db: float = 0.0, *, defeat: bool) -> None:
        """Tone controls: so much boost or cut, or switched out."""
        with self.lock:
            self.amplifier.set_tone(bass_db, treble_db, defeat=defeat)

    def set_balance(self, position: float) -> None:
        """-1 fully left, 0 centre, 1 fully right."""
        with self.lock:
            self.amplifier.set_balance(position)

    def select_source(self, name: str) -> None:
        """The selector to "line" or "phono"."""
        with self.lock:
            self.source = name
            self._select()

    def switch_monitor(self, monitor_in: bool) -> None:
        """The tape monitor in or out."""
        with self.lock:
            self.monitor_in = monitor_in
            self._select()

    def _select(self) -> None:
        self.amplifier.select_input("phono" if self.source == "phono" else "line", monitor=self.monitor_in)

    def plug_headphones(self, plugged: bool) -> None:
        """33 ohm a side into the headphone socket, or the plug drawn."""
        with self.lock:
            self.amplifier.plug_headphones(HEADPHONE_OHM if plugged else None)

    def insert_series_resistor(self, inserted: bool) -> None:
        """10 kilohm in each lead from the sound card to the inputs, or none."""
        with self.lock:
            self.series_ohm = SERIES_OHM if inserted else 0.0
            self._connect_inputs()

    def insert_rail_resistors(self, inserted: bool) -> None:
        """22 ohm in each supply lead, or none. They are shown to a meter across them; what they take off the rails (some
        volts at idle) is not modelled."""
        with self.lock:
            if self.mains_on and inserted != self.rail_resistors:
                self.unsafe_acts.append("changed the resistors in the rails with the mains on")
            self.rail_resistors = inserted

    def hold_relay(self, held: bool) -> None:
        """The relay's coil fed from a bench supply, or no longer; with the mains off only: its protection is gone."""
        with self.lock:
            if self.mains_on and held:
                self.unsafe_acts.append("held the loudspeaker relay with the mains on")
            self.relay_held = held
            self.amplifier.hold_relay(held)

    def heatsink_degc(self) -> float:
        """The heatsink's temperature."""
        with self.lock:
            return float(self.amplifier.thermal.sink_c)

    def mains_power_w(self) -> float:
        """What a plug-in wattmeter shows."""
        with self.lock:
            return self.amplifier.supply.power_w if self.mains_on else 0.0

    def mains_voltage(self) -> float:
        """What a plug-in wattmeter shows as volts: it sits before the set's switch."""
        return float(self.truth.design.supply.mains.voltage)

    def set_lid(self, on: bool) -> None:
        """The lid on or off."""
        with self.lock:
            if self.mains_on and on != self.lid_on:
                self.unsafe_acts.append("moved the lid with the mains on")
            self.lid_on = on

    def move_leads(self, meter: str, point: str) -> None:
        """A meter's leads to a test point. Raises InstrumentError where the lid is in the way."""
        with self.lock:
            leads = self.leads[meter]
            inside = not TEST_POINTS[point].outside
            if inside and self.lid_on:
                raise InstrumentError(f"{meter} to {point}: that is inside and the lid is on. Take the lid off first.")
            if inside and self.mains_on and point != leads.place:
                self.unsafe_acts.append(f"moved {meter} to {point}, which is inside, with the mains on")
            leads.place = point

    def lamp_state(self) -> str:
        """How bright the series lamp is: "dark", "dull", "half", "bright"; one that is out is dark."""
        with self.lock:
            return self.amplifier.supply.lamp_state() or "dark"

    def _connect_inputs(self) -> None:
        if self.inputs == "sound_card" and self.sound_card_at == "amplifier":
            hum_v = self.change.hum_v or self.truth.hum_v
            self.amplifier.connect_inputs("source", self.truth.converters.output_ohm + self.series_ohm, hum_v)
        else:
            self.amplifier.connect_inputs("shorted" if self.inputs == "shorted" else "open")

    def load_resistance(self, channel: int) -> float:
        """The dummy load of channel 0 or 1 as it is, ohm: the second one while it is across the terminals, else the first;
        infinite where a lead of it has come off."""
        return math.inf if self.change.load_open == CHANNELS[channel] else self._pair()[channel].ohm

    def _pair(self) -> tuple[DummyLoad, ...]:
        return self.second_loads if self.load == "second load" else self.loads

    def _connect_load(self) -> None:
        if self.load in _PAIRS:
            left, right = (self.load_resistance(channel) for channel in (0, 1))
            self.amplifier.connect_load(left, right, self.truth.load_inductance_h)
        else:
            left, right = self.truth.kilohm_ohm if self.load == "1 kilohm" else (np.inf, np.inf)
            self.amplifier.connect_load(left, right, 0.0)
        self._connected_load_ohm = (left, right)
