"""The bench as procedures and measurements see it: every hook-up, reading and tone goes through the safety limits.

Rules that every change must keep:

* No public attribute reaches a device or a number that a limit depends on. What drives is built below here, from volts,
  with its fades, and checked against the limits before it is emitted.
* Nothing is driven on a channel whose DC check has not passed in the present hook-up; a zero is not a pass.
* The level rises by rungs, each after the one below was seen to respond; no response never raises it.
* A stop is latched. The tone is off before anything else is done about it, and the words say what tone off cannot do.

The parts: hooking (wires, knobs, mains), probing (meters), driving (levels), capturing (play and record), stops.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from benchtest.amplifier_file import AmplifierSpec
from benchtest.bench import Instruments
from benchtest.bench_file import BenchFile
from benchtest.calibration import Calibration, calibration_for, stated_calibration
from benchtest.errors import InstrumentError, NotAllowed, NotReachable
from benchtest.events import EventStream
from benchtest.instruments.protocols import FloatArray
from benchtest.quantities import LAMP_BRIGHTNESS
from benchtest.safety.capturing import Capturing
from benchtest.safety.driving import Driving
from benchtest.safety.findings import Capture, DcCheck, MeterValue, dc_outcome, has_moved
from benchtest.safety.hooking import HookUps
from benchtest.safety.interlock import CHANNELS, Clearance, HookUp, Interlock
from benchtest.safety.limits import LIVELY_AC_V, REFERENCE_HZ, ZERO_AGAIN_S, DriveLimits
from benchtest.safety.probing import Probing, first_number
from benchtest.safety.stops import Stops

LOAD_TOLERANCE = 0.05
"""A measured dummy load is used where it is this close to the bench file's value; farther off, the load is wrong."""


