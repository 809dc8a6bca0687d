"""THD and THD+N at 1 W, half and rated power, 1 kHz, with a spectrum.

Connected: sound card into the inputs, dummy load on, one channel driven. Computed: joint least-squares fit of fundamental,
harmonics and DC; THD is harmonics from the second to the end of the band, THD+N everything in the band but the
fundamental, both relative to the fundamental, 20 Hz to 20 kHz brick-wall.
Method: IEC 60268-3 14.12 (which refers THD to the total: at 1 % the two differ by 0.005 % of the value) and AES17's notch
replaced by the fit. Departure: 16 CFR 432 counts noise and takes 20 Hz to 20 kHz at every frequency; here 1 kHz only.
What may go wrong: the bench's own residual. Within 10 dB of it the reading says so and no verdict is taken from its luck.
"""

from __future__ import annotations

import math

import numpy as np

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.records import Curve, Waveform
from benchtest.safety import Capture, GuardedBench, NotCleared

METHOD = "1 kHz, sine fit and residual, 20 Hz to 20 kHz, relative to the fundamental (after IEC 60268-3, AES17)"
NEAR_FLOOR = 10 ** (10 / 20)


def distortion(bench: GuardedBench, channel: str, at: str, *, keep: bool = False) -> list[object]:
    """THD and THD+N of one channel ``at`` "1 W", "half power" or "rated power"; with ``keep`` spectrum and waveform."""
    conditions = bench.conditions(at=at, driven="one")
    limits = bench.drive_limits()
    rated = limits.rated_v()
    volts = {"1 W": limits.one_watt_v()}
    if rated is not None:
        volts |= {"half power": rated / math.sqrt(2.0), "rated power": rated}
    if at not in volts:
        return [_nothing(q, channel, "no rated power is known (amplifier file)", conditions) for q in ("thd", "thd_n")]
    try:
        capture = bench.tone(volts[at], [channel], hold_s=0.6, window_s=0.35)
    except (NotCleared, NotReachable, NotAllowed) as why:
        return [_nothing(q, channel, why, conditions) for q in ("thd", "thd_n")]
    found: list[object] = list(_readings(bench, capture, channel, volts[at], conditions))
    if keep:
        found.append(spectrum(capture, channel, at))
        found.append(
            Waveform(
                f"tone_{at.replace(' ', '_')}_{channel}",
                capture.volts,
                capture.sample_rate,
                max(capture.volts_per_full_scale),
                {"frequency_hz": 1000.0, "driven": channel},
            )
        )
    return found


def _readings(
    bench: GuardedBench, capture: Capture, channel: str, asked_v: float, conditions: dict[str, object]
) -> list[Reading]:
    figures = capture.figures[channel]
    i = bench.channels.index(channel)
    calibration = bench.calibration
    ended = bench.ramp_ended(channel)
    found = []
    for quantity, value, floor in (
        ("thd", figures.thd, calibration.residual_thd),
        ("thd_n", figures.thd_n, _floor_at(bench, i, figures.level_v)),
    ):
        note = ended
        verdict = Verdict.INFORMATION
        residual = floor[i] if isinstance(floor, tuple) else floor
        if not math.isfinite(value):
            found.append(
                Reading(
                    quantity=quantity,
                    channel=channel,
                    value=None,
                    unit="%",
                    verdict=Verdict.INCONCLUSIVE,
                    method=METHOD,
                    conditions=conditions,
                    note=f"no tone found. {ended}",
                )
            )
            continue
        # the residual adds or takes away at most itself; taken as rectangular
        own = (residual or 0.0) / math.sqrt(3.0)
        uncertainty = 2.0 * math.hypot(own, 0.01 * value)
        if residual is not None and value < residual * NEAR_FLOOR:
            note = (note + " " if note else "") + f"within 10 dB of the bench's own residual ({100 * residual:.2g} %)"
        found.append(
            Reading(
                quantity=quantity,
                channel=channel,
                value=100.0 * value,
                unit="%",
                method=METHOD,
                note=note,
                expanded_uncertainty=100.0 * uncertainty,
                frequency_hz=1000.0,
                level=figures.level_v,
                level_unit="V",
                load_ohm=bench.load_ohm[channel],
                bandwidth_hz="20:20000",
                conditions=conditions,
                verdict=verdict,
                budget={"bench residual": 100.0 * own, "analysis": value},
            )
        )
    return found


def _floor_at(bench: GuardedBench, i: int, level_v: float) -> float | None:
    """The bench's THD+N floor at this output: its distortion and its noise, in the loopback, referred to the terminals."""
    calibration = bench.calibration
    if calibration.residual_thd is None or calibration.noise_v is None or not level_v > 0:
        return None
    return math.hypot(calibration.residual_thd[i], calibration.noise_v[i] / level_v)


def spectrum(capture: Capture, channel: str, at: str) -> Curve:
    """Amplitude spectrum in dB re 1 V rms, Hann window, thinned to about 2000 points that keep the peaks."""
    x = capture.channel(channel)
    window = np.hanning(len(x))
    amplitude = np.abs(np.fft.rfft(x * window)) / (np.sum(window) / 2.0) / math.sqrt(2.0)
    frequency = np.fft.rfftfreq(len(x), 1.0 / capture.sample_rate)
    keep = (frequency >= 10.0) & (frequency <= 40e3)
    frequency, amplitude = frequency[keep], amplitude[keep]
    edges = np.unique(np.geomspace(1, len(frequency), 2000).astype(int)) - 1
    peaks = np.maximum.reduceat(amplitude, edges)
    return Curve(
        f"spectrum_{channel}",
        f"Spectrum, {channel}, 1 kHz, {at}",
        {"frequency_hz": frequency[edges], "level_db": 20.0 * np.log10(np.maximum(peaks, 1e-9))},
        {"frequency_hz": "Hz", "level_db": "dB re 1 V"},
        {"channel": channel, "at": at},
    )


def _nothing(quantity: str, channel: str, why: object, conditions: dict[str, object]) -> Reading:
    return not_measured(quantity, channel, "%", why, conditions=conditions, method=METHOD)
