"""What can be wrong between the keys of a bench file: two meters on one point, a simulated driver on a real bench, ..

Works on the raw data, so that it also speaks when other keys are wrong. Pure; the models are in ``bench_file``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from benchtest.config import KeyFault, nearest
from benchtest.instruments.protocols import Function
from benchtest.instruments.scpi import COMMANDS
from benchtest.instruments.test_points import TEST_POINTS

MOVABLE = "movable"
SWITCHED = ("inputs", "load", "sound_card")
"""Settings of the operator, besides movable meters, that a scanner's relays may make."""

_VISA_RESOURCE = re.compile(r"(TCPIP|ASRL|USB|GPIB|PRLGX-TCPIP|VICP|VXI)[^:\s]*::\S+", re.IGNORECASE)


def bench_faults(data: Mapping[str, Any]) -> Iterator[KeyFault]:
    """What is wrong between keys. The data are raw: anything may be missing or of the wrong kind."""
    simulated = _section(data, "bench").get("simulated") is True
    meters = data.get("dmm")
    meters = [each for each in meters if isinstance(each, Mapping)] if isinstance(meters, list) else []
    if not meters and not _section(data, "audio"):
        yield KeyFault(
            ("dmm",),
            "at least one multimeter ([[dmm]]) or a sound card ([audio])",
            "Add the instruments of this bench; `benchtest bench new` asks for them.",
            found="is missing, and [audio] too",
        )
    if not simulated:
        yield from _simulated_drivers(data, meters)
    yield from _operator(_section(data, "operator"))
    yield from _switches(data, meters)
    yield from _meters(meters)
    audio = _section(data, "audio")
    if audio.get("driver") == "sound_card":
        for key in ("output_device", "input_device"):
            if not audio.get(key):
                yield KeyFault(
                    ("audio", key),
                    "the name of the sound card, or a part of it that no other device has",
                    "`benchtest devices` lists the names. The system's default device also plays other sounds.",
                )