class GuardedBench:
    """A bench behind its safety limits; a context manager that leaves the tone off and every instrument closed."""

    def __init__(self, instruments: Instruments, amplifier: AmplifierSpec) -> None:
        self.__it = instruments
        self.__amplifier = amplifier
        self.__interlock = Interlock()
        self.events = EventStream(instruments.clock)
        self.__stops = Stops(instruments, self.__interlock, self.events)
        self.__hooking = HookUps(instruments, self.__interlock, self.events, self.__stops, amplifier)
        self.__probing = Probing(instruments, self.__interlock, self.events, self.__hooking)
        self.__capturing = Capturing(instruments, self.events, self.__stops, self.__hooking)
        self.__driving = Driving(
            instruments, self.__interlock, self.events, self.__capturing, amplifier,
            stated_calibration(instruments.file), self.sleep, self.__probing.idle_rails,
        )  # fmt: skip
        self.__settling_s = 0.0
        self.__waited_s = 0.0
        self.__measured: set[str] = set()
        self.__last_tone: dict[str, Capture] = {}
        self.mains_voltage: float | None = None
        """As a person read it off a plug-in wattmeter in this run; a condition of every later reading."""
        self.lead_ohm: float | None = None
        """The movable meter's leads together, taken off two-wire ohms; None until they were measured."""
        self.kept: dict[str, Any] = {}
        """What one step of a procedure keeps for a later one. Nothing here is looked at by the safety limits."""

    # ---------------------------------------------------------------- what may be read by anybody

    @property
    def channels(self) -> tuple[str, ...]:
        return CHANNELS

    @property
    def amplifier(self) -> AmplifierSpec:
        return self.__amplifier

    @property
    def file(self) -> BenchFile:
        return self.__it.file

    @property
    def calibration(self) -> Calibration:
        return self.__driving.calibration

    @property
    def sample_rate(self) -> int:
        """Of the sound card, frames per second. Raises NotReachable where the bench has none."""
        return self.__capturing.audio().sample_rate

    @property
    def simulated(self) -> bool:
        return self.__it.simulated

    @property
    def started_utc(self) -> datetime:
        return self.__it.started_utc

    @property
    def signal_s(self) -> float:
        """Seconds of signal played or recorded so far."""
        return self.__capturing.signal_s

    def overhead(self, wall_seconds: float) -> float | None:
        """Wall time over signal and settling: how much longer a run took than what it had to wait for.

        Settling counts as long as it was really waited for (a simulated bench's clock jumps); a person's time at prompts is
        left out. None without a signal, and where the sound card is simulated in this process, faster than real time.
        """
        audio = self.file.audio
        if audio is None or audio.driver == "simulated" or not self.signal_s > 0.0:
            return None
        asked_s = getattr(self.__it.operator, "seconds", 0.0)
        return (wall_seconds - asked_s) / (self.signal_s + self.__waited_s)

    @property
    def unwatched(self) -> frozenset[str]:
        """Where DC was looked at between tones that played without the DC watch: outputs, or "" for nowhere."""
        return frozenset(self.__capturing.unwatched)

    @property
    def tone_off_s(self) -> float | None:
        """How long after it is turned off a tone is heard at most, s; None until a tone has come back."""
        return self.__capturing.tone_off_s()

    @property
    def settling_s(self) -> float:
        """Seconds waited so far."""
        return self.__settling_s

    @property
    def load_ohm(self) -> dict[str, float]:
        """The dummy load of each channel: as measured, until then as the bench file states it. While the second load is
        across the terminals it is that one.
        """
        return dict(self.__driving.load_ohm)

    @property
    def load_measured(self) -> bool:
        return self.__driving.pair() in self.__measured

    @property
    def load_tolerance_percent(self) -> float:
        """Of the load that is across the terminals (the first one where none is), as the bench file states it."""
        stated = self.__driving.stated()
        assert stated is not None
        return stated.tolerance_percent

    def ohm_of(self, name: str) -> dict[str, float]:
        """The resistors of a dummy load by its name ("load", "second load"), as measured, until then as stated."""
        return self.__driving.ohm_of(name)

    def load_refused(self, name: str = "second load") -> str:
        """Why a dummy load of the bench file would not be connected to this amplifier; "" if it would be."""
        return self.__hooking.load_refused(name)

    @property
    def hook_up_now(self) -> HookUp:
        """A copy of what is connected and set."""
        now = self.__interlock.hook_up
        return HookUp(**{**vars(now), "meters": dict(now.meters)})

    def now(self) -> float:
        """Seconds on the bench's clock."""
        return self.__it.clock.now()

    def describe(self) -> dict[str, Any]:
        """Bench, instruments and their origin, for run.json."""
        it = self.__it
        return {
            "instruments": it.describe(),
            "bench": {
                "name": self.file.bench.name,
                "file": str(it.path) if it.path else None,
                "mains_voltage": self.file.bench.mains_voltage,
                "mains_frequency": self.file.bench.mains_frequency,
                "simulated": self.simulated,
                "load_ohm": self.__driving.ohm_of("load"),
                "load_measured": "load" in self.__measured,
                **({"second_load_ohm": self.__driving.ohm_of("second load")} if self.file.second_load else {}),
                "seed": it.seed if self.simulated else None,
            },
        }

    def conditions(self, **more: Any) -> dict[str, Any]:
        """The conditions that go with every reading: volume position, inputs, lamp, load."""
        now = self.__interlock.hook_up
        source = {"source": now.source} if now.source != "line" else {}
        mains = {"mains_voltage": self.mains_voltage} if self.mains_voltage is not None else {}
        known = {"volume": now.volume, "inputs": now.inputs, **source, "lamp": now.lamp, "load": now.load, **mains}
        return {**known, **more}

    def refusal(self, channel: str) -> str:
        """Why this channel is not driven now; "" if it may be."""
        return self.__interlock.stop or self.__interlock.channels[channel].refusal()

    def ramp_ended(self, channel: str) -> str:
        """Why the level of this channel is not raised any more; "" if it may be."""
        return self.__interlock.channels[channel].ramp_ended

    def gain(self, channel: str) -> float | None:
        """Output over input at the present knob setting, as last measured."""
        return self.__interlock.channels[channel].gain

    def drive_limits(self) -> DriveLimits:
        """The limits of this bench with this amplifier and the present calibration."""
        return self.__driving.limits()

    def highest_output(self, channels: Sequence[str], frequency_hz: float = 1000.0) -> float:
        """The highest output (V rms) that may be asked of these channels now."""
        return self.__driving.highest_output(channels, frequency_hz)

    # ---------------------------------------------------------------- the person

    def sleep(self, seconds: float, *, why: str = "settling") -> None:
        """Wait on the bench's clock, with the tone off."""
        self.__stops.if_pending()
        self.__settling_s += seconds
        shown = seconds >= 5.0
        if shown:
            self.events.emit("progress", what=why, seconds=seconds, done=0.0, state="started")
        part = 30.0 if self.simulated else 1.0  # a long wait is cut, so that a display moves and Ctrl-C is heard
        remaining = seconds
        while remaining > 0.0:
            step = min(part, remaining)
            began = time.perf_counter()
            self.__it.clock.sleep(step)
            self.__waited_s += time.perf_counter() - began
            remaining -= step
            if shown:
                self.events.emit("progress", what=why, seconds=seconds, done=seconds - remaining)

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        """Ask what only a person can see."""
        answer = self.__it.operator.ask(question, choices, about=about)
        self.events.emit("question", question=question, answer=answer, about=about)
        return answer

    def enter(self, question: str, *, unit: str) -> float | None:
        """Ask for a value that a person reads off something without an interface, with the tone off; None where it was
        no number. The unit is that of the answer (degC, W)."""
        self.__stops.if_pending()
        typed = self.__it.operator.enter(question, unit=unit)
        self.events.emit("question", question=question, answer=typed, about=unit)
        return first_number(typed)

    def tell(self, text: str, *, severity: str = "note") -> None:
        """Say something to the person and keep it with the run."""
        self.events.emit("note", text=text, severity=severity, told=True)
        self.__it.operator.tell(text)

    def lamp_state(self) -> str:
        """What the series lamp does three seconds after switch-on."""
        self.sleep(3.0, why="look at the lamp")
        question = "The series lamp now, three seconds after switching on:"
        return self.ask(question, tuple(LAMP_BRIGHTNESS), about="lamp")

    def hook_up(self, say: str = "", **settings: str) -> None:
        """Have wires moved and knobs turned; one call is one prompt. Meters are moved with ``move_meter``.

        The vocabulary is that of Operator.set. Raises NotAllowed where the order is wrong (a load changed with the mains
        on), SafetyStop once stopped.
        """
        self.__hooking.hook_up(say, **settings)

    def mains_on(self, say: str = "Switch the amplifier on.", **also: str) -> None:
        """Power the amplifier. The audio stream is open first; every DC check is void until made again."""
        self.__hooking.mains_on(say, **also)

    def mains_off(self, say: str = "Switch the amplifier off at the wall.", **also: str) -> None:
        """Take the mains away: by the switched socket where there is one, otherwise by asking."""
        self.__hooking.mains_off(say, **also)

    def move_meter(self, point: str, *, say: str = "", also: Mapping[str, str] | None = None) -> None:
        """Put the movable meter's leads on a test point; no prompt where a meter sits there already."""
        self.__hooking.move_meter(point, say=say, also=also)

    def touch_in_turn(self, points: Sequence[str], *, say: str) -> Iterator[str]:
        """One prompt for several points, touched in turn with a key at each; yields each point's name."""
        return self.__hooking.touch_in_turn(points, say=say)

    # ---------------------------------------------------------------- meters

    def reaches(self, point: str) -> bool:
        """Whether a meter sits on the point or can be moved there."""
        return self.__hooking.reaches(point)

    def ac_frequency(self, point: str) -> float:
        """At which frequency the meter on a point can be compared: 1 kHz, or a lower one inside its AC statement."""
        return self.__probing.ac_frequency(point)

    def sits_on(self, point: str) -> bool:
        """Whether a meter's leads are on the point now."""
        return self.__hooking.sits_on(point)

    def read_by_hand(self, point: str) -> bool:
        """Whether the meter on the point, if any, is read off by a person."""
        return self.sits_on(point) and self.__hooking.read_by_program(point) is None

    def dc_volts(
        self, point: str, *, repeats: int = 1, range: float | None = None, line_cycles: float = 10.0
    ) -> MeterValue:
        """DC voltage at a test point. Raises NotReachable where no meter sits."""
        return self.__probing.dc_volts(point, repeats=repeats, range=range, line_cycles=line_cycles)

    def ac_volts(self, point: str, frequency_hz: float, *, repeats: int = 1, range: float | None = None) -> MeterValue:
        """AC voltage (rms) at a test point; the frequency says which accuracy statement applies."""
        return self.__probing.ac_volts(point, frequency_hz, repeats=repeats, range=range)

    def ohms(self, point: str, *, range: float | None = None, four_wire: bool | None = None) -> MeterValue:
        """Resistance at a test point, with the power off and the reservoirs measured empty (else NotAllowed)."""
        return self.__probing.ohms(point, range=range, four_wire=four_wire)

    def diode(self, point: str) -> MeterValue:
        """The diode test at a test point, V; under the same conditions as ohms."""
        return self.__probing.diode(point)

    def drain_errors(self) -> None:
        """Show what every meter has in its error queue; the runner calls it once a step."""
        self.__probing.drain_errors()

    def use_load(self, channel: str, ohm: float, name: str = "load") -> bool:
        """Take a measured dummy load for all later powers; False where it is not within 5 % of the bench file's."""
        stated = self.__driving.stated(name)
        near = stated is not None and abs(ohm / stated.ohm(channel) - 1.0) <= LOAD_TOLERANCE
        if near:
            self.__driving.use_load(name, channel, ohm)
            self.__measured.add(name)
        return near

    # ---------------------------------------------------------------- the DC check

    def dc_check(self, channel: str, *, before_relay: bool = False, repeats: int = 5) -> DcCheck:
        """Measure DC at one output and decide what it allows. Only this clears a channel for drive.

        The guarded limit is used: too close to call stops. A zero does not pass; whether it is an open path is told by
        the other channel, or by the point before relay and fuse (``before_relay``): a zero there too is natural, and
        clears the channel. A stop that it asks for is carried out when the readings have been kept (act_on_stops).
        """
        if self.__interlock.stopped:
            self.__stops.if_pending()
        point = f"{channel}_amplifier_output" if before_relay else f"{channel}_output"
        state = self.__interlock.channels[channel]
        if not self.sits_on(point):
            return DcCheck(channel, point, None, "not_reached", f"no meter reaches {point}")
        value = self.dc_volts(point, repeats=repeats)
        outcome, words = dc_outcome(value, self.amplifier.output_stage)
        if outcome == "zero" and not self.__interlock.stop:
            self.sleep(ZERO_AGAIN_S, why="exactly zero: does it move?")
            again = self.dc_volts(point, repeats=repeats)
            if has_moved(value, again):
                value, outcome, words = again, "good", "near zero, and it moves: not an open path"
            elif self.__is_alive(point):
                value, outcome, words = again, "good", "near zero, with an amplifier's noise on it: not an open path"
        if outcome == "stop":
            shown = "overload" if value.value is None else f"{value.value:.3g} V"
            self.__interlock.stop = f"DC check: {shown} at {point.replace('_', ' ')}, {words}"
        if before_relay:
            state.zero_behind = outcome == "zero"
        else:
            natural = outcome == "zero" and state.zero_behind
            cleared = {"limited": Clearance.LIMITED, "good": Clearance.FULL, "noted": Clearance.FULL}
            state.clearance = Clearance.FULL if natural else cleared.get(outcome, Clearance.NONE)
            if natural:
                outcome, words = "good", "exactly zero, before the relay as well: natural for this amplifier"
        return DcCheck(channel, point, value, outcome, words)

    def __is_alive(self, point: str) -> bool:
        """Whether more AC stands at a point than shorted leads show: an amplifier's noise, which an open path has not."""
        try:
            noise = self.ac_volts(point, REFERENCE_HZ)
        except (NotReachable, NotAllowed, InstrumentError):
            return False
        return noise.value is not None and noise.value - 3.0 * noise.standard_uncertainty > LIVELY_AC_V

    def never_drive(self, channel: str, why: str, *, path_open: bool = False) -> None:
        """Bar a channel from being driven for the rest of the run; ``path_open``: since nothing of it reaches the terminals."""
        state = self.__interlock.channels[channel]
        state.never = state.never or why
        state.path_open = state.path_open or path_open

    def never_driven(self) -> dict[str, tuple[str, bool]]:
        """The channels that are barred for the rest of the run: why, and whether since nothing reaches their terminals."""
        return {name: (s.never, s.path_open) for name, s in self.__interlock.channels.items() if s.never}

    def open_paths(self) -> frozenset[str]:
        """The channels of which nothing reaches the terminals, as far as this run has found."""
        return frozenset(name for name, state in self.__interlock.channels.items() if state.path_open)

    # ---------------------------------------------------------------- tones

    def tone(
        self,
        output_v: float,
        channels: Sequence[str],
        *,
        frequency_hz: float = 1000.0,
        hold_s: float = 1.0,
        window_s: float = 0.25,
        also_ac: tuple[tuple[str, float], ...] = (),
    ) -> Capture:
        """Play a sine that makes ``output_v`` (rms) at the speaker terminals, and capture its last ``window_s``.

        Away from 1 kHz the gain of 1 kHz is assumed, and nothing is learnt for the next rung. ``also_ac``: points whose
        AC volts are read while it plays, each with the frequency that the meter's statement is asked for.
        Raises NotCleared for a channel that may not be driven, NotAllowed for a level that may not be reached yet,
        SafetyStop when the DC watch trips.
        """
        self.__stops.if_pending()
        capture = self.__driving.tone(
            output_v, channels, frequency_hz=frequency_hz, hold_s=hold_s, window_s=window_s, also_ac=also_ac
        )
        if len(channels) == 1:
            self.__last_tone[channels[0]] = capture
        return capture

    def last_tone(self, channel: str) -> Capture | None:
        """What came back of the last tone that this channel had alone; None before there was one."""
        return self.__last_tone.get(channel)

    def waveform(
        self,
        shape: FloatArray,
        sample_rate: int,
        channels: Sequence[str],
        *,
        output_peak_v: float,
        highest_hz: float = 1000.0,
        window_s: tuple[float, float] | None = None,
    ) -> Capture:
        """Play any waveform (mono, peak at most 1.0) so that its peak makes ``output_peak_v`` at the terminals.

        Its peak must stay below that of the highest tone that may be tried now. Fades are put on it.
        """
        self.__stops.if_pending()
        return self.__driving.waveform(
            shape, sample_rate, channels, output_peak_v=output_peak_v, highest_hz=highest_hz, window_s=window_s
        )

    def highest_burst(self, channels: Sequence[str]) -> float:
        """The highest output (V rms) that may be asked for inside bursts of these channels now; 0 for none."""
        return self.__driving.highest_burst(channels)

    def bursts(self, output_v: float, channels: Sequence[str], *, count: int = 2) -> Capture:
        """Play 20 ms bursts of 1 kHz every 500 ms, 20 dB less in between, and capture them; ``output_v`` rms inside.

        Up to 3 dB above rated power, rising by 0.5 dB from the highest tone that was seen to respond.
        """
        self.__stops.if_pending()
        return self.__driving.bursts(output_v, channels, count=count)

    def loopback_waveform(
        self, shape: FloatArray, share: float, channels: Sequence[str], *, window_s: tuple[float, float]
    ) -> Capture:
        """Play any waveform from output to input, the amplifier not connected, on these channels only."""
        self.__stops.if_pending()
        return self.__driving.loopback_waveform(shape, share, channels, window_s=window_s)

    def loopback_tone(
        self,
        share: float,
        *,
        frequency_hz: float = 1000.0,
        hold_s: float = 1.0,
        window_s: float = 0.5,
        while_playing: Callable[[], None] | None = None,
    ) -> Capture:
        """Play a sine of ``share`` of full scale from output to input, the amplifier not connected. For calibration.

        ``while_playing`` is called once while the tone stands (to read a meter).
        """
        self.__stops.if_pending()
        return self.__driving.loopback_tone(
            share, frequency_hz=frequency_hz, hold_s=hold_s, window_s=window_s, while_playing=while_playing
        )

    def record(self, seconds: float, *, during: Callable[[], None] | None = None) -> Capture:
        """Record with nothing played. ``during`` is called once, right after the recording has begun (to switch the
        mains, for a thump)."""
        self.__stops.if_pending()
        return self.__driving.record(seconds, during)

    def keep_truth(self, run_id: str) -> None:
        """Have a simulated bench note the truth of a kept run, where nothing that judges looks."""
        if self.__it.keep_truth is not None:
            self.__it.keep_truth(run_id)

    # ---------------------------------------------------------------- calibration, stops, endings

    def calibrate(self, bench_path: Path | None, *, make: bool = True) -> None:
        """Use the calibration that the bench's file names; a simulated bench without one is calibrated now.

        Only before the mains is on. Raises FileError, InstrumentError.
        """
        if self.__interlock.hook_up.mains == "on":
            raise NotAllowed("the calibration is not changed while the amplifier is on. Switch the mains off first.")
        self.__driving.calibration = calibration_for(self, bench_path, make=make)

    def stop(self, message: str) -> None:
        """Stop for safety: tone off, mains off where it can be switched, latched. Always raises SafetyStop."""
        self.__stops.stop(message)

    def act_on_stops(self) -> None:
        """Carry out a stop that a reading has asked for; the runner calls it after each reading is kept."""
        self.__stops.if_pending()

    def ending_words(self) -> str:
        """What every ending says, unless the run itself has measured otherwise."""
        return self.__stops.ending_words()

    def switch_off(self) -> None:
        """Tone off, and the mains off where a switched socket can do it: for an ending that nobody planned."""
        self.__stops.switch_off()

    def mute(self) -> None:
        """Tone off, from any thread."""
        self.__stops.mute()

    def close(self) -> None:
        """Tone off, then every instrument is closed."""
        self.mute()
        self.__stops.tone_guard.close()
        self.__it.close()

    def __enter__(self) -> GuardedBench:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
