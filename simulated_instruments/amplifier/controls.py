"""Volume, balance and tone: what the knobs do, how unequal their tracks are, and what wear does to them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from .filters import FirstOrder


@dataclass(frozen=True)
class VolumeTrack:
    """One channel's track of the volume potentiometer.

    Tracking error grows from ``tracking_full_db`` at full volume by ``tracking_db_per_20db`` with every 20 dB down.
    wear_db is what a worn track loses near its lower end (at -40 dB and below; nothing at full). residual_db is what
    still passes at minimum. crackle_v is the rms of the contact noise at the wiper while the signal passes a worn
    track, and steps of it while the knob is turned.
    """

    resistance_ohm: float = 20e3
    tracking_full_db: float = 0.0
    tracking_db_per_20db: float = 0.0
    wear_db: float = 0.0
    residual_db: float = -95.0
    crackle_v: float = 0.0

    def gain(self, db_re_full: float) -> float:
        """Ratio from the top of the track to the wiper.

        Examples
        --------
        >>> VolumeTrack().gain(0.0)
        1.0
        >>> round(VolumeTrack(wear_db=6.0).gain(-40.0), 5)
        0.00501
        """
        floor = 10.0 ** (self.residual_db / 20.0)
        if db_re_full == -math.inf:
            return float(floor)
        down = -db_re_full
        db = db_re_full + self.tracking_full_db + self.tracking_db_per_20db * down / 20.0
        db -= self.wear_db * min(1.0, max(0.0, down / 40.0))
        return float(max(floor, 10.0 ** (db / 20.0)))

    def source_ohm(self, gain: float) -> float:
        """What the stage after the wiper sees: both parts of the track in parallel."""
        share = min(1.0, max(0.0, gain))
        return self.resistance_ohm * share * (1.0 - share)


@dataclass(frozen=True)
class Balance:
    """A control that leaves the favoured channel alone; ``centre_error`` is where "centre" really is (-1..1)."""

    centre_error: float = 0.0

    def gain(self, position: float, channel: int) -> float:
        """``position`` -1 (left only) .. 1 (right only); channel 0 left, 1 right."""
        p = min(1.0, max(-1.0, position + self.centre_error))
        return min(1.0, 1.0 - p) if channel == 0 else min(1.0, 1.0 + p)


@dataclass(frozen=True)
class Tone:
    """Bass and treble shelves, and the defeat switch. stuck_bass_db and stuck_treble_db stay in circuit always
    (a loudness switch or filter that is on)."""

    bass_corner_hz: float = 150.0
    treble_corner_hz: float = 4000.0
    stuck_bass_db: float = 0.0
    stuck_treble_db: float = 0.0

    def sections(self, bass_db: float, treble_db: float, *, defeat: bool) -> tuple[FirstOrder, ...]:
        """The shelves in circuit; () when everything is flat."""
        bass = (0.0 if defeat else bass_db) + self.stuck_bass_db
        treble = (0.0 if defeat else treble_db) + self.stuck_treble_db
        found: list[FirstOrder] = []
        if bass:
            gain, tau = 10.0 ** (bass / 20.0), 1.0 / (2.0 * math.pi * self.bass_corner_hz)
            # boost: gain below the corner, pole at corner / sqrt(gain); a cut is the mirror image
            root = math.sqrt(gain)
            found.append(FirstOrder(gain, tau * root, tau * root))
        if treble:
            gain, tau = 10.0 ** (treble / 20.0), 1.0 / (2.0 * math.pi * self.treble_corner_hz)
            root = math.sqrt(gain)
            found.append(FirstOrder(1.0, tau * root, tau / root))
        return tuple(found)


@dataclass(frozen=True)
class Controls:
    """The front panel."""

    volume: tuple[VolumeTrack, VolumeTrack] = (VolumeTrack(), VolumeTrack())
    balance: Balance = field(default_factory=Balance)
    tone: Tone = field(default_factory=Tone)
