"""What the guard learns from each capture of a tone; measurements reuse it. A channel is analysed when it is asked for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from benchtest.analysis import analyse
from benchtest.instruments.protocols import FloatArray

CLOCK = 300e-6
"""Two clocks are assumed to agree within this."""
BAND_HZ = (20.0, 20000.0 * (1.0 + CLOCK))
"""20 kHz by the player's clock: the second harmonic of 10 kHz is inside, however fast the recorder runs."""


@dataclass(frozen=True)
class ToneFigures:
    """One channel's tone: level_v, noise_v (hum included) rms in V; thd and thd_n ratios to the fundamental over 20 Hz to
    20 kHz.

    level_v is 0 where no tone stands above the noise; then thd and thd_n are nan, which passes no comparison.
    """

    level_v: float
    frequency_hz: float
    dc_v: float
    thd: float
    thd_n: float
    noise_v: float
    harmonics: tuple[tuple[int, float | None], ...]
    """(order, level in dB relative to the fundamental); None where it is below its own uncertainty."""


class FiguresOnDemand(Mapping[str, ToneFigures]):
    """Channel name -> its figures; a channel that nobody asks for is not analysed."""

    def __init__(self, volts: FloatArray, sample_rate: int, frequency_hz: float, names: tuple[str, ...]) -> None:
        self._volts, self._sample_rate, self._frequency_hz, self._names = volts, sample_rate, frequency_hz, names
        self._found: dict[str, ToneFigures] = {}

    def __getitem__(self, name: str) -> ToneFigures:
        if name not in self._found:
            column = self._names.index(name) if name in self._names else -1
            if column < 0:
                raise KeyError(name)
            self._found[name] = tone_figures(self._volts[:, column], self._sample_rate, self._frequency_hz)
        return self._found[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def tone_figures(volts: FloatArray, sample_rate: int, frequency_hz: float) -> ToneFigures:
    """Figures of one channel of a capture, shape (frames,), volts."""
    found = analyse(volts, sample_rate, fundamental_hz=frequency_hz, band_hz=BAND_HZ, hum=False)
    return _figures(found.channels[0])


def _figures(channel: object) -> ToneFigures:
    def number(name: str, missing: float) -> float:
        value = getattr(channel, name)
        return missing if value is None else float(value)

    harmonics = tuple((h.order, h.level_db) for h in getattr(channel, "harmonics", ()))
    return ToneFigures(
        level_v=number("level_v", 0.0),
        frequency_hz=number("frequency_hz", float("nan")),
        dc_v=number("dc_v", 0.0),
        thd=number("thd_percent", float("nan")) / 100.0,
        thd_n=number("thd_n_percent", float("nan")) / 100.0,
        noise_v=number("noise_v", 0.0),
        harmonics=harmonics,
    )
