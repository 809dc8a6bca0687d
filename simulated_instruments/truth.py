"""What is stated of the simulated bench, and what is true of it: every value that a seed decides.

Every part draws from a stream of its own, named in ``PARTS``: a new part is appended and changes no other.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from benchtest.errors import FileError
from simulated_instruments.amplifier import AmplifierDesign, demo_amplifier, with_tolerances
from simulated_instruments.converters import ConverterErrors, draw_converter_errors
from simulated_instruments.faults import SCENARIOS
from simulated_instruments.faults.scenario import NO_CHANGE, BenchChange
from simulated_instruments.leads import METERS

CHANNELS = ("left", "right")

# What the person believes, and the bench file states.
SAMPLE_RATE = 96000
OUTPUT_FULL_SCALE_V = 2.0
INPUT_FULL_SCALE_V = 2.0
INPUT_DIVIDER = 23.3
OUTPUT_DIVIDER = 1.0
LOAD_OHM = 8.0
SECOND_LOAD_OHM = 4.0
LAMP_POWER_W = 60.0

PARTS = (
    "tolerances", "amplifier", "fault", "channel", "converters", "audio", "dividers", "loads", "cable", "leads",
    "operator", "meters", "second loads",
)  # fmt: skip
"""Who draws from which child of ``SeedSequence(seed)``, in order; append only. Meters spawn one each below theirs."""


@dataclass(frozen=True)
class Truth:
    """Every value drawn from the seed: for tests and for scoring, never for benchtest itself.

    Pairs are left, right. A divider is volts in per volt out. lead_ohm is by meter name.
    """

    seed: int
    scenario: str
    channel: str
    design: AmplifierDesign
    converters: ConverterErrors
    input_divider: tuple[float, float]
    output_divider: float
    load_ohm: tuple[float, float]
    second_load_ohm: tuple[float, float]
    kilohm_ohm: tuple[float, float]
    load_inductance_h: float
    hum_v: tuple[float, float]
    lead_ohm: Mapping[str, float]
    bench_change: BenchChange = NO_CHANGE
    """What is wrong with the bench itself, from the moment on at which its calibration is over."""


def sequence(seed: int, part: str) -> np.random.SeedSequence:
    """The child of the seed that belongs to a part: the one that ``spawn`` would give at its place in ``PARTS``."""
    return np.random.SeedSequence(seed, spawn_key=(PARTS.index(part),))


def generator(seed: int, part: str) -> np.random.Generator:
    """A fresh generator of a part's own stream."""
    return np.random.default_rng(sequence(seed, part))


def draw_truth(seed: int, scenario: str = "healthy", channel: str | None = None) -> Truth:
    """Draw everything that a real bench leaves to chance.

    Raises
    ------
    FileError
        If there is no such scenario or channel.
    """
    _check_names(scenario, channel)
    drawn_channel = str(generator(seed, "channel").choice(CHANNELS))
    at = channel or drawn_channel
    design = with_tolerances(demo_amplifier(), generator(seed, "tolerances"))
    fault = generator(seed, "fault")
    design = SCENARIOS[scenario].apply(design, at, fault)
    change = SCENARIOS[scenario].change_bench(at, fault)
    dividers, loads, cable, leads = (generator(seed, part) for part in ("dividers", "loads", "cable", "leads"))
    return Truth(
        seed=seed,
        scenario=scenario,
        channel=at if scenario != "healthy" else "none",
        design=design,
        converters=draw_converter_errors(
            generator(seed, "converters"),
            sample_rate=SAMPLE_RATE,
            output_full_scale_v=OUTPUT_FULL_SCALE_V,
            input_full_scale_v=INPUT_FULL_SCALE_V,
        ),
        input_divider=_pair(dividers, INPUT_DIVIDER, 0.01),
        output_divider=OUTPUT_DIVIDER,  # no divider, so nothing to be wrong
        load_ohm=_pair(loads, LOAD_OHM, 0.01),
        second_load_ohm=_pair(generator(seed, "second loads"), SECOND_LOAD_OHM, 0.01),
        kilohm_ohm=_pair(loads, 1000.0, 0.01),
        load_inductance_h=float(loads.uniform(1e-6, 5e-6)),
        hum_v=_pair(cable, 1.5e-6, 0.5),
        bench_change=change,
        lead_ohm={name: float(leads.uniform(0.1, 0.3)) for name in METERS},
    )


