"""The amplifier as a tree of components with values. A fault is ``dataclasses.replace`` of one of them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from .bias import Bias
from .controls import Controls
from .gain_stage import GainStage
from .headphones import HeadphoneSocket
from .input_selector import InputSelector
from .input_stage import Coupling, Feedback, InputStage
from .joints import Joint
from .output_kind import OutputKind
from .output_network import OutputNetwork
from .output_stage import OutputStage
from .phono import PhonoStage
from .relay import Relay
from .speaker_fuse import SpeakerFuse
from .supply_design import SupplyDesign
from .thermal import Thermal


@dataclass(frozen=True)
class LineStage:
    """Between the volume control and the power amplifier. noise_v is the density at its input, V per root hertz;
    dead: it passes nothing (its supply is missing)."""

    gain: float = 1.53
    noise_v: float = 19e-9
    dead: bool = False
    inverting: bool = False


@dataclass(frozen=True)
class SupplyRejection:
    """What of the rails' ripple reaches the output, as a ratio, from either rail; 6 dB per octave above corner_hz."""

    positive: float = 1.1e-3
    negative: float = 0.9e-3
    corner_hz: float = 2000.0


@dataclass(frozen=True)
class ChannelDesign:
    """One channel, from the volume control's wiper to the loudspeaker terminal."""

    coupling: Coupling = field(default_factory=Coupling)
    line: LineStage = field(default_factory=LineStage)
    input_stage: InputStage = field(default_factory=InputStage)
    feedback: Feedback = field(default_factory=Feedback)
    gain_stage: GainStage = field(default_factory=GainStage)
    bias: Bias = field(default_factory=Bias)
    output_stage: OutputStage = field(default_factory=OutputStage)
    network: OutputNetwork = field(default_factory=OutputNetwork)
    speaker_fuse: SpeakerFuse = field(default_factory=SpeakerFuse)
    output_joint: Joint = field(default_factory=lambda: Joint(ohm=0.002))
    terminal_short_ohm: float = math.inf
    """What lies across the terminals inside or in the owner's cable; inf for nothing."""
    rejection: SupplyRejection = field(default_factory=SupplyRejection)
    magnetic_hum_v: float = 28e-6
    """Mains-frequency hum at the output from the transformer's stray field, V rms; a third of it at the third."""
    turn_on_v: float = 0.35
    """Peak that the output makes while the supply comes up, behind the open relay."""
    standing_a: float = 0.012
    """What the small-signal stages draw from either rail."""


@dataclass(frozen=True)
class Crosstalk:
    """Between the channels, after the volume control: capacitance (into the source resistance there), shared ground
    (a ratio, the same at all frequencies)."""

    capacitance_f: float = 7e-12
    impedance_ohm: float = 6.8e3
    shared: float = 2.2e-4


@dataclass(frozen=True)
class AmplifierDesign:
    """Everything that is soldered or screwed in."""

    selector: InputSelector = field(default_factory=InputSelector)
    controls: Controls = field(default_factory=Controls)
    left: ChannelDesign = field(default_factory=ChannelDesign)
    right: ChannelDesign = field(default_factory=ChannelDesign)
    phono: PhonoStage = field(default_factory=PhonoStage)
    headphones: HeadphoneSocket = field(default_factory=HeadphoneSocket)
    crosstalk: Crosstalk = field(default_factory=Crosstalk)
    kind: OutputKind = field(default_factory=OutputKind)
    relay: Relay = field(default_factory=Relay)
    thermal: Thermal = field(default_factory=Thermal)
    supply: SupplyDesign = field(default_factory=SupplyDesign)

    @property
    def channels(self) -> tuple[ChannelDesign, ChannelDesign]:
        return (self.left, self.right)
