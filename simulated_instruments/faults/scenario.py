"""What a scenario is, and the few ways in which faults change a design."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign, ChannelDesign
from simulated_instruments.amplifier.input_selector import InputPath
from simulated_instruments.amplifier.output_stage import Device, Half
from simulated_instruments.amplifier.supply_design import SupplyDesign

Apply = Callable[[AmplifierDesign, str, np.random.Generator], AmplifierDesign]


@dataclass(frozen=True)
class BenchChange:
    """What a bench fault changes on the bench; the simulated bench acts on it.

    hum_v: V rms of mains hum in series with the sound card's output (left, right), None to leave it. input_divider and
    calibration are factors on what is really there against what is believed (left, right). leads_swapped: the two
    channels' leads from the terminals to the sound card are exchanged. load_open: that channel's dummy load has come off.
    lead_off: the movable meter's lead hangs free.
    """

    hum_v: tuple[float, float] | None = None
    input_divider: tuple[float, float] = (1.0, 1.0)
    calibration: tuple[float, float] = (1.0, 1.0)
    leads_swapped: bool = False
    load_open: Literal["", "left", "right"] = ""
    lead_off: bool = False


NO_CHANGE = BenchChange()


def nothing(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    """Leave the amplifier as it is."""
    return design


def no_bench_change(channel: str, rng: np.random.Generator) -> BenchChange:
    """Leave the bench as it is."""
    return NO_CHANGE


@dataclass(frozen=True)
class Scenario:
    """One thing that can be wrong.

    name carries no channel. group is where a technician would look for it. one_line says what it is, detectable how it
    shows and from which severity on (the draw stays above that). rows are those of the signature table (numbers of
    trade practice's fault table, 1 to 34). where is "amplifier", "bench" or "both"; ``apply`` changes the amplifier,
    ``change_bench`` tells what to change on the bench. ``channels``: "one", or "both" where both are affected alike.
    """

    name: str
    group: str
    one_line: str
    apply: Apply
    detectable: str
    where: Literal["amplifier", "bench", "both"] = "amplifier"
    rows: tuple[int, ...] = ()
    channels: Literal["one", "both"] = "one"
    intermittent: bool = False
    change_bench: Callable[[str, np.random.Generator], BenchChange] = field(default=no_bench_change)


def one(design: AmplifierDesign, channel: str) -> ChannelDesign:
    """The design of one channel, by name."""
    return design.left if channel == "left" else design.right


def with_channel(design: AmplifierDesign, channel: str, **parts: Any) -> AmplifierDesign:
    """The design with components of one channel replaced."""
    changed = replace(one(design, channel), **parts)
    return replace(design, left=changed) if channel == "left" else replace(design, right=changed)


def with_contact(design: AmplifierDesign, channel: str, **values: Any) -> AmplifierDesign:
    """The design with values of one relay contact replaced."""
    relay = design.relay
    if channel == "left":
        return replace(design, relay=replace(relay, left=replace(relay.left, **values)))
    return replace(design, relay=replace(relay, right=replace(relay.right, **values)))


def with_input(design: AmplifierDesign, channel: str, **values: Any) -> AmplifierDesign:
    """The design with values of one channel's input path replaced."""
    selector = design.selector
    path: InputPath = replace(selector.left if channel == "left" else selector.right, **values)
    changed = replace(selector, left=path) if channel == "left" else replace(selector, right=path)
    return replace(design, selector=changed)


def with_track(design: AmplifierDesign, channel: str, **values: Any) -> AmplifierDesign:
    """The design with values of one track of the volume control replaced."""
    left, right = design.controls.volume
    volume = (replace(left, **values), right) if channel == "left" else (left, replace(right, **values))
    return replace(design, controls=replace(design.controls, volume=volume))


def with_half(
    design: AmplifierDesign, channel: str, upper: bool, change: Callable[[Half], Half], **stage_values: Any
) -> AmplifierDesign:
    """The design with one half of a channel's output stage changed."""
    stage = replace(one(design, channel).output_stage, **stage_values)
    stage = replace(stage, upper=change(stage.upper)) if upper else replace(stage, lower=change(stage.lower))
    return with_channel(design, channel, output_stage=stage)


def with_devices(half: Half, change: Callable[[Device], Device], count: int | None = None) -> Half:
    """The half with its first ``count`` devices changed (all when None)."""
    n = len(half.devices) if count is None else count
    return replace(half, devices=tuple(change(d) if i < n else d for i, d in enumerate(half.devices)))


def with_supply(design: AmplifierDesign, **values: Any) -> AmplifierDesign:
    """The design with components of the supply replaced."""
    supply: SupplyDesign = replace(design.supply, **values)
    return replace(design, supply=supply)


def sign(rng: np.random.Generator) -> float:
    """-1 or 1."""
    return float(rng.choice((-1.0, 1.0)))


def heads(rng: np.random.Generator) -> bool:
    """True half of the time."""
    return bool(rng.random() < 0.5)


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Between low and high, every octave alike."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))
