"""What is drawn: the bench's floor in a spectrum against drawn noise, points under the pointer, where limits stand."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchtest.archive.curves import Curve
from benchtest.report.plots import overlays, pictures
from benchtest.report.series import bench_floor, same_kind, series_of, spectrum_floor, standing_points


def _curve(name: str, columns: dict[str, np.ndarray], units: dict[str, str], **meta) -> Curve:
    return Curve(name, Path(f"{name}.csv"), name.replace("_", " "), columns, units, meta)


def test_floor_of_a_spectrum_is_where_noise_of_that_voltage_lies():
    """White noise of 100 uV in 20 kHz, drawn, through a Hann window and thinned to peaks, as the spectra are made."""
    rng = np.random.default_rng(3)
    rate, frames, noise_v = 96000, 33600, 1e-4
    sigma = noise_v * np.sqrt(rate / 2 / 19980.0)  # white over the whole band, so that 20 kHz of it are 100 uV
    window = np.hanning(frames)
    frequency = np.fft.rfftfreq(frames, 1 / rate)
    keep = (frequency >= 10) & (frequency <= 40e3)
    edges = np.unique(np.geomspace(1, keep.sum(), 2000).astype(int)) - 1
    levels = []
    for _ in range(40):
        amplitude = np.abs(np.fft.rfft(sigma * rng.standard_normal(frames) * window)) / (window.sum() / 2) / np.sqrt(2)
        levels.append(np.maximum.reduceat(amplitude[keep], edges) ** 2)
    measured = 10 * np.log10(np.mean(levels, axis=0))[:-1]
    floor = spectrum_floor(frequency[keep][edges], noise_v)[:-1]
    # single bins: exponential power, mean of 40 has a spread of 0.7 dB; their mean over hundreds of bins far less. Among
    # several bins the window makes neighbours alike, so that the largest of m is a little lower than of m strangers.
    single = np.diff(frequency[keep][edges]) < 1.5 * rate / frames
    assert np.mean(measured[single] - floor[single]) == pytest.approx(0.0, abs=0.15)
    assert np.mean(measured[~single] - floor[~single]) == pytest.approx(0.0, abs=0.8)


def test_floor_is_drawn_only_where_the_calibration_measured_it():
    f = np.arange(10.0, 100.0)
    curve = _curve(
        "spectrum_left", {"frequency_hz": f, "level_db": -f}, {"frequency_hz": "Hz", "level_db": "dB re 1 V"}
    )
    known = {"noise_v": [1e-4, 2e-4], "residual_thd": [1e-5, 1e-5]}
    assert len(bench_floor("spectrum", curve, known)) == 1
    for calibration in ({}, {"noise_v": None, "residual_thd": None}, {"noise_v": [], "residual_thd": []}):
        assert bench_floor("spectrum", curve, calibration) == []
    assert bench_floor("offset_warmup", curve, known) == []


def test_a_column_of_uncertainty_is_a_band_and_no_line_of_its_own():
    x = np.arange(1.0, 41.0)
    columns = {"frequency_hz": x, "left_db": x, "left_uncertainty_db": np.full(40, 0.2)}
    curve = _curve("response", columns, dict.fromkeys(columns, "dB") | {"frequency_hz": "Hz"})
    (one,) = series_of(curve, "")
    assert one.spread is not None
    assert one.spread.tolist() == [0.2] * 40
    (picture,) = pictures({"response": curve}, [], None)
    assert "FillBetween" in picture.svg or "PolyCollection" in picture.svg


def test_points_under_the_pointer_lie_on_the_line_and_tell_its_values():
    x = np.array([1.0, 10.0, 100.0])
    columns = {"output_power_w": x, "thd_n_percent": np.array([0.3, 0.1, 0.03])}
    curve = _curve("thd_n_vs_level_left", columns, {"output_power_w": "W", "thd_n_percent": "%"})
    (picture,) = pictures({"thd_n_vs_level_left": curve}, [], None)
    root = ElementTree.fromstring(picture.svg)
    ns = "{http://www.w3.org/2000/svg}"
    circles = [(float(c.get("cx")), float(c.get("cy")), c.find(f"{ns}title").text) for c in root.findall(f"{ns}circle")]
    assert [text for *_, text in circles] == ["left: 0.3 % at 1 W", "left: 0.1 % at 10 W", "left: 0.03 % at 100 W"]
    drawn = re.findall(r'<use [^>]*x="([\d.]+)" y="([\d.]+)"', picture.svg)
    marks = [(float(a), float(b)) for a, b in drawn]
    for left, up, _ in circles:
        assert min(np.hypot(left - a, up - b) for a, b in marks) < 0.2


def test_the_points_of_a_spectrum_under_the_pointer_are_its_lines():
    y = np.full(5000, -120.0) + np.random.default_rng(0).standard_normal(5000)
    y[[100, 200, 300]] = (0.0, -60.0, -70.0)
    chosen = standing_points(np.arange(5000.0), y, 48)
    assert {100, 200, 300} <= set(chosen.tolist())
    assert len(chosen) <= 48


def test_before_and_after_share_a_picture_for_each_channel_only_where_they_show_the_same():
    def run(scale: float, at: str) -> dict[str, Curve]:
        x = np.geomspace(0.1, 60.0, 8)
        return {
            f"thd_n_vs_level_{c}": _curve(
                f"thd_n_vs_level_{c}", {"output_power_w": x, "thd_n_percent": scale / x},
                {"output_power_w": "W", "thd_n_percent": "%"}, at=at,
            )
            for c in ("left", "right")
        }  # fmt: skip

    found = overlays(run(1.0, "1 W"), run(0.5, "1 W"))
    assert [picture.title for picture in found] == ["thd n vs level, left", "thd n vs level, right"]
    assert "left, before: " in found[0].words
    assert "left, after: " in found[0].words
    assert overlays(run(1.0, "1 W"), run(0.5, "10 W")) == []
    assert overlays({}, run(0.5, "1 W")) == []
    spread = {"thd_n_uncertainty_percent": np.full(8, 0.01)}  # a run of an older program has none
    old, new = run(1.0, "1 W"), {n: replace(c, columns={**c.columns, **spread}) for n, c in run(0.5, "1 W").items()}
    assert len(overlays(old, new)) == 2
    one = run(1.0, "1 W")["thd_n_vs_level_left"]
    assert same_kind(one, one)


def _row(quantity: str, channel: str, value: float, **more):
    keys = ("lower_limit", "upper_limit", "claim_verdict", "frequency_hz", "level", "level_unit", "load_ohm")
    return dict.fromkeys(keys) | {
        "quantity": quantity, "channel": channel, "value": value, "expanded_uncertainty": 0.1 * abs(value),
        "conditions": "{}",
    } | more  # fmt: skip


def test_separation_both_ways_is_one_picture_with_the_limits_of_its_frequencies_inside():
    f = np.geomspace(20.0, 20e3, 60)
    units = {"frequency_hz": "Hz", "separation_db": "dB"}
    curves = {
        name: _curve(name, {"frequency_hz": f, "separation_db": 80 - 10 * np.log10(f / 20)}, units, at="1 W")
        for name in ("separation_left_into_right", "separation_right_into_left")
    }
    rows = [
        _row("crosstalk", "left", 63.0, lower_limit=40.0, frequency_hz=1000.0, conditions='{"at":"1 W"}'),
        _row("crosstalk", "left", 99.0, lower_limit=12.0, frequency_hz=1000.0, conditions='{"at":"50 mV"}'),
    ]
    (picture,) = pictures(curves, rows, None)
    assert "limit 40 dB at 1000 Hz" in picture.words
    assert "limit 12" not in picture.words
    assert {line.split(":")[0] for line in picture.words.split(". ", 1)[1].split("; ")} == {"left", "right"}
    assert len(picture.files) == 2


def test_a_limit_far_above_a_curve_is_told_and_does_not_flatten_it():
    t = np.linspace(0.0, 2.0, 50)
    columns = {"time_s": t, "left_v": 0.006 * np.exp(-t), "right_v": 0.003 * np.exp(-t)}
    curve = _curve("thump_turn_off", columns, {"time_s": "s", "left_v": "V", "right_v": "V"})
    rows = [_row("turn_off_transient", "left", 0.006, lower_limit=-1.0, upper_limit=1.0)]
    (picture,) = pictures({"thump_turn_off": curve}, rows, None)
    assert "limit ±1000 mV, off the picture" in picture.svg
    near = [_row("turn_off_transient", "left", 0.006, lower_limit=-0.05, upper_limit=0.05)]
    (picture,) = pictures({"thump_turn_off": curve}, near, None)
    assert "off the picture" not in picture.svg
    assert "limit 50" in picture.words