def truth_folder() -> Path:
    """Where the truth of kept runs lies: outside every archive. Only training and scoring open it."""
    state = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(state) / "benchtest" / "truth"


def keep_truth(truth: Truth, run_id: str) -> None:
    """Write what was wrong, and every drawn value, beside no run; a folder that cannot be written keeps nothing."""
    page = {
        "run_id": run_id,
        "seed": truth.seed,
        "scenario": truth.scenario,
        "channel": truth.channel,
        "drawn": {
            "input_divider": truth.input_divider,
            "load_ohm": truth.load_ohm,
            "hum_v": truth.hum_v,
            "converters": asdict(truth.converters),
        },
    }
    with contextlib.suppress(OSError):
        truth_folder().mkdir(parents=True, exist_ok=True)
        (truth_folder() / f"{run_id}.json").write_text(json.dumps(page, indent=1, default=str), encoding="utf-8")


def bench_text(
    *,
    meter_resources: Mapping[str, str] | None = None,
    control_resource: str = "",
    sound_card: tuple[str, str] | None = None,
) -> str:
    """The bench file of the simulated bench, TOML; see ``SimulatedBench.bench_text``."""
    reach = f'driver = "simulated"\nresource = "{control_resource}"\n' if control_resource else 'driver = "simulated"\n'
    parts = [
        '[bench]\nname = "simulated bench"\nmains_voltage = 230.0\nmains_frequency = 50.0\nsimulated = true\n',
        f"[operator]\n{reach}",
        f"[load]\nleft_ohm = {LOAD_OHM}\nright_ohm = {LOAD_OHM}\ntolerance_percent = 1.0\npower_rating_w = 200.0\n",
        f"[second_load]\nleft_ohm = {SECOND_LOAD_OHM}\nright_ohm = {SECOND_LOAD_OHM}\n"
        "tolerance_percent = 1.0\npower_rating_w = 200.0\n",
    ]
    for name, point in METERS.items():
        where = "movable" if point == "leads_shorted" else point
        driver = 'driver = "simulated"\n'
        if meter_resources is not None:
            driver = f'driver = "scpi"\nresource = "{meter_resources[name]}"\n{_accuracy_text()}'
        parts.append(f'[[dmm]]\nname = "{name}"\n{driver}connected_to = "{where}"\n')
    driver = 'driver = "simulated"\n'
    if sound_card is not None:
        driver = f'driver = "sound_card"\noutput_device = "{sound_card[0]}"\ninput_device = "{sound_card[1]}"\n'
    parts += [
        f"[audio]\n{driver}sample_rate = {SAMPLE_RATE}\n"
        f"output_full_scale_v = {OUTPUT_FULL_SCALE_V}\ninput_full_scale_v = {INPUT_FULL_SCALE_V}\n"
        f"left_input_divider = {INPUT_DIVIDER}\nright_input_divider = {INPUT_DIVIDER}\n"
        f"output_divider = {OUTPUT_DIVIDER}\n",
        f"[lamp]\npower_w = {LAMP_POWER_W:g}\n",
        f"[mains_socket]\n{reach}",
    ]
    return "\n".join(parts)


def _accuracy_text() -> str:
    """The simulated meter's accuracy statement, as a bench file takes it."""
    from simulated_instruments.meter_front_end import SIMULATED_ACCURACY

    rows = []
    for row in SIMULATED_ACCURACY:
        band = f"frequency_hz = [{row.frequency_hz[0]}, {row.frequency_hz[1]}], " if row.frequency_hz else ""
        rows.append(
            f'    {{ function = "{row.function}", range = {row.range}, {band}'
            f"percent_of_reading = {row.percent_of_reading}, percent_of_range = {row.percent_of_range} }},\n"
        )
    return f"accuracy = [\n{''.join(rows)}]\n"


def _pair(rng: np.random.Generator, stated: float, tolerance: float) -> tuple[float, float]:
    left, right = stated * (1.0 + rng.uniform(-tolerance, tolerance, 2))
    return (float(left), float(right))


def _check_names(scenario: str, channel: str | None) -> None:
    if scenario not in SCENARIOS:
        raise FileError(f"There is no scenario '{scenario}'. Expected one of: {', '.join(SCENARIOS)}.")
    if channel is not None and channel not in CHANNELS:
        raise FileError(f"There is no channel '{channel}'. Expected left or right.")
