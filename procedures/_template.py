"""One line that says what this procedure is for: it is shown by 'benchtest procedures'.

Copy it, change it, and try it: benchtest procedures check FILE, benchtest run FILE --rehearse, benchtest run FILE --yes.

What a step may use of ``bench``: tell (say something), ask (what only a person sees), hook_up (wires and knobs: load, inputs,
volume, lamp, lid, ...), move_meter and touch_in_turn (the movable meter), mains_on, mains_off, sleep, stop. What measures is in
``measure``. Each reading is yielded, and comes back with its verdict. No step sees a device: the safety limits decide what is
driven, and how loud. Order: cold and empty, lamp, DC check, load, small tone, power.
"""

from benchtest import Advice, Procedure, measure

test = Procedure(
    "A new procedure",
    kit=["multimeter on both speaker terminals", "sound card with its dividers", "two 1 kilohm 5 W resistors"],
)


@test.step(
    "On: DC check",
    why="nothing is driven on a channel before this passes",
    hook_up="1 kilohm across both outputs, inputs shorted, volume at minimum",
    takes="45 s",
    required=True,  # a reading that is missing here makes the run inconclusive
)
def dc_check(bench, amplifier):
    bench.hook_up(
        "1 kilohm 5 W across each speaker terminal pair, inputs shorted, volume at minimum.",
        lamp="out", load="1 kilohm", inputs="shorted", volume="minimum",
    )  # fmt: skip
    bench.mains_on("Switch on. Listen for the relay.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    yield measure.dc_offsets(bench, "relay + 10 s")


@test.step(
    "A small tone: gain of both channels",
    why="the first tone is a small one",
    hook_up="sound card's output into both inputs, volume full",
    takes="15 s",
)
def small_tone(bench, amplifier):
    bench.hook_up("Sound card's output into both inputs, volume full.", inputs="sound_card", volume="full")
    readings = yield measure.gain(bench)
    for reading in readings:
        if reading.verdict == "fail":
            bench.tell(f"{reading.channel}: look at this first.")


@test.step("Off, and what to do next", why="the mains is off at the end of every procedure", takes="5 s")
def off(bench, amplifier, so_far):
    bench.mains_off()
    bad = [f"{row['quantity']} {row['channel']}" for row in so_far if row["verdict"] == "fail"]
    yield Advice("look at" if bad else "go on", tuple(bad))
