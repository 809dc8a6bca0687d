"""Plays a checked stimulus, watches DC meanwhile, and returns what was recorded as volts, or takes it again.

The latency is not known beforehand: it is found from the first tone that comes back, and the record window of later
tones follows it. A capture that lost frames, holds exact silence, or whose tone jumps in phase or level is thrown away
and taken again, a bounded number of times (TAKES, RETAKES).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from benchtest import signals
from benchtest.analysis.timing import latency, steady
from benchtest.bench import Instruments
from benchtest.calibration import Calibration
from benchtest.errors import InstrumentError, LostFrames, NotAllowed, NotReachable, OutsideStatement
from benchtest.events import EventStream
from benchtest.instruments.protocols import (
    AudioInterface,
    FloatArray,
    Function,
    InBlocks,
    MayBeMoved,
    Multimeter,
    Recording,
)
from benchtest.safety import limits as lim
from benchtest.safety.findings import Capture, MeterValue, mean_of
from benchtest.safety.hooking import HookUps
from benchtest.safety.interlock import CHANNELS
from benchtest.safety.stops import Stops
from benchtest.safety.tone import FiguresOnDemand, ToneFigures

LATEST_S = 1.0
"""The longest latency that is borne, and looked for when none is known yet."""
LOOKED_FOR_S = 3.0
"""How late a tone is looked for before it is believed that there is none: an audio server out of breath is no amplifier
without a response."""
SETTLED_S = 0.08
"""After the fade, until a rail has sagged as far as it will (some time constants of transformer and reservoir)."""
RETAKES = 3
"""How often a capture whose tone is unsteady is taken, in all: then it is the amplifier, or a joint."""
PAUSES_S = (0.0, 0.0, 1.0, 3.0, 6.0)
"""Between takes of what is not data: what starves a sound card (another program, a busy machine) is often over soon."""
TAKES = len(PAUSES_S) + 1
"""How often a capture that is not data (frames lost, silence) is taken, in all."""
HUNG_S = 10.0
"""How long the program may hang, by the wall's clock, before the tone is turned off."""
UNHEARD = 0.1
"""A tone of less than this share of what was predicted has not come back, or not in its window."""
NO_TONE = "no tone where one was expected; it is looked for over a longer time"
MOVED_S = 0.005
"""A sweep that comes back so much earlier or later than the tones before has lost its place."""
STEADY_FROM_V = 0.005
"""Below this a tone is too near the noise for its steadiness to be judged."""


@dataclass(frozen=True)
class Order:
    """What is to be played: stimulus_v (frames, 2) peak volts at the input sockets; window_s is what to keep.

    output_v is the rms predicted at the terminals (None in a loopback); watched says whether DC is watched meanwhile.
    idle_rails, where it is given, makes it a soak: the rails are read all the while, and one that sags stops it.
    also_ac names points whose AC volts are read while it plays, and at which frequency; the DC watch is looked at
    between each two of them.
    """

    stimulus_v: FloatArray
    driven: frozenset[str]
    input_v: tuple[float, float]
    frequency_hz: float | None
    window_s: tuple[float, float]
    output_v: float | None = None
    watched: bool = False
    read_rails: bool = False
    while_playing: Callable[[], None] | None = None
    also_ac: tuple[tuple[str, float], ...] = ()
    idle_rails: tuple[float, float] | None = None
    before_again: Callable[[], None] | None = None
    """Called before each further take: what heats the loads heats them again, and may need a rest first."""
    turned_down: float = 1.0
    """What a volume control that was turned down leaves of output_v (ratio), while the gain behind it is not known."""
    patience_s: float = HUNG_S
    """How long after its end the tone guard waits before it takes the program for hung."""


@dataclass(frozen=True)
class Seen:
    """What the meters showed while something played."""

    rails: tuple[float, float] | None = None
    meters: Mapping[str, MeterValue] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)


