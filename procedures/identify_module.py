"""A salvaged power-amplifier module of which nothing is known: rails, gain, impedances, power, and what it needs.

Writes an amplifier file and a data sheet page into the run's folder. The rails come from a supply that you know; 22 ohm in
each of them first: the drop is the current.
"""

import math
import re
from pathlib import Path
from typing import Any

from benchtest import Advice, Procedure, measure
from benchtest.amplifier_file import AmplifierSpec, amplifier_as_toml
from benchtest.reading import Reading

RAIL_OHM = 22.0  # 22 ohm 5 W in each rail at first power: 10 V across one is 0.45 A, and as much as it bears
MOST_A = 0.25  # idle, both rails; more is a short, an oscillation or a bias far too high

test = Procedure(
    "Identify a module",
    kit=[
        "the module on a heatsink, insulated where it was; a supply of the voltage that its capacitors are marked for, at most",
        "two 22 ohm 5 W resistors for the rails, series lamp for the supply",
        "multimeter on both outputs; one more to move; sound card with its dividers; dummy load",
        "two 1 kilohm 5 W resistors; shorting plugs; 10 kilohm 1 % for the input",
    ],
)


@test.step(
    "Cold: charge, shorts, ground",
    why="what is shorted is found before the supply finds it",
    hook_up="supply off; meter on each rail, then on ohms",
    outside=False,
    takes="15 s",
    required=True,
)
def cold(bench, amplifier):
    bench.mains_off("Supply off, its plug out. The reservoirs may be charged.", lid="off")
    yield from measure.emptied(bench)
    points = ["leads_shorted", "rail_positive", "rail_negative", "left_output_minus", "right_output_minus"]
    for point in bench.touch_in_turn(
        [p for p in points if bench.reaches(p)],
        say="On ohms, in turn: the leads together, each rail to ground, each minus output terminal to ground.",
    ):
        if point == "leads_shorted":
            yield measure.lead_resistance(bench)
        elif point.startswith("rail"):
            yield measure.ohms_at(bench, point, short_below=10.0)
        else:
            yield measure.ohms_at(bench, point, quantity="minus_to_chassis")


@test.step(
    "First power: lamp, 22 ohm in each rail; the drop is the current",
    why="22 ohm save the output devices where a bias is wrong or a part is upside down",
    hook_up="22 ohm 5 W in each supply lead, lamp in the supply's mains, 1 kilohm at the outputs, inputs shorted",
    outside=False,
    takes="110 s",
    required=True,
)
def first_power(bench, amplifier):
    bench.hook_up(
        "22 ohm 5 W in each supply lead of the module, series lamp in the supply's mains lead, 1 kilohm 5 W at the outputs, "
        "inputs shorted, volume (if there is one) at minimum. Glasses on.",
        lamp="in", rail_resistors="in", load="1 kilohm", inputs="shorted", volume="minimum",
    )  # fmt: skip
    for side in ("positive", "negative"):
        bench.move_meter(f"rail_resistor_{side}")
        bench.mains_on("Supply on. Watch lamp and resistors.")
        lamp = yield measure.lamp(bench)
        state = measure.lamp_words(lamp)
        if state in ("bright", "half"):
            bench.stop(f"the series lamp is {state}: the module draws far too much")
        yield drawn(bench, side)
        bench.mains_off("Supply off.")


def drawn(bench, side):
    """Idle current of one rail from the drop across its 22 ohm."""
    drop = measure.volts_at(bench, f"rail_resistor_{side}", quantity="rail_resistor_drop", at=side)
    if drop.value is None:
        return drop
    amperes = abs(drop.value) / RAIL_OHM
    if amperes > 2.0 * MOST_A:
        bench.stop(f"{amperes:.2f} A from the {side} rail with nothing played")
    return Reading(
        quantity="quiescent_current", channel="none", value=amperes, unit="A", upper_limit=MOST_A,
        expanded_uncertainty=amperes * 0.06 + (drop.expanded_uncertainty or 0.0) / RAIL_OHM, method="drop across 22 ohm, 5 %",
        conditions={"at": f"first power, {side}", "rail": side},
    )  # fmt: skip


