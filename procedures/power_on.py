"""Test after a repair: is it safe to connect, is it alive, does it meet its figures on both channels?

Read it from top to bottom: it happens to the amplifier in this order. Change limits in the amplifier file, not here.
"""

from benchtest import Procedure, measure

test = Procedure(
    "Test after a repair",
    kit=[
        "multimeter on both speaker terminals, on both rails (lid off) and on the DC watch; one more to move",
        "sound card with its dividers",
        "dummy load for both channels",
        "two 1 kilohm 5 W resistors",
        "series lamp, 60 W then 100 W",
        "two shorting plugs for the inputs",
        "glasses; another person near",
    ],
)


@test.step(
    "Cold: reservoirs, leads, speaker fuses, dummy load",
    why="stored charge hurts and spoils ohms; a blown fuse is a symptom; power is worked out with the measured load",
    hook_up="amplifier unplugged, lid off; the meters stay on rails and terminals",
    outside=False,
    takes="25 s",
)
def cold_checks(bench, amplifier):
    points = ["leads_shorted", "left_speaker_fuse", "right_speaker_fuse", "left_load", "right_load"]
    in_turn = bench.touch_in_turn(
        [p for p in points if bench.reaches(p)],
        say="Amplifier off at the wall, its plug out, lid off; hands out of it until the reservoirs are measured. Then, with "
        "the movable meter, in turn: leads together, left speaker fuse, right speaker fuse, left dummy load, right dummy "
        "load (disconnected).",
    )
    yield from measure.emptied(bench)
    for point in in_turn:
        if point == "leads_shorted":
            yield measure.lead_resistance(bench)
        elif point.endswith("speaker_fuse"):
            yield measure.fuse_resistance(bench, point.split("_")[0])
        else:
            yield measure.load_resistance(bench, point.split("_")[0])
    replaced = bench.ask(
        "Were output devices, drivers or the bias circuit replaced, and the idle current not set since?",
        ("no", "yes"), about="changed",
    )  # fmt: skip
    if replaced == "yes":
        bench.stop(
            "idle current comes before power: run bias_and_offset first (trimmers to their minimum, on the lamp)"
        )


@test.step(
    "On, through the series lamp",
    why="the lamp limits what a remaining short can draw; all values are provisional with the lamp in",
    hook_up="series lamp in, 1 kilohm across both speaker terminals, inputs shorted, volume at minimum",
    takes="45 s",
)
def on_the_lamp(bench, amplifier):
    if bench.file.lamp is None:
        bench.tell("This bench declares no series lamp: the first power is without one. Stay at the switch.")
        return
    bench.hook_up(
        "Series lamp in. 1 kilohm 5 W across each speaker terminal pair. Shorting plugs in the inputs, volume at "
        "minimum, tone flat. Loudspeakers off. Glasses on.",
        lamp="in", load="1 kilohm", inputs="shorted", volume="minimum",
    )  # fmt: skip
    bench.mains_on("Switch on and watch the lamp.")
    lamp = yield measure.lamp(bench)
    state = measure.lamp_words(lamp)
    if state == "bright":
        bench.stop("the series lamp stays bright: a short behind it")
    if state == "half":
        measure.half_bright(bench)
    else:
        bench.tell(f"Lamp {state}: go on.")
    yield measure.rail_voltages(bench, "on the lamp")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 2.0, why="the relay pulls in, if it does on the lamp")
    for reading in (yield measure.dc_on_lamp(bench)):
        if reading.verdict == "fail":
            bench.stop(f"DC at the {reading.channel} terminals, on the lamp already: {reading.note}")
    bench.mains_off("Off at the wall again.")


@test.step(
    "On, without the lamp: rails",
    why="no rails, no sound; unequal rails tell of a fuse, a diode or a reservoir",
    hook_up="lamp out; 1 kilohm across the outputs, inputs shorted, volume at minimum",
    takes="45 s",
)
def rails(bench, amplifier):
    bench.hook_up(
        "Lamp out. 1 kilohm across each speaker terminal pair, inputs shorted, volume at minimum.",
        lamp="out", load="1 kilohm", inputs="shorted", volume="minimum",
    )  # fmt: skip
    if bench.reaches("rail_positive"):  # one meter to move: it starts here, inside, while the mains is still off
        bench.move_meter("rail_positive")
    bench.mains_on("Switch on. Listen for the relay.")
    yield measure.mains_voltage(bench)
    bench.sleep((amplifier.relay_delay_s or 8.0) + 8.0, why="the relay pulls in, the rails settle")
    yield measure.rail_voltages(bench, "idle", carry=True)


