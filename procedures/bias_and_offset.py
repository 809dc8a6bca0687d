"""Offset and idle current, adjusted and seen to stay: live readings, warm-up curve, "now wait" and "done".

After output devices were replaced: trimmer to minimum, this, then power. Never the other way round.
"""

from benchtest import Advice, Procedure, measure

MINUTES = 10.0  # how long each channel is watched; 15 after new output devices

test = Procedure(
    "Idle current and offset",
    kit=[
        "multimeter on both speaker terminals; one more with clips for the emitter resistors",
        "series lamp; two 1 kilohm 5 W resistors; two shorting plugs",
        "insulated trimmer tool; the sheet's figure for the idle current; glasses",
    ],
    tones=False,
)


@test.step(
    "Cold: trimmers, and on the lamp",
    why="a bias circuit that is wrong takes the new output devices with it; the lamp is cheaper",
    hook_up="plug out for the trimmers; then lamp in, 1 kilohm at both outputs, inputs shorted, volume at minimum",
    outside=False,
    takes="40 s",
    required=True,
)
def on_the_lamp(bench, amplifier):
    bench.mains_off(
        "Switched off at the wall, plug out. Lid off. Keep hands out: the reservoirs may be charged.", lid="off"
    )
    yield from measure.emptied(bench)
    new = bench.ask("Were output devices, drivers or the bias circuit replaced?", ("no", "yes"), about="changed")
    if new == "yes":
        bench.tell("Idle trimmers of both channels to their minimum (most resistance at most sheets; look it up) now.")
        bench.ask("Are both at their minimum?", ("yes",))
    if bench.file.lamp is None:
        bench.tell("This bench declares no series lamp. Stay at the switch.", severity="warning")
        return
    bench.hook_up(
        "Series lamp in. 1 kilohm 5 W across each speaker terminal pair, inputs shorted, volume at minimum. Glasses on.",
        lamp="in", load="1 kilohm", inputs="shorted", volume="minimum",
    )  # fmt: skip
    bench.mains_on("Switch on and watch the lamp.")
    lamp = yield measure.lamp(bench)
    state = measure.lamp_words(lamp)
    if state == "bright":
        bench.stop("the series lamp stays bright: a short behind it")
    if state == "half":
        bench.stop("the series lamp is half bright with no signal: the idle current is far too high")
    bench.mains_off("Off at the wall.")


@test.step(
    "Offset of both outputs",
    why="offset first: it stands behind every later reading",
    hook_up="lamp out, the rest as before",
    takes="50 s",
    required=True,
)
def offset(bench, amplifier):
    bench.hook_up("Lamp out.", lamp="out", load="1 kilohm", inputs="shorted", volume="minimum")
    bench.mains_on("Switch on. Listen for the relay.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    readings = yield measure.dc_offsets(bench, "relay + 10 s")
    for reading in readings:
        if reading.value is not None and abs(reading.value) > 0.02:
            bench.tell(
                f"{reading.channel}: {1000 * reading.value:+.0f} mV. Where there is an offset trimmer, turn it towards 0 when "
                "warm; where there is none, look at the input pair."
            )
    bench.mains_off("Off at the wall: the next points are inside.")


def watched(bench, amplifier, channel):
    bench.mains_off("Off at the wall.")
    bench.move_meter(f"{channel}_emitter_resistor_1")
    bench.mains_on("Switch on, hands off.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 2.0, why="the relay pulls in")
    readings, curves = measure.bias_warm_up(bench, channel, minutes=MINUTES)
    yield curves
    yield readings
    bench.tell(f"{channel}: done.")


@test.step(
    "Idle current, left, while it warms up",
    why="cold readings lie; runaway shows in the first minutes",
    hook_up="off: meter on left emitter resistor 1; on, lid off, nothing connected but 1 kilohm",
    outside=False,
    takes="10 min 15 s",
    required=True,
)
def idle_left(bench, amplifier):
    yield from watched(bench, amplifier, "left")


@test.step(
    "Idle current, right, while it warms up",
    why="as for the left channel; the two should agree within 20 %",
    hook_up="off: meter on right emitter resistor 1; on",
    outside=False,
    takes="10 min 15 s",
    required=True,
)
def idle_right(bench, amplifier):
    yield from watched(bench, amplifier, "right")


@test.step(
    "Offset warm, off, and the discharge measured",
    why="the bias has moved the offset, and the warmth too",
    hook_up="meters on the speaker terminals (outside, live); then the mains is off, meter on the rails",
    takes="20 s",
    required=True,
)
def warm(bench, amplifier, so_far):
    yield measure.dc_offsets(bench, "warm")
    bench.mains_off()
    yield measure.discharge(bench)
    idle = {r["channel"]: r for r in so_far if r["quantity"] == "idle_current"}
    bad = [f"{c}: idle current {1000 * (r['value'] or 0):.0f} mA" for c, r in idle.items() if r["verdict"] == "fail"]
    values = [r["value"] for r in idle.values() if r["value"]]
    if len(values) == 2 and max(values) > 1.2 * min(values):
        bad.append(f"left and right apart: {1000 * values[0]:.0f} and {1000 * values[1]:.0f} mA")
    yield Advice("look at", tuple(bad)) if bad else Advice("done", ("now power: one channel first, to 10 % of rated",))
