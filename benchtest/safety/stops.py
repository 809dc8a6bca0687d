"""Stops and endings: tone off, mains off where it can be switched, and the words that say what tone off cannot do."""

from __future__ import annotations

import contextlib

from benchtest.bench import Instruments
from benchtest.errors import InstrumentError, SafetyStop
from benchtest.events import EventStream
from benchtest.safety.interlock import Interlock
from benchtest.safety.tone_guard import SIGNAL, ToneGuard

OFF_WORDS = "SWITCH OFF AT THE WALL. Tone off does not remove DC. The reservoirs stay charged and the loads hot."


class Stops:
    """Carries out a stop, once and for the rest of the run."""

    def __init__(self, instruments: Instruments, interlock: Interlock, events: EventStream) -> None:
        self.__it = instruments
        self.__interlock = interlock
        self.__events = events
        self.tone_guard = ToneGuard(self.mute)
        if hasattr(instruments.operator, "tone_off"):  # a person at a keyboard: space is tone off
            instruments.operator.tone_off = self.space_was_hit

    def space_was_hit(self) -> None:
        """Tone off at once, from the keyboard's thread; the run stops at the next thing that it asks of the bench."""
        self.mute()
        self.__interlock.stop = self.__interlock.stop or "the space bar was hit: tone off"

    def mute(self) -> None:
        """Tone off, from any thread."""
        if self.__it.audio is not None:
            self.__it.audio.mute()

    def if_stopped_meanwhile(self, error: BaseException) -> None:
        """An error came while a tone stood. Where the tone had been turned off before, by the space bar or the tone guard,
        it is only what followed: raise SafetyStop, which says the reason."""
        if self.__interlock.stop or self.tone_guard.tripped not in ("", SIGNAL):
            try:
                self.if_pending()
            except SafetyStop as stop:
                raise stop from error

    def cut_off(self, error: BaseException) -> None:
        """A tone ended in an error, and the sound card stays mute. Where somebody swallows the error and goes on, the next
        thing that is asked of the bench stops the run and says why."""
        if not isinstance(error, SafetyStop):
            self.__interlock.stop = self.__interlock.stop or f"the tone was cut off: {error or type(error).__name__}"

    def stop(self, message: str) -> None:
        """Tone off, then mains off where it can be switched; latched. Always raises SafetyStop."""
        self.mute()
        told = self.__interlock.stopped
        self.__interlock.stop = self.__interlock.stop or message
        self.__interlock.stopped = True
        words = "The switched socket is OFF. " + OFF_WORDS if self.__socket_off() else OFF_WORDS
        if not told:
            self.__events.emit("stop", message=message, words=words)
            with contextlib.suppress(InstrumentError):
                self.__it.operator.tell(f"STOP. {message}.\n{words}")
        raise SafetyStop(message, words=words)

    def switch_off(self) -> bool:
        """Tone off, and mains off where a socket can do it: for an ending that nobody planned, an interrupted one
        included. Returns whether the socket is off now."""
        self.mute()
        return self.__socket_off()

    def __socket_off(self) -> bool:
        socket = self.__it.mains_socket
        if socket is None:
            return False
        try:
            socket.off()
        except InstrumentError as failed:
            self.__events.emit("note", text=f"the switched socket does not obey: {failed}", severity="error")
            return False
        if self.__interlock.hook_up.mains != "off":
            self.__interlock.hook_up.mains = "off"
            self.__events.emit("mains", state="off", by="switched socket")
        return True

    def if_pending(self) -> None:
        """Carry out a stop that something asked for earlier; every door of the bench calls this first."""
        if self.tone_guard.tripped == SIGNAL:
            raise SafetyStop("the tone was turned off (signal)", words=OFF_WORDS)
        if self.tone_guard.tripped:
            self.stop(f"the tone was turned off: {self.tone_guard.tripped}")
        if self.__interlock.stop:
            self.stop(self.__interlock.stop)

    def ending_words(self) -> str:
        """What every ending says, unless the run itself has measured otherwise."""
        if self.__interlock.hook_up.mains == "on":
            return "THE AMPLIFIER IS STILL ON, the reservoirs are charged, the loads are hot. Switch off at the wall."
        if self.__interlock.hook_up.mains == "unknown":
            return (
                "This run has not switched the amplifier and does not know whether it is on. Switch off at the wall; the "
                "reservoirs may be charged: measure before touching."
            )
        if self.__interlock.rails_empty:
            return "Mains off, reservoirs measured empty. The loads may be hot."
        return "Mains off. The reservoirs are charged, the loads are hot: measure before touching."
