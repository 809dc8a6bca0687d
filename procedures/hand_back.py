"""Final checks before the owner gets it back: lid on, as it will be used. Then the owner's page.

A passed test is no safety approval: the electrical safety test (earth, insulation) is another instrument's and another page's.
"""

from benchtest import Advice, Procedure, measure

test = Procedure(
    "Hand back",
    kit=[
        "the set closed, all screws in, its own knobs and feet",
        "multimeter on both speaker terminals; sound card with its dividers; dummy load",
        "the result of the electrical safety test, if it was done; the job card",
    ],
)

CLOSED = (
    ("screws and covers", "Lid on, all screws in, nothing rattles, mains lead and its relief whole?"),
    ("fuses", "All fuses as on the label, none bridged?"),
    ("voltage selector", "Voltage selector on this country's mains?"),
    ("controls", "Every knob, switch and lamp works and is clean?"),
)


@test.step(
    "Closed, and as on its label",
    why="what is forgotten inside comes back",
    hook_up="plug out",
    takes="10 s",
)
def closed(bench, amplifier):
    for name, question in CLOSED:
        yield measure.by_eye(
            bench, name, question, ("as it should be", "not"), good=("as it should be",), about="setting"
        )  # fmt: skip
    done = bench.ask(
        "Electrical safety test (earth, insulation): done with its own instrument?",
        ("not there", "yes"),
        about="setting",
    )
    if done == "yes":
        bench.tell("Electrical safety test: done, by the word of who answers here. Its record goes with the set.")
    else:
        bench.tell(
            "Electrical safety test (earth, insulation): NOT DONE. A multimeter cannot do it.", severity="warning"
        )
    yield measure.not_measured("electrical_safety", "none", "1", "not a measurement of this bench: " + (
        "done elsewhere, says who answers" if done == "yes" else "NOT DONE"))  # fmt: skip


@test.step(
    "On with the load: DC check, thump, relay",
    why="the last look at what burns voice coils",
    hook_up="lid on; dummy load on, inputs shorted, volume full",
    takes="110 s",
    required=True,
)
def on(bench, amplifier):
    bench.hook_up("Lid on, lamp out, dummy load on both channels, inputs shorted, volume full, all controls flat.",
                  lid="on", lamp="out", load="load", inputs="shorted", volume="full")  # fmt: skip
    yield measure.turn_on_transient(bench)
    bench.sleep((amplifier.relay_delay_s or 8.0) + 4.0, why="the relay pulls in")
    yield measure.dc_offsets(bench, "loaded")
    yield measure.noise_and_hum(bench, "inputs shorted")


@test.step(
    "Both channels: gain, difference, 1 W, response",
    why="six lines for the owner, left beside right",
    hook_up="sound card's output into both inputs",
    takes="20 s",
    required=True,
)
def sound(bench, amplifier):
    bench.hook_up("Sound card's output into both inputs.", inputs="sound_card")
    yield measure.gain(bench)
    for channel in bench.channels:
        yield measure.polarity(bench, channel)
        measure.rise_to(bench, (channel,), bench.drive_limits().one_watt_v())
        yield measure.distortion(bench, channel, "1 W")
        yield measure.frequency_response(bench, measure.sweep(bench, channel), channel)


@test.step(
    "Power, both channels driven",
    why="made so many watts; the maker says so many",
    hook_up="as before. Loads get hot",
    takes="20 s",
    required=True,
)
def power(bench, amplifier):
    yield measure.output_power(bench, bench.channels)


@test.step(
    "Ten minutes at an eighth of rated power, then DC",
    why="a set that fails at the owner's fails in its first quarter of an hour",
    hook_up="as before",
    takes="10 min 10 s",
    required=True,
)
def warm(bench, amplifier):
    rated = bench.drive_limits().rated_v()
    driven = tuple(c for c in bench.channels if not bench.refusal(c) and not bench.ramp_ended(c))
    if rated is not None and driven:
        readings, curves = measure.soaked(
            bench, driven, rated * 0.125**0.5, minutes=10.0, every_s=60.0, name="hand_back_warm"
        )
        yield curves
        yield readings
    yield measure.dc_offsets(bench, "warm")


@test.step("Off: thump, and is it ready?", why="the owner hears it every evening", takes="3 s")
def off(bench, amplifier, so_far):
    yield measure.turn_off_transient(bench)
    needed = ("dc_offset", "gain", "thd", "output_power")
    bad = list(dict.fromkeys(
        f"{r['quantity'].replace('_', ' ')} {r['channel']}" + (f": {r['note']}" if r["note"] else "") for r in so_far
        if r["verdict"] in ("fail", "inconclusive") or (r["verdict"] == "not_measured" and r["quantity"] in needed)
    ))  # fmt: skip
    if bad:
        yield Advice("not ready to hand back", tuple(bad))
        return
    bench.tell(
        "For the owner: loudspeakers not below the impedance on the label, air above the set, fuses of the same type only."
    )
    yield Advice(
        "simulated: nothing to hand back" if bench.simulated else "ready to hand back",
        ("write the owner's page: benchtest owner last",),
    )
