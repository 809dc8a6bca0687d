"""What a measurement may ask of an instrument. Real and simulated instruments implement these; nothing else is assumed.

Rules that every implementation keeps (the contract tests in tests/contract hold them to it):

* Values are in SI units. Audio is ``samples``, shape (frames, 2), float64, fractions of full scale; column 0 is left.
  Full scale is the value 1.0, so peak volts everywhere in the project.
* An overload is never a number. A reading is always fresh: nothing measured before the call is returned by it.
* ``AudioInterface.mute`` may be called from any thread at any time, returns at once, and is latched: zeros are emitted
  from the second block on at the latest, and ``begin`` refuses until ``rearm``.
* Time comes from the ``Clock``. Nobody calls ``time.sleep`` or reads the wall clock to measure bench time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


class Function(StrEnum):
    """What a multimeter measures. DC_VOLTS .. in V, A or ohm; DIODE in V."""

    DC_VOLTS = "dc_volts"
    AC_VOLTS = "ac_volts"
    RESISTANCE = "resistance"
    RESISTANCE_4W = "resistance_4w"
    DC_CURRENT = "dc_current"
    DIODE = "diode"


@dataclass(frozen=True)
class MeterReading:
    """One fresh reading of a multimeter.

    value is None where the meter shows an overload (in ohms: an open circuit). range is the range it was taken on, in
    the unit of the function. standard_uncertainty is u (k = 1) from the meter's accuracy statement taken as
    rectangular, in the same unit; it does not contain the noise of repeated readings.
    """

    function: Function
    value: float | None
    range: float
    standard_uncertainty: float
    overload: bool = False


@runtime_checkable
class Clock(Protocol):
    """Seconds on the bench's clock, from an arbitrary start, and waiting on it."""

    def now(self) -> float: ...

    def sleep(self, seconds: float) -> None: ...


@runtime_checkable
class Multimeter(Protocol):
    """A meter whose leads sit on a test point (fixed, or moved by the operator)."""

    name: str
    connected_to: str
    """A test point's name, or "movable"."""

    def identity(self) -> str:
        """The reply to ``*IDN?``, or what a person said of a hand-held meter."""
        ...

    def measure(
        self,
        function: Function,
        *,
        range: float | None = None,
        line_cycles: float = 10.0,
        frequency_hz: float | None = None,
    ) -> MeterReading:
        """Take one fresh reading. range None is autorange; frequency_hz says at which frequency an AC reading is taken,
        so that its accuracy statement applies (outside the stated band: InstrumentError).
        Raises NoReply, GarbledReply, InstrumentError."""
        ...

    def errors(self) -> list[str]:
        """Drain the instrument's error queue; [] when there is none."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True)
class Recording:
    """What the audio interface recorded, fractions of full scale, shape (frames, 2).

    first_frame counts from the frame in which ``begin`` started to emit. lost_frames counts the frames that the driver
    knows to be missing or doubled.
    """

    samples: FloatArray
    sample_rate: int
    first_frame: int
    lost_frames: int = 0


@runtime_checkable
class AudioInterface(Protocol):
    """One full-duplex stream, open for the whole run; zeros are emitted whenever nothing plays."""

    sample_rate: int

    def identity(self) -> str: ...

    def start(self) -> None:
        """Open the stream. Call before the mains goes on. Idempotent."""
        ...

    def begin(self, stimulus: FloatArray, *, repeat: int = 1, record: tuple[int, int] | None = None) -> None:
        """Start to emit ``stimulus`` (frames, 2), ``repeat`` times without a gap, and return at once.

        record = (first, stop) frames counted from the frame in which emission starts, on the interface's own clock; it
        may reach beyond the stimulus (the latency is not known here). None: the whole stimulus and one second more.
        An array of zeros is how nothing is played while recording.
        Raises InstrumentError if muted, if something plays already, or if a sample is not finite or above 1.0.
        """
        ...

    def finish(self) -> Recording:
        """Wait until the record window is complete and emission has ended, and return what was recorded.
        Raises LostFrames if muted on the way, InstrumentError if the device has gone."""
        ...

    def playing(self) -> bool:
        """True while a stimulus is being emitted."""
        ...

    def mute(self) -> None: ...

    def rearm(self) -> None: ...

    def close(self) -> None: ...


@runtime_checkable
class InBlocks(Protocol):
    """What an audio interface that works in blocks also says; 0 until the first block."""

    @property
    def block_frames(self) -> int: ...


@runtime_checkable
class MayBeMoved(Protocol):
    """What an audio interface behind a server also does, which may lead its streams to other devices."""

    def check_place(self) -> None:
        """Raise InstrumentError, muted, where a stream is not on the device that was named."""
        ...


@runtime_checkable
class Operator(Protocol):
    """Whoever moves probes and turns knobs: a person, a simulated bench, a scanner.

    ``settings`` maps what is to be changed to its new state. The vocabulary (anything else is an error):

    ======================  ==============================================================================================
    mains                   on, off (off means off at the wall: unplugged or at the switched socket)
    lamp                    in, out (series lamp)
    volume                  minimum, full, or decibels relative to full such as "-20 dB"
    inputs                  shorted, sound_card, open (both channels' inputs of the selected source)
    load                    none, 1 kilohm, load, second load (the pairs of the bench file), one word for both channels
    <meter name>            a test point, or "leads shorted"; for movable meters
    lid                     on, off
    sound_card              amplifier, loopback (output straight to the input dividers' far end), for calibration
    tone_controls           flat, defeat, bass up, bass down, treble up, treble down (the other one in its middle)
    balance                 centre, left, right (turned fully to that side)
    source                  line, phono (the selector; ``inputs`` says what its sockets are connected to)
    monitor                 in, out (tape monitor; in: a recorder that does not play is heard)
    headphones              out, in (a 33 ohm resistor on a plug)
    series_resistor         in, out (10 kilohm in each lead from the sound card to the inputs)
    rail_resistors          in, out (22 ohm 5 W between supply and each rail of a module)
    relay                   held, free (the loudspeaker relay's coil fed from a bench supply, mains off only)
    ======================  ==============================================================================================
    """

    def set(self, settings: Mapping[str, str], *, say: str) -> None:
        """Have it done; return when it is done. One call is one hook-up. Raises InstrumentError if it cannot be."""
        ...

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        """Ask what only a person can see (is the lamp dark or bright); returns one of choices. about names the thing in
        one word (lamp, lead, ...) for an operator that is a program."""
        ...

    def enter(self, question: str, *, unit: str) -> str:
        """Ask for a value as a person reads it off ("64 mV", "OL")."""
        ...

    def tell(self, text: str) -> None: ...

    def close(self) -> None: ...


@runtime_checkable
class SwitchedSocket(Protocol):
    """An optional mains socket that the tool can switch; every stop uses it where there is one."""

    def on(self) -> None: ...

    def off(self) -> None: ...

    def is_on(self) -> bool: ...

    def close(self) -> None: ...
