"""The way into PortAudio: loading it, listing what it reaches, choosing a device by name, saying what went wrong.

Nothing here is done on import: benchtest runs without PortAudio as long as nobody opens a sound card.

An audio server's sink or source is named by a resource of its own, because such a server appears to PortAudio as one
device whatever stands behind it, and which sink is meant is read from the environment when the device is opened::

    pulse:SINK                      a sink (or, for recording, a source) of the audio server that the desktop uses
    pulse:SINK@unix:/path/native    the same on the server that listens at that address

Everything else is a device's name or a unique part of it, or "name, host API" where a name stands there twice.
"""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import importlib
import os
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from benchtest.errors import InstrumentError

SERVER_DEVICE = "pulse"
"""The name under which PortAudio shows an audio server's ALSA door."""

INSTALL = (
    "A sound card is reached through PortAudio. Install it: on Debian 'apt install libportaudio2', for an audio server "
    "'apt install libasound2-plugins' as well; elsewhere the wheel of sounddevice brings it along. "
    "The simulated bench needs none of this."
)

CLOSE_AT_MOST_S = 3.0

_hangs = False

# PortAudio's error numbers, portaudio.h (V19.6), enum PaErrorCode.
_INVALID_CHANNELS = -9998
_INVALID_RATE = -9997
_UNAVAILABLE = -9985


@dataclass(frozen=True)
class AudioDevice:
    """A device that PortAudio reaches: its number, name, host API, channels each way and rate that it prefers."""

    index: int
    name: str
    host_api: str
    output_channels: int
    input_channels: int
    default_sample_rate: float

    def __str__(self) -> str:
        return f"'{self.name}, {self.host_api}' ({self.output_channels} out, {self.input_channels} in)"


@dataclass(frozen=True)
class AudioResource:
    """What a bench file calls a device, taken apart: the device's name and, for an audio server, sink and server.

    Examples
    --------
    >>> AudioResource.parse("USB audio")
    AudioResource(device='USB audio', sink='', server='')
    >>> AudioResource.parse("pulse:bench_output@unix:/run/bench/native")
    AudioResource(device='pulse', sink='bench_output', server='unix:/run/bench/native')
    """

    device: str
    sink: str = ""
    server: str = ""

    @staticmethod
    def parse(text: str) -> AudioResource:
        """Take a resource apart. Raises InstrumentError where it is empty or names no sink."""
        if not text.strip():
            raise InstrumentError(
                "The name of the sound card is empty. Expected a device's name, a unique part of it, or "
                "'pulse:SINK@SERVER'. Run 'benchtest devices' to see the names."
            )
        if not text.startswith(f"{SERVER_DEVICE}:"):
            return AudioResource(text.strip())
        sink, _, server = text.removeprefix(f"{SERVER_DEVICE}:").partition("@")
        if not sink:
            raise InstrumentError(
                f"Audio resource '{text}' names no sink. Expected 'pulse:SINK' or 'pulse:SINK@SERVER', such as "
                "'pulse:bench_output@unix:/run/bench/native'. 'pactl list short sinks' shows the sinks of a server."
            )
        return AudioResource(SERVER_DEVICE, sink, server)


def load() -> Any:
    """The module sounddevice with PortAudio behind it; its noise is kept off the terminal.

    Raises
    ------
    InstrumentError
        If either is absent; the message says what to install.
    """
    try:
        with quiet():
            module = importlib.import_module("sounddevice")
    except ImportError as error:
        raise InstrumentError(f"The Python package sounddevice cannot be imported ({error}). {INSTALL}") from error
    except OSError as error:
        raise InstrumentError(f"PortAudio cannot be loaded ({error}). {INSTALL}") from error
    _silence_alsa()
    return module


