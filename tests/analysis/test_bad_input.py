"""Whatever comes in, the analysis answers: a value, None, or a ValueError that says what to do. Never NaN, and never a
number that looks like a good measurement where nothing was measured."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from benchtest.analysis import analyse, harmonic_fit, latency, onset, sine_fit, steady
from benchtest.analysis.noise import noise, weighted_rms
from benchtest.analysis.transients import edges, transient

RATE = 48000
T = np.arange(9600) / RATE


def only(samples, **options):
    return analyse(samples, RATE, **options).channels[0]


def assert_silent(channel):
    assert channel.silent
    for name in (
        "frequency_hz",
        "level_v",
        "thd_percent",
        "thd_db",
        "thd_of_total_percent",
        "thd_n_percent",
        "thd_n_db",
    ):
        assert getattr(channel, name) is None, name
    assert channel.thd_n_of_total_percent is None
    assert channel.harmonics == ()


def test_silence_has_no_fundamental_and_no_noise():
    channel = only(np.zeros(9600))
    assert_silent(channel)
    assert (channel.dc_v, channel.noise_v, channel.noise_a_weighted_v, channel.clipped) == (0.0, 0.0, 0.0, False)
    assert channel.hum == ()


@pytest.mark.parametrize("level", [0.1, -3.0, 1e-9, 1e12])
def test_dc_alone_is_silent(level):
    channel = only(np.full(9600, level))
    assert_silent(channel)
    assert channel.dc_v == pytest.approx(level, rel=1e-12)
    assert channel.noise_v <= 1e-14 * abs(level)
    assert not channel.clipped


@pytest.mark.parametrize("seed", range(20))
def test_noise_alone_is_silent(seed):
    x = np.random.default_rng(seed).standard_normal(9600)
    channel = only(x, band_hz=(20.0, 24000.0))
    assert_silent(channel)
    # rms of 9600 samples: relative standard deviation about 1 %; Hann weights make that 1.4 %.
    assert channel.noise_v == pytest.approx(1.0, rel=0.06)
    assert channel.hum == ()


def test_drift_alone_is_silent():
    assert_silent(only(np.linspace(0.0, 1.0, 9600) ** 2))


def test_a_step_alone_is_silent():
    assert_silent(only(np.where(T < 0.1, 0.0, 1.0)))


def test_noise_with_a_stated_fundamental_is_silent():
    x = np.random.default_rng(5).standard_normal(9600)
    assert_silent(only(x, fundamental_hz=1000.0))


def test_hum_is_not_the_tone_that_was_asked_for():
    x = 0.1 * np.sin(2 * np.pi * 50 * T) + 1e-5 * np.random.default_rng(0).standard_normal(9600)
    channel = only(x, fundamental_hz=1000.0)
    assert_silent(channel)
    assert channel.hum[0].level_v == pytest.approx(0.1 / np.sqrt(2), rel=1e-3)


def test_a_clipped_capture_is_marked():
    x = np.sin(2 * np.pi * 997 * T)
    assert not only(x).clipped
    assert only(np.clip(x, -0.9, 0.9)).clipped
    assert only(np.clip(x, -2.0, 0.95)).clipped  # one side
    assert only(0.999999 * x, full_scale_v=1.0).clipped
    assert not only(0.99 * x, full_scale_v=1.0).clipped


@pytest.mark.parametrize("bits", [8, 16, 24])
@pytest.mark.parametrize("frequency", [20.0, 50.0, 997.0])
@pytest.mark.parametrize("rate", [48000, 192000])
def test_a_coarse_converter_is_not_clipping(bits, frequency, rate):
    x = 0.7 * np.sin(2 * np.pi * frequency / rate * np.arange(rate // 2))
    step = 2.0 ** (1 - bits)
    assert not analyse(np.round(x / step) * step, rate).channels[0].clipped
    assert analyse(np.round(np.clip(x, -0.69, 0.69) / step) * step, rate).channels[0].clipped or bits == 8


def test_a_square_wave_is_not_clipping():
    assert not only(np.sign(np.sin(2 * np.pi * 100 * T + 0.1))).clipped


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_refused(value):
    x = np.sin(2 * np.pi * 1000 * T)
    x[77] = value
    with pytest.raises(ValueError, match="sample 77 is not a finite number"):
        only(x)
    for function in (sine_fit, harmonic_fit, transient, noise, weighted_rms, edges):
        with pytest.raises(ValueError, match="sample 77 is not a finite number"):
            function(x, RATE)
    for function in (onset, steady):
        with pytest.raises(ValueError, match="sample 77 is not a finite number"):
            function(x, RATE, 1000.0)
    with pytest.raises(ValueError, match="sample 77 is not a finite number"):
        latency(T, x, RATE)


def test_mono_is_one_channel_without_balance():
    x = np.sin(2 * np.pi * 1000 * T)
    for shaped in (x, x[:, None]):
        result = analyse(shaped, RATE)
        assert len(result.channels) == 1
        assert result.channel_balance_db is None


def test_stereo_is_refused_where_one_channel_is_asked_for():
    x = np.zeros((9600, 2))
    with pytest.raises(ValueError, match=r"samples of shape \(9600, 2\)"):
        sine_fit(x, RATE)


@pytest.mark.parametrize("shape", [(0,), (0, 2), (15, 2), (100, 0), (20, 2, 2)])
def test_a_shape_that_is_no_recording_is_refused(shape):
    with pytest.raises(ValueError, match=r"Expected"):
        analyse(np.zeros(shape), RATE)


@pytest.mark.parametrize("fundamental", [24000.0, 30000.0, 0.0, -5.0, np.nan, np.inf])
def test_a_fundamental_outside_the_recorded_band_is_refused(fundamental):
    with pytest.raises(ValueError, match="a fundamental of"):
        only(np.sin(2 * np.pi * 1000 * T), fundamental_hz=fundamental)


def test_fewer_than_three_cycles_are_refused():
    x = np.sin(2 * np.pi * 14 * T)  # 2.8 cycles
    with pytest.raises(ValueError, match=r"the record holds 2\.80 cycles of 14 Hz. Expected three or more"):
        only(x, fundamental_hz=14.0)
    with pytest.raises(ValueError, match="cycles of"):
        harmonic_fit(x, RATE, frequency_hz=14.0)


@pytest.mark.parametrize("cycles", [0.3, 0.9, 1.5, 2.0, 2.5, 2.9])
def test_fewer_than_three_cycles_are_never_a_tone_of_their_own(cycles):
    channel = only(np.sin(2 * np.pi * cycles * np.arange(9600) / 9600 + 0.4))
    assert_silent(channel)


@pytest.mark.parametrize(
    "band", [(24000.0, 30000.0), (1000.0, 1000.0), (2000.0, 1000.0), (-1.0, 100.0), (np.nan, 100.0), (20.0, np.nan)]
)
def test_an_empty_band_is_refused(band):
    with pytest.raises(ValueError, match="a band from"):
        only(np.sin(2 * np.pi * 1000 * T), band_hz=band)


def test_a_band_beyond_the_record_is_cut_and_says_so():
    result = analyse(np.sin(2 * np.pi * 1000 * T), RATE, band_hz=(20.0, 80000.0))
    assert result.band_hz == (20.0, 24000.0)


def test_no_harmonic_in_the_band_has_no_thd():
    x = np.sin(2 * np.pi * 15000 * T) + 1e-3 * np.sin(2 * np.pi * 2000 * T)
    channel = only(x)
    assert channel.thd_percent is None
    assert channel.thd_db is None
    assert channel.thd_of_total_percent is None
    assert channel.harmonics == ()
    assert channel.thd_n_percent == pytest.approx(0.1, rel=1e-3)


def test_a_hum_line_on_the_fundamental_has_no_level():
    rng = np.random.default_rng(2)
    t = np.arange(48000) / RATE
    x = np.sin(2 * np.pi * 100 * t) + 0.01 * np.sin(2 * np.pi * 50 * t) + 1e-4 * rng.standard_normal(48000)
    lines = {round(line.frequency_hz): line.level_v for line in only(x, fundamental_hz=100.0).hum}
    assert lines[50] == pytest.approx(0.01 / np.sqrt(2), rel=0.01)
    for order in (100, 200, 300, 400, 500):
        assert lines[order] is None


def test_a_quiet_channel_beside_a_loud_one():
    t = np.arange(9600) / RATE
    x = np.column_stack([np.sin(2 * np.pi * 1000 * t), np.zeros(9600)])
    result = analyse(x, RATE)
    assert not result.channels[0].silent
    assert_silent(result.channels[1])
    assert result.channel_balance_db is None


def test_balance_needs_one_frequency():
    t = np.arange(9600) / RATE
    x = np.column_stack([np.sin(2 * np.pi * 1000 * t), np.sin(2 * np.pi * 2000 * t)])
    assert analyse(x, RATE).channel_balance_db is None


@pytest.mark.parametrize("scale", [1e-280, 1e-150, 1e-30, 1e30, 1e150, 1e280])
def test_any_unit_will_do(scale):
    x = np.sin(2 * np.pi * 1000.3 * T) + 0.01 * np.sin(2 * np.pi * 2000.6 * T)
    channel = only(x * scale)
    assert channel.level_v == pytest.approx(np.sqrt(0.5) * scale, rel=1e-9)
    assert channel.thd_percent == pytest.approx(1.0, rel=1e-9)


samples = arrays(
    np.float64,
    st.tuples(st.integers(0, 400), st.integers(0, 3)),
    elements=st.one_of(
        st.floats(-1.0, 1.0, width=32),
        st.floats(allow_nan=True, allow_infinity=True),
        st.sampled_from([0.0, 1.0, -1.0]),
    ),
    fill=st.sampled_from([0.0, 0.5, -1.0]),
)


def attempt(call):
    """The result of a call and, where it was refused, the words."""
    try:
        return call(), None
    except ValueError as error:
        return None, str(error)


def no_nan(value):
    if isinstance(value, dict):
        return all(no_nan(v) for v in value.values())
    if isinstance(value, list | tuple):
        return all(no_nan(v) for v in value)
    return not isinstance(value, float) or bool(np.isfinite(value))


@settings(max_examples=150, deadline=None)
@given(samples, st.sampled_from([8000.0, 48000.0, 192000.0]), st.one_of(st.none(), st.floats(1.0, 1e5)))
def test_arbitrary_arrays_give_finite_numbers_or_a_reasoned_refusal(x, rate, fundamental):
    result, refusal = attempt(lambda: analyse(x, rate, fundamental_hz=fundamental))
    if result is None:
        assert "Expected" in refusal
        return
    figures = result.as_dict()
    assert no_nan(figures)
    json.dumps(figures)
    for channel in figures["channels"]:
        if channel["silent"]:
            assert channel["level_v"] is None
            assert channel["thd_n_percent"] is None
        else:
            assert channel["level_v"] > 0.0
            assert channel["thd_n_percent"] >= 0.0


@settings(max_examples=60, deadline=None)
@given(arrays(np.float64, st.integers(0, 300), elements=st.floats(-1e6, 1e6)))
def test_arbitrary_arrays_in_every_other_function(x):
    calls = [
        lambda: sine_fit(x, RATE),
        lambda: harmonic_fit(x, RATE),
        lambda: onset(x, RATE, 3000.0),
        lambda: steady(x, RATE, 3000.0),
        lambda: latency(x, x[::-1], RATE),
        lambda: transient(x, RATE),
        lambda: edges(x, RATE),
        lambda: noise(x, RATE),
        lambda: weighted_rms(x, RATE, weighting="468"),
    ]
    for call in calls:
        _, refusal = attempt(call)
        assert refusal is None or "Expected" in refusal
