"""Everything that a data sheet says, measured on both channels at the rated load; 4 ohm where the label allows it.

It presumes an amplifier that has passed power_on or incoming_check: the lamp and the cold checks are not repeated.
"""

from benchtest import Advice, Procedure, measure

test = Procedure(
    "Full performance",
    kit=[
        "everything of power_on; the amplifier has passed it",
        "10 kilohm 1 % in each of two input leads, for the input impedance",
        "dummy load for both channels; a second pair of 4 ohm where the label allows that",
    ],
)


@test.step(
    "Empty? Dummy load measured",
    why="power is worked out with the measured load; ohms only on what is empty",
    hook_up="plug out; meter on the rails, then across each dummy load, disconnected",
    outside=False,
    takes="23 s",
)
def load(bench, amplifier):
    bench.mains_off(
        "Switched off at the wall, plug out. Lid off. Keep hands out: the reservoirs may be charged.", lid="off"
    )
    yield from measure.emptied(bench)
    yield from loads_touched(bench, "the leads together")


def loads_touched(bench, first, at=""):
    """Each resistor of the dummy loads, disconnected; of the second one too, where this amplifier may have it."""
    names = ["load"] if bench.load_refused() else ["load", "second load"]
    points = {f"{channel}_{name.replace(' ', '_')}": (channel, name) for name in names for channel in bench.channels}
    words = ", ".join(f"{channel} {name.replace('load', 'dummy load')}" for channel, name in points.values())
    for point in bench.touch_in_turn(
        [p for p in ("leads_shorted", *points) if bench.reaches(p)],
        say=f"Touch in turn: {first}, {words}, disconnected.",
    ):
        if point == "leads_shorted":
            yield measure.lead_resistance(bench)
        else:
            yield measure.load_resistance(bench, *points[point], at=at)


