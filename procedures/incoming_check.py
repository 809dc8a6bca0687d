"""An amplifier with nothing known: may it be switched on, and what is it? Works with one hand-held meter alone.

No tone is played. At its end it says go on, look at, or stop, with the reasons.
"""

from benchtest import Advice, Procedure, measure

test = Procedure(
    "Incoming check",
    kit=[
        "multimeter (a hand-held one will do)",
        "220 ohm 5 W on insulated leads, for the reservoirs",
        "series lamp, 60 W then 100 W, incandescent",
        "two 1 kilohm 5 W resistors for the outputs",
        "two shorting plugs for the inputs",
        "torch; glasses; another person near",
    ],
    tones=False,
)

ONE = "1 kilohm 5 W across each speaker terminal pair, shorting plugs in the inputs, volume at minimum, tone flat"


@test.step(
    "Unplugged: look and smell",
    why="burnt parts, liquid and earlier repairs are seen before they are measured",
    hook_up="mains plug out; loudspeakers and everything else off; lid off",
    outside=False,
    takes="6 s",
)
def look(bench, amplifier):
    bench.mains_off(
        "Switched off at the wall, plug out. Lid off. Keep hands out: the reservoirs may be charged.", lid="off"
    )
    yield measure.by_eye(
        bench, "smell", "Plug out, lid off. Does it smell burnt?", ("no", "yes"), good=("no",), about="smell"
    )
    yield measure.by_eye(
        bench, "parts", "Torch: burnt, bulged or leaking parts, liquid, mice, missing screws or mica?", ("no", "yes"),
        good=("no",), about="smell",
    )  # fmt: skip
    yield measure.by_eye(
        bench, "label", "Voltage selector and every fuse against the label: as it should be?",
        ("as it should be", "not"), good=("as it should be",), about="setting",
    )  # fmt: skip


@test.step(
    "Stored charge",
    why="reservoirs stay charged for minutes, in a dead set for hours; ohms come only after this",
    hook_up="meter on DC volts: each rail to ground",
    outside=False,
    takes="1 s",
    required=True,
)
def stored_charge(bench, amplifier):
    yield from measure.emptied(bench)


@test.step(
    "Cold: fuses, shorts, minus terminals",
    why="a blown fuse is a symptom; what is shorted is found before the mains finds it",
    hook_up="plug out, reservoirs empty; one meter on ohms goes from point to point",
    outside=False,
    takes="30 s",
)
def cold(bench, amplifier):
    fuses = [f"{c}_speaker_fuse" for c in bench.channels]
    rails = ["rail_positive", "rail_negative", "rail_to_rail"]
    outputs = [f"{c}_output" for c in bench.channels]
    minus = [f"{c}_output_minus" for c in bench.channels]
    for point in bench.touch_in_turn(
        ["leads_shorted", *fuses, *rails, *outputs, *minus],
        say="Plug out. Touch in turn, on ohms: the leads together, both speaker fuses, each rail to ground, rail to rail, "
        "each speaker terminal pair (nothing connected), each minus terminal to chassis. Wait until a rail's value stands: "
        "the capacitors charge from the meter. With the relay dropped the terminals read open.",
    ):
        if point == "leads_shorted":
            yield measure.lead_resistance(bench)
        elif point in fuses:
            yield measure.fuse_resistance(bench, point.split("_")[0])
        elif point in rails or point in outputs:
            yield measure.ohms_at(bench, point, short_below=10.0)
        else:
            reading = yield measure.ohms_at(bench, point, quantity="minus_to_chassis")
            if reading.value is None or reading.value > 1.0:
                bench.tell(
                    f"The {point.split('_')[0]} minus terminal is NOT ground. 1 to 100 ohm is often a ground-lift resistor; "
                    "more is a bridged output. Never clip a sound card or scope ground there.",
                    severity="warning",
                )


@test.step(
    "On, through the series lamp",
    why="the lamp limits what a remaining short can draw; it also says how much the set draws",
    hook_up=f"series lamp in; {ONE}; meter on a rail",
    outside=False,
    takes="40 s",
)
def on_the_lamp(bench, amplifier):
    if bench.file.lamp is None:
        bench.tell("This bench declares no series lamp: the first power is without one. Stay at the switch.")
        return
    for side, word in (("positive", "in"), ("negative", "")):
        if word:
            bench.hook_up(
                f"Series lamp in. {ONE}. Loudspeakers off. Glasses on.", lamp="in", load="1 kilohm", inputs="shorted",
                volume="minimum",
            )  # fmt: skip
        if not bench.sits_on(f"rail_{side}"):
            bench.move_meter(f"rail_{side}")
        bench.mains_on("Switch on and watch the lamp: a flash that goes dull is the reservoirs filling.")
        if word:
            lamp = yield measure.lamp(bench)
            state = measure.lamp_words(lamp)
            if state == "bright":
                bench.stop("the series lamp stays bright: a short behind it (output devices, rectifier, reservoir)")
            if state == "half":
                measure.half_bright(bench)
            if state == "dark":
                bench.tell(
                    "Lamp dark. With rails that is a set that draws little; without rails look at mains fuse, switch, "
                    "thermal link in the transformer."
                )
        else:
            bench.sleep(3.0)
        yield measure.volts_at(bench, f"rail_{side}", quantity="rail_voltage", at=f"on the lamp, {side}")
        bench.mains_off("Off at the wall. The reservoirs are charged: insulated probe, one hand.")


