"""The bench's own response and crosstalk, seen in the loopback, against what was drawn; and its way through the file."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchtest.calibration import load_calibration, save_calibration
from benchtest.errors import FileError
from benchtest.safety import open_bench


@pytest.mark.parametrize("seed", range(3))
def test_response_is_that_of_the_input_coupling(known, seed):
    """One high-pass at f_c: -10 lg(1 + (f_c/f)^2), less the same at 1 kHz."""
    bench = known(seed=seed)
    corner = bench.simulated.truth.converters.input_highpass_hz
    response = bench.bench.calibration.response
    for channel in (0, 1):
        for frequency in (25.0, 40.0, 100.0, 10e3, 19e3):
            true = -10 * math.log10(1 + (corner / frequency) ** 2)
            # 0.02 dB: the edge of the sweep's band, an octave below
            assert float(response.level_db(channel, frequency)) == pytest.approx(true, abs=0.02)


@pytest.mark.parametrize("seed", range(3))
def test_crosstalk_is_that_of_both_converters(known, seed):
    """Output and input each add 10^(x/20) of the other channel; what is played on one is twice that in the other."""
    bench = known(seed=seed)
    errors = bench.simulated.truth.converters
    each = 10 ** (errors.crosstalk_db / 20)
    out, back = np.asarray(errors.output_full_scale_v), np.asarray(errors.input_full_scale_v)
    divider = np.asarray(bench.simulated.truth.input_divider)
    for channel, other in ((0, 1), (1, 0)):
        level = out / divider / back  # of full scale recorded for full scale played
        scale = bench.bench.calibration.input_volts_per_full_scale
        leak = each * out[other] / divider[other] / back[other] + each * level[channel]
        true = leak * scale[other] / (level[channel] * scale[channel])
        found = bench.bench.calibration.response.leak(channel, 1000.0)
        # input noise of 110 dB below full scale against a tone of some percent of it; k = 4, both parts
        spread = bench.bench.calibration.response.leak_u(channel, 1000.0)
        assert 1e-6 < spread < 1e-5
        assert abs(complex(found) - true) < 4 * math.sqrt(2) * spread


def test_it_survives_the_file(tmp_path):
    with open_bench(None) as bench:
        made = bench.calibration
    save_calibration(made, tmp_path / "calibration.toml")
    assert load_calibration(tmp_path / "calibration.toml").response == made.response


@pytest.mark.parametrize("bad", ["frequencies_hz = [nan]", "frequencies_hz = 3", "frequencies_hz = [1.0, 2.0]"])
def test_a_spoiled_response_is_refused(tmp_path, bad):
    path = tmp_path / "calibration.toml"
    with open_bench(None) as bench:
        save_calibration(bench.calibration, path)
    lines = [bad if line.startswith("frequencies_hz") else line for line in path.read_text().splitlines()]
    path.write_text("\n".join(lines))
    with pytest.raises(FileError, match=r"\[response\]"):
        load_calibration(path)
