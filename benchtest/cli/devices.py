"""``benchtest devices``: every instrument that can be reached, and what cannot and why."""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import click


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def devices(as_json: bool) -> None:
    """List VISA resources and audio devices that can be reached, and why others cannot."""
    from benchtest.cli.output import print_json

    found = {"multimeters": _visa(), "audio": _audio(), "simulated": ["the simulated bench (no --bench needed)"]}
    if as_json:
        print_json(found)
        return
    for kind, words in (("multimeters", "Multimeters (VISA resources)"), ("audio", "Audio devices")):
        section: dict[str, Any] = found[kind]  # type: ignore[assignment]
        click.echo(words)
        for line in section["reached"] or ["none found"]:
            click.echo(f"  {line}")
        for line in section["not_reached"]:
            click.echo(f"  not reached: {line}")
    click.echo("Simulated\n  the simulated bench: leave --bench out, or 'benchtest simulate' for other programs")


def _visa() -> dict[str, list[str]]:
    import pyvisa
    from pyvisa_py import highlevel

    reached: list[str] = []
    missing: list[str] = []
    with warnings.catch_warnings(record=True) as warned:  # what a library would print becomes a line of ours
        warnings.simplefilter("always")
        try:
            manager = pyvisa.ResourceManager("@py")
            reached = sorted(manager.list_resources("?*"))
        except Exception as error:  # whatever the backend stumbles over is shown, not raised
            missing.append(f"VISA: {error}")
    reached, refused = sorted_by_permission(reached, lambda port: os.access(port, os.R_OK | os.W_OK))
    missing += refused
    missing += warned_of(str(each.message) for each in warned if issubclass(each.category, UserWarning))
    missing += not_looked_for(highlevel.PyVisaLibrary.get_debug_info())
    missing.append(
        "meters in the network that do not announce themselves (most). Write the address into the bench file: "
        "TCPIP::192.168.1.20::5025::SOCKET, with the meter's own number and port"
    )
    return {"reached": reached, "not_reached": missing}


def warned_of(texts: Iterable[str]) -> list[str]:
    """A library's warnings as lines, each once; those about discovery are said by ``not_looked_for``.

    >>> warned_of(["Found a device whose serial number cannot be read."] * 2 + ["Install psutil: pip install psutil"])
    ['Found a device whose serial number cannot be read.']
    """
    wanted = (text for text in texts if "psutil" not in text and "zeroconf" not in text)
    return list(dict.fromkeys(" ".join(text.split()) for text in wanted))


def sorted_by_permission(resources: Iterable[str], may_open: Callable[[str], bool]) -> tuple[list[str], list[str]]:
    """Resources that can be opened, and lines for the serial ports that this user may not open.

    >>> sorted_by_permission(["ASRL/dev/ttyUSB0::INSTR", "USB0::1::2::3::0::INSTR"], lambda port: False)[0]
    ['USB0::1::2::3::0::INSTR']
    """
    good: list[str] = []
    refused: list[str] = []
    for resource in resources:
        if resource.upper().startswith("PRLGX"):
            continue  # every serial port once more, as what might be a GPIB adapter
        port = resource.removeprefix("ASRL").split("::")[0]
        if resource.startswith("ASRL/dev/") and not may_open(port):
            refused.append(
                f"{resource}: no permission to open {port}. On Debian: 'sudo adduser $USER dialout', then log in again"
            )
        else:
            good.append(resource)
    return good, refused


def not_looked_for(info: Mapping[str, Any]) -> list[str]:
    """What the VISA backend cannot reach or list here, and what to install for it.

    >>> not_looked_for({"USB INSTR": ["Please install PyUSB to use this resource type.", "No module named 'usb'"]})
    ["USB meters: Please install PyUSB to use this resource type. No module named 'usb'"]
    """
    lines = []
    usb = info.get("USB INSTR", "")
    words = " ".join(usb) if isinstance(usb, list) else ""
    if "suitable backend" in words:  # PyUSB is there, what it stands on is not
        words = "libusb is not there. On Debian: 'sudo apt install libusb-1.0-0'"
    if words:
        lines.append(f"USB meters: {words}")
    network = str(info.get("TCPIP INSTR", ""))
    absent = [name for name in ("psutil", "zeroconf") if f"{name} not installed" in network]
    if absent:
        lines.append(
            f"meters on other network interfaces, or announced by mDNS, are not listed: 'pip install {' '.join(absent)}' "
            "in the same environment. They work all the same, by their address"
        )
    return lines


def _audio() -> dict[str, list[str]]:
    from benchtest.errors import InstrumentError
    from benchtest.instruments import audio_server_names, portaudio

    try:
        module = portaudio.load()
        found = portaudio.devices(module)
    except InstrumentError as error:
        return {"reached": [], "not_reached": [str(error)]}
    reached = [str(device) for device in found]
    missing = []
    if any(device.name == portaudio.SERVER_DEVICE for device in found):
        reached += audio_server_names.devices()
    elif audio_server_names.devices():
        missing.append("the audio server's devices: on Debian 'sudo apt install libasound2-plugins'")
    return {"reached": reached, "not_reached": missing}