class Capturing:
    """The only place of the project that makes the sound card emit anything."""

    def __init__(self, instruments: Instruments, events: EventStream, stops: Stops, hook_ups: HookUps) -> None:
        self.__it = instruments
        self.__events = events
        self.__stops = stops
        self.__hook_ups = hook_ups
        self.__latency: int | None = None
        self.__over_since: dict[str, float] = {}
        self.__watch_seen = False
        self.__looked_at = -math.inf
        audio = instruments.file.audio
        self.__real_time = audio is not None and audio.driver == "sound_card"
        self.signal_s = 0.0
        """Seconds of signal that were played or recorded in this run."""
        self.unwatched: set[str] = set()
        """How DC was looked at where tones played without the DC watch: names of outputs read between them, or ""."""

    def audio(self) -> AudioInterface:
        """The sound card. Raises NotReachable where the bench has none."""
        if self.__it.audio is None:
            raise NotReachable(
                f"bench '{self.__it.file.bench.name}' has no sound card: no tone, no recording ([audio] in the bench file)."
            )
        return self.__it.audio

    def tone_off_s(self) -> float | None:
        """How long after it is turned off a tone is heard at most: two blocks and the way out, taken as long as the
        whole way round; None until the latency was found."""
        if self.__latency is None:
            return None
        audio = self.audio()
        block = audio.block_frames if isinstance(audio, InBlocks) else 0
        return (self.__latency + 2 * block) / audio.sample_rate

    def capture(self, order: Order, calibration: Calibration) -> Capture:
        """Play, record, scale to volts. Raises NotAllowed above full scale, LostFrames when no take is data."""
        self.__stops.if_pending()
        audio = self.audio()
        audio.start()
        if order.watched:
            self._before_a_watched_tone(order)
        faded = signals.faded(order.stimulus_v, audio.sample_rate, lim.FADE_S)
        emitted = np.empty_like(faded)
        for column, full_scale_v in enumerate(calibration.output_volts_per_full_scale):
            np.divide(faded[:, column], full_scale_v, out=emitted[:, column])
        peak = float(np.max(np.abs(emitted), initial=0.0))
        if not peak <= 1.0:
            raise NotAllowed(
                f"the sound card would have to emit {peak:.3g} times its full scale. Turn the amplifier's volume up, or "
                "use an output with more volts."
            )
        trouble = ""
        thrown_away: list[str] = []
        looked = False
        unsteady = 0
        for pause_s in (*PAUSES_S, None):
            recording, seen = self._take(emitted, order, LOOKED_FOR_S if looked else LATEST_S)
            samples, trouble = self._window(recording, emitted, order)
            if not trouble:
                capture = _as_capture(samples, recording.sample_rate, order, calibration, seen, tuple(thrown_away))
                trouble = _unsteady(capture)
                if trouble:
                    unsteady += 1
                    if unsteady == RETAKES:  # again and again: the amplifier, or a joint, not the audio driver
                        return _noted(capture, trouble)
                elif not _unheard(capture, order):
                    return capture
                elif looked:
                    self.__latency = None  # found in a recording that may have had no tone in it: found again
                    return capture
                else:  # no tone: it is looked for once over a longer time before that is believed
                    looked = True
                    trouble = NO_TONE
            self._still_there()
            thrown_away.append(trouble)
            if order.driven:
                self.__latency = None  # a gap moves it: it is found again from the next take
            self.__events.emit("note", text=f"capture {len(thrown_away)} thrown away: {trouble}", severity="warning")
            if pause_s is None:
                break
            if pause_s:
                self.__it.clock.sleep(pause_s)
            self.__stops.if_pending()
            if order.before_again is not None:
                order.before_again()
        raise LostFrames(
            f"{TAKES} captures in a row were not data ({trouble}). Expected every frame, once. Close other programs "
            "that use the sound card, choose a larger buffer or a lower sample rate, then run again."
        )

    def _still_there(self) -> None:
        """What is no data may have gone to another device. Raises InstrumentError where an audio server has moved it."""
        audio = self.audio()
        if isinstance(audio, MayBeMoved):
            try:
                audio.check_place()
            except InstrumentError as moved:
                self.__stops.cut_off(moved)
                raise

    def _take(self, emitted: FloatArray, order: Order, latest_s: float) -> tuple[Recording, Seen]:
        audio = self.audio()
        rate = audio.sample_rate
        if self.__latency is None and order.driven:
            window = (0, len(emitted) + round(latest_s * rate))
        else:
            first, stop = (round(at * rate) + (self.__latency or 0) for at in order.window_s)
            window = (max(0, first), stop)
        length_s = len(emitted) / rate
        self.signal_s += length_s
        self.__stops.tone_guard.arm(length_s + order.patience_s)
        try:
            audio.begin(emitted, record=window)
            if order.while_playing is not None:
                order.while_playing()
            seen = self._watch(order)
            return audio.finish(), seen
        except BaseException as error:
            audio.mute()
            if isinstance(error, InstrumentError):
                self.__stops.if_stopped_meanwhile(error)
            self.__stops.cut_off(error)
            raise
        finally:
            self.__stops.tone_guard.disarm()

    # ---------------------------------------------------------------- the DC watch

    def _watcher(self, order: Order) -> Multimeter | None:
        """The meter of the DC watch; None where there is none that the program reads, or the tone itself reaches it."""
        if order.frequency_hz is not None and order.frequency_hz < lim.WATCH_LOWEST_HZ:
            return None
        return self.__hook_ups.read_by_program("dc_watch")

    def _before_a_watched_tone(self, order: Order) -> None:
        """Know that the watch answers before the first tone; without one look at the outputs, the tone being off."""
        meter = self._watcher(order)
        if meter is None:
            self._look_between()
        elif not self.__watch_seen:
            self._watched(_referred(_dc_reading(meter)))  # sets the meter up, so that it is quick while a tone stands
            self.__watch_seen = True

    def _look_between(self) -> None:
        """No DC watch: the offset again between two tones, at the outputs where a meter sits that the program reads."""
        if self.__it.clock.now() - self.__looked_at < lim.LOOK_BETWEEN_S:
            return
        seen = 0
        for channel in CHANNELS:
            meter = self.__hook_ups.read_by_program(f"{channel}_output")
            if meter is None:
                continue
            seen += 1
            self.unwatched.add(f"{channel}_output")
            value = meter.measure(Function.DC_VOLTS, range=10.0, line_cycles=1.0).value
            if value is None or not abs(value) <= lim.WATCH_SLOW_V:
                shown = "more than 10 V" if value is None else f"{value:.2g} V"
                self.__stops.stop(f"DC between two tones: {shown} at the {channel} output")
        if not seen:
            self.unwatched.add("")
        self.__looked_at = self.__it.clock.now()

    def _watch(self, order: Order) -> Seen:
        """Watch DC while something plays; read rails and other meters once where that is asked for, the tone standing."""
        if not order.watched:
            return Seen()
        audio = self.audio()
        stands_at = self.__it.clock.now() + (self.__latency or 0) / audio.sample_rate + lim.FADE_S + SETTLED_S
        rails: tuple[float, float] | None = None
        meter = self._watcher(order)
        wanted = list(order.also_ac)
        meters: dict[str, MeterValue] = {}
        refused: dict[str, str] = {}
        while audio.playing():
            if meter is not None:
                with self._awaiting(f"no reading of the DC watch, {meter.name}", lim.WATCH_OVERDUE_S):
                    value = _dc_reading(meter)
                self._watched(_referred(value))
            else:
                self.__it.clock.sleep(0.1)
            if self.__it.clock.now() < stands_at:
                continue
            if order.read_rails and rails is None and audio.playing():
                rails = self._rails()
            if order.idle_rails is not None and audio.playing():
                rails = self._rails() or rails
                self._soaked(rails, order.idle_rails)
            if wanted and audio.playing():
                point, frequency_hz = wanted.pop(0)
                try:
                    meters |= self._ac(point, frequency_hz)
                except OutsideStatement as why:  # the meter is well and DC is watched: no reason to cut the tone off
                    refused[point] = str(why)
        return Seen(rails, meters, refused)

    @contextlib.contextmanager
    def _awaiting(self, what: str, seconds: float) -> Iterator[None]:
        """A reading while a tone stands: where it is overdue the tone guard mutes, whatever this thread hangs in."""
        began = self.__it.clock.now()
        patience_s = seconds if self.__real_time else HUNG_S  # a simulated clock does not run with the wall's
        with self.__stops.tone_guard.awaiting(f"{what} for {seconds:g} s", patience_s):
            yield
        if self.__it.clock.now() - began > seconds:
            self.__stops.mute()
            self.__stops.tone_guard.tripped = self.__stops.tone_guard.tripped or f"{what} for {seconds:g} s"
        self.__stops.if_pending()

    def _ac(self, point: str, frequency_hz: float) -> dict[str, MeterValue]:
        meter = self.__hook_ups.read_by_program(point)
        if meter is None:
            return {}
        with self._awaiting(f"no reading of {meter.name}", lim.OTHER_OVERDUE_S):
            taken = meter.measure(Function.AC_VOLTS, frequency_hz=frequency_hz)
        return {point: mean_of([taken], point, meter.name)}

    def _watched(self, referred_v: float) -> None:
        now = self.__it.clock.now()
        for name, level, seconds in (
            ("slow", lim.WATCH_SLOW_V, lim.WATCH_SLOW_S),
            ("fast", lim.WATCH_FAST_V, lim.WATCH_FAST_S),
        ):
            if referred_v <= level:
                self.__over_since.pop(name, None)
                continue
            since = self.__over_since.setdefault(name, now - 0.2)  # it integrated over the 0.2 s before
            if now - since >= seconds - 1e-6:
                shown = f"{referred_v:.2g} V" if math.isfinite(referred_v) else "more than the meter shows"
                self.__stops.stop(f"DC watch: {shown} at an output for {seconds:g} s while a tone played")

    def _soaked(self, rails: tuple[float, float] | None, idle: tuple[float, float]) -> None:
        sag = 0.0 if rails is None else lim.sag(rails, idle)
        if sag > lim.RAIL_SAG_SOAK:
            self.__stops.stop(f"a rail sags by {100 * sag:.0f} % in a soak: the supply or its transformer gives way")

    def _rails(self) -> tuple[float, float] | None:
        values: list[float] = []
        for point in ("rail_positive", "rail_negative"):
            meter = self.__hook_ups.read_by_program(point)
            if meter is None:
                return None
            with self._awaiting(f"no reading of {meter.name}", lim.OTHER_OVERDUE_S):
                value = meter.measure(Function.DC_VOLTS, range=100.0, line_cycles=1.0).value
            if value is None:
                return None
            values.append(value)
        return values[0], values[1]

    # ---------------------------------------------------------------- is it data

    def _window(self, recording: Recording, emitted: FloatArray, order: Order) -> tuple[FloatArray, str]:
        """The wanted stretch of a recording, and why it is not data ("" if it is)."""
        samples = recording.samples
        if recording.lost_frames:
            return samples, f"{recording.lost_frames} frames lost"
        if _exact_zeros(samples, recording.sample_rate):
            return samples, "10 ms or more of exact zeros, which no converter gives"
        if not order.driven:
            return samples, ""
        if self.__latency is not None and order.frequency_hz is None and order.window_s[0] == 0.0:
            shift = _delay(emitted, samples, recording.sample_rate, early=True)
            if shift is not None and abs(shift) > MOVED_S * recording.sample_rate:
                return (
                    samples,
                    f"it came back {1000.0 * shift / recording.sample_rate:+.0f} ms from where it was before",
                )
        if self.__latency is None:
            self.__latency = _delay(emitted, samples, recording.sample_rate)
            first, stop = (round(at * recording.sample_rate) + (self.__latency or 0) for at in order.window_s)
            # A tone whose end is cut off is found at about the right place only, so its latency is not kept.
            if (self.__latency or 0) > LATEST_S * recording.sample_rate or stop > len(samples):
                late_s, self.__latency = (self.__latency or 0) / recording.sample_rate, None
                return samples, f"the tone came back {late_s:.2g} s late, more than {LATEST_S:g} s"
            samples = samples[first:stop]
        return samples, ""


