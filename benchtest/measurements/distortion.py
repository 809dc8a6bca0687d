"""THD and THD+N at 1 W, half and rated power, 1 kHz, with a spectrum.

Connected: sound card into the inputs, dummy load on, one channel driven. Computed: joint least-squares fit of fundamental,
harmonics and DC; THD is harmonics from the second to the end of the band, THD+N everything in the band but the
fundamental, both relative to the fundamental, 20 Hz to 20 kHz brick-wall.
Method: IEC 60268-3 14.12 (which refers THD to the total: at 1 % the two differ by 0.005 % of the value) and AES17's notch
replaced by the fit. Departure: 16 CFR 432 counts noise and takes 20 Hz to 20 kHz at every frequency; here 1 kHz only.
The noise in the harmonics' lines is taken off THD, the noise of the bench's input off THD+N; the sound card's output is
the source, and its noise, amplified, stays in THD+N.
The figure is that of the record: crossover distortion moves by some percent a second while the junctions warm, and the
fit's weights count the middle of the record most. Another record, a second later, finds another amplifier.
What may go wrong: the bench's own residual. Within 10 dB of it the reading says so and no verdict is taken from its luck.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import COVERAGE, at_least
from benchtest.measurements.estimates import (
    Estimate,
    bench_harmonics,
    bench_noise_v,
    thd_estimate,
    thd_n_estimate,
)
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.records import Curve, Waveform
from benchtest.safety import Capture, GuardedBench, NotCleared
from benchtest.safety.tone import ToneFigures

METHOD = "1 kHz, sine fit and residual, 20 Hz to 20 kHz, relative to the fundamental (after IEC 60268-3, AES17)"
NEAR_FLOOR = 10 ** (10 / 20)
LOW_WINDOW_S = 2.0
"""At 1 W noise is what blurs a small THD, and is most of THD+N; a longer record tells both better (noise within 0.02 dB)."""


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
        window_s = LOW_WINDOW_S if at == "1 W" else 0.35
        capture = bench.tone(volts[at], [channel], hold_s=window_s + 0.25, window_s=window_s)
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
    ended = bench.ramp_ended(channel)
    common: dict[str, Any] = {"channel": channel, "unit": "%", "method": METHOD, "conditions": conditions}
    if not (math.isfinite(figures.thd) and math.isfinite(figures.thd_n) and figures.level_v > 0.0):
        note = f"no tone found. {ended}"
        return [
            Reading(quantity=quantity, value=None, verdict=Verdict.INCONCLUSIVE, note=note, **common)
            for quantity in ("thd", "thd_n")
        ]
    return [
        Reading(
            quantity=quantity, frequency_hz=1000.0, level=figures.level_v, level_unit="V",
            load_ohm=bench.load_ohm[channel], bandwidth_hz="20:20000",
            **common, **near_the_floor(estimate, note=ended),
        )
        for quantity, estimate in zip(("thd", "thd_n"), estimates(bench, capture, channel), strict=True)
    ]  # fmt: skip


def estimates(bench: GuardedBench, capture: Capture, channel: str) -> tuple[Estimate, Estimate]:
    """THD and THD+N of one channel of a capture, with what noise and bench do to them."""
    figures, i = capture.figures[channel], bench.channels.index(channel)
    seconds = len(capture.volts) / capture.sample_rate
    own = bench_harmonics(bench.calibration, i, figures.level_v, capture.input_v[i])
    levels = harmonic_levels(figures)
    thd = thd_estimate(levels, figures.level_v, figures.noise_v, seconds, own)
    noise_v = bench_noise_v(bench.calibration, i)
    return thd, thd_n_estimate(figures.thd_n, levels, figures.level_v, figures.noise_v, seconds, own, noise_v)


def harmonic_levels(figures: ToneFigures) -> dict[int, float]:
    """Harmonics by order, ratios to the fundamental. Those that noise hides share what THD says is in all of them."""
    seen = {k: 10 ** (db / 20.0) for k, db in figures.harmonics if db is not None}
    hidden = [k for k, db in figures.harmonics if db is None]
    rest = max(figures.thd**2 - sum(d * d for d in seen.values()), 0.0)
    return {**seen, **{k: math.sqrt(rest / len(hidden)) for k in hidden}}


def near_the_floor(estimate: Estimate, *, note: str = "") -> dict[str, Any]:
    """Value, uncertainty and note of a ratio, in percent, as keywords for a Reading.

    Within 10 dB of the bench's own residual the reading says so, and its uncertainty is that residual at least: it
    passes only if it would with the residual added, and fails only if it would with the residual taken away.
    """
    parts = estimate.parts
    if estimate.value < estimate.floor * NEAR_FLOOR:
        note = f"{note} within 10 dB of the bench's own residual ({100 * estimate.floor:.2g} %)".strip()
        parts = at_least(parts, estimate.floor)
    return {
        "value": 100.0 * estimate.value,
        "expanded_uncertainty": 100.0 * COVERAGE * math.hypot(*parts.values()),
        "note": note,
        "budget": {name: 100.0 * u for name, u in parts.items()},
    }


def spectrum(capture: Capture, channel: str, at: str) -> Curve:
    """Amplitude spectrum of a tone at 1 kHz, see ``spectrum_curve``."""
    return spectrum_curve(capture, channel, f"spectrum_{channel}", f"Spectrum, {channel}, 1 kHz, {at}", at)


def spectrum_curve(capture: Capture, channel: str, name: str, title: str, at: str) -> Curve:
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
        name,
        title,
        {"frequency_hz": frequency[edges], "level_db": 20.0 * np.log10(np.maximum(peaks, 1e-9))},
        {"frequency_hz": "Hz", "level_db": "dB re 1 V"},
        {"channel": channel, "at": at},
    )


def _nothing(quantity: str, channel: str, why: object, conditions: dict[str, object]) -> Reading:
    return not_measured(quantity, channel, "%", why, conditions=conditions, method=METHOD)