def _section(data: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = data.get(name)
    return found if isinstance(found, Mapping) else {}


def _simulated_drivers(data: Mapping[str, Any], meters: list[Mapping[str, Any]]) -> Iterator[KeyFault]:
    places = [((name,), _section(data, name)) for name in ("operator", "audio", "mains_socket")]
    for path, section in [*places, *((("dmm", i), meter) for i, meter in enumerate(meters))]:
        if section.get("driver") == "simulated":
            yield KeyFault(
                (*path, "driver"),
                "a real driver, since [bench] simulated is not true",
                "Write simulated = true in [bench], or the driver of the real instrument.",
            )


def _operator(operator: Mapping[str, Any]) -> Iterator[KeyFault]:
    if operator.get("driver", "person") == "person" and operator.get("resource"):
        yield KeyFault(("operator", "resource"), "no resource for a person", "Delete the line.")


def _switches(data: Mapping[str, Any], meters: list[Mapping[str, Any]]) -> Iterator[KeyFault]:
    """The mains socket and the scanner: addresses, and connections that can be meant."""
    socket = _section(data, "mains_socket")
    if socket.get("driver") == "scpi" and not _VISA_RESOURCE.fullmatch(str(socket.get("resource", ""))):
        yield KeyFault(("mains_socket", "resource"), "a VISA resource name", "Write where the socket is reached.")
    scanner = _section(data, "scanner")
    if scanner and not _VISA_RESOURCE.fullmatch(str(scanner.get("resource", ""))):
        yield KeyFault(("scanner", "resource"), "a VISA resource name", "Write where the scanner is reached.")
    rows = scanner.get("connections")
    movable = [m.get("name") for m in meters if m.get("connected_to", MOVABLE) == MOVABLE]
    for i, row in enumerate(rows if isinstance(rows, list) else []):
        if not isinstance(row, Mapping):
            continue
        setting, state = row.get("setting"), str(row.get("state", "")).replace(" ", "_")
        if setting in movable:
            if state not in TEST_POINTS:
                near = nearest(state, list(TEST_POINTS))
                yield KeyFault(
                    ("scanner", "connections", i, "state"),
                    f"a test point for {setting}",
                    f"Did you mean {near}?" if near else f"Test points: {', '.join(TEST_POINTS)}.",
                )
        elif isinstance(setting, str) and setting not in SWITCHED:
            yield KeyFault(
                ("scanner", "connections", i, "setting"),
                f"a movable meter ({', '.join(map(str, movable)) or 'there is none'}) or one of {', '.join(SWITCHED)}",
                "Relays connect meters, inputs and loads; knobs, lid and mains are not theirs.",
            )


def _meters(meters: list[Mapping[str, Any]]) -> Iterator[KeyFault]:
    names: dict[str, int] = {}
    points: dict[str, int] = {}
    for i, meter in enumerate(meters):
        name, point = meter.get("name"), meter.get("connected_to", MOVABLE)
        if isinstance(name, str) and names.setdefault(name, i) != i:
            yield KeyFault(
                ("dmm", i, "name"),
                f"a name of its own; meter number {names[name] + 1} has this one",
                "Give every meter its own name.",
            )
        if isinstance(point, str) and point != MOVABLE:
            yield from _point(point, i, points)
        yield from _resource(meter, i)
        yield from _accuracy(meter.get("accuracy"), i)
        yield from _commands(meter, i)
        yield from _four_wire(meter, i)


def _point(point: str, i: int, points: dict[str, int]) -> Iterator[KeyFault]:
    path = ("dmm", i, "connected_to")
    if point not in TEST_POINTS:
        near = nearest(point, [MOVABLE, *TEST_POINTS])
        yield KeyFault(
            path,
            '"movable" or a test point',
            f"Did you mean {near}?" if near else f"Test points: {', '.join(TEST_POINTS)}.",
        )
    elif points.setdefault(point, i) != i:
        yield KeyFault(
            path,
            f"a test point of its own; meter number {points[point] + 1} sits on this one",
            'Write "movable" for the meter whose leads are moved.',
        )


def _resource(meter: Mapping[str, Any], i: int) -> Iterator[KeyFault]:
    path, resource, driver = ("dmm", i, "resource"), meter.get("resource", ""), meter.get("driver")
    if not isinstance(resource, str):
        return
    if driver == "scpi" and not _VISA_RESOURCE.fullmatch(resource):
        yield KeyFault(
            path,
            "a VISA resource name, such as TCPIP0::192.0.2.7::5025::SOCKET or ASRL/dev/ttyUSB0::INSTR",
            "`benchtest devices` lists those that can be reached.",
        )
    elif driver == "handheld" and resource:
        yield KeyFault(
            path, "no resource for a meter that a person reads", 'Delete the line, or write driver = "scpi".'
        )


def _four_wire(meter: Mapping[str, Any], i: int) -> Iterator[KeyFault]:
    if meter.get("four_wire") is True and meter.get("driver") == "handheld":
        yield KeyFault(
            ("dmm", i, "four_wire"),
            "no such thing for a meter that a person reads",
            "Delete the line.",
            found="is given",
        )


def _commands(meter: Mapping[str, Any], i: int) -> Iterator[KeyFault]:
    overrides = meter.get("commands")
    if not isinstance(overrides, Mapping):
        return
    if meter.get("driver") == "handheld":
        yield KeyFault(
            ("dmm", i, "commands"), "no commands for a meter that a person reads", "Delete them.", found="are given"
        )
    for key in overrides:
        if key not in COMMANDS:
            near = nearest(key, COMMANDS)
            yield KeyFault(
                ("dmm", i, "commands", key),
                f"one of {', '.join(COMMANDS)}",
                f"Did you mean {near}?" if near else "Delete it.",
                found="is not known",
            )


def _accuracy(rows: Any, i: int) -> Iterator[KeyFault]:
    if not isinstance(rows, list):
        return
    seen: list[tuple[Any, Any, float, float, int]] = []
    for j, row in enumerate(rows):
        if not isinstance(row, Mapping):
            continue
        path = ("dmm", i, "accuracy", j)
        band = row.get("frequency_hz")
        is_ac = row.get("function") == Function.AC_VOLTS
        low, high = 0.0, float("inf")
        if band is None and is_ac:
            yield KeyFault(
                (*path, "frequency_hz"),
                "the band in which the row holds, such as [45.0, 1000.0]",
                "Read the band off the meter's manual; outside it a reading is refused.",
            )
        elif band is not None and not is_ac:
            yield KeyFault((*path, "frequency_hz"), "no band for this function", "Delete it: only ac_volts has one.")
        elif isinstance(band, list) and len(band) == 2 and all(isinstance(f, int | float) for f in band):
            low, high = float(band[0]), float(band[1])
            if not 0.0 <= low < high:
                yield KeyFault(
                    (*path, "frequency_hz"), "0 or more, and the lower frequency first", "Write [low, high] in Hz."
                )
        if row.get("percent_of_reading") == 0 and row.get("percent_of_range") == 0:
            yield KeyFault(
                (*path, "percent_of_reading"),
                "a limit of error above 0 in one of the two",
                "Copy the row from the meter's manual; no meter is exact.",
            )
        for function, range_, other_low, other_high, k in seen:
            same = (function, range_) == (row.get("function"), row.get("range"))
            if same and low < other_high and other_low < high:
                yield KeyFault(
                    (*path, "range"),
                    f"one row for each function, range and band; row {k + 1} is for the same",
                    "Delete one of the two.",
                )
        seen.append((row.get("function"), row.get("range"), low, high, j))