@test.step(
    "DC check at minimum volume",
    why="DC burns voice coils; nothing is driven on a channel before this passes. A zero does not pass",
    hook_up="as before",
    takes="5 s",
    required=True,
)
def dc_check(bench, amplifier):
    first = yield measure.dc_offsets(bench, "relay + 10 s")
    for reading in first:
        if measure.is_zero(reading):
            yield from look_before_the_relay(bench, reading.channel)


def look_before_the_relay(bench, channel):
    """A zero at the terminals: what stands before relay and fuse? (Inside the set: off, move, on.)"""
    if not bench.reaches(f"{channel}_amplifier_output"):
        why = "exactly 0 V at its terminals, and no meter reaches the point before the relay"
        bench.never_drive(channel, why, path_open=True)
        yield measure.not_measured("dc_offset", channel, "V", "no meter reaches the point before relay and fuse")
        return
    bench.mains_off("Off at the wall: the next point is inside the set.")
    bench.move_meter(f"{channel}_amplifier_output")
    bench.mains_on("Switch on again, hands off.")
    bench.sleep(15.0, why="the relay pulls in")
    yield measure.before_relay(bench, channel, "before relay and fuse")
    yield measure.dc_offsets(bench, "relay + 10 s, again")


@test.step(
    "Warm-up and DC check at 2 and 10 minutes",
    why="most of the drift comes in the first ten minutes; an offset that still walks is a fault",
    hook_up="as before",
    takes="10 min 5 s",
    required=True,
)
def warm_up(bench, amplifier):
    drift, curve = measure.warm_up(bench, (0, 15, 30, 60, 90, 120, 180, 240, 300, 360, 420, 480, 540, 600))
    yield curve
    yield drift
    lasted = (
        curve.columns["time_s"][-1] > 590.0
    )  # DC that stands too high ends the warm-up, and the check below the run
    yield measure.dc_offsets(bench, "10 min" if lasted else "warm-up")
    yield measure.rail_voltages(bench, "10 min")


@test.step(
    "DC check at full volume",
    why="an offset that follows the volume comes in through a leaky coupling capacitor",
    hook_up="volume full, inputs still shorted",
    takes="15 s",
    required=True,
)
def dc_check_full_volume(bench, amplifier):
    bench.hook_up("Turn the volume slowly to full; the inputs stay shorted.", volume="full", inputs="shorted")
    bench.sleep(4.0)
    checked = yield measure.dc_offsets(bench, "full volume")
    bench.kept["unloaded offsets"] = {
        r.channel: r.value for r in checked if r.value is not None and not bench.refusal(r.channel)
    }


@test.step(
    "Gain without load",
    why="against the gain with load it tells the output impedance; 0.3 V at most, and nothing yet to hurt",
    hook_up="1 kilohm across the outputs still; the sound card's output plugged in, volume full",
    takes="12 s",
)
def gain_without_load(bench, amplifier):
    plug_in_the_sound_card(bench)
    bench.kept["unloaded gains"] = measure.gains(bench)
    yield []


def plug_in_the_sound_card(bench):
    if bench.file.audio is None:
        return  # a bench without one: nothing is played, and what needs it is not measured
    bench.hook_up(
        "Plug the sound card's output into both inputs. Volume stays full. System sounds off.", inputs="sound_card"
    )


