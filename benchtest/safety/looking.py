"""Looking at one meter, or at the sound card's inputs, with nothing driven: what watching is made of.

Rules: nothing but zeros is ever emitted here; ohms are refused while there is voltage between the leads.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from benchtest.bench import SOUND_CARD, Instruments, open_instruments
from benchtest.calibration import Calibration, calibration_path, load_calibration, stated_calibration
from benchtest.errors import FileError, LostFrames, NotAllowed, NotReachable
from benchtest.instruments.accuracy import UNITS
from benchtest.instruments.protocols import Function
from benchtest.instruments.test_points import TEST_POINTS
from benchtest.quantities import near_names
from benchtest.safety import limits as lim

_OHMS = (Function.RESISTANCE, Function.RESISTANCE_4W, Function.DIODE)
INPUTS = ("left", "right")


@dataclass(frozen=True)
class Look:
    """One value: label ("" for a meter, "left", "right" for the sound card), value (None: overload), unit."""

    label: str
    value: float | None
    unit: str


@dataclass(frozen=True)
class View:
    """An open look at something. ``take`` gets the next values; ``close`` lets go of the instruments."""

    title: str
    identity: str
    simulated: bool
    started_utc: datetime
    now: Callable[[], float]
    sleep: Callable[[float], None]
    take: Callable[[], list[Look]]
    close: Callable[[], None]
    asks: bool = False
    """Each value is typed by a person (a hand-held meter): the keys are not free for marks."""


def open_view(
    bench_file: Path | None,
    point: str = "",
    *,
    function: Function = Function.DC_VOLTS,
    seed: int = 0,
    scenario: str = "healthy",
    every_s: float = 0.25,
    line_cycles: float = 10.0,
) -> View:
    """Open what looks at ``point``: a test point, a meter's name, "sound_card", or "" for the bench's first meter.

    Only that instrument is opened. A movable meter is moved to the point (one prompt); without a point its leads are
    wherever the person holds them. On the simulated bench its amplifier is switched on first, with its inputs shorted.
    Raises FileError, InstrumentError, NotReachable, NotAllowed (ohms with voltage on the leads).
    """
    name = _who_looks(bench_file, point)
    it = open_instruments(bench_file, seed=seed, scenario=scenario, only=(name,))
    try:
        if bench_file is None:
            point = point or "left_output"
            it.operator.set(
                {"load": "1 kilohm", "inputs": "shorted", "volume": "full", "mains": "on"}, say="simulated amplifier on"
            )
            it.clock.sleep(20.0)
        if name == SOUND_CARD:
            return _levels(it, every_s)
        return _meter(it, name, point, function, line_cycles)
    except BaseException:
        it.close()
        raise


def _who_looks(bench_file: Path | None, point: str) -> str:
    """The name of the instrument that can look at a point."""
    from benchtest.bench_file import bench_from_text, load_bench

    if bench_file is None:
        from benchtest.bench import simulated_bench_text

        file = bench_from_text(simulated_bench_text(), "the simulated bench")
    else:
        file = load_bench(bench_file)
    if point in (SOUND_CARD, "sound_card"):
        if file.audio is None:
            raise NotReachable(f"bench '{file.bench.name}' has no [audio] section: no levels. Watch a meter instead.")
        return SOUND_CARD
    if not file.dmm:
        raise NotReachable(
            f"bench '{file.bench.name}' has no [[dmm]]. Add a meter, or watch the sound card's levels: benchtest watch "
            "sound_card."
        )
    movable = next((m for m in file.dmm if m.connected_to == "movable"), None)
    if not point:
        return (movable or file.dmm[0]).name
    fixed = next((m for m in file.dmm if point in (m.name, m.connected_to)), None)
    if fixed is not None:
        return fixed.name
    if point not in TEST_POINTS:
        known = [*(m.name for m in file.dmm), "sound_card", *sorted(TEST_POINTS)]
        near = near_names(point, known)
        meant = f" Near it: {', '.join(near)}." if near else ""
        raise FileError(
            f"'{point}' is neither a meter of this bench nor a test point.{meant} Expected one of: {', '.join(known)}."
        )
    if movable is None:
        raise NotReachable(
            f"no meter of bench '{file.bench.name}' reaches {point}: none sits there and none is movable. Expected one of "
            f"{', '.join(m.name for m in file.dmm)}, which can be watched where they are."
        )
    return movable.name


def _meter(it: Instruments, name: str, point: str, function: Function, line_cycles: float) -> View:
    meter = it.meters[name]
    if point in TEST_POINTS and meter.connected_to == "movable":
        place = TEST_POINTS[point]
        inside = it.path is None and not place.outside  # touched with the amplifier off
        if inside:
            it.operator.set({"mains": "off"}, say="simulated amplifier off, to touch inside")
        it.operator.set({name: point.replace("leads_shorted", "leads shorted")}, say=f"{name}: {place.words}")
        if inside:
            it.operator.set({"mains": "on"}, say="simulated amplifier on")
            it.clock.sleep(20.0)
    if function in _OHMS:
        _refuse_live_ohms(it, name)
    unit = UNITS[function]
    asks = it.file.meter(name).driver == "handheld"
    if not asks:
        it.operator.close()  # from here on the keys are marks

    def take() -> list[Look]:
        reading = meter.measure(function, line_cycles=line_cycles, frequency_hz=None)
        return [Look("", reading.value, unit)]

    where = point if point in TEST_POINTS else meter.connected_to
    where = "its leads" if where == "movable" else where.replace("_", " ")
    title = f"{name} at {where}, {function.replace('_', ' ')}"
    return View(
        title, meter.identity(), it.simulated, it.started_utc, it.clock.now, it.clock.sleep, take, it.close, asks
    )  # fmt: skip


def _refuse_live_ohms(it: Instruments, name: str) -> None:
    seen = it.meters[name].measure(Function.DC_VOLTS).value
    if seen is None or not abs(seen) < lim.EMPTY_V:
        shown = "an overload" if seen is None else f"{seen:.3g} V"
        raise NotAllowed(
            f"ohms with {shown} between the leads of {name}. Expected below {lim.EMPTY_V:g} V. Switch off, discharge the "
            "reservoirs through a resistor, measure them empty, then watch ohms."
        )


def _levels(it: Instruments, every_s: float) -> View:
    audio = it.audio
    assert audio is not None
    audio.start()
    it.operator.close()  # from here on the keys are marks
    scale = np.asarray(_scale(it).input_volts_per_full_scale)
    frames = max(round(every_s * audio.sample_rate), 1024)
    silence = np.zeros((frames, 2))

    def take() -> list[Look]:
        audio.begin(silence, record=(0, frames))
        recording = audio.finish()
        if recording.lost_frames:
            raise LostFrames(f"{recording.lost_frames} frames lost while looking")
        alternating = recording.samples - np.mean(recording.samples, axis=0)
        rms = np.sqrt(np.mean(np.square(alternating), axis=0)) * scale
        clipped = np.max(np.abs(recording.samples), axis=0) >= 0.9999
        return [
            Look(label, None if over else float(v), "V") for label, v, over in zip(INPUTS, rms, clipped, strict=True)
        ]

    return View(
        "sound card's inputs, rms at the dividers' far ends", audio.identity(), it.simulated, it.started_utc,
        it.clock.now, it.clock.sleep, take, it.close,
    )  # fmt: skip


def _scale(it: Instruments) -> Calibration:
    path = calibration_path(it.file, it.path)
    return load_calibration(path) if path is not None and path.is_file() else stated_calibration(it.file)
