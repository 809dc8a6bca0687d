"""Stimuli: levels as stated, quiet ends, the sweep's own arithmetic."""

import numpy as np
import pytest

from benchtest import signals
from benchtest.analysis import harmonic_fit, sine_fit
from benchtest.analysis.tones import fit_tones

RATE = 48000


@pytest.mark.parametrize("frequency", [20.0, 997.0, 20000.0])
def test_sine_has_its_peak_and_frequency(frequency):
    x = signals.sine(frequency, 0.25, 0.5, RATE)
    middle = x[4800:-4800]
    fit = sine_fit(middle, RATE)
    assert fit.frequency_hz == pytest.approx(frequency, rel=1e-9)
    assert fit.amplitude == pytest.approx(0.25, rel=1e-9)
    assert x.shape == (24000,)


@pytest.mark.parametrize(
    "x",
    [
        signals.sine(1000.0, 1.0, 0.2, RATE),
        signals.two_tone((60.0, 7000.0), 1.0, 0.2, RATE),
        signals.log_sweep(20.0, 20000.0, 1.0, 0.5, RATE).samples,
        signals.multitone([100.0, 1000.0], 1.0, 0.2, RATE),
        signals.bursts(1000.0, 1.0, RATE, count=1),
    ],
    ids=["sine", "two_tone", "log_sweep", "multitone", "bursts"],
)
def test_stimuli_begin_and_end_quietly_and_keep_their_peak(x):
    assert abs(x[0]) < 1e-5
    assert abs(x[-1]) < 1e-5
    assert 0.9 < np.max(np.abs(x)) <= 1.0 + 1e-12
    assert np.max(np.abs(x[:48])) < 0.01  # a millisecond of a 50 ms fade


@pytest.mark.parametrize(("ratio", "low", "high"), [(4.0, 0.8, 0.2), (1.0, 0.5, 0.5)])
def test_two_tone_shares_its_peak(ratio, low, high):
    """0.8 and 0.2, mean power -1.67 dB of the sine's; 0.5 and 0.5, -3.01 dB (arithmetic)."""
    x = signals.two_tone((60.0, 7000.0), 1.0, 1.0, RATE, ratio=ratio, fade_s=0.0)
    found = np.abs(fit_tones(x, RATE, [60.0, 7000.0]).amplitudes)
    np.testing.assert_allclose(found, [low, high], rtol=1e-9)
    power_db = 10 * np.log10(np.mean(x**2) / 0.5)
    assert power_db == pytest.approx({4.0: -1.67, 1.0: -3.01}[ratio], abs=0.01)


def test_sweep_passes_each_frequency_when_it_says():
    sweep = signals.log_sweep(20.0, 20000.0, 1.0, 2.0, RATE)
    for frequency in (100.0, 1000.0, 5000.0):
        at = round(sweep.time_of_s(frequency) * RATE)
        around = sweep.samples[at - 960 : at + 961]
        turns = np.unwrap(np.angle(np.exp(1j * np.angle(_analytic(around)))))
        slope = (turns[961] - turns[959]) / 2 * RATE / (2 * np.pi)
        assert slope == pytest.approx(frequency, rel=0.01)
    assert sweep.advance_s(4) == pytest.approx(2 * sweep.advance_s(2))


def _analytic(x):
    spectrum = np.fft.fft(x * np.hanning(len(x)))
    spectrum[len(x) // 2 :] = 0
    return np.fft.ifft(spectrum)


def test_bursts_follow_ihf_a_202():
    """20 ms of 1 kHz every 500 ms, 20 dB less in between (from memory): mean power 13.05 dB below the burst's."""
    x = signals.bursts(1000.0, 1.0, RATE, count=4)
    inner = x[RATE // 2 : -RATE // 2]  # whole periods, clear of the fades
    assert 10 * np.log10(np.mean(inner**2) / 0.5) == pytest.approx(-13.05, abs=0.01)
    assert np.max(np.abs(np.diff(x))) < 2 * np.pi * 1000 / RATE * 1.001  # steps fall on zero crossings


@pytest.mark.parametrize("count", [5, 31])
def test_multitone_has_equal_tones_and_a_low_crest(count):
    frequencies = [signals.whole_cycles_hz(f, 1.0, RATE) for f in np.geomspace(20, 20000, count)]
    x = signals.multitone(frequencies, 0.5, 1.0, RATE, fade_s=0.0)
    found = np.abs(fit_tones(x, RATE, frequencies).amplitudes)
    np.testing.assert_allclose(found, found[0], rtol=1e-6)
    drawn = signals.multitone(frequencies, 0.5, 1.0, RATE, rng=np.random.default_rng(0))
    assert np.max(np.abs(drawn)) == pytest.approx(0.5)
    assert 20 * np.log10(0.5 / np.sqrt(np.mean(x**2))) < 14.0


def test_square_has_odd_harmonics_only():
    x = signals.square(100.0, 1.0, 0.5, RATE)
    levels = harmonic_fit(x, RATE, highest_hz=550.0).levels
    np.testing.assert_allclose(levels / levels[0], [1, 0, 1 / 3, 0, 1 / 5], atol=1e-3)


def test_stereo_puts_channels_side_by_side():
    left, right = np.arange(3.0), np.ones(3)
    assert signals.stereo(left, right).tolist() == [[0, 1], [1, 1], [2, 1]]
    assert signals.stereo(right=right)[:, 0].tolist() == [0, 0, 0]
    with pytest.raises(ValueError, match="neither left nor right"):
        signals.stereo()
    with pytest.raises(ValueError, match="one length"):
        signals.stereo(left, np.ones(4))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: signals.sine(24000.0, 1.0, 1.0, RATE), "below half the sample rate"),
        (lambda: signals.sine(np.nan, 1.0, 1.0, RATE), "a tone of nan"),
        (lambda: signals.sine(100.0, np.inf, 1.0, RATE), "a peak of inf"),
        (lambda: signals.sine(100.0, -0.1, 1.0, RATE), "a peak of -0.1"),
        (lambda: signals.sine(100.0, 1.0, 0.0, RATE), "Expected a length above 0 s"),
        (lambda: signals.silence(1.0, 0.0), "sample rate 0.0"),
        (lambda: signals.sine(100.0, 1.0, 0.05, RATE), "do not fit"),
        (lambda: signals.log_sweep(2000.0, 20.0, 1.0, 1.0, RATE), "a sweep from 2000.0 to 20.0"),
        (lambda: signals.multitone([], 1.0, 1.0, RATE), "without frequencies"),
        (lambda: signals.two_tone((60.0, 7000.0), 1.0, 1.0, RATE, ratio=0.0), "a ratio of 0.0"),
        (lambda: signals.bursts(1000.0, 1.0, RATE, on_s=0.6), "burst shorter than the period"),
        (lambda: signals.bursts(1000.0, 1.0, RATE, low_db=np.nan), "0 dB or less"),
    ],
)
def test_impossible_stimuli_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_all_is_what_is_there():
    public = {name for name, value in vars(signals).items() if getattr(value, "__module__", "") == signals.__name__}
    assert {name for name in public if not name.startswith("_")} == set(signals.__all__)