@test.step(
    "Without lamp and resistors: rails, offset",
    why="the rails as supplied; an offset that stands near a rail ends it here",
    hook_up="lamp and 22 ohm out; the rest as before",
    outside=False,
    takes="115 s",
    required=True,
)
def rails(bench, amplifier):
    bench.hook_up(
        "Lamp out, 22 ohm out.", lamp="out", rail_resistors="out", load="1 kilohm", inputs="shorted", volume="minimum"
    )
    bench.mains_on("Supply on.")
    bench.sleep(20.0, why="a relay, if there is one, pulls in")
    yield measure.rail_voltages(bench, "idle")
    yield measure.dc_offsets(bench, "20 s")


@test.step(
    "Load on: offset loaded, noise",
    why="a fault of the output stage may show only under load",
    hook_up="off: dummy load in the place of the 1 kilohm; on",
    takes="60 s",
    required=True,
)
def loaded(bench, amplifier):
    bench.hook_up(
        "Sound card's output into both inputs, volume (if there is one) full.", inputs="sound_card", volume="full"
    )
    bench.kept["unloaded gains"] = measure.gains(bench)
    bench.mains_off("Supply off.")
    bench.sleep(3.0)
    bench.hook_up("Dummy load on.", load="load", inputs="shorted")
    bench.mains_on("Supply on.")
    bench.sleep(20.0, why="a relay, if there is one, pulls in")
    yield measure.dc_offsets(bench, "loaded")
    yield measure.noise_and_hum(bench, "inputs shorted")


@test.step(
    "Gain, polarity, impedances, response",
    why="what a new front end must deliver, and into what",
    hook_up="sound card's output into the inputs; then 10 kilohm in each input lead, and out again",
    takes="50 s",
    required=True,
)
def small(bench, amplifier):
    bench.hook_up("Sound card's output into both inputs.", inputs="sound_card")
    gains = yield measure.gain(bench)
    yield measure.input_sensitivity(bench, gains)
    for channel in bench.channels:
        yield measure.polarity(bench, channel)
    straight = measure.gains(bench)
    yield measure.output_impedance(bench, bench.kept.get("unloaded gains", {}), straight)
    bench.hook_up("10 kilohm in each lead from the sound card to the inputs.", series_resistor="in")
    yield measure.input_impedance(bench, straight, measure.gains(bench), series_ohm=10e3)
    bench.hook_up("The 10 kilohm out of the leads again.", series_resistor="out")
    yield measure.gain(bench, at="50 mV, again")
    for channel in bench.channels:
        measure.rise_to(bench, (channel,), bench.drive_limits().one_watt_v())
        yield measure.frequency_response(bench, measure.sweep(bench, channel), channel)


@test.step(
    "Power at clipping, 1 % THD",
    why="no rating is known: the ramp ends at 1 % THD, or where the load's rating ends",
    hook_up="as before. Loads and heatsink get HOT",
    takes="70 s",
    required=True,
)
def power(bench, amplifier):
    for channel in bench.channels:
        yield measure.output_power(bench, (channel,), target_thd=0.01)
        yield measure.distortion(bench, channel, "1 W")


