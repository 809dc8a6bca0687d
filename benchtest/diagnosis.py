"""Readings -> likely causes, each with its evidence and the next check to make.

It receives nothing but rows of readings.csv and the amplifier file, so it can be asked again years later. Rules are plain
functions over rows; probabilities are degrees of belief from common practice (no source), not frequencies.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from benchtest.amplifier_file import AmplifierSpec

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Cause:
    """A likely cause. cause is the scenario's name where one exists, "healthy" where nothing is wrong."""

    cause: str
    channel: str
    probability: float
    evidence: tuple[str, ...]
    next_check: str

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "evidence": list(self.evidence)}


def diagnose(rows: Sequence[Row], amplifier: AmplifierSpec) -> list[Cause]:
    """Likely causes, the likeliest first. [] where too little was measured to say anything."""
    found: list[Cause] = []
    for rule in (_open_path, _rail_at_output, _no_response, _crossed):
        found += rule(rows, amplifier)
    if not found and any(row["verdict"] == "fail" for row in rows):
        found += _unnamed(rows)
    if not found and _heard(rows):
        found.append(
            Cause("healthy", "none", 0.9, ("every limit that was judged is met",), "nothing more to look for here")
        )
    return sorted(found, key=lambda cause: -cause.probability)


def _heard(rows: Sequence[Row]) -> bool:
    """Whether enough was measured to say that nothing is wrong: DC and gain of both channels were judged and met."""
    met = {(r["quantity"], r["channel"]) for r in rows if r["verdict"] in ("pass", "noted")}
    return all((quantity, channel) in met for quantity in ("dc_offset", "gain") for channel in ("left", "right"))


def _value(row: Row) -> float | None:
    value = row["value"]
    return None if value in (None, "") else float(value)


def _of(rows: Iterable[Row], quantity: str, channel: str | None = None, text: str = "") -> list[Row]:
    return [
        row
        for row in rows
        if row["quantity"] == quantity
        and (channel is None or row["channel"] == channel)
        and text in str(row["conditions"]) + str(row["note"])
    ]


def _shown(row: Row) -> str:
    value = _value(row)
    if value is None:
        return f"{row['quantity']} {row['channel']}: {row['note']}"
    if row["unit"] == "V" and abs(value) < 1.0:
        return f"{row['quantity']} {row['channel']} {1000 * value:.2f} mV"
    return f"{row['quantity']} {row['channel']} {value:.4g} {row['unit']}"


def _open_path(rows: Sequence[Row], amplifier: AmplifierSpec) -> list[Cause]:
    found = []
    for channel in ("left", "right"):
        zeros = [r for r in _of(rows, "dc_offset", channel, "zero") if r["verdict"] in ("fail", "inconclusive")]
        open_paths = [r for r in _of(rows, "dc_offset", channel, "OPEN CIRCUIT") if r["verdict"] == "fail"]
        fuses = _of(rows, "fuse_resistance", channel)
        blown = [r for r in fuses if r["verdict"] == "fail"]
        good = [r for r in fuses if r["verdict"] in ("pass", "noted", "information") and _value(r) is not None]
        other = _of(rows, "dc_offset", "right" if channel == "left" else "left")
        beside = tuple(_shown(r) for r in other[:1])
        if blown:
            found.append(
                Cause(
                    "speaker-fuse-open",
                    channel,
                    0.97,
                    (_shown(blown[0]), *(_shown(r) for r in (open_paths or zeros)[:1]), *beside),
                    "find what blew it first: the cable and loudspeaker of this channel for a short, then DC before the "
                    "fuse; then fit one of the same rating and repeat the test",
                )
            )
        elif open_paths:
            share = 0.9 if good else 0.5
            evidence = (*(_shown(r) for r in open_paths[:2]), *beside, *(_shown(r) for r in good[:1]))
            found.append(
                Cause(
                    "relay-open",
                    channel,
                    share,
                    evidence,
                    "mains off: ohms across this channel's relay contact while the relay is held, then the joints at "
                    "relay, fuse holder and terminals; clean or replace the relay, do not file its contacts",
                )
            )
            if not good:
                found.append(
                    Cause(
                        "speaker-fuse-open",
                        channel,
                        0.45,
                        evidence,
                        "mains off, reservoirs empty: ohms across the speaker fuse",
                    )
                )
    return found


def _rail_at_output(rows: Sequence[Row], amplifier: AmplifierSpec) -> list[Cause]:
    found = []
    rails = [abs(v) for r in _of(rows, "rail_voltage") if (v := _value(r)) is not None]
    rail = max(rails, default=0.0)
    for channel in ("left", "right"):
        for row in _of(rows, "dc_offset", channel):
            value = _value(row)
            high = row["verdict"] == "fail" and ((value is None and "rail" in row["note"]) or abs(value or 0.0) > 2.0)
            if not high:
                continue
            near = value is None or (rail > 0 and abs(value) > 0.5 * rail)
            found.append(
                Cause(
                    "output-stage-shorted",
                    channel,
                    0.9 if near else 0.6,
                    (_shown(row), *(_shown(r) for r in _of(rows, "rail_voltage")[:2])),
                    "mains off, reservoirs empty: diode test C-E, B-E and B-C of both output devices (near 0 V both ways is "
                    "shorted), then drivers and emitter resistors; outputs die in pairs",
                )
            )
            break
    return found


def _no_response(rows: Sequence[Row], amplifier: AmplifierSpec) -> list[Cause]:
    return [
        Cause(
            "no-signal",
            channel,
            0.5,
            (_shown(row),),
            "follow the tone: the source's lead, input selector and tape monitor, pre/main links, then stage by stage",
        )
        for channel in ("left", "right")
        for row in _of(rows, "gain", channel, "no response")[:1]
        if "crossed" not in str(row["note"])
    ]


def _crossed(rows: Sequence[Row], amplifier: AmplifierSpec) -> list[Cause]:
    return [
        Cause("channels-crossed", "both", 0.8, (_shown(row),), "swap the input leads: if the fault stays, it is inside")
        for row in _of(rows, "gain", None, "channels crossed")[:1]
    ]


def _unnamed(rows: Sequence[Row]) -> list[Cause]:
    failed = [row for row in rows if row["verdict"] == "fail"]
    channels = {row["channel"] for row in failed} - {"none"}
    channel = channels.pop() if len(channels) == 1 else "both"
    return [
        Cause(
            "not-named",
            channel,
            0.5,
            tuple(_shown(row) for row in failed[:4]),
            "compare left with right at each stage; the first point where they differ is near the fault",
        )
    ]
