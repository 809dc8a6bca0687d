"""The amplifier on the bench: its knobs, wires, time, sound and test points.

Rules that every later change keeps: ``advance`` is closed form between events and ``render`` continuous from call to
call; whatever is set acts from now on.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from . import test_points
from .circuit import Circuit
from .design import AmplifierDesign
from .front import Connection
from .lamp import Lamp
from .operating import SILENCE, Drive
from .rendering import LATENCY_FRAMES, Rendering
from .test_points import Probe
from .waiting import wait

FloatArray = NDArray[np.float64]


class Amplifier(Circuit):
    """An integrated amplifier on the bench.

    Parameters
    ----------
    design
        Component values; a fault is a design with a component replaced.
    rng
        Noise, and when intermittent contacts open.
    supply
        Something that behaves as ``supply.Supply`` does; built from the design when left out.
    noise_scale
        0 switches all random noise off (for tests); 1 is the design's.
    """

    latency_frames = LATENCY_FRAMES
    """Frames by which what ``render`` returns lags what it is given."""

    def __init__(
        self, design: AmplifierDesign, *, rng: np.random.Generator, supply: Any = None, noise_scale: float = 1.0
    ) -> None:
        if supply is None:
            from .supply import Supply

            supply = Supply(design.supply)
        super().__init__(design, rng=rng, supply=supply, noise_scale=noise_scale)
        self._rendering = Rendering(self)
        self._drive = SILENCE

    # Knobs and wires

    def switch_mains(self, on: bool) -> None:
        """The mains switch, or the plug."""
        if on == self.mains:
            return
        self.mains = on
        self.supply.switch(on)
        self.disturb(supply=True)
        if on:
            rails = self.rails()
            empty = 1.0 - min(1.0, rails[0] / 20.0)
            for channel in self.channels:
                if self.design.kind.kind != "capacitor":
                    channel.transient_v += channel.design.turn_on_v * empty

    def insert_lamp(self, power_w: float | None) -> None:
        """A lamp of this power in series with the live, or None."""
        self.supply.insert_lamp(None if power_w is None else Lamp(power_w))
        self.disturb(supply=True)

    def set_volume(self, db_re_full: float) -> None:
        """Decibels relative to full volume, 0 or less; -inf for minimum."""
        if not db_re_full <= 0.0:
            raise ValueError(f"volume {db_re_full} dB re full. Expected 0 or less, -inf for minimum.")
        self.front.volume_db = db_re_full
        self.disturb()

    def set_balance(self, position: float) -> None:
        """-1 left only, 0 centre, 1 right only."""
        self.front.balance = position
        self.disturb()

    def set_tone(self, bass_db: float, treble_db: float, defeat: bool = True) -> None:
        """Boost or cut at the ends of the band; ``defeat`` takes the controls out of circuit."""
        self.front.tone = self.design.controls.tone.sections(bass_db, treble_db, defeat=defeat)
        self.disturb()

    def connect_inputs(
        self, kind: Connection, source_ohm: float = 100.0, hum_v: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        """What is plugged into the selected input. hum_v: mains hum in series with the source (ground loop), V rms."""
        if kind not in ("shorted", "open", "source"):
            raise ValueError(f"inputs '{kind}'. Expected shorted, open or source.")
        self.front.connection, self.front.source_ohm, self.front.hum_v = kind, source_ohm, hum_v
        self.disturb()

    def select_input(self, name: Literal["line", "phono"], *, monitor: bool = False) -> None:
        """Which input is heard; ``monitor``: the tape monitor is in, and no recorder plays."""
        if name not in ("line", "phono"):
            raise ValueError(f"input '{name}'. Expected line or phono.")
        self.front.phono, self.front.monitor = name == "phono", monitor
        self.disturb()

    def plug_headphones(self, ohm: float | None) -> None:
        """Headphones of this impedance in the socket, which silences the loudspeakers; None draws the plug."""
        self.headphone_ohm = ohm
        self.disturb()

    def hold_relay(self, held: bool) -> None:
        """The relay's coil fed from a supply of one's own, or no longer."""
        self.relay.held = held
        self.disturb()

    def connect_load(self, left_ohm: float, right_ohm: float, inductance_h: float = 0.0) -> None:
        """What lies across the speaker terminals; inf for nothing."""
        if not (left_ohm >= 0.0 and right_ohm >= 0.0):
            raise ValueError(f"loads of {left_ohm} and {right_ohm} ohm. Expected 0 or more, inf for none.")
        self.load_ohm = (max(left_ohm, 1e-3), max(right_ohm, 1e-3))
        self.load_henry = inductance_h
        self.disturb()

    # Time and sound

    def advance(self, seconds: float, drive: Drive = SILENCE) -> None:
        """Let time pass under a steady drive, unheard."""
        if not (seconds >= 0.0 and math.isfinite(seconds)):
            raise ValueError(f"advance by {seconds} s. Expected 0 or more, finite.")
        if drive != self._drive:
            self._drive = drive
            self.disturb()
        if seconds > 0.0:
            wait(self, seconds, drive)
            self._rendering.rest()

    def render(self, v_input: FloatArray, sample_rate: float) -> FloatArray:
        """Play volts at the input sockets, get volts across the speaker terminals; both shape (n, 2).

        The output lags by ``latency_frames``. Time passes by n / sample_rate.

        Raises
        ------
        ValueError
            If the shape is not (n, 2), a sample is not finite, or the rate is not above 0.
        """
        v = np.asarray(v_input, dtype=np.float64)
        if v.ndim != 2 or v.shape[1] != 2:
            raise ValueError(f"input voltages of shape {v.shape}. Expected (frames, 2).")
        if not sample_rate > 0.0:
            raise ValueError(f"sample rate {sample_rate}. Expected above 0 Hz.")
        if not np.isfinite(v).all():
            raise ValueError("an input voltage is not finite. Expected volts.")
        return self._rendering.render(v, sample_rate)

    # Meters

    def probe(self, point: str, drive: Drive = SILENCE) -> Probe:
        """What a voltmeter finds at a test point now."""
        return test_points.probe(self, point, drive)

    def resistance(self, point: str) -> float:
        """What an ohmmeter finds at a test point with the mains off; inf for an open circuit."""
        return test_points.resistance(self, point)

    def headphone_volts(self, channel: int, drive: Drive) -> float:
        """What the headphones get, V rms; 0 with none plugged in."""
        if self.headphone_ohm is None:
            return 0.0
        return self.operating(channel, drive).rms_v * self.design.headphones.share(self.headphone_ohm)
