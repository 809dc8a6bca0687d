"""The simulated switched mains socket: the same switch as the operator's "mains", reached by the tool."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchtest.errors import InstrumentError

if TYPE_CHECKING:
    from simulated_instruments.bench import SimulatedBench


class SimulatedSocket:
    """A ``SwitchedSocket`` on the simulated bench. Switching takes no bench time; a closed one answers nothing."""

    def __init__(self, bench: SimulatedBench) -> None:
        self._bench = bench
        self._closed = False

    def on(self) -> None:
        """Mains on."""
        self._open_bench().switch_mains(True)

    def off(self) -> None:
        """Mains off; off already is no error."""
        self._open_bench().switch_mains(False)

    def is_on(self) -> bool:
        """Whether the amplifier has mains, whoever switched it."""
        return self._open_bench().mains_on

    def close(self) -> None:
        """Let go of the socket; it stays as it is."""
        self._closed = True

    def _open_bench(self) -> SimulatedBench:
        if self._closed:
            raise InstrumentError(
                "The simulated mains socket has been closed. Expected an open one. Open the bench again."
            )
        return self._bench
