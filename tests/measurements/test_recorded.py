"""The truth of a recorded window is that window: sample by sample what was recorded, but for noise and the meter's error."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchtest import measure
from benchtest.loopback import full_band_sweep
from simulated_instruments.bench import SAMPLE_RATE
from tests.measurements.recorded import Records, _passes
from tests.measurements.test_truth import ROOM


@pytest.fixture
def kept(monkeypatch):
    records = Records()
    records.patched(monkeypatch)
    return records


def test_what_is_played_again_is_what_was_recorded(known, kept):
    """But for DC, within the calibration's 0.1 %, what the coupling of the input turns 1 kHz by (2.5 Hz over 1 kHz at most) and
    six times the noise of 48 kHz at the terminals (0.1 mV in 20 kHz). A frame too early or late would be 65 milliradians."""
    bench = known(seed=1).ready().risen()
    capture = bench.bench.tone(2.0, ["left"], hold_s=0.5, window_s=0.2)
    again = kept[-1].volts
    assert again.shape == capture.volts.shape
    apart = (again - np.mean(again, axis=0)) - (capture.volts - np.mean(capture.volts, axis=0))
    assert np.max(np.abs(apart)) < (1e-3 + 2.5e-3) * 2.0 * math.sqrt(2.0) + 6 * 0.16e-3


def test_its_lines_are_the_fundamental_and_the_change_of_level(known, kept):
    bench = known(seed=1).ready().risen()
    bench.bench.tone(2.0, ["left"], hold_s=0.5, window_s=0.2)
    record = kept[-1]
    assert abs(record.line(0, 1000.0)) == pytest.approx(2.0, rel=2e-3)
    assert record.asked_v(0) * abs(bench.gain(0)) == pytest.approx(2.0, rel=2e-3)
    softer = record.played(factor=0.5)[:, 0]
    assert float(np.std(softer)) == pytest.approx(1.0, rel=2e-3)
    with pytest.raises(AssertionError, match="choose whole ones"):
        record.line(0, 1002.0)


def test_the_output_at_a_thd_is_found_from_a_record_near_it(known, kept):
    """Beside the crossing that the measurement closed in on to 0.02 dB, by two ways."""
    bench = known(seed=2, spec=ROOM).loads_measured().ready().risen()
    volts = measure.output_power(bench.bench, ("left",), target_thd=0.01)[1].value
    record = min(kept, key=lambda r: abs(r.asked_v(0) * abs(bench.gain(0)) - volts))
    assert record.volts_at_thd(0, 0.01) == pytest.approx(volts, rel=3e-3)


def test_a_sweep_passes_a_frequency_when_its_logarithm_says():
    """f = f0 exp(t / L), L = T / ln(f1 / f0)."""
    sweep = full_band_sweep(SAMPLE_RATE)
    rate_s = sweep.seconds / math.log(sweep.stop_hz / sweep.start_hz)
    at = _passes(np.asarray(sweep.samples), 6300.0)
    assert at / SAMPLE_RATE == pytest.approx(rate_s * math.log(6300.0 / sweep.start_hz), abs=3 / 6300.0)