@test.step(
    "On without a load: DC check, gain for the output impedance",
    why="the output impedance is the difference that the load makes",
    hook_up="lamp out; 1 kilohm at both outputs, inputs shorted; then the sound card's output, volume full",
    takes="65 s",
    required=True,
)
def unloaded(bench, amplifier):
    bench.hook_up("Lamp out. 1 kilohm 5 W across each speaker terminal pair, inputs shorted, volume full, tone flat.",
                  lamp="out", load="1 kilohm", inputs="shorted", volume="full")  # fmt: skip
    bench.mains_on("Switch on. Listen for the relay.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    yield measure.mains_voltage(bench)
    yield measure.dc_offsets(bench, "relay + 10 s")
    bench.hook_up("Sound card's output into both inputs.", inputs="sound_card")
    bench.kept["unloaded gains"] = measure.gains(bench)
    bench.mains_off("Off at the wall.")
    bench.sleep(3.0)


@test.step(
    "Load on, thump and relay delay, warm-up",
    why="figures of a cold amplifier are not its figures",
    hook_up="off: dummy load in the place of the 1 kilohm, inputs shorted; on",
    takes="10 min 50 s",
    required=True,
)
def loaded(bench, amplifier):
    bench.hook_up(
        "Dummy load on both channels, inputs shorted, volume full.", load="load", inputs="shorted", volume="full"
    )
    yield measure.turn_on_transient(bench)
    bench.sleep((amplifier.relay_delay_s or 8.0) + 4.0, why="the relay pulls in")
    yield measure.dc_offsets(bench, "loaded")
    drift, curve = measure.warm_up(bench, (0, 30, 60, 120, 240, 360, 480, 600))
    yield curve
    yield drift
    yield measure.dc_offsets(bench, "10 min")
    yield measure.rail_voltages(bench, "10 min")
    yield measure.rail_ripple(bench, "idle")


@test.step(
    "Noise and hum",
    why="inputs shorted tells the amplifier's own; plugged in, the difference is the cable",
    hook_up="inputs shorted, then the sound card's output plugged in",
    takes="8 s",
)
def noise(bench, amplifier):
    yield measure.noise_and_hum(bench, "inputs shorted", keep=True)
    bench.hook_up("Sound card's output into both inputs. System sounds off.", inputs="sound_card")
    yield measure.noise_and_hum(bench, "sound card connected")


@test.step(
    "Gain, polarity, sensitivity, output and input impedance",
    why="the first tone is a small one",
    hook_up="as before; then 10 kilohm in each input lead, and out again",
    takes="40 s",
    required=True,
)
def small(bench, amplifier):
    gains = yield measure.gain(bench)
    yield measure.gain_captures(bench)
    bench.kept["full gain"] = {r.channel: r.value for r in gains if r.quantity == "gain" and r.value is not None}
    yield measure.input_sensitivity(bench, gains)
    for channel in bench.channels:
        yield measure.polarity(bench, channel)
    straight = measure.gains(bench)
    yield measure.output_impedance(bench, bench.kept.get("unloaded gains", {}), straight)
    bench.hook_up("10 kilohm in each lead from the sound card to the inputs.", series_resistor="in")
    yield measure.input_impedance(bench, straight, measure.gains(bench), series_ohm=10e3)
    bench.hook_up("The 10 kilohm out of the leads again.", series_resistor="out")
    yield measure.gain(bench, at="50 mV, again")
    yield measure.level_agreement(bench)


@test.step(
    "Response, separation, distortion at high frequency: one sweep a channel at 1 W",
    why="the ends of the band, and what leaks from channel to channel",
    hook_up="as before",
    takes="4 s",
)
def sweeps(bench, amplifier):
    swept = {channel: measure.sweep(bench, channel) for channel in bench.channels}
    for channel in bench.channels:
        yield measure.frequency_response(bench, swept[channel], channel)
        yield measure.thd_high(bench, swept[channel], channel)
        yield measure.slew_rate(bench, channel)
    yield measure.separation(bench, swept)
    yield measure.balance_vs_frequency(bench, swept)


@test.step(
    "Power at clipping, one channel driven; headroom",
    why="the ramp rises by rungs; DC is watched all the while",
    hook_up="as before. Loads get hot, and they may sing: that is normal",
    takes="110 s",
    required=True,
)
def power_one(bench, amplifier):
    for channel in bench.channels:
        found = yield measure.output_power(bench, (channel,), also_thd=(0.001, 0.01))
        yield measure.clipping_headroom(bench, found)
        yield measure.dynamic_headroom(bench, channel)


@test.step(
    "Distortion against level and frequency, intermodulation, power bandwidth",
    why="crossover at low level, slewing at high frequency, the supply near the top",
    hook_up="as before",
    takes="95 s",
    required=True,
)
def distortion(bench, amplifier):
    for channel in bench.channels:
        for at in ("rated power", "half power") if amplifier.rated_power_w is not None else ():
            yield measure.distortion(bench, channel, at)
        yield measure.distortion(bench, channel, "1 W", keep=True)
        yield measure.thd_vs_level(bench, channel)
        yield measure.thd_vs_frequency(bench, channel)
        for signal in ("60+7000", "250+8000", "19000+20000"):
            yield measure.intermodulation(bench, channel, signal)
        yield measure.power_bandwidth(bench, channel)


@test.step(
    "Power, both channels driven; rails under load",
    why="both channels share one supply: this is what a maker's power rating means",
    hook_up="as before",
    takes="80 s",
    required=True,
)
def power_both(bench, amplifier):
    found = yield measure.output_power(bench, bench.channels, also_thd=(0.001, 0.01))
    yield measure.clipping_headroom(bench, found)
    driven = [channel for channel in bench.channels if not bench.refusal(channel)]
    yield measure.ripple_under_load(bench, driven[0] if driven else "left")
    yield measure.dc_offsets(bench, "after power")


@test.step(
    "Channel difference with the volume down",
    why="the two tracks part company where the control is used",
    hook_up="volume down by 20, then by 40 dB",
    takes="12 s",
)
def tracking(bench, amplifier):
    for position in ("-20 dB", "-40 dB"):
        bench.hook_up(f"Volume down by about {position[1:]} from full.", volume=position)
        yield measure.channel_balance(bench, bench.kept.get("full gain", {}))


@test.step(
    "Power into 4 ohm, where the label allows it",
    why="loudspeakers of 4 ohm ask for twice the current",
    hook_up="off: the second dummy load ([second_load] of the bench file) in the place of the first, inputs shorted; on",
    takes="2 min 40 s",
)
def four_ohm(bench, amplifier):
    why = bench.load_refused()
    if why:
        yield measure.not_measured("output_power", "both", "W", why, conditions={"at": "4 ohm"})
        return
    bench.mains_off("Off at the wall. Wait for the relay to drop. The loads are HOT.")
    bench.sleep(3.0)
    bench.hook_up("Second dummy load on both channels in the place of the first. Shorting plugs in, volume full.",
                  load="second load", inputs="shorted", volume="full")  # fmt: skip
    bench.mains_on("Switch on. Listen for the relay.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    yield measure.dc_offsets(bench, "second load")
    bench.hook_up("Sound card's output into both inputs.", inputs="sound_card")
    yield measure.gain(bench, at="50 mV, second load")
    for channel in bench.channels:
        yield measure.output_power(bench, (channel,))
    yield measure.output_power(bench, bench.channels)
    yield measure.dc_offsets(bench, "after power, second load")


@test.step(
    "Off: thump, the discharge measured, the dummy loads once more",
    why="the thump reaches the loudspeakers; a load that heat has changed by 2 % has changed every power",
    hook_up="off; meter on the rails, then across each dummy load, disconnected",
    outside=False,
    takes="40 s",
)
def off(bench, amplifier, so_far):
    yield measure.turn_off_transient(bench)
    yield measure.discharge(bench)
    yield from loads_touched(bench, "the dummy loads are HOT: the leads together", at="after heating")
    missed = list(dict.fromkeys(f"{r['quantity']} {r['channel']}" for r in so_far if r["claim_verdict"] == "missed"))
    yield Advice("measured", tuple(f"maker's claim missed: {m}" for m in missed))