@test.step(
    "Load on, DC check loaded",
    why="a fault of the output stage may show only under load",
    hook_up="off; dummy load in the place of the 1 kilohm resistors; on",
    takes="40 s",
    required=True,
)
def loaded(bench, amplifier):
    bench.mains_off("Off at the wall. Wait for the relay to drop.")
    bench.sleep(3.0)
    bench.hook_up(
        "Dummy load on both channels in the place of the 1 kilohm resistors. Shorting plugs in the inputs again.",
        load="load", inputs="shorted",
    )  # fmt: skip
    bench.mains_on("Switch on.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    checked = yield measure.dc_offsets(bench, "loaded")
    with_load = {r.channel: r.value for r in checked if r.value is not None}
    differences = yield measure.loaded_difference(bench, bench.kept["unloaded offsets"], with_load)
    for reading in differences:
        if not abs(reading.value) + reading.expanded_uncertainty <= 0.020:  # too close to call stops
            bench.stop(f"{reading.channel}: the load moves the offset by {1000 * reading.value:.0f} mV")


@test.step(
    "Noise and hum",
    why="inputs shorted tells the amplifier's own; plugged in, the difference is the cable",
    hook_up="inputs shorted, then the sound card's output plugged in",
    takes="8 s",
)
def noise(bench, amplifier):
    yield measure.noise_and_hum(bench, "inputs shorted", keep=True)
    plug_in_the_sound_card(bench)
    yield measure.noise_and_hum(bench, "sound card connected")


@test.step(
    "50 mV: gain, channel difference, polarity, output impedance",
    why="the first tone is a small one: which side is which, and does anything answer?",
    hook_up="as before",
    takes="8 s",
    required=True,
)
def gain(bench, amplifier):
    gains = yield measure.gain(bench)
    yield measure.gain_captures(bench)
    bench.kept["full gain"] = {r.channel: r.value for r in gains if r.quantity == "gain" and r.value is not None}
    for channel in bench.channels:
        yield measure.polarity(bench, channel)
    yield measure.output_impedance(bench, bench.kept["unloaded gains"], measure.gains(bench))


@test.step(
    "1 W: does the bench agree with itself?",
    why="a wrong divider or a stale calibration looks like a fault of the amplifier, and hides how loud it really is",
    hook_up="as before; the meters on the terminals see the same tone as the sound card",
    takes="5 s",
)
def agreement(bench, amplifier):
    readings = yield measure.level_agreement(bench)
    for reading in readings:
        if reading.verdict == "fail":
            bench.tell(
                f"{reading.channel}: sound card and meter differ by {reading.value:+.2f} dB on the same tone. THAT IS YOUR "
                "BENCH, NOT THE AMPLIFIER: check divider, calibration and leads. No more power is driven on this channel.",
                severity="warning",
            )
            bench.never_drive(reading.channel, "sound card and multimeter disagree: how loud it is, is not known")


@test.step(
    "One sweep a channel at 1 W: response, separation, distortion at high frequency",
    why="a dried-out capacitor, a filter that is on, a leak between the channels show at the ends of the band first",
    hook_up="as before; it sweeps up from 5 Hz: the cones of a loudspeaker would not like it",
    takes="4 s",
)
def sweeps(bench, amplifier):
    swept = {channel: measure.sweep(bench, channel) for channel in bench.channels}
    for channel in bench.channels:
        yield measure.frequency_response(bench, swept[channel], channel)
        yield measure.thd_high(bench, swept[channel], channel)
    yield measure.separation(bench, swept)
    yield measure.balance_vs_frequency(bench, swept)


@test.step(
    "Power, one channel driven",
    why="does it make what its maker claimed? The ramp rises by rungs; DC is watched all the while",
    hook_up="as before. Loads get hot, and they may sing: that is normal",
    takes="70 s",
    required=True,
)
def power_one_channel(bench, amplifier):
    for channel in bench.channels:
        yield measure.output_power(bench, (channel,))


@test.step(
    "THD and THD+N at rated power, half power, 1 W and down to 10 mW",
    why="faults of low level (crossover, contacts) live at 1 W and below, faults of the supply near the top",
    hook_up="as before",
    takes="80 s",
    required=True,
)
def distortion(bench, amplifier):
    for channel in bench.channels:
        if amplifier.rated_power_w is not None:
            yield measure.distortion(bench, channel, "rated power")
            yield measure.distortion(bench, channel, "half power")
            bench.sleep(14.5, why="the output devices cool: warm ones distort differently at 1 W")
        yield measure.distortion(bench, channel, "1 W", keep=True)
        yield measure.thd_vs_level(bench, channel)


@test.step(
    "Rails under load",
    why="ripple and sag tell what is left of the reservoirs, and whether all diodes conduct",
    hook_up="as before",
    takes="5 s",
)
def rails_under_load(bench, amplifier):
    driven = [channel for channel in bench.channels if not bench.refusal(channel)]
    yield measure.ripple_under_load(bench, driven[0] if driven else "left")


@test.step(
    "Power, both channels driven",
    why="both channels share one supply: this is the figure that a maker's power rating means",
    hook_up="as before",
    takes="45 s",
    required=True,
)
def power_both_channels(bench, amplifier):
    yield measure.output_power(bench, bench.channels)


@test.step(
    "DC check after power, rails",
    why="what power has moved does not show before it",
    hook_up="as before",
    takes="5 s",
    required=True,
)
def dc_check_after_power(bench, amplifier):
    yield measure.dc_offsets(bench, "after power")
    yield measure.rail_voltages(bench, "after power")


@test.step(
    "Channel difference at -20 dB",
    why="the two halves of a volume control part company where it is turned down, which is where it is used",
    hook_up="volume down by about 20 dB",
    takes="6 s",
)
def balance_turned_down(bench, amplifier):
    if bench.file.audio is not None:
        turn_down(bench)
    yield measure.channel_balance(bench, bench.kept["full gain"])


def turn_down(bench):
    bench.hook_up(
        "Turn the volume down by about 20 dB: to a third of its way, or to -20 on its scale.", volume="-20 dB"
    )


@test.step(
    "Off: thump, and the discharge measured",
    why="the thump reaches the loudspeakers; empty reservoirs are measured, not assumed",
    hook_up="as before; then the mains is off",
    takes="20 s",
)
def switch_off(bench, amplifier):
    yield measure.turn_off_transient(bench)
    yield measure.discharge(bench)
