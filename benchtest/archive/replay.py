"""A bench that plays back one kept capture, so that today's measurement can be run on it again.

It answers what a measurement asks of the guarded bench while it looks at a capture, from the run's own record. Whatever
else a measurement asks for (a meter, another tone) it refuses, and the reading is then not recomputed.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

from benchtest.amplifier_file import AmplifierSpec, unknown_amplifier
from benchtest.archive.conditions import conditions_of
from benchtest.archive.run import amplifier_identity
from benchtest.archive.table_reading import Row
from benchtest.archive.waveforms import Waveform
from benchtest.calibration import Calibration
from benchtest.errors import NotReachable
from benchtest.safety import Capture
from benchtest.safety.interlock import CHANNELS
from benchtest.safety.limits import DriveLimits
from benchtest.safety.tone import FiguresOnDemand


class KeptBench:
    """What a measurement sees of a bench, for one capture and the reading that rested on it."""

    channels = CHANNELS

    def __init__(
        self, summary: Mapping[str, Any], rows: Sequence[Row], row: Row, waveform: Waveform, meta: Mapping[str, Any]
    ):
        """meta: what was kept with the capture: frequency_hz of a tone; sweep (the channel), input_v, inductance."""
        tone = meta.get("frequency_hz")
        tone_hz = float(tone) if isinstance(tone, int | float) else None
        self.amplifier = kept_amplifier(summary) or unknown_amplifier()
        self.calibration = kept_calibration(summary)
        self.load_ohm = _loads(summary, rows)
        self.load_measured = True
        self._conditions = conditions_of(row)
        self._capture = self._as_capture(waveform, row, rows, tone_hz)
        self.sample_rate = float(waveform.sample_rate)
        bench = summary.get("bench")
        mains_hz = _number(bench.get("mains_frequency")) if isinstance(bench, Mapping) else 0.0
        self.file = SimpleNamespace(
            bench=SimpleNamespace(mains_frequency=mains_hz),
            load=SimpleNamespace(inductance_uh=_number(meta.get("load_inductance_uh"))),
        )
        self._swept = meta.get("sweep") in CHANNELS
        self.tones: dict[str, Capture] = {}
        """Where several tones were kept: that of each channel."""
        if meta.get("input_v"):
            left_v, right_v = map(_number, meta["input_v"])
            driven = [str(meta["sweep"])] if self._swept else list(meta.get("driven") or ())
            self._capture = replace(self._capture, input_v=(left_v, right_v), driven=frozenset(driven))

    @property
    def capture(self) -> Capture:
        """The kept capture."""
        return self._capture

    def conditions(self, **more: Any) -> dict[str, Any]:
        """The conditions under which the old reading was taken."""
        return {**self._conditions, **more}

    def drive_limits(self) -> DriveLimits:
        spec, scale = self.amplifier, self.calibration.input_volts_per_full_scale
        return DriveLimits(
            (self.load_ohm["left"], self.load_ohm["right"]), math.inf, spec.rated_power_w, spec.rated_load_ohm, scale
        )

    def ramp_ended(self, channel: str) -> str:
        return ""

    def refusal(self, channel: str) -> str:
        return ""

    def tone(self, _: float, channels: Sequence[str], **__: Any) -> Capture:
        """The kept capture, whatever level is asked for."""
        if self.tones:
            if len(channels) != 1 or channels[0] not in self.tones:
                raise NotReachable(f"no tone of {' and '.join(channels)} was kept")
            return self.tones[channels[0]]
        if self._capture.frequency_hz is None:
            raise NotReachable("no tone was kept")
        return self._capture

    def waveform(self, *_: Any, **__: Any) -> Capture:
        """The kept sweep: today's code knows its shape by the sample rate."""
        if not self._swept:
            raise NotReachable("no sweep was kept")
        return self._capture

    def record(self, *_: Any, **__: Any) -> Capture:
        """The kept capture, however long it is."""
        return self._capture

    def __getattr__(self, name: str) -> Any:
        raise NotReachable(f"today's code asks the bench for '{name}', which no capture holds")

    def _as_capture(self, waveform: Waveform, row: Row, rows: Sequence[Row], tone_hz: float | None) -> Capture:
        volts, rate = waveform.samples, waveform.sample_rate
        figures = {} if tone_hz is None else FiguresOnDemand(volts, rate, tone_hz, CHANNELS)
        driven = frozenset({row["channel"]} if tone_hz is not None and row["channel"] in CHANNELS else ())
        scale = waveform.volts_per_full_scale
        return Capture(
            volts=volts, sample_rate=rate, driven=driven, input_v=_inputs(row, rows), frequency_hz=tone_hz,
            volts_per_full_scale=(scale, scale), clipped=False, figures=figures,
        )  # fmt: skip


def kept_amplifier(summary: Mapping[str, Any]) -> AmplifierSpec | None:
    """The amplifier file as run.json kept it; None where today's program does not understand it."""
    from pydantic import ValidationError

    try:
        return AmplifierSpec.model_validate_json(
            json.dumps(amplifier_identity(summary))
        )  # a list may stand for a tuple
    except (TypeError, ValueError, ValidationError):
        return None


def kept_calibration(summary: Mapping[str, Any]) -> Calibration:
    """The calibration as run.json kept it. Raises NotReachable where it is none."""
    from dataclasses import fields

    from benchtest.loopback import from_table

    found = summary.get("calibration")
    known = {each.name for each in fields(Calibration)}
    try:
        values: dict[str, Any] = {key: value for key, value in dict(found or {}).items() if key in known}
        response = values.pop("response", None)
        pairs: dict[str, Any] = {key: tuple(v) if isinstance(v, list) else v for key, v in values.items()}
        return Calibration(**pairs, response=None if response is None else from_table(response))
    except (TypeError, ValueError) as error:
        raise NotReachable(f"run.json holds no calibration that can be used ({error})") from error


def _number(value: Any) -> float:
    """A number that was kept, 0 where it was not."""
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else 0.0


def _loads(summary: Mapping[str, Any], rows: Sequence[Row]) -> dict[str, float]:
    """The load of each channel: as the readings say, else as run.json does."""
    bench = summary.get("bench")
    stated = bench.get("load_ohm") if isinstance(bench, Mapping) else None
    found = {c: float(v) for c, v in stated.items() if c in CHANNELS} if isinstance(stated, Mapping) else {}
    for row in rows:
        if row["channel"] in CHANNELS and row["load_ohm"]:
            found[row["channel"]] = float(row["load_ohm"])
    return {channel: found.get(channel, math.nan) for channel in CHANNELS}


def _inputs(row: Row, rows: Sequence[Row]) -> tuple[float, float]:
    """The level at the input sockets, rms, from the output and the gain that the run measured; nan where it did not."""
    gains = {r["channel"]: r["value"] for r in rows if r["quantity"] == "gain" and r["value"] is not None}
    found = []
    for channel in CHANNELS:
        known = channel == row["channel"] and row["level"] and channel in gains
        found.append(float(row["level"]) / 10 ** (gains[channel] / 20) if known else math.nan)
    return found[0], found[1]