@test.step(
    "Without the lamp: rails",
    why="a rail that is missing or far from its fellow tells of a fuse, a diode, a winding",
    hook_up=f"lamp out; {ONE}; meter on a rail",
    outside=False,
    takes="45 s",
    required=True,
)
def rails(bench, amplifier):
    bench.hook_up(f"Lamp out. {ONE}.", lamp="out", load="1 kilohm", inputs="shorted", volume="minimum")
    if bench.sits_on("rail_positive") and bench.sits_on("rail_negative"):
        bench.mains_on("Switch on. Listen for the relay: a click after 2 to 8 seconds.")
        bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in, the rails settle")
        yield measure.rail_voltages(bench, "idle")
        return
    for side in ("positive", "negative"):
        bench.mains_off("Off at the wall, to move the meter inside.")
        bench.move_meter(f"rail_{side}")
        bench.mains_on("Switch on, hands off. Listen for the relay: a click after 2 to 8 seconds.")
        bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in, the rails settle")
        yield measure.volts_at(bench, f"rail_{side}", quantity="rail_voltage", at=f"idle, {side}")


@test.step(
    "Which kind of output stage",
    why="half of all wrong verdicts come from not knowing: it decides which DC is normal",
    hook_up="as before; meter on each minus terminal to chassis (outside, live)",
    takes="9 s",
)
def kind(bench, amplifier, so_far):
    idle = {}
    for row in so_far:
        if row["quantity"] == "rail_voltage" and row["step"] == "rails" and row["value"] is not None:
            idle["negative" if row["value"] < 0 else "positive"] = row["value"]
    idle.setdefault("negative", 0.0 if "positive" in idle else None)
    found, readings = measure.kind_of_output(bench, {k: v for k, v in idle.items() if v is not None})
    yield readings
    words = {
        "bridged": "BRIDGED: both terminals stand at half the supply. Measure across, and never ground a minus terminal.",
        "capacitor_coupled": "one supply rail: capacitor-coupled. 0 mV at the terminals is normal.",
        "direct_coupled": "two rails, minus on ground: direct-coupled (a servo cannot be told by its volts).",
        "unknown": "not to be told: no rail was seen.",
    }
    bench.tell(f"Kind of output stage: {words[found]} (amplifier file: {amplifier.output_stage.replace('_', '-')})")


@test.step(
    "DC check of both outputs",
    why="DC burns voice coils. A zero does not pass: the path may be open. What follows the volume is a leaky capacitor's",
    hook_up="as before; meter on each speaker terminal pair (outside, live); then volume full",
    takes="20 s",
    required=True,
)
def dc_check(bench, amplifier):
    readings = yield measure.dc_offsets(bench, "relay + 10 s")
    for reading in readings:
        if measure.is_zero(reading) and bench.reaches(f"{reading.channel}_amplifier_output"):
            bench.mains_off("Off at the wall: the next point is inside the set.")
            bench.move_meter(f"{reading.channel}_amplifier_output")
            bench.mains_on("Switch on again, hands off.")
            bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
            behind = yield measure.before_relay(bench, reading.channel, "before relay and fuse")
            if behind.verdict != "fail":
                yield measure.dc_offsets(bench, "relay + 10 s, again")
    bench.hook_up("Turn the volume slowly to full; the inputs stay shorted.", volume="full", inputs="shorted")
    bench.sleep(4.0)
    full = yield measure.dc_offsets(bench, "full volume")
    for before, reading in zip((r.value for r in readings), full, strict=True):
        if before is not None and reading.value is not None and abs(reading.value - before) > 0.02:
            bench.tell(
                f"{reading.channel}: the offset follows the volume ({1000 * before:+.0f} mV, now {1000 * reading.value:+.0f} "
                "mV): a coupling capacitor before the volume control leaks.", severity="warning",
            )  # fmt: skip


@test.step(
    "Off: the discharge measured, and what to do next",
    why="empty reservoirs are measured, not assumed",
    hook_up="mains off",
    outside=False,
    takes="17 s",
)
def off(bench, amplifier, so_far):
    bench.mains_off()
    yield measure.discharge(bench)
    failed = list(dict.fromkeys(named(r) for r in so_far if r["verdict"] == "fail"))
    open_ = list(dict.fromkeys(f"{named(r)} (undecided)" for r in so_far if r["verdict"] == "inconclusive"))
    if failed or open_:
        yield Advice("look at", tuple(failed + open_))
    else:
        yield Advice("go on", ("nothing spoke against it: power_on is the next test",))


def named(row):
    """What is to be looked at, where, and why."""
    where = "" if row["channel"] == "none" else f" {row['channel']}"
    return f"{row['quantity'].replace('_', ' ')}{where}" + (f": {row['note']}" if row["note"] else "")
