"""``benchtest devices``: every instrument that can be reached, and what cannot and why."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
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
            click.echo(f"  {line}" if line.startswith("not reachable") else f"  cannot: {line}")
    click.echo("Simulated\n  the simulated bench: leave --bench out, or 'benchtest simulate' for other programs")


def _visa() -> dict[str, list[str]]:
    import pyvisa
    from pyvisa_py import highlevel

    reached: list[str] = []
    missing: list[str] = []
    with warnings.catch_warnings(record=True) as warned:  # what a library would print in between becomes a line of ours
        warnings.simplefilter("always")
        try:
            manager = pyvisa.ResourceManager("@py")
            reached = sorted(manager.list_resources("?*"))
        except Exception as error:  # whatever the backend stumbles over is shown, not raised
            missing.append(f"VISA: {error}")
    missing += not_reachable(str(each.message) for each in warned if issubclass(each.category, UserWarning))
    for name, why in highlevel.PyVisaLibrary.get_debug_info().items():
        if isinstance(why, str) and "not" in why.lower():
            missing.append(f"{name}: {' '.join(why.split())}")
    missing.append("network meters do not announce themselves: write TCPIP::address::5025::SOCKET into the bench file")
    return {"reached": reached, "not_reached": missing}


def not_reachable(warned: Iterable[str]) -> list[str]:
    """A library's warnings as lines, each once.

    >>> not_reachable(["TCPIP:instr resource discovery is limited to the default interface. Install psutil."] * 2)
    ['not reachable because: TCPIP:instr resource discovery is limited to the default interface. Install psutil.']
    """
    return list(dict.fromkeys(f"not reachable because: {' '.join(text.split())}" for text in warned))


def _audio() -> dict[str, list[str]]:
    from benchtest.errors import InstrumentError
    from benchtest.instruments import portaudio

    try:
        module = portaudio.load()
        return {"reached": [str(device) for device in portaudio.devices(module)], "not_reached": []}
    except InstrumentError as error:
        return {"reached": [], "not_reached": [str(error)]}