def _dc_reading(meter: Multimeter) -> float | None:
    return meter.measure(Function.DC_VOLTS, range=10.0, line_cycles=10.0).value


def _referred(value: float | None) -> float:
    return math.inf if value is None else lim.watch_referred_v(value)


def _as_capture(
    samples: FloatArray, rate: int, order: Order, calibration: Calibration, seen: Seen, thrown_away: tuple[str, ...]
) -> Capture:
    scale = calibration.input_volts_per_full_scale
    volts = np.empty(samples.shape)
    for column, full_scale_v in enumerate(scale):
        np.multiply(samples[:, column], full_scale_v, out=volts[:, column])
    figures: Mapping[str, ToneFigures] = {}
    if order.frequency_hz is not None:
        figures = FiguresOnDemand(volts, rate, order.frequency_hz, CHANNELS)
    return Capture(
        volts=volts, sample_rate=rate, driven=order.driven, input_v=order.input_v, frequency_hz=order.frequency_hz,
        volts_per_full_scale=scale, clipped=bool(np.max(np.abs(samples), initial=0.0) >= 0.9999), figures=figures,
        rails=seen.rails, meters=seen.meters, thrown_away=thrown_away, refused=seen.refused,
    )  # fmt: skip


def _unsteady(capture: Capture) -> str:
    """Why a tone's capture is not steady, "" where it is or where nothing can be said."""
    if capture.frequency_hz is None:
        return ""
    for name in capture.driven:
        if capture.figures[name].level_v > STEADY_FROM_V:
            seen = steady(capture.channel(name), capture.sample_rate, capture.frequency_hz)
            if not seen.steady:
                return f"{name}: {seen.reason}"
    return ""


