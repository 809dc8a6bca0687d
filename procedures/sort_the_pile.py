"""Ten minutes a set with a hand-held meter: worth a repair, good for parts, or scrap, with the reason.

Nothing is decided for ever: it says what to do with the set today. No tone, no load.
"""

from benchtest import Advice, Procedure, measure

test = Procedure(
    "Sort the pile",
    kit=[
        "hand-held multimeter",
        "220 ohm 5 W on insulated leads, for the reservoirs",
        "series lamp, 60 W, incandescent",
        "two 1 kilohm 5 W resistors; two shorting plugs",
        "torch; glasses",
    ],
    tones=False,
)


@test.step(
    "Look: is it all there, and was it wet or on fire?",
    why="a board that was wet or burnt through costs more hours than the set is worth",
    hook_up="plug out, lid off",
    outside=False,
    takes="6 s",
)
def look(bench, amplifier):
    bench.mains_off(
        "Switched off at the wall, plug out. Lid off. Keep hands out: the reservoirs may be charged.", lid="off"
    )
    yield measure.by_eye(
        bench, "water or fire", "Plug out, lid off. Board charred through, or everything rusty or wet?", ("no", "yes"),
        good=("no",), about="smell",
    )  # fmt: skip
    yield measure.by_eye(
        bench, "missing", "Parts missing: transformer, output devices, boards, knobs that nobody sells?", ("no", "yes"),
        good=("no",), about="smell",
    )  # fmt: skip
    yield measure.by_eye(
        bench, "repairs", "Traces of an earlier repair that went wrong (wire bridges, wrong fuses, foil)?", ("no", "yes"),
        good=("no",), about="smell",
    )  # fmt: skip


@test.step(
    "Stored charge, then fuses and shorts, cold",
    why="what is shorted or blown decides how much there is to buy",
    hook_up="plug out; meter first on DC volts, then on ohms",
    outside=False,
    takes="15 s",
    required=True,
)
def cold(bench, amplifier):
    yield from measure.emptied(bench)
    fuses = [f"{c}_speaker_fuse" for c in bench.channels]
    for point in bench.touch_in_turn(
        ["leads_shorted", *fuses, "rail_positive", "rail_negative"],
        say="On ohms, in turn: the leads together, both speaker fuses (if there are any), each rail to ground.",
    ):
        if point == "leads_shorted":
            yield measure.lead_resistance(bench)
        elif point in fuses:
            yield measure.fuse_resistance(bench, point.split("_")[0])
        else:
            yield measure.ohms_at(bench, point, short_below=10.0)


@test.step(
    "On the series lamp: lamp, one rail, DC of both outputs",
    why="the lamp tells a short from a dead transformer; DC on one channel only is one repair, on both it may be two",
    hook_up="series lamp in, 1 kilohm across both outputs, inputs shorted, volume at minimum; meter on the positive rail",
    outside=False,
    takes="45 s",
    required=True,
)
def on_the_lamp(bench, amplifier):
    if bench.file.lamp is None:
        bench.tell(
            "No series lamp on this bench: the set is not switched on here. Get a lamp first.", severity="warning"
        )
        yield measure.not_measured("rail_voltage", "none", "V", "no series lamp")
        return
    bench.hook_up(
        "Series lamp in, 1 kilohm 5 W across each speaker terminal pair, inputs shorted, volume at minimum. Glasses on.",
        lamp="in", load="1 kilohm", inputs="shorted", volume="minimum",
    )  # fmt: skip
    bench.move_meter("rail_positive")
    bench.mains_on("Switch on and watch the lamp.")
    lamp = yield measure.lamp(bench)
    state = measure.lamp_words(lamp)
    if state == "bright":
        bench.mains_off("OFF at the wall: something is shorted.")
        return
    yield measure.volts_at(bench, "rail_positive", quantity="rail_voltage", at="on the lamp")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 4.0, why="the relay, if it pulls in on the lamp")
    yield measure.dc_on_lamp(bench)


@test.step(
    "Off, the discharge measured, and the decision",
    why="the reason goes on a label on the set, and nobody gets a shock from it in the store",
    hook_up="mains off; meter on each rail",
    outside=False,
    takes="17 s",
)
def decide(bench, amplifier, so_far):
    bench.mains_off()
    yield measure.discharge(bench)
    eyes = {r["note"].partition(":")[0] for r in so_far if r["quantity"] == "inspection" and r["verdict"] == "fail"}
    shorted = [r["note"] for r in so_far if r["quantity"] == "resistance" and r["verdict"] == "fail"]
    fuses = [r["channel"] for r in so_far if r["quantity"] == "fuse_resistance" and r["verdict"] == "fail"]
    rail = [r["value"] for r in so_far if r["quantity"] == "rail_voltage" and r["value"] is not None]
    dc = {r["channel"]: abs(r["value"]) for r in so_far if r["quantity"] == "dc_offset" and r["value"] is not None}
    high = [c for c, v in dc.items() if v > 0.3]
    reasons = []
    if "water or fire" in eyes:
        yield Advice(
            "scrap", ("the board is charred through or was wet: knobs, transformer and case are the parts in it",)
        )
        return
    if "missing" in eyes:
        yield Advice("parts", ("what is missing is not to be had",))
        return
    bright = any(r["quantity"] == "lamp_brightness" and r["value"] > 1 for r in so_far)
    if bright:
        reasons.append("the lamp does not go dull: a short or far too much idle current")
    reasons += shorted
    reasons += [f"{c} speaker fuse open: ask what blew it" for c in fuses]
    reasons += [f"{c}: {dc[c]:.1f} V at the output on the lamp" for c in high]
    if not rail and not shorted and not bright:
        reasons.append("no rail was measured")
    elif rail and rail[0] < 5.0:
        reasons.append("lamp dark and no rail: mains fuse, switch, or the transformer's thermal link")
    if "repairs" in eyes:
        reasons.append("somebody was there before: count the hours for undoing it")
    if len(high) == 2 and len(shorted) == 2:
        yield Advice("parts", (*reasons, "both output stages gone: repair it only if it is worth two"))
    elif reasons:
        yield Advice("repair", tuple(reasons))
    else:
        yield Advice("repair", ("nothing found cold or on the lamp: incoming_check next, the fault may be small",))
