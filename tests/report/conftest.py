"""Run folders of a demo amplifier for the report's tests. Every number and name in them is invented."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchtest.archive import RunWriter
from benchtest.reading import ClaimVerdict, Reading, Verdict, as_row

STARTED = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
STEPS = {
    "cold_checks": ("Cold checks", "ohms and stored charge before any mains"),
    "rails": ("Rails", "no rails, no sound"),
    "dc_check": ("DC check", "DC burns voice coils; nothing is driven before this passes"),
    "noise_and_hum": ("Noise and hum", "inputs still shorted, then the sound card is plugged in"),
    "gain": ("Gain and polarity at 50 mV", "small first"),
    "ramp": ("Output power", "rated distortion decides"),
    "distortion": ("Distortion", "at 1 W, half and rated power"),
    "switch_off": ("Switch-off and discharge", "measured, not waited for"),
}
SPEC = {
    "amplifier": {
        "name": "Demo 60",
        "serial": "DEMO-0001",
        "kind": "integrated",
        "output_stage": "direct_coupled",
        "rated_power_w": 60.0,
        "rated_load_ohm": 8.0,
        "rated_thd_percent": 0.1,
        "age_years": 40.0,
    },
    "claims": [],
    "limits": [],
}
BENCH = {
    "bench": {
        "name": "demo bench",
        "mains_voltage": 230.0,
        "mains_frequency": 50.0,
        "simulated": True,
        "load_ohm": {"left": 8.021, "right": 7.987},
        "load_measured": True,
        "seed": 0,
        "scenario": "healthy",
    },
    "instruments": {
        "meters": [{"name": "meter", "identity": "Demo,simulated multimeter,0,1.0", "connected_to": "movable"}],
        "audio": {"identity": "simulated sound card", "sample_rate": 96000},
    },
    "calibration": {
        "kind": "measured",
        "made_utc": "2031-05-06T07:00:00Z",
        "meter": "demo multimeter",
        "output_volts_per_full_scale": [2.001, 1.998],
    },
    "software": {"python": "3.11", "benchtest": "0.1.0"},
}


class DemoRun:
    """Writes a run step by step as the runner does: events, readings, curves."""

    def __init__(self, archive: Path, **header: Any) -> None:
        page = {"title": "Test after a repair", "simulated": True, "amplifier": SPEC, **BENCH} | header
        self.writer = RunWriter.create(
            archive, procedure="power_on", amplifier_name="Demo 60", started_utc=STARTED, header=page
        )
        self.time_s, self.sequence, self.in_step = 0.0, 0, ""
        self.rng = np.random.default_rng(60)
        self.event("run_started", title=page["title"], procedure="power_on", simulated=True)

    def event(self, kind: str, **data: Any) -> None:
        self.writer.append_event({"event": kind, "time_s": round(self.time_s, 3), **data})

    def step(self, name: str, seconds: float = 60.0) -> None:
        self.end_step()
        self.in_step = name
        self.event("step_started", step=name, title=STEPS[name][0], why=STEPS[name][1], hook_up="", outside=True)
        self.event("prompt", settings={"meter": "left_output"}, say="Meter to the output.")
        self.time_s += seconds

    def end_step(self) -> None:
        if self.in_step:
            self.event("step_ended", step=self.in_step, outcome="done")

    def read(self, quantity: str, channel: str, value: float | None, unit: str, **more: Any) -> None:
        if value is not None and "expanded_uncertainty" not in more:
            more["expanded_uncertainty"] = abs(value) * 0.004 + 1e-6
        more.setdefault("conditions", {"volume": "full", "lamp": "out"})
        self.sequence += 1
        self.time_s += 1.5
        row = as_row(
            Reading(quantity=quantity, channel=channel, value=value, unit=unit, **more),
            run_id=self.writer.run_id,
            sequence=self.sequence,
            time_utc=STARTED + timedelta(seconds=self.time_s),
            procedure="power_on",
            step=self.in_step,
            simulated=True,
        )
        self.writer.append_reading(row)
        self.event("reading", row=row, budget={})

    def both(self, quantity: str, values: tuple[float | None, float | None], unit: str, **more: Any) -> None:
        for channel, value in zip(("left", "right"), values, strict=True):
            self.read(quantity, channel, value, unit, **more)

    def close(self, result: str, **more: Any) -> Path:
        status = {"passed": 0, "failed": 1, "error": 3, "stopped": 4, "inconclusive": 5, "interrupted": 130}[result]
        page = {"result": result, "exit_status": status, "bench_seconds": self.time_s, "diagnosis": []} | more
        self.event("run_ended", result=result, exit_status=status)
        self.writer.close(page)
        return self.writer.folder


def first_half(run: DemoRun, offset: tuple[float, float] = (0.0123, -0.0081)) -> None:
    ok = {"verdict": Verdict.PASS}
    run.step("cold_checks")
    run.both("residual_charge", (0.004, 0.003), "V", upper_limit=2.0, conditions={"rail": "positive"}, **ok)
    run.both("fuse_resistance", (0.031, 0.029), "ohm", upper_limit=0.5, expanded_uncertainty=0.01, **ok)
    run.both(
        "load_resistance", (8.021, 7.987), "ohm", lower_limit=7.6, upper_limit=8.4, expanded_uncertainty=0.02, **ok
    )
    run.step("rails", 30)
    for rail, value in (("positive", 42.31), ("negative", -42.18)):
        low, high = sorted((0.9 * 42 * np.sign(value), 1.1 * 42 * np.sign(value)))
        run.read("rail_voltage", "none", value, "V", lower_limit=low, upper_limit=high, conditions={"rail": rail}, **ok)
    run.read("rail_balance", "none", 0.31, "%", upper_limit=10.0, **ok)
    run.step("dc_check", 120)
    for volume in ("minimum", "full"):
        for channel, value in zip(("left", "right"), offset, strict=True):
            bad = abs(value) > 0.1
            run.read(
                "dc_offset",
                channel,
                value,
                "V",
                expanded_uncertainty=0.00012,
                lower_limit=-0.1,
                upper_limit=0.1,
                verdict=Verdict.FAIL if bad else Verdict.PASS,
                conditions={"volume": volume, "inputs": "shorted"},
                method="mean of ten readings, 10 line cycles each",
                note="far above the stop limit" if bad else "",
            )


def second_half(
    run: DemoRun, power: tuple[float, float] = (63.4, 61.9), thd: tuple[float, float] = (0.021, 0.024)
) -> None:
    ok: dict[str, Any] = {"verdict": Verdict.PASS}
    minutes = np.array([10, 20, 30, 60, 120, 240, 420, 600.0])
    run.writer.save_curve(
        "offset_warmup",
        {
            "time_s": minutes,
            "left_v": 0.0123 + 0.009 * (1 - np.exp(-minutes / 200)),
            "right_v": -0.0081 - 0.004 * (1 - np.exp(-minutes / 260)),
        },
        units={"time_s": "s", "left_v": "V", "right_v": "V"},
        title="DC at the outputs while warming up",
        meta={},
    )
    run.step("noise_and_hum", 40)
    run.both(
        "noise", (0.000123, 0.000131), "V", upper_limit=0.0009, bandwidth_hz="20:20000", method="rms, unweighted", **ok
    )
    run.both("hum", (0.00004, 0.00041), "V", upper_limit=0.001, frequency_hz=100.0, expanded_uncertainty=0.00002, **ok)
    run.both(
        "signal_to_noise",
        (87.2, 86.7),
        "dB",
        lower_limit=70.0,
        claim=85.0,
        claim_verdict=ClaimVerdict.MET,
        expanded_uncertainty=0.2,
        conditions={"reference": "1 W", "weighting": "A"},
        **ok,
    )
    run.step("gain", 30)
    run.both(
        "gain",
        (33.12, 33.29),
        "dB",
        frequency_hz=1000.0,
        level=0.05,
        level_unit="V",
        load_ohm=8.0,
        expanded_uncertainty=0.05,
    )
    run.read(
        "channel_balance",
        "both",
        0.17,
        "dB",
        lower_limit=-1.0,
        upper_limit=1.0,
        expanded_uncertainty=0.03,
        claim=0.5,
        claim_verdict=ClaimVerdict.MET,
        **ok,
    )
    run.both("polarity", (1.0, 1.0), "1", lower_limit=0.0, expanded_uncertainty=None, **ok)
    run.step("ramp", 90)
    levels = np.array([0.05, 0.3, 2.83, 4.0, 5.7, 8.0, 11.3, 15.6, 17.5, 19.6, 20.2, 20.8, 21.4, 22.0, 22.6])
    for channel, limit, floor in (("left", power[0], thd[0]), ("right", power[1], thd[1])):
        watts = levels**2 / 8.0
        clip = 100 * np.clip(watts / limit - 0.975, 0, None) ** 1.5 * 3
        only = floor * (1 + 0.3 * np.log10(1 + watts)) / 2 + clip
        total = np.hypot(only, 0.00016 / levels * 100) + 0.001
        keep = total < 3
        run.writer.save_curve(
            f"thd_n_vs_level_{channel}",
            {
                "output_power_w": watts[keep],
                "thd_n_percent": total[keep],
                "thd_percent": only[keep],
                "output_v": levels[keep],
            },
            units={"output_power_w": "W", "thd_n_percent": "%", "thd_percent": "%", "output_v": "V"},
            title=f"THD+N against output power, {channel}",
            meta={},
        )
        for level, value in zip(levels[keep], total[keep], strict=True):
            run.read(
                "thd_n",
                channel,
                float(value),
                "%",
                level=float(level),
                level_unit="V",
                load_ohm=8.0,
                frequency_hz=1000.0,
            )
        f = np.linspace(0, 48000, 16385)
        level = -118 + 6 * run.rng.standard_normal(len(f)) + 14 / (1 + f / 120)
        for harmonic, db in ((1, 9.03), (2, -68), (3, -72), (4, -92), (5, -88), (7, -97)):
            level[np.argmin(abs(f - 1000 * harmonic))] = db
        level[np.argmin(abs(f - 100))] = -78
        run.writer.save_curve(
            f"spectrum_{channel}",
            {"frequency_hz": f, "level_db": level, "bench_floor_db": np.full(len(f), -126.0)},
            units={"frequency_hz": "Hz", "level_db": "dB re 1 V", "bench_floor_db": "dB re 1 V"},
            title=f"Spectrum at 1 W, 1 kHz, {channel}",
            meta={},
        )
    for driven in ("one", "both"):
        for channel, value in zip(("left", "right"), power, strict=True):
            value = value if driven == "one" else 0.94 * value
            run.read(
                "output_power",
                channel,
                value,
                "W",
                expanded_uncertainty=0.011 * value,
                lower_limit=54.0,
                claim=60.0,
                verdict=Verdict.PASS if value > 54.8 else Verdict.FAIL,
                claim_verdict=ClaimVerdict.MET
                if value > 61
                else ClaimVerdict.MISSED
                if value < 59
                else ClaimVerdict.INCONCLUSIVE,
                frequency_hz=1000.0,
                load_ohm=8.0,
                method="bisection to 0.02 dB at the rated THD",
                conditions={"driven": driven},
            )
    run.step("distortion", 30)
    for at, level, limit, factor in (
        ("1 W", 2.83, 0.3, 1.0),
        ("half power", 15.5, 0.5, 1.4),
        ("rated power", 21.9, 1.0, 2.2),
    ):
        for quantity in ("thd", "thd_n"):
            for channel, value in zip(("left", "right"), thd, strict=True):
                run.read(
                    quantity,
                    channel,
                    value * factor,
                    "%",
                    upper_limit=limit,
                    level=level,
                    level_unit="V",
                    load_ohm=8.0,
                    frequency_hz=1000.0,
                    expanded_uncertainty=0.0021,
                    claim=0.1 if at == "rated power" else None,
                    claim_verdict=ClaimVerdict.MET
                    if at == "rated power" and value * factor < 0.1
                    else ClaimVerdict.MISSED
                    if at == "rated power"
                    else None,
                    verdict=Verdict.PASS if value * factor < limit else Verdict.FAIL,
                    method="sine fit, then the residual in 20 Hz to 20 kHz",
                    conditions={"at": at},
                )
    run.step("switch_off", 60)
    run.both(
        "turn_off_transient",
        (0.31, 0.34),
        "V",
        upper_limit=1.0,
        verdict=Verdict.NOTED,
        note="audible, mild",
        expanded_uncertainty=0.012,
    )
    run.read("idle_current", "left", None, "A", verdict=Verdict.NOT_MEASURED, note="lid on; not required here")
    run.read("idle_current", "right", None, "A", verdict=Verdict.NOT_MEASURED, note="lid on; not required here")
    run.read("residual_charge", "none", 0.4, "V", upper_limit=2.0, **ok)
    run.end_step()


def build_demo_run(archive: Path, kind: str) -> Path:
    """A run folder of a demo amplifier: passed, failed, stopped, interrupted, unfinished or empty. Invented."""
    if kind == "empty":
        writer = DemoRun(archive).writer
        writer.abandon()
        return writer.folder
    run = DemoRun(archive)
    if kind == "stopped":
        first_half(run, offset=(0.0123, 38.7))
        run.event(
            "stop", message="38.7 V DC at the right output. Expected below 300 mV.", words="SWITCH OFF AT THE WALL"
        )
        cause = {
            "cause": "output-stage-shorted",
            "channel": "right",
            "probability": 0.97,
            "evidence": ["the positive rail stands at the right output", "rails alike within 5 %"],
            "next_check": "Unplug, measure the reservoirs empty, then the right output pair with the diode test.",
        }
        return run.close(
            "stopped",
            stop="38.7 V DC at the right output. Expected below 300 mV.",
            diagnosis=[cause],
            ending="THE AMPLIFIER IS STILL ON, the reservoirs are charged, the loads are hot. Switch off at the wall.",
        )
    first_half(run)
    if kind == "interrupted":
        return run.close("interrupted")
    if kind == "unfinished":
        run.writer.abandon()
        return run.writer.folder
    if kind == "failed":
        second_half(run, power=(63.4, 47.2), thd=(0.021, 0.37))
        causes = [
            {
                "cause": "bias-low",
                "channel": "right",
                "probability": 0.7,
                "evidence": ["THD falls as the level rises"],
                "next_check": "Idle current of the right channel, warm: millivolts across an emitter resistor.",
            },
            {
                "cause": "reservoir-dry",
                "channel": "both",
                "probability": 0.2,
                "evidence": [],
                "next_check": "Ripple on both rails under load.",
            },
        ]
        return run.close(
            "failed", diagnosis=causes, ending="Mains off, reservoirs measured empty. The loads may be hot."
        )
    second_half(run)
    return run.close(
        "passed",
        diagnosis=[{"cause": "healthy", "channel": "none", "probability": 0.99, "evidence": [], "next_check": ""}],
        ending="Mains off, reservoirs measured empty. The loads may be hot.",
    )


@pytest.fixture
def demo_run(tmp_path: Path) -> Callable[[str], Path]:
    """demo_run(kind): the folder of an invented run."""
    return lambda kind: build_demo_run(tmp_path, kind)