@test.step(
    "Off: amplifier file and data sheet page",
    why="the next one who finds the module knows it",
    hook_up="supply off",
    takes="17 s",
)
def sheet(bench, amplifier, so_far):
    bench.mains_off("Supply off.")
    yield measure.discharge(bench)
    found = figures(so_far)
    spec, lines = identified(found, amplifier, bench)
    name = re.sub(r"\W+", "-", spec.name.lower()).strip("-")
    if "run folder" in bench.kept:
        folder = Path(bench.kept["run folder"])
        head = "# Measured by identify_module" + (" on the SIMULATED bench" if bench.simulated else "") + ".\n"
        (folder / f"{name}.toml").write_text(head + amplifier_as_toml(spec), encoding="utf-8")
        (folder / f"{name}.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
        bench.tell(f"Amplifier file and data sheet page: {folder / name}.toml and .md")
    for line in lines:
        bench.tell(line)
    silent = [
        f"{r['channel']}: {r['note'] or 'no power'}"
        for r in so_far
        if r["quantity"] == "output_power" and not made_power(r)
    ]
    if "power" not in found:
        yield Advice("look at", tuple(silent) or ("no power was measured",))
    else:
        yield Advice("look at" if silent else "identified", tuple(silent))


LEAST_W = 0.1  # less than this into the load is no power amplifier that works


def made_power(row):
    """Whether a channel made power; the figures of a dead one are not the module's."""
    return row["value"] is not None and row["verdict"] != "fail" and row["value"] >= LEAST_W


def figures(rows):
    """What the readings say, one figure a name: the lower of the two channels where it matters."""
    values: dict[str, Any] = {}
    for row in rows:
        if row["value"] is not None and (row["quantity"] != "output_power" or made_power(row)):
            values.setdefault(row["quantity"], []).append(row["value"])
    pick: dict[str, Any] = {
        "gain_db": ("gain", min), "input_ohm": ("input_impedance", min), "power": ("output_power", min),
        "offset": ("dc_offset", lambda v: max(v, key=abs)), "noise": ("noise", max), "polarity": ("polarity", min),
        "quiescent": ("quiescent_current", max), "output_ohm": ("output_impedance", max), "thd": ("thd", max),
    }  # fmt: skip
    found = {name: choose(values[quantity]) for name, (quantity, choose) in pick.items() if quantity in values}
    rail = [v for v in values.get("rail_voltage", []) if abs(v) > 5.0]
    if rail:
        found["rail"] = min(abs(v) for v in rail)
        found["single"] = all(v > 0 for v in rail)
    return found


def identified(found, amplifier, bench):
    """The amplifier file, and the page: fuse, supply and heatsink by the usual rules (common practice, computed)."""
    load = bench.load_ohm["left"]
    watts, rail = found.get("power"), found.get("rail")
    spec = AmplifierSpec(
        name="Module " + bench.started_utc.strftime("%Y-%m-%d %H%M"), kind="module",
        output_stage="capacitor_coupled" if found.get("single") else "direct_coupled" if rail else "unknown",
        rated_power_w=None if watts is None else float(f"{0.9 * watts:.2g}"), rated_load_ohm=8.0,
        rated_thd_percent=None if watts is None else 1.0,
        gain_db=None if "gain_db" not in found else round(found["gain_db"], 1),
        rail_v=None if rail is None else round(rail, 1), mains_voltage=amplifier.mains_voltage,
        remarks="Measured by identify_module" + ("; SIMULATED" if bench.simulated else ""),
    )  # fmt: skip
    lines = [f"# {spec.name}: data sheet" + (" (SIMULATED)" if bench.simulated else ""), ""]

    def say(name, shown):
        lines.append(f"- {name}: {shown}")

    if rail is not None:
        say("rails as supplied", f"{'one of ' if found['single'] else '+-'}{rail:.1f} V")
    if "quiescent" in found:
        say("quiescent draw", f"{1000 * found['quiescent']:.0f} mA a rail, all channels")
    if "gain_db" in found:
        say("gain", f"{found['gain_db']:.1f} dB, " + ("not inverting" if found.get("polarity", 1) > 0 else "INVERTING"))
    if "input_ohm" in found:
        say("input impedance", f"{found['input_ohm'] / 1000:.0f} kilohm")
    if "output_ohm" in found:
        say("output impedance", f"{1000 * found['output_ohm']:.0f} milliohm")
    if "offset" in found:
        say("offset, the larger", f"{1000 * found['offset']:+.0f} mV")
    if "noise" in found:
        say("noise, inputs shorted", f"{1e6 * found['noise']:.0f} uV")
    if watts is not None:
        peak = math.sqrt(2.0 * watts / load)
        say("power at 1 % THD", f"{watts:.0f} W into {load:.1f} ohm, one channel driven")
        if "gain_db" in found:
            volts = math.sqrt(watts * load) / 10 ** (found["gain_db"] / 20)
            say("a new front end must deliver", f"{volts:.2f} V rms, from less than a tenth of the input impedance")
        say(
            "fuse in each rail",
            f"T {next_fuse(peak / math.pi * 1.5):g} A for one channel (average of a half wave, and half as much)",
        )
        if rail is not None:
            heat = 2.0 * rail**2 / (math.pi**2 * load) if not found["single"] else rail**2 / (2.0 * math.pi**2 * load)
            say("worst heat of one channel", f"{heat:.0f} W (sine at {200 / math.pi:.0f} % of the swing)")
            say("heatsink for one channel", f"{40.0 / heat:.1f} K/W or less (40 K above the air)")
            say(
                "supply",
                f"transformer of {2.0 * watts * 1.6:.0f} VA for two channels with music, rails as above under load",
            )
    lines += ["", "Fuse, supply and heatsink are common practice, computed from what was measured; check them."]
    return spec, lines


def next_fuse(amperes):
    """The next rating of IEC 60127 upwards."""
    ratings = (0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0)
    return next((r for r in ratings if r >= amperes), ratings[-1])
