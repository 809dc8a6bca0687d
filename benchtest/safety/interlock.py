"""What must have been seen before what may be done: the order DC check - load - signal - power, per channel.

    mains on, lid, load or lamp changed      -> no channel is cleared, nothing is verified, the gain is unknown
    a knob or the inputs were touched        -> the gain is unknown, the first level is 50 mV again
    DC check passed (good or note)           -> the channel may be driven, in the load state of the check only
    DC check between 100 and 300 mV          -> dummy load and 1 W only
    DC check above 300 mV, or too close      -> stop: nothing is driven in this run, mains off
    exactly zero                             -> never driven in this run (the path is open)
    a fuse found open                        -> never driven in this run

The state is plain data; ``guard`` alone changes it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

CHANNELS = ("left", "right")
LOADS = ("load", "second load")
"""States of the speaker terminals in which power has where to go."""
RAILS = {"rail_positive", "rail_negative"}


class Clearance(StrEnum):
    """How far a channel may be driven."""

    NONE = "no DC check passed since the mains, the load or the lamp changed"
    LIMITED = "DC between 100 and 300 mV: dummy load and 1 W only"
    FULL = "DC check passed"


@dataclass
class HookUp:
    """What is connected and set now, as far as the person was asked for it; the vocabulary of Operator.set."""

    mains: str = "unknown"
    lamp: str = "out"
    volume: str = "unknown"
    inputs: str = "unknown"
    load: str = "none"
    lid: str = "unknown"
    sound_card: str = "amplifier"
    tone_controls: str = "flat"
    balance: str = "centre"
    source: str = "line"
    monitor: str = "out"
    headphones: str = "out"
    series_resistor: str = "out"
    rail_resistors: str = "out"
    relay: str = "free"
    meters: dict[str, str] = field(default_factory=dict)


@dataclass
class ChannelState:
    """What is known of one channel."""

    clearance: Clearance = Clearance.NONE
    never: str = ""
    """Why this channel is never driven in this run; "" if it may be."""
    path_open: bool = False
    """Between the amplifier and its terminals the path is open: what is read there is not the amplifier's."""
    ramp_ended: str = ""
    """Why the level is not raised any more; cleared when the gain is measured again after a prompt."""
    gain: float | None = None
    """Output over input at 1 kHz, as measured at the present knob setting."""
    zero_behind: bool = False
    """Exactly zero was seen before relay and fuse as well: a zero at the terminals is natural."""

    def refusal(self) -> str:
        """Why the channel is not driven now; "" if it may be."""
        if self.never:
            return self.never
        return "" if self.clearance is not Clearance.NONE else str(Clearance.NONE)


@dataclass
class Interlock:
    """The whole of it. ``stop`` is latched: it holds the message of a safety stop until the run is over."""

    hook_up: HookUp = field(default_factory=HookUp)
    channels: dict[str, ChannelState] = field(default_factory=lambda: {c: ChannelState() for c in CHANNELS})
    verified_v: dict[frozenset[str], float] = field(default_factory=dict)
    burst_v: dict[frozenset[str], float] = field(default_factory=dict)
    """The highest output seen to respond inside bursts."""
    stop: str = ""
    stopped: bool = False
    """The stop has been carried out and told."""
    empty: set[str] = field(default_factory=set)
    """Rails measured below 2 V since the mains was last on."""

    @property
    def rails_empty(self) -> bool:
        """Whether both rails to ground were measured below 2 V since the mains was last on."""
        return self.empty >= RAILS

    def uncleared(self) -> None:
        """The mains, the load or the lamp changed: every DC check is void."""
        for state in self.channels.values():
            state.clearance = Clearance.NONE
        self.gains_lost()

    def gains_lost(self) -> None:
        """Somebody may have turned a knob: gains and verified levels are void."""
        for state in self.channels.values():
            state.gain = None
            state.ramp_ended = ""
        self.verified_v.clear()
        self.burst_v.clear()

    def verified(self, driven: frozenset[str]) -> float:
        """The highest output seen to respond with these channels driven. Two channels that were each seen alone count
        together up to the lower of the two."""
        seen = self.verified_v.get(driven, 0.0)
        if len(driven) == 2:
            seen = max(seen, min(self.verified_v.get(frozenset((c,)), 0.0) for c in driven))
        return seen
