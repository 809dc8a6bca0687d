"""Hours at an eighth of rated power, with offset, rails, heat and distortion watched; switched off and on in between.

What comes and goes shows here or at the owner's. After a restart of the program ("--resume") the record goes on, and the tone
waits until a person confirms. Stay within reach, nothing that burns beside the loads.
"""

from benchtest import Advice, Procedure, measure

PARTS = 4  # the soak is cut into so many parts; between them the set is switched off and on
MINUTES = 15.0  # of each part
EVERY_S = 60.0  # of tone between two looks
SHARE = 0.125  # of rated power: near the worst heat of the output devices already

test = Procedure(
    "Soak",
    kit=[
        "everything of power_on, lid on or a fan off: as the owner uses it",
        "dummy load that bears an eighth of rated power for hours",
        "thermometer on the heatsink (typed in), if there is one",
    ],
)


@test.step(
    "On: DC check with the load, gain",
    why="nothing is driven on a channel before this passes",
    hook_up="dummy load on, inputs shorted; then the sound card's output into both inputs, volume full",
    takes="60 s",
    required=True,
)
def on(bench, amplifier):
    switched_on(bench, amplifier)
    yield measure.dc_offsets(bench, "soak begins")
    bench.hook_up("Sound card's output into both inputs. Volume full.", inputs="sound_card", volume="full")
    yield measure.gain(bench)
    yield heat(bench, "cold")


def switched_on(bench, amplifier):
    bench.hook_up("Lamp out, dummy load on both channels, inputs shorted, volume at minimum.",
                  lamp="out", load="load", inputs="shorted", volume="minimum")  # fmt: skip
    bench.mains_on("Switch on. Listen for the relay.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")


def heat(bench, at):
    return measure.typed_value(
        bench, "heatsink_temperature", "degC", "Heatsink temperature (none: no thermometer)?", u=3.0, at=at
    )


def part(bench, amplifier, number):
    """One part: tone, looks, and at its end off and on again."""
    rated = bench.drive_limits().rated_v()
    if rated is None:
        yield measure.not_measured("soak_thd", "both", "%", "no rated power is known (amplifier file)")
        return
    driven = tuple(c for c in bench.channels if not bench.refusal(c) and not bench.ramp_ended(c))
    if not driven:
        yield measure.not_measured("soak_thd", "both", "%", "no channel may be driven")
        return
    readings, curves = measure.soaked(
        bench, driven, rated * SHARE**0.5, minutes=MINUTES, every_s=EVERY_S, name=f"soak_part_{number}"
    )
    yield curves
    yield readings
    reading = yield heat(bench, f"end of part {number}")
    if reading.value is not None and reading.value > 80.0:
        bench.stop(f"heatsink at {reading.value:.0f} degC")
    if number < PARTS:
        bench.mains_off("Off at the wall for ten seconds: sets fail at switch-on.")
        bench.sleep(10.0, why="off")
        switched_on(bench, amplifier)
    yield measure.dc_offsets(bench, f"after part {number}")
    if number < PARTS:
        bench.hook_up("Sound card's output into both inputs. Volume full.", inputs="sound_card", volume="full")
        yield measure.gain(bench)
    yield measure.rail_voltages(bench, f"after part {number}")


def add_part(number):
    @test.step(
        f"Part {number} of {PARTS}: {MINUTES:.0f} minutes at an eighth of rated power",
        why="heat opens cracked joints, moves the bias and dries capacitors; a pause and a switch-on find the rest",
        hook_up="as before. Loads and heatsink get HOT",
        takes=f"{MINUTES + 1.0:.0f} min 15 s" if number < PARTS else f"{MINUTES:.0f} min 20 s",
    )
    def soak_part(bench, amplifier):
        yield from part(bench, amplifier, number)

    test.name_last(f"part_{number}")


for n in range(1, PARTS + 1):
    add_part(n)


@test.step(
    "Off: thump, and what was seen",
    why="a set that has cooled may behave: the record says how it was hot",
    takes="10 s",
)
def off(bench, amplifier, so_far):
    yield measure.turn_off_transient(bench)
    bad = [f"{r['quantity']} {r['channel']}, {r['step']}" for r in so_far if r["verdict"] == "fail"]
    yield Advice("look at", tuple(bad)) if bad else Advice("go on", ("nothing came and went in this time",))