def close_stream(portaudio: Any, stream: Any) -> None:
    """Close a stream of sounddevice, at most ``CLOSE_AT_MOST_S`` long; never raises.

    Behind an audio server that hangs PortAudio waits for ever, and would do so again when the program ends. Such a
    stream is left behind, and PortAudio is not asked to end.
    """

    def close() -> None:
        # A device that has gone may refuse both, and there is nothing left to save then.
        with contextlib.suppress(Exception):
            stream.abort(ignore_errors=True)
        with contextlib.suppress(Exception):
            stream.close(ignore_errors=True)

    global _hangs
    closer = threading.Thread(target=close, name="closing the sound card", daemon=True)
    closer.start()
    closer.join(CLOSE_AT_MOST_S)
    if closer.is_alive():
        _hangs = True
        atexit.unregister(portaudio._exit_handler)


def refresh(portaudio: Any) -> None:
    """Look for devices again (a cable was plugged in, a server started). Closes every stream: call with none open.

    Raises InstrumentError after a stream could not be closed: PortAudio cannot be started anew then.
    """
    if _hangs:
        raise InstrumentError(
            "The sound card could not be closed after its device or audio server had hung, so it cannot be opened "
            "again. Mend the device or the server and start the program anew."
        )
    with quiet():
        portaudio._terminate()
        portaudio._initialize()


def devices(portaudio: Any) -> list[AudioDevice]:
    """Every device that PortAudio reaches, by its number."""
    with quiet():
        apis = [str(api["name"]) for api in portaudio.query_hostapis()]
        found = list(portaudio.query_devices())
    return [
        AudioDevice(
            index=number,
            name=str(device["name"]),
            host_api=apis[device["hostapi"]],
            output_channels=int(device["max_output_channels"]),
            input_channels=int(device["max_input_channels"]),
            default_sample_rate=float(device["default_samplerate"]),
        )
        for number, device in enumerate(found)
    ]


def choose(name: str, candidates: Sequence[AudioDevice], *, output: bool) -> AudioDevice:
    """The device that a bench file means: a whole name first, then a part of one; capitals do not matter.

    Raises
    ------
    InstrumentError
        If no device or more than one is meant, or it has fewer than two channels that way; the candidates are listed.

    Examples
    --------
    >>> cards = [AudioDevice(0, "USB one", "ALSA", 2, 2, 48000.0), AudioDevice(1, "USB two", "ALSA", 2, 0, 48000.0)]
    >>> choose("one", cards, output=True).index
    0
    """
    way = "output" if output else "input"
    wanted = name.casefold()

    def channels(device: AudioDevice) -> int:
        return device.output_channels if output else device.input_channels

    usable = [device for device in candidates if channels(device) >= 2]
    named = [d for d in candidates if d.name.casefold() == wanted or f"{d.name}, {d.host_api}".casefold() == wanted]
    if not named:
        named = [d for d in candidates if wanted in f"{d.name}, {d.host_api}".casefold()]
    stereo = [device for device in named if channels(device) >= 2]
    if len(stereo) == 1:
        return stereo[0]
    listed = "; ".join(str(device) for device in (stereo or usable)) or "none at all"
    if len(stereo) > 1:
        raise InstrumentError(
            f"Sound card '{name}' is not unique as {way}: it fits {listed}. Write a longer part of the name, or "
            "'name, host API'."
        )
    if named:
        raise InstrumentError(
            f"Sound card '{name}' fits {'; '.join(str(device) for device in named)}, which has fewer than 2 {way} "
            f"channels. Expected a stereo {way}; these have one: {listed}."
        )
    remedy = (
        "For an audio server check that it runs and that libasound2-plugins is installed."
        if wanted == SERVER_DEVICE
        else "Check that it is plugged in and not switched off in the system's settings, and run 'benchtest devices'."
    )
    raise InstrumentError(f"No sound card '{name}' as {way}. Stereo {way}s found: {listed}. {remedy}")


_SHARED = ("MME", "Windows DirectSound")
"""Host APIs that always go through the system's mixer."""


def exclusive_settings(portaudio: Any, output: AudioDevice, input: AudioDevice) -> tuple[Any, Any] | None:
    """What sounddevice is told so that a stream has its devices alone, (input, output); None where the host API gives
    nothing else (ASIO, WDM-KS, an ALSA hardware device, JACK).

    Raises InstrumentError where such a mode cannot be had for these devices.
    """
    made = [_exclusive(portaudio, device) for device in (input, output)]
    return None if made == [None, None] else (made[0], made[1])


