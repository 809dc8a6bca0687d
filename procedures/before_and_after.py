"""The same set around a repair, by the same list: run it before, run it after; the second run shows both side by side.

The earlier run is found by the set's serial number (or its name) in the archive that this run goes into.
"""

from benchtest import Advice, Procedure, measure
from benchtest.before import changes, run_before

test = Procedure(
    "Before and after",
    kit=[
        "everything of power_on; the cold checks and the lamp have been passed",
        "the amplifier file, with the serial number",
    ],
)


@test.step(
    "On: DC check at the terminals",
    why="nothing is driven on a channel before this passes",
    hook_up="lamp out, dummy load on, inputs shorted, volume full",
    takes="50 s",
    required=True,
)
def on(bench, amplifier):
    bench.hook_up("Lamp out, dummy load on both channels, inputs shorted, volume full, all controls flat.",
                  lamp="out", load="load", inputs="shorted", volume="full")  # fmt: skip
    bench.mains_on("Switch on. Listen for the relay.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    yield measure.rail_voltages(bench, "idle")
    yield measure.dc_offsets(bench, "loaded")


@test.step(
    "Noise, gain, response, separation",
    why="the figures that a repair moves, and those that it should not",
    hook_up="inputs shorted, then the sound card's output into both inputs",
    takes="18 s",
    required=True,
)
def small(bench, amplifier):
    yield measure.noise_and_hum(bench, "inputs shorted")
    bench.hook_up("Sound card's output into both inputs.", inputs="sound_card")
    yield measure.gain(bench)
    for channel in bench.channels:
        yield measure.polarity(bench, channel)
        measure.rise_to(bench, (channel,), bench.drive_limits().one_watt_v())
    swept = {channel: measure.sweep(bench, channel) for channel in bench.channels}
    for channel in bench.channels:
        yield measure.frequency_response(bench, swept[channel], channel)
    yield measure.separation(bench, swept)


@test.step(
    "Power and distortion, one channel and both",
    why="the ramp rises by rungs; DC is watched all the while",
    hook_up="as before. Loads get hot",
    takes="2 min 30 s",
    required=True,
)
def power(bench, amplifier):
    for channel in bench.channels:
        yield measure.output_power(bench, (channel,))
        for at in ("rated power", "half power") if amplifier.rated_power_w is not None else ():
            yield measure.distortion(bench, channel, at)
        yield measure.distortion(bench, channel, "1 W")
    yield measure.output_power(bench, bench.channels)


@test.step("Off, and the run before beside this one", why="what has changed, and what has not", takes="1 s")
def off(bench, amplifier, so_far):
    bench.mains_off()
    before = run_before(bench.kept.get("run folder"), amplifier, "before_and_after")
    if before is None:
        yield Advice("before", ("no earlier run of this set: this is the first. Repair it, then run it again",))
        return
    changed = list(changes(before, so_far))
    for line in changed:
        bench.tell(line)
    worse = [line for line in changed if "WORSE" in line]
    yield Advice(
        "after", tuple(worse) or (f"{len(changed)} readings changed, none for the worse; benchtest compare shows all",)
    )