def _unheard(capture: Capture, order: Order) -> bool:
    """Whether nothing, or next to nothing, of what was played came back in any driven channel."""
    if not capture.driven:
        return False

    def heard(name: str) -> bool:
        predicted = order.output_v if order.output_v is not None else order.input_v[CHANNELS.index(name)]
        predicted *= order.turned_down
        if capture.frequency_hz is None:
            return float(np.std(capture.channel(name))) > UNHEARD * predicted
        return capture.figures[name].level_v > max(UNHEARD * predicted, min(STEADY_FROM_V, 0.5 * predicted))

    return not any(heard(name) for name in capture.driven)


def _noted(capture: Capture, note: str) -> Capture:
    return replace(capture, note=note)


def _delay(emitted: FloatArray, samples: FloatArray, rate: int, *, early: bool = False) -> int | None:
    """By how many frames the recording is late, from the louder stimulus of the two; None where it is not found.
    ``early``: it may have come before its time."""
    column = int(np.argmax(np.max(np.abs(emitted), axis=0)))
    found = latency(emitted[:, column], samples[:, column], rate)
    return None if found is None or (found.frames < 0 and not early) else round(found.frames)


def _exact_zeros(samples: FloatArray, sample_rate: int) -> bool:
    """Whether 10 ms or more of both channels are exact zeros: no converter that listens gives that."""
    run = round(0.01 * sample_rate)
    silent = samples[:, 0] == 0.0
    if np.count_nonzero(silent) < run:
        return False
    for column in range(1, samples.shape[1]):
        silent &= samples[:, column] == 0.0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], silent.view(np.int8), [0]))))
    return bool(np.max(edges[1::2] - edges[::2], initial=0) >= run)
