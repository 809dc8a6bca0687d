"""Every knob and socket: volume tracking, balance, tone, phono, monitor, mute, headphones, noisy controls, auxiliary rails."""

import math
from typing import Any

from benchtest import Advice, Procedure, measure
from benchtest.errors import InstrumentError, NotReachable
from benchtest.reading import Reading

test = Procedure(
    "Controls and inputs",
    kit=[
        "multimeter on both speaker terminals; one more to move",
        "sound card with its dividers; dummy load for both channels",
        "33 ohm resistors on a headphone plug",
        "contact cleaner, for afterwards",
    ],
)


TWO_GAINS_DB = 0.01  # expanded uncertainty of one gain over another in the same hook-up; judgement, no source


@test.step(
    "Stored charge; on: auxiliary rail, DC check",
    why="the set is open; tone controls and phono live on the auxiliary rails",
    hook_up="off, lid off: meter on each rail, then on the auxiliary rail; dummy load on, inputs shorted, volume at minimum",
    outside=False,
    takes="58 s",
    required=True,
)
def on(bench, amplifier):
    bench.mains_off(
        "Switched off at the wall, plug out. Lid off. Keep hands out: the reservoirs may be charged.", lid="off"
    )
    yield from measure.emptied(bench)
    bench.hook_up(
        "Lamp out. Dummy load on both channels, inputs shorted, volume at minimum, all controls flat.", lamp="out", load="load",
        inputs="shorted", volume="minimum", tone_controls="flat", source="line",
    )  # fmt: skip
    if bench.reaches("rail_auxiliary"):
        bench.move_meter("rail_auxiliary")
    bench.mains_on("Switch on. Listen for the relay.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    yield measure.volts_at(bench, "rail_auxiliary", quantity="auxiliary_rail", at="idle")
    yield measure.dc_offsets(bench, "relay + 10 s")


@test.step(
    "Scratching: volume and selector turned, inputs shorted",
    why="DC or oxide on a track is heard as scratching, and seen as peaks",
    hook_up="as before; turn the volume to and fro while it records",
    takes="18 s",
)
def scratching(bench, amplifier):
    bench.hook_up("Volume to full, inputs shorted.", volume="full", inputs="shorted")
    bench.sleep(3.0)
    yield measure.dc_offsets(bench, "full volume")
    yield measure.noise_and_hum(bench, "volume full, at rest")
    heard = bench.ask(
        "Turn volume, balance, tone and selector to and fro, an ear near a small loudspeaker or headphones: scratching?",
        ("nothing", "yes"), about="noise",
    )  # fmt: skip
    yield Reading(
        quantity="inspection", channel="none", value=float(heard == "nothing"), unit="1", expanded_uncertainty=0.0,
        lower_limit=0.5, method="listened to by a person", conditions={"at": "controls turned", "answer": heard},
    )  # fmt: skip


@test.step(
    "Volume: channel difference from full down to -50 dB",
    why="the two tracks part company where the control is used",
    hook_up="sound card's output into both line inputs; the volume is turned down by steps, the tone is off meanwhile",
    takes="50 s",
)
def tracking(bench, amplifier):
    bench.hook_up("Sound card's output into both line inputs, volume full.", inputs="sound_card", volume="full")
    gains = yield measure.gain(bench)
    full = {r.channel: r.value for r in gains if r.quantity == "gain" and r.value is not None}
    for position in ("-10 dB", "-20 dB", "-30 dB", "-40 dB", "-50 dB"):
        bench.hook_up(f"Volume down by about {position[1:]} from full.", volume=position)
        yield measure.channel_balance(bench, full)
    bench.hook_up("Volume full again.", volume="full")
    yield measure.gain(bench, at="full again")


@test.step(
    "Balance: fully left, fully right",
    why="the law of the control, and whether its centre is one",
    hook_up="as before",
    takes="36 s",
)
def balance(bench, amplifier):
    full = measure.gains(bench)
    for side in ("left", "right"):
        bench.hook_up(f"Balance fully {side}.", balance=side)
        yield favoured(measure.gains(bench), full, side)
    bench.hook_up("Balance to its centre.", balance="centre")
    yield measure.gain(bench, at="balance centre")


def favoured(turned, centre, side):
    """What the channel on whose side the control is turned gains by it; the other one may be silent."""
    common: dict[str, Any] = {
        "conditions": {"at": f"balance fully {side}"},
        "method": "gain at 1 kHz, 0.3 V, re that in the centre",
    }
    here, before = turned[side], centre[side]
    if isinstance(here, str) or isinstance(before, str):
        return measure.not_measured("balance_control", side, "dB", here if isinstance(here, str) else before, **common)
    return Reading(
        quantity="balance_control", channel=side, value=20.0 * math.log10(here.ratio / before.ratio), unit="dB",
        expanded_uncertainty=TWO_GAINS_DB, lower_limit=-1.0, upper_limit=6.5, **common,
    )  # fmt: skip


@test.step(
    "Tone controls: bass and treble up and down, and defeat",
    why="a tone stage that does not centre is heard as a wrong frequency response",
    hook_up="as before; volume down by 20 dB, so that a boost stays small",
    takes="55 s",
)
def tone(bench, amplifier):
    bench.hook_up("Volume down by about 20 dB. Tone flat.", volume="-20 dB", tone_controls="flat")
    yield measure.gain(bench, at="tone flat")
    flat = {c: measure.sweep(bench, c, output_v=0.05) for c in bench.channels}
    for setting in ("bass up", "bass down", "treble up", "treble down", "defeat"):
        bench.hook_up(f"Tone controls: {setting}.", tone_controls=setting)
        yield measure.gain(bench, at=setting)
        for channel in bench.channels:
            turned = measure.sweep(bench, channel, output_v=0.05)
            yield measure.tone_controls(bench, flat[channel], turned, channel, setting=setting)
    bench.hook_up("Tone flat.", tone_controls="flat")


@test.step(
    "Phono: gain and equalisation",
    why="a capacitor of the equaliser off by a tenth is half a decibel over an octave",
    hook_up="the sound card's output into both phono inputs, volume down by 40 dB: the phono stage adds as much",
    takes="16 s",
)
def phono(bench, amplifier):
    if amplifier.kind in ("power", "module"):
        bench.tell("A power amplifier: no phono input.")
        return
    there = bench.ask("Has it a phono input for a moving magnet?", ("yes", "no"), about="")
    if there == "no":
        return
    bench.hook_up(
        "Sound card's output into both PHONO inputs, selector to phono, volume down by 40 dB BEFORE that.", volume="-40 dB",
        source="phono",
    )  # fmt: skip
    yield measure.gain(bench, at="phono, volume -40 dB")
    for channel in bench.channels:
        swept = measure.sweep(bench, channel, output_v=0.05)
        yield measure.phono_equalisation(bench, swept, channel)
    bench.hook_up("Back into the line inputs, selector to line.", source="line", volume="full")


@test.step(
    "Tape monitor and headphone socket",
    why="each of them interrupts the signal, and each gets bad contacts",
    hook_up="line inputs, volume full; first monitor in and out, then the headphone plug in and out",
    takes="25 s",
)
def monitor_and_headphones(bench, amplifier):
    yield measure.gain(bench, at="before the switches")
    for name, into, out in (("monitor", "in", "out"), ("headphones", "in", "out")):
        bench.hook_up(f"{name.capitalize()}: {into}.", **{name: into})
        for channel in bench.channels:
            yield silence(bench, channel, name)
        bench.hook_up(f"{name.capitalize()}: {out} again.", **{name: out})
        readings = yield measure.gain(bench, at=f"{name} out again")
        for reading in readings:
            if reading.quantity == "gain" and reading.value is None:
                bench.tell(f"{reading.channel}: no sound after {name} {out} again: its contact.", severity="warning")


def silence(bench, channel, name):
    """Terminals silent with the monitor in (no recorder plays) or the plug in: the level at them, nothing played."""
    try:
        value = bench.ac_volts(f"{channel}_output", 1000.0)
    except (NotReachable, InstrumentError) as why:
        return measure.not_measured("residual_output", channel, "V", why)
    if value.value is None:
        return measure.not_measured("residual_output", channel, "V", "overload")
    # a meter's AC statement ends above some millivolts: a tenth is added (judgement, no source)
    return Reading(
        quantity="residual_output", channel=channel, value=abs(value.value), unit="V", method="multimeter, AC volts, no tone",
        expanded_uncertainty=2.0 * value.standard_uncertainty + 0.1 * abs(value.value), conditions={"at": f"{name} in"},
    )  # fmt: skip


@test.step(
    "Off, the discharge measured; settings memory",
    why="a backup capacitor or cell that is flat forgets stations and settings",
    hook_up="mains off; meter on the backup capacitor, if there is one",
    outside=False,
    takes="19 s",
)
def memory(bench, amplifier, so_far):
    bench.mains_off()
    yield measure.discharge(bench)
    has = bench.ask("Has it a memory kept by a capacitor or a cell?", ("not there", "yes"), about="setting")
    if has == "yes":
        first = measure.typed_value(bench, "backup_voltage", "V", "Volts on it now?", u=0.02, at="mains off")
        yield first
        bench.sleep(600.0, why="the backup capacitor loses its charge")
        later = measure.typed_value(bench, "backup_voltage", "V", "Volts on it now?", u=0.02, at="10 min later")
        yield later
        if first.value and later.value and 0.0 < later.value < first.value:
            hours = 600.0 / math.log(first.value / later.value) * math.log(first.value / 2.0) / 3600.0
            bench.tell(f"By this it holds above 2 V for about {hours:.0f} h.")
    bad = [f"{r['quantity']} {r['channel']}" for r in so_far if r["verdict"] == "fail"]
    yield Advice("look at", tuple(dict.fromkeys(bad))) if bad else Advice("go on", ())