def _exclusive(portaudio: Any, device: AudioDevice) -> Any:
    if device.host_api == "Windows WASAPI":
        return portaudio.WasapiSettings(exclusive=True)
    if device.host_api == "Core Audio":
        return portaudio.CoreAudioSettings(change_device_parameters=True, fail_if_conversion_required=True)
    if device.host_api in _SHARED or (device.host_api == "ALSA" and "hw:" not in device.name):
        raise InstrumentError(
            f"{device} is shared with other programs; [audio] exclusive = true wants it alone. Expected a device that can be "
            "had so: on Linux the hardware itself, whose name has 'hw:' in it; on Windows its entry under WASAPI, WDM-KS or "
            "ASIO. Name that one, or delete the line."
        )
    return None


def translate(error: Exception, *, doing: str, sample_rate: int) -> InstrumentError:
    """PortAudio's error as ours: what was tried, what PortAudio says, what to do about it."""
    number = error.args[1] if len(error.args) > 1 else None
    if number == _INVALID_RATE:
        remedy = (
            f"Expected a device that runs at {sample_rate} Hz. Write another sample_rate under [audio] (48000 is what "
            "every card has; 96000 sees harmonics up to 40 kHz), or name the hardware itself."
        )
    elif number == _INVALID_CHANNELS:
        remedy = "Expected two channels each way. Choose a stereo device; 'benchtest devices' lists them."
    elif number == _UNAVAILABLE:
        remedy = (
            "It is busy or gone: another program holds it, or the cable is out. Close that program (a desktop's audio "
            "server holds a card for some seconds after its last sound) and try again."
        )
    else:
        remedy = (
            "Check that it is plugged in, that no other program holds it, and that an audio server runs and has the "
            "sink and source that are named ('pactl list short sinks')."
        )
    return InstrumentError(f"The sound card failed while {doing}: {error}. {remedy}")


@contextlib.contextmanager
def server_environment(output: AudioResource, input: AudioResource) -> Iterator[None]:
    """For as long as it lasts, the environment that leads a newly opened device to these sinks.

    Raises InstrumentError where the two name different servers: a device belongs to one.
    """
    servers = sorted({resource.server for resource in (output, input) if resource.server})
    if len(servers) > 1:
        raise InstrumentError(
            f"The sound card's output and input name two audio servers, {servers[0]} and {servers[1]}. Expected one: "
            "a full-duplex stream is opened on one server. Write the same address after both '@'."
        )
    wanted = {
        "PULSE_SERVER": servers[0] if servers else "",
        "PULSE_SINK": output.sink,
        "PULSE_SOURCE": input.sink,
    }
    wanted = {name: value for name, value in wanted.items() if value}
    before = {name: os.environ.get(name) for name in wanted}
    os.environ.update(wanted)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextlib.contextmanager
def quiet() -> Iterator[Callable[[], str]]:
    """Keep what C libraries write to standard error off the terminal; yields a function that reads it.

    The whole process's standard error is turned aside, so keep the time short.
    """
    with tempfile.TemporaryFile() as aside:

        def said() -> str:
            aside.seek(0)
            return aside.read().decode(errors="replace").strip()

        try:
            kept = os.dup(2)
        except OSError:  # standard error is closed: nothing to keep quiet
            yield said
            return
        os.dup2(aside.fileno(), 2)
        try:
            yield said
        finally:
            os.dup2(kept, 2)
            os.close(kept)


_handler: Any = None  # the C library keeps a pointer to it, so it must outlive every stream


def _silence_alsa() -> None:
    """Give ALSA an error handler that says nothing; without it a full run prints C library lines over the display."""
    global _handler
    if _handler is not None:
        return
    try:
        alsa = ctypes.CDLL("libasound.so.2")
        prototype = ctypes.CFUNCTYPE(
            None, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p
        )
        handler = prototype(lambda *_: None)
        alsa.snd_lib_error_set_handler(handler)
    except (OSError, AttributeError):  # no ALSA here
        return
    _handler = handler
