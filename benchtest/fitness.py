"""Is this bench fit to measure? What sound card, dividers and meter do by themselves, and what is wrong with them.

The loopback (output straight to the far ends of the input dividers) shows the bench's own floor: residual, noise,
response, crosstalk. Whatever else can spoil a capture has a check of its own, with a sentence that says what to do.
What is found here is the bench, not the amplifier.

The bounds of good and usable are common practice, no source, unless a reference is named beside one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from benchtest import signals
from benchtest.calibration import Calibration, harmonic_ratios
from benchtest.errors import FileError, LostFrames, NotAllowed, NotReachable
from benchtest.loopback import BenchResponse, bench_response

if TYPE_CHECKING:
    from benchtest.safety import Capture, GuardedBench

GOOD, USABLE, UNFIT, NOT_MEASURED = "good", "usable", "unfit", "not measured"
FORMAT = 1
SHARE = 0.6
TONE_HZ = 1000.0
WATCHED_S = 60.0
"""How long dropouts are looked for."""
TAKE_S = 5.0
"""Length of one of the captures that look for dropouts."""
QUIET_S = 1.0
QUIET_TIMES = 3
CORNER_HZ = (4.0, 8.0, 16.0)
HIGHEST_SHARE = 0.47
"""Of the sample rate: a converter that really runs at it passes this, one behind a resampler to the next lower usual rate
does not (0.47 of 48 kHz is above half of 44.1 kHz)."""


@dataclass(frozen=True)
class Check:
    """One thing that was looked at. value in ``unit``, None where it was not measured; words say what it means."""

    name: str
    channel: str
    value: float | None
    unit: str
    verdict: str
    words: str

    @property
    def title(self) -> str:
        """The name in words, with the channel.

        >>> Check("noise_floor", "left", 1e-4, "V", "good", "").title
        'noise floor left'
        """
        return f"{self.name.replace('_', ' ')} {self.channel}".removesuffix(" none")


@dataclass(frozen=True)
class Fitness:
    """What ``verify`` found of a bench; the residual and noise are (left, right) as in a calibration."""

    made_utc: str
    bench: str
    sound_card: str
    simulated: bool
    watched_s: float
    checks: tuple[Check, ...]
    residual_thd: tuple[float, float] | None = None
    residual_thd_n: tuple[float, float] | None = None
    noise_v: tuple[float, float] | None = None
    residual_orders: tuple[tuple[float, ...], tuple[float, ...]] | None = None
    response: BenchResponse | None = None

    @property
    def verdict(self) -> str:
        """The worst that was found; a check that was not measured leaves open whether the bench is fit."""
        found = {check.verdict for check in self.checks}
        return next((v for v in (UNFIT, NOT_MEASURED, USABLE) if v in found), GOOD)

    def check(self, name: str, channel: str = "none") -> Check:
        """One of the checks. Raises KeyError."""
        for check in self.checks:
            if (check.name, check.channel) == (name, channel):
                return check
        raise KeyError(f"{name} {channel}: not among {', '.join(c.title for c in self.checks)}")

    def as_floor_of(self, calibration: Calibration) -> Calibration:
        """A calibration with the floor that was found now, so that runs tell the bench's part from the amplifier's."""
        if self.residual_thd is None or self.residual_thd_n is None or self.noise_v is None:
            return calibration
        return replace(
            calibration, residual_thd=self.residual_thd, residual_thd_n=self.residual_thd_n, noise_v=self.noise_v,
            residual_orders=self.residual_orders, response=self.response,
        )  # fmt: skip


def graded(value: float, good: float, usable: float) -> str:
    """How far a magnitude goes: good to the first bound, usable to the second. NaN is unfit.

    >>> graded(-0.1, 0.3, 1.0), graded(0.5, 0.3, 1.0), graded(float("nan"), 0.3, 1.0)
    ('good', 'usable', 'unfit')
    """
    if abs(value) <= good:
        return GOOD
    return USABLE if abs(value) <= usable else UNFIT


def verify(bench: GuardedBench, *, watched_s: float = WATCHED_S) -> Fitness:
    """Look at everything: one hook-up for the sound card, two or three for the meter. The amplifier is not connected.

    Raises InstrumentError where an instrument fails outright; what cannot be reached is 'not measured', with the reason.
    """
    checks: list[Check] = []
    floor: dict[str, Any] = {}
    if bench.file.audio is None:
        checks.append(Check("loopback", "none", None, "", NOT_MEASURED, "this bench has no [audio] section"))
    else:
        bench.hook_up(
            say="Loopback: plug the sound card's output into the far ends of the input dividers, both channels. The "
            "amplifier is not connected.",
            sound_card="loopback",
        )
        connected = list(_connections(bench))
        checks += connected
        if all(check.verdict == GOOD for check in connected):
            checks += _sound_card(bench, watched_s, floor)
        else:
            checks.append(
                Check("floor", "none", None, "", NOT_MEASURED, "no floor before each output reaches its own input")
            )
        bench.hook_up(say="Plug the sound card's output back to the amplifier's side.", sound_card="amplifier")
    checks += _meter(bench)
    return Fitness(
        made_utc=datetime.now(UTC).isoformat(timespec="seconds"),
        bench=bench.file.bench.name,
        sound_card=_sound_card_identity(bench),
        simulated=bench.simulated,
        watched_s=watched_s if floor else 0.0,
        checks=tuple(checks),
        **floor,
    )


def _sound_card_identity(bench: GuardedBench) -> str:
    return next((i["identity"] for i in bench.describe()["instruments"] if i["kind"] == "audio interface"), "")


# ---------------------------------------------------------------- which output reaches which input


def _connections(bench: GuardedBench) -> Iterator[Check]:
    """Each channel alone: dead, swapped, joined with the other, or as it should be."""
    try:
        bench.loopback_tone(SHARE, hold_s=0.6, window_s=0.3)  # finds the latency
        levels = [_levels_of_one(bench, channel) for channel in bench.channels]
    except LostFrames as why:
        yield Check("dead_input", "none", None, "", UNFIT, f"{why} Or nothing reaches either input: check the cables.")
        return
    full = _stated_level(bench)
    for i, (channel, other) in enumerate(zip(bench.channels, reversed(bench.channels), strict=True)):
        own, leak = levels[i][i] / full[i], levels[i][1 - i] / full[1 - i]
        if own < 0.05 and leak > 0.05:
            words = (
                f"the {channel} output arrives at the {other} input: left and right are swapped. Change the plugs over"
            )
            yield Check("swapped_channels", channel, own, "1", UNFIT, words)
        elif own < 0.05:
            words = f"nothing arrives at the {channel} input: cable, divider, input selector, or muted by the system"
            yield Check("dead_input", channel, own, "1", UNFIT, words)
        elif leak > 0.2:
            words = f"the {channel} output arrives at both inputs: a mono plug, or the system mixes the channels"
            yield Check("joined_channels", channel, leak, "1", UNFIT, words)
        else:
            yield Check("connection", channel, own, "1", GOOD, "its own input, and it alone")


def _levels_of_one(bench: GuardedBench, channel: str) -> tuple[float, float]:
    """What arrives at both inputs (V rms at the terminals) while one channel plays."""
    from benchtest.analysis.tones import fit_tones

    rate = bench.sample_rate
    shape = signals.sine(TONE_HZ, 1.0, 1.2, rate, fade_s=0.0)
    capture = bench.loopback_waveform(shape, SHARE, [channel], window_s=(0.5, 0.8))
    found = [float(fit_tones(capture.channel(c), rate, [TONE_HZ]).rms[0]) for c in bench.channels]
    return found[0], found[1]


def _stated_level(bench: GuardedBench) -> tuple[float, float]:
    """The rms that a loopback at SHARE should show, V at the terminals."""
    left, right = bench.calibration.output_volts_per_full_scale
    return SHARE * left / math.sqrt(2.0), SHARE * right / math.sqrt(2.0)


# ---------------------------------------------------------------- the sound card


def _sound_card(bench: GuardedBench, watched_s: float, floor: dict[str, Any]) -> Iterator[Check]:
    tone = bench.loopback_tone(SHARE, hold_s=1.0, window_s=0.5)
    figures = [tone.figures[c] for c in bench.channels]
    floor["residual_thd"] = (figures[0].thd, figures[1].thd)
    floor["residual_thd_n"] = (figures[0].thd_n, figures[1].thd_n)
    floor["residual_orders"] = (harmonic_ratios(figures[0]), harmonic_ratios(figures[1]))
    for channel, one in zip(bench.channels, figures, strict=True):
        yield Check(
            "residual_thd_n", channel, 100.0 * one.thd_n, "%", graded(one.thd_n, 1e-4, 5e-4),
            "THD+N of the loopback; an amplifier's within 10 dB of it is doubtful, below it is the bench's",
        )  # fmt: skip
    yield from _levels(bench, tone)
    yield _clock(figures[0].frequency_hz)
    yield from _quiet(bench, floor)
    response = bench_response(bench)
    floor["response"] = response
    yield from _response(bench, response)
    yield _highest(bench)
    yield from _corner(bench)
    yield _dropouts(bench, watched_s)
    yield _tone_off(bench)


def _levels(bench: GuardedBench, tone: Capture) -> Iterator[Check]:
    """Does the system leave the level alone? The stated level, and 20 dB less for 20 dB less."""
    measured = bench.calibration.kind == "measured"
    good, usable = (0.01, 0.03) if measured else (0.1, 0.25)
    quieter = bench.loopback_tone(SHARE / 10.0, hold_s=0.6, window_s=0.3)
    for i, channel in enumerate(bench.channels):
        level = tone.figures[channel].level_v
        departure = level / _stated_level(bench)[i] - 1.0
        since = "since the calibration" if measured else "from the bench file's dividers and full scales"
        yield Check(
            "level", channel, 100.0 * departure, "%", graded(departure, good, usable),
            f"loopback level, change {since}: a volume control of the system, a gain knob, or a divider that differs",
        )  # fmt: skip
        step_db = 20.0 * math.log10(level / max(quieter.figures[channel].level_v, 1e-12)) - 20.0
        yield Check(
            "level_changed_by_system", channel, step_db, "dB", graded(step_db, 0.05, 0.2),
            "20 dB less must come back as 20 dB less: else the system levels, limits or enhances the sound. Turn that off",
        )  # fmt: skip


def _clock(found_hz: float) -> Check:
    ppm = 1e6 * (found_hz / TONE_HZ - 1.0)
    return Check(
        "clock_offset", "none", ppm, "ppm", graded(ppm, 100.0, 300.0),
        "recording against playing clock; two devices have two clocks. The analysis follows it up to 300 ppm",
    )  # fmt: skip


def _quiet(bench: GuardedBench, floor: dict[str, Any]) -> Iterator[Check]:
    """Nothing is played: noise, hum, and whatever another program sends there."""
    from benchtest.analysis.noise import noise

    rate = bench.sample_rate
    takes = [bench.record(QUIET_S) for _ in range(QUIET_TIMES)]
    found = [noise(takes[0].channel(c), rate) for c in bench.channels]
    floor["noise_v"] = (found[0].noise_v, found[1].noise_v)
    for i, channel in enumerate(bench.channels):
        total = found[i].total_v
        # 70 dB under 1 W into 8 ohm is 0.9 mV: a floor 10 dB below is out of the way of the usual limit.
        yield Check(
            "noise_floor", channel, total, "V", graded(total, 0.28e-3, 0.9e-3),
            "noise and hum of the bench at the terminals, 20 Hz to 20 kHz; smaller dividers or a quieter input help",
        )  # fmt: skip
        full = takes[0].volts_per_full_scale[i]
        peak = max(float(np.max(np.abs(t.channel(channel) - np.mean(t.channel(channel))))) for t in takes) / full
        verdict = graded(peak, 1e-3, 3e-3)
        words = "largest peak while nothing is played, of full scale"
        if verdict != GOOD:
            words += f"; strongest at {_strongest_hz(takes, channel, rate):.0f} Hz. " + (
                "Mains and its multiples: a ground loop. Else another program or a system sound plays: close it"
            )
        yield Check("other_sounds", channel, peak, "1", verdict, words)


def _strongest_hz(takes: list[Capture], channel: str, rate: int) -> float:
    loudest = max((t.channel(channel) for t in takes), key=lambda x: float(np.max(np.abs(x - np.mean(x)))))
    spectrum = np.abs(np.fft.rfft((loudest - np.mean(loudest)) * np.hanning(len(loudest))))
    return float(np.argmax(spectrum) * rate / len(loudest))


def _response(bench: GuardedBench, response: BenchResponse) -> Iterator[Check]:
    for i, channel in enumerate(bench.channels):
        worst = max(response.response_db[i], key=abs)
        yield Check(
            "response_flatness", channel, worst, "dB", graded(worst, 0.3, 1.0),
            "largest departure from 1 kHz, 20 Hz to 20 kHz; it is taken off an amplifier's response",
        )  # fmt: skip
        leak = np.hypot(response.crosstalk_real[i], response.crosstalk_imaginary[i])
        separation = -20.0 * math.log10(max(float(np.max(leak)), 1e-9))
        verdict = GOOD if separation >= 60.0 else USABLE if separation >= 50.0 else UNFIT
        yield Check(
            "crosstalk", channel, separation, "dB", verdict,
            "separation of the bench itself, 100 Hz to 10 kHz; an amplifier's better than this cannot be seen",
        )  # fmt: skip


def _highest(bench: GuardedBench) -> Check:
    """Near the top of what the sample rate holds: gone where the system resamples through a lower rate."""
    from benchtest.analysis.tones import fit_tones

    rate = bench.sample_rate
    top = 100.0 * round(HIGHEST_SHARE * rate / 100.0)
    shape = signals.multitone([TONE_HZ, top], 1.0, 0.6, rate, fade_s=0.0)
    capture = bench.loopback_waveform(shape, SHARE, bench.channels, window_s=(0.1, 0.5))
    fell = []
    for channel in bench.channels:
        low, high = fit_tones(capture.channel(channel), rate, [TONE_HZ, top]).rms
        fell.append(20.0 * math.log10(max(float(high / low), 1e-9)))
    worst = min(fell)
    return Check(
        "resampling", "none", worst, "dB", graded(worst, 6.0, 20.0),
        f"level at {top / 1000.0:g} kHz re 1 kHz: gone means that the system resamples through a lower rate. Set the "
        f"device to {rate} Hz in the system's settings",
    )  # fmt: skip


def _corner(bench: GuardedBench) -> Iterator[Check]:
    """The corner of the AC coupling, of output and input together, from tones below 20 Hz."""
    from benchtest.analysis.tones import fit_tones

    rate = bench.sample_rate
    shape = signals.multitone([*CORNER_HZ, 200.0], 1.0, 1.8, rate, fade_s=0.0)
    capture = bench.loopback_waveform(shape, SHARE, bench.channels, window_s=(0.6, 1.6))
    for channel in bench.channels:
        rms = fit_tones(capture.channel(channel), rate, [*CORNER_HZ, 200.0]).rms
        corner = corner_of(CORNER_HZ, [float(v / rms[-1]) for v in rms[:-1]])
        yield Check(
            "ac_coupling_corner", channel, corner, "Hz", graded(corner, 5.0, 10.0),
            "-3 dB of the sound card's coupling capacitors; DC is not seen through it, which is why a meter watches DC",
        )  # fmt: skip


def corner_of(frequencies_hz: tuple[float, ...], ratios: list[float]) -> float:
    """The corner of a first-order high-pass that passes these ratios: |H|^2 = 1 / (1 + (fc/f)^2), least squares in fc^2.

    0 where nothing falls (a DC-coupled input).

    >>> round(corner_of((4.0, 8.0), [1 / (1 + (2 / 4) ** 2) ** 0.5, 1 / (1 + (2 / 8) ** 2) ** 0.5]), 6)
    2.0
    """
    f2 = np.square(np.asarray(frequencies_hz))
    loss = 1.0 / np.square(np.maximum(np.asarray(ratios), 1e-6)) - 1.0
    squared = float(np.sum(loss / f2) / np.sum(1.0 / f2**2))
    return math.sqrt(max(squared, 0.0))


def _dropouts(bench: GuardedBench, watched_s: float) -> Check:
    """A tone for a minute: frames lost, doubled or silenced, told by the driver and by the phase of the tone."""
    troubles: list[str] = []
    seen = 0.0
    told = {"what": "a tone plays, dropouts are looked for", "seconds": watched_s}
    bench.events.emit("progress", **told, done=0.0, state="started")
    while seen < watched_s:
        try:
            capture = bench.loopback_tone(SHARE, hold_s=TAKE_S + 0.1, window_s=TAKE_S)
        except LostFrames as why:
            return Check("dropouts", "none", math.inf, "1", UNFIT, str(why))
        troubles += [*capture.thrown_away, *([capture.note] if capture.note else [])]
        seen += TAKE_S
        bench.events.emit("progress", **told, done=min(seen, watched_s))
    per_minute = 60.0 * len(troubles) / max(seen, 1.0)
    words = f"in {seen:.0f} s; such captures are taken again. Close other programs, larger buffers, another USB socket"
    if troubles:
        words = f"{troubles[0]}; {words}"
    return Check("dropouts", "none", float(len(troubles)), "1", graded(per_minute, 0.0, 3.0), words)


def _tone_off(bench: GuardedBench) -> Check:
    delay = bench.tone_off_s
    words = "at most so long a tone is heard after it is turned off: two blocks, and the way round. DC stays, whatever it is"
    if delay is None:
        return Check("tone_off_delay", "none", None, "s", NOT_MEASURED, "the latency was not found")
    return Check("tone_off_delay", "none", delay, "s", graded(delay, 0.3, 0.8), words)


# ---------------------------------------------------------------- the meter


def _meter(bench: GuardedBench) -> Iterator[Check]:
    """Multimeter zero, lead resistance, and the dummy loads against what the bench file states."""
    try:
        bench.move_meter("leads_shorted")
        zero = bench.dc_volts("leads_shorted", repeats=3)
        if zero.value is None:
            yield Check("multimeter_zero", "none", None, "V", UNFIT, "overload with the leads together: a lead is off")
            return
        yield Check(
            "multimeter_zero", "none", zero.value, "V", graded(zero.value, 50e-6, 200e-6),
            "DC with the leads together; it adds to every offset",
        )  # fmt: skip
        leads = bench.ohms("leads_shorted")
        if leads.value is None:
            yield Check(
                "lead_resistance", "none", None, "ohm", UNFIT, "the leads read open when held together: one is off"
            )
            return
        yield Check(
            "lead_resistance", "none", leads.value, "ohm", graded(leads.value, 0.5, 2.0),
            "the leads together; taken off every two-wire reading of ohms",
        )  # fmt: skip
        for channel in bench.channels:
            yield _load(bench, channel, leads.value)
    except (NotReachable, NotAllowed) as why:
        yield Check("multimeter", "none", None, "", NOT_MEASURED, str(why))


def _load(bench: GuardedBench, channel: str, lead_ohm: float) -> Check:
    stated = bench.file.load.ohm(channel)
    bench.move_meter(f"{channel}_load")
    seen = bench.ohms(f"{channel}_load")
    if seen.value is None:
        return Check(
            "load_resistance", channel, None, "ohm", UNFIT, f"open; {stated:g} ohm is stated in the bench file"
        )
    value = seen.value - lead_ohm
    verdict = graded(value / stated - 1.0, stated_tolerance(bench), 0.05)
    words = f"{stated:g} ohm is stated; powers are computed with the measured value. Measure again after heating"
    return Check("load_resistance", channel, value, "ohm", verdict, words)


def stated_tolerance(bench: GuardedBench) -> float:
    """The load's tolerance as the bench file states it, at most 5 %, and the meter's lead ohms on top."""
    return min(0.05, bench.file.load.tolerance_percent / 100.0 + 0.01)


# ---------------------------------------------------------------- kept beside the calibration


def floor_file(bench_file: Path | None, calibration: Calibration) -> Path:
    """Where the bench's own floor is kept: beside the calibration, else beside the bench file, else here."""
    if calibration.path:
        return Path(calibration.path).with_suffix(".floor.json")
    if bench_file is not None:
        return bench_file.with_suffix(".floor.json")
    return Path("bench.floor.json")


def save_fitness(fitness: Fitness, path: Path) -> None:
    """Write it whole. Raises FileError."""
    from benchtest.archive.durable import json_page, write_whole

    write_whole(path, json_page({"format": FORMAT, **asdict(fitness), "verdict": fitness.verdict}))


def load_fitness(path: Path) -> Fitness:
    """Read it back. Raises FileError with what is wrong."""
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
        if raw.pop("format") != FORMAT:
            raise ValueError(f"format {FORMAT} expected")
        raw.pop("verdict")
        pairs = {k: tuple(raw.pop(k)) for k in ("residual_thd", "residual_thd_n", "noise_v") if raw.get(k)}
        orders = raw.pop("residual_orders", None)
        if orders is not None:
            pairs["residual_orders"] = (tuple(orders[0]), tuple(orders[1]))
        response = raw.pop("response", None)
        if response is not None:
            from benchtest.loopback import from_table

            response = from_table(response)
        checks = tuple(Check(**each) for each in raw.pop("checks"))
        return Fitness(checks=checks, response=response, **{**raw, **pairs})
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise FileError(
            f"bench floor {path}: {error}. Expected the file that 'benchtest verify' wrote. Verify the bench again."
        ) from error
