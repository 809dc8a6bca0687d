"""Find a fault, guided: the most telling measurement next, until one group of causes stands out; then inside, lid off.

It begins as every test begins (cold, lamp, rails, DC), since nothing else is safe. After that it chooses: what tells most
about the causes that are still likely, for the time it takes and what it can hurt. What it asks for, and why, is said.
"""

from benchtest import Procedure, measure
from benchtest.diagnosis import diagnose, unmeasured
from benchtest.diagnosis.knowledge import HEALTHY, UNNAMED, shipped
from benchtest.diagnosis.next_check import belief, leading, wandering, worth
from benchtest.procedure import load_procedure
from benchtest.quantities import LAMP_BRIGHTNESS
from benchtest.reading import Reading, Verdict, as_row

SURE = 0.95  # one group is this likely: go inside
power_on = {step.name: step for step in load_procedure("power_on").steps}

# What can be measured outside: the step of power_on, what must come before it, seconds, danger, symptoms that it shows.
CHOICES = {
    "warm_up": ((), 600, 0, ("dc_warm", "dc_drift", "dc_against", "rails_warm", "rails_on_lamp")),
    "dc_check_full_volume": ((), 20, 0, ("dc_full_volume", "dc_by_volume")),
    "gain_without_load": (("dc_check_full_volume",), 20, 0, ()),
    "loaded": (("dc_check_full_volume", "gain_without_load"), 60, 0, ("dc_loaded", "dc_by_load")),
    "noise": (("loaded",), 15, 0, ("noise", "noise_against", "hiss", "hum_mains", "hum_twice", "noise_plugged",
                                   "hum_mains_plugged", "hum_mains_against")),
    "gain": (("loaded", "noise"), 15, 0, ("answers", "gain_off", "gain_against", "polarity", "damping", "damping_against")),
    "agreement": (("gain",), 5, 0, ("agreement", "agreement_against")),
    "sweeps": (("gain", "agreement"), 10, 0, ("bass_20hz", "bass_40hz", "bass_against", "treble_16khz", "treble_20khz",
                                              "treble_against", "thd_treble", "thd_treble_against", "separation_1khz",
                                              "separation_10khz", "separation_slope", "sweep_lost")),
    "power_one_channel": (("agreement",), 90, 0, ("power_one", "power_against", "ramp_end", "sag_one", "gain_wanders")),
    "distortion": (("power_one_channel",), 25, 0, ("thd_10mw", "thd_1w", "thd_half", "thd_rated", "thd_slope", "thd_1w_against",
                                                   "thd_slope_low", "besides_1w", "besides_rated", "noise_1w", "noise_rated")),
    "rails_under_load": (("power_one_channel",), 15, 1, ("ripple", "ripple_apart", "ripple_multiple")),
    "power_both_channels": (("power_one_channel",), 60, 0, ("power_both", "power_shared", "sag_both")),
    "dc_check_after_power": (("power_one_channel",), 10, 0, ("dc_by_power", "rails_after_power")),
    "balance_turned_down": (("gain",), 15, 0, ("volume_moves_balance",)),
}  # fmt: skip

COMES_AND_GOES = ("output-joint-cracked", "output-joint-cracked-when-hot", "input-joint-cracked")
CONTACTS = ("relay-contact-oxidised", "selector-contact-oxidised", *COMES_AND_GOES)
STEPS = (*CONTACTS, "popcorn-noise")  # what may be a joint that opens now and then
COOLING_S = 2400.0  # a set that stands open is near the room's temperature again
BY_WARMING_UP = ("input-offset", "bias-high", "bias-runaway")  # ten minutes part what looks alike at once
WITH_A_TONE = ("agreement", "sweeps", "power_one_channel", "distortion", "rails_under_load", "power_both_channels",
               "dc_check_after_power", "balance_turned_down")  # fmt: skip

test = Procedure(
    "Find a fault",
    kit=load_procedure("power_on").kit,
)


def followed(bench, body):
    """Carry a body out and remember its readings as rows, so that the next choice knows them."""
    rows = bench.kept.setdefault("rows", [])
    answer = None
    while True:
        try:
            item = body.send(answer)
        except StopIteration:
            return
        answer = yield item
        for reading in answer if isinstance(answer, list) else [answer]:
            if isinstance(reading, Reading):
                rows.append(as_row(reading, run_id="", sequence=len(rows) + 1, time_utc="", procedure="find_fault",
                                   step="", simulated=bench.simulated))  # fmt: skip


def as_in_power_on(name, carried_out=None):
    step = power_on[name]
    steps_body = carried_out or step.body

    @test.step(
        step.title, why=step.why, hook_up=step.hook_up, outside=step.outside, takes=step.takes, required=step.required
    )
    def body(bench, amplifier):
        yield from followed(bench, steps_body(bench, amplifier))

    return body


def on_the_lamp(bench, amplifier):
    """As in power_on; where the lamp stays bright, rails and output devices tell what is shorted before the run stops."""
    body = power_on["on_the_lamp"].body(bench, amplifier)
    answer = None
    while True:
        try:
            item = body.send(answer)
        except StopIteration:
            return
        answer = yield item
        if isinstance(item, Reading) and item.quantity == "lamp_brightness" and measure.lamp_words(answer) == "bright":
            yield measure.rail_voltages(bench, "on the lamp")
            yield from _output_devices(bench)
            bench.stop("the series lamp stays bright: a short behind it")


as_in_power_on("cold_checks").__name__ = "cold_checks"
as_in_power_on("on_the_lamp", on_the_lamp).__name__ = "on_the_lamp"
for first in ("rails", "dc_check"):
    as_in_power_on(first).__name__ = first


def _output_devices(bench):
    """Which is shorted, an output device or something before the rails? Ohms from collector to emitter, all empty."""
    bench.mains_off("Off at the wall. Lamp bright: is an output device shorted, or the transformer?")
    yield measure.discharge(bench)
    for channel in bench.channels:
        for side in ("positive", "negative"):
            yield measure.ohms_at(bench, f"{channel}_output_devices_{side}")


@test.step(
    "Choose, measure, think again",
    why="the next measurement is the one that tells most about what is still likely, for its time and its danger",
    hook_up="as asked",
    takes="2 to 15 min",
)
def choose(bench, amplifier):
    yield from _choose(bench, amplifier, [])


def _choose(bench, amplifier, done):
    bench.kept["done"] = done
    while True:
        rows = bench.kept.get("rows", [])
        group, channel, p = leading(rows, amplifier)
        left = [name for name in CHOICES if name not in done and not (name in WITH_A_TONE and nothing_answers(rows))]
        enough = _looked_enough(done, rows) or bench.open_paths()
        if not left or (p >= SURE and group != HEALTHY and enough):
            bench.tell(what_stands_out(group, channel, p))
            return
        beliefs, seen = belief(rows, amplifier)
        best = max(left, key=lambda name: _worth(name, done, beliefs, seen))
        if lamp_was_half_bright(rows) and "warm_up" in left:
            best = "warm_up"  # a high idle current is watched before any tone, and long before power
        for name in [*_before(best, done), best]:
            step = power_on[name]
            why = step.why[0].upper() + step.why[1:]
            bench.tell(f"Next: {sentence(step.title)} {sentence(why)}")
            yield from followed(bench, step.body(bench, amplifier))
            done.append(name)
            if name == "balance_turned_down":
                bench.hook_up("Turn the volume back to full.", volume="full")
                yield from followed(bench, (readings for readings in [measure.gain(bench)]))


def what_stands_out(group, channel, p):
    """The leading group in words, and how sure that is."""
    known = shipped()
    if group == HEALTHY:
        return "Nothing stands out: no fault fits what was measured better than none."
    if group == UNNAMED:
        return "Something is wrong that fits none of the faults known here; compare left with right, stage by stage."
    entry = known.groups.get(group) or known.causes[group]
    where = f", {channel}" if channel in ("left", "right") else ""
    sure = "more than 99 %" if p > 0.99 else f"{100 * p:.0f} %"
    return f"{'Stands out' if p >= SURE else 'Likeliest so far'}: {entry.words}{where} ({sure})."


def nothing_answers(rows):
    """Whether a tone was tried and no channel answered: louder ones would tell nothing more."""
    gains = [row for row in rows if row["quantity"] == "gain"]
    return bool(gains) and all(row["value"] is None for row in gains)


def sentence(text):
    return text if text.endswith("?") else f"{text}."


def _looked_enough(done, rows):
    """An answer needs a tone, or what forbade it: a probability from DC alone is too quick. And a wrong level is believed
    only of a bench that agrees with itself."""
    if "warm_up" in done and lamp_was_half_bright(rows):
        return True
    return "gain" in done and ("agreement" in done or nothing_answers(rows))


def lamp_was_half_bright(rows):
    """Whether the series lamp told of a high idle current."""
    seen = [row["value"] for row in rows if row["quantity"] == "lamp_brightness"]
    return bool(seen) and seen[-1] == LAMP_BRIGHTNESS["half"]


def _before(name, done):
    """What must be done before, in its order."""
    needed = []
    for other in CHOICES[name][0]:
        for each in [*_before(other, done), other]:
            if each not in done and each not in needed:
                needed.append(each)
    return needed


def _worth(name, done, beliefs, seen):
    steps = [*_before(name, done), name]
    seconds = sum(CHOICES[each][1] for each in steps)
    danger = max(CHOICES[each][2] for each in steps)
    symptoms = [s for each in steps for s in CHOICES[each][3] if s not in seen]
    return worth(beliefs, shipped(), symptoms, seconds, danger)


@test.step(
    "Inside, where the leading causes part",
    why="what looks alike at the terminals is told apart inside; off, move, on, hands off",
    hook_up="lid off; each point is touched with the mains off",
    outside=False,
    takes="3 min",
)
def inside(bench, amplifier):
    group, channel, p = leading(bench.kept.get("rows", []), amplifier)
    loose = wandering(bench.kept.get("rows", []), amplifier)
    if group in STEPS and p >= 0.5 and channel not in loose:
        loose = (*loose, channel)
    if loose:
        yield from followed(bench, _coming_and_going(bench, loose, group, channel))
    if group in (HEALTHY, UNNAMED) or p < 0.5:
        yield []
        return
    at = channel if channel in bench.channels else "left"
    entry = next((c for c in shipped().causes.values() if c.group_name == group), None)
    known = shipped().groups.get(group)
    if known is not None:
        bench.tell(f"To tell them apart: {known.separate}.")
    elif entry is not None:
        bench.tell(f"To be sure: {entry.confirm}.")
    if group in BY_WARMING_UP and "warm_up" not in bench.kept["done"]:
        yield from followed(bench, power_on["warm_up"].body(bench, amplifier))
        group = leading(bench.kept["rows"], amplifier)[0]
    if group in ("bias-low", "bias-high", "bias-runaway", "uneven-halves") and bench.reaches(
        f"{at}_emitter_resistor_1"
    ):
        yield from followed(bench, _emitter_resistors(bench, at))
    if group == "open-path":
        yield from followed(bench, _terminals(bench, at))
    if group == "crossed":
        yield from followed(bench, (readings for readings in [measure.which_terminals(bench)]))
    if group == "bass-loss":
        yield from followed(bench, _bass(bench))
    if group == "input-offset":
        yield from followed(bench, _feedback_capacitor(bench, at))


def _emitter_resistors(bench, channel):
    """Idle current through each emitter resistor, no signal, warm."""
    for number in (1, 2, 3, 4):
        bench.mains_off("Off at the wall: the next point is inside the set.")
        bench.move_meter(f"{channel}_emitter_resistor_{number}")
        bench.hook_up("1 kilohm across the terminals, inputs shorted.", load="1 kilohm", inputs="shorted")
        bench.mains_on("Switch on again, hands off.")
        bench.sleep(60.0, why="it warms up")
        yield measure.idle_current(bench, channel, number)


def _feedback_capacitor(bench, channel):
    """DC across the feedback capacitor beside that at the output: a sound one holds all of it."""
    bench.mains_off("Off at the wall: the next point is inside the set.")
    bench.move_meter(f"{channel}_feedback_capacitor")
    bench.hook_up("1 kilohm across the terminals, inputs shorted, volume at minimum.", load="1 kilohm", inputs="shorted",
                  volume="minimum")  # fmt: skip
    bench.mains_on("Switch on again, hands off.")
    bench.sleep(20.0, why="the relay pulls in, the offset settles")
    yield measure.volts_at(bench, f"{channel}_feedback_capacitor")
    yield measure.volts_at(bench, f"{channel}_output")


def _coming_and_going(bench, channels, group, suspect):
    """Does the DC at the terminals come and go, or the tone only? Then the relay contact of the one that does."""
    for channel in channels:
        tone = yield measure.tone_dropouts(bench, channel, "warm")
        warm = yield measure.dc_dropouts(bench, channel, "warm")
        unsure = bool(tone.value) and warm.value is None
        if warm.value or unsure or (group in CONTACTS and channel == suspect and not tone.value):
            yield from _contact(bench, channel, warm.value, unsure)


def _contact(bench, channel, comes_and_goes, unsure):
    """Ohms of the relay contact, held; and where the DC comes and goes, whether it does so cold as well."""
    bench.mains_off("Off at the wall: the relay's coil is fed by a supply of your own, of the volts printed on it.")
    yield measure.discharge(bench)
    bench.hook_up("Everything off the speaker terminals. A bench supply on the coil of the loudspeaker relay: it clicks.",
                  load="none", relay="held")  # fmt: skip
    yield measure.ohms_at(bench, f"{channel}_relay_contact", quantity="contact_resistance")
    if unsure:
        warm = yield measure.ohm_dropouts(bench, channel, "warm")
        if warm.value:
            bench.sleep(COOLING_S, why="it cools down: is it the heat that opens the joint?")
            yield measure.ohm_dropouts(bench, channel, "cold")
    bench.hook_up("The supply off the relay's coil again. 1 kilohm across the terminals, inputs shorted.", relay="free",
                  load="1 kilohm", inputs="shorted")  # fmt: skip
    if comes_and_goes:
        bench.sleep(COOLING_S, why="it cools down: is it the heat that opens the joint?")
        bench.mains_on("Switch on again, hands off.")
        bench.sleep(15.0, why="the relay pulls in")
        yield measure.dc_dropouts(bench, channel, "cold")


def _bass(bench):
    """Distortion in the bass, both channels: a dry feedback capacitor distorts there, a coupling capacitor does not."""
    for channel in bench.channels:
        yield measure.thd_at(bench, channel, 40.0, at="1 W, 40 Hz")


def _terminals(bench, channel):
    """Volts before the relay and across its contact; then ohms at the terminals, load off: what may have blown the fuse."""
    for point in (f"{channel}_amplifier_output", f"{channel}_relay_contact"):
        bench.mains_off("Off at the wall: the next point is inside the set.")
        bench.move_meter(point)
        bench.hook_up("1 kilohm across the terminals, inputs shorted.", load="1 kilohm", inputs="shorted")
        bench.mains_on("Switch on again, hands off.")
        bench.sleep(15.0, why="the relay pulls in")
        yield measure.volts_at(bench, point)
    bench.mains_off("Off at the wall.")
    yield measure.discharge(bench)
    bench.hook_up("Everything off the speaker terminals; cable and loudspeaker of the owner stay on, if they are. A bench "
                  "supply on the coil of the loudspeaker relay, of the volts printed on it: it clicks.",
                  load="none", relay="held")  # fmt: skip
    yield measure.ohms_at(bench, f"{channel}_relay_contact", quantity="contact_resistance")
    bench.hook_up("The supply off the relay's coil again.", relay="free")
    yield measure.ohms_at(bench, f"{channel}_output", quantity="terminal_resistance")
    yield measure.ohms_at(bench, f"{channel}_headphone_switch")


@test.step(
    "Once more, where the inside did not bear it out",
    why="a suspicion that the separating measurement has shaken is no answer: choose again with what is known now",
    hook_up="as asked",
    takes="0 to 15 min",
)
def once_more(bench, amplifier):
    rows = bench.kept.get("rows", [])
    group, _, p = leading(rows, amplifier)
    left = [name for name in CHOICES if name not in bench.kept["done"]]
    if not left or p >= SURE or group in (HEALTHY, UNNAMED, *COMES_AND_GOES) or nothing_answers(rows):
        bench.tell("Nothing was shaken: no need.")
        yield []
        return
    if bench.hook_up_now.mains != "on":
        bench.hook_up("1 kilohm across each speaker terminal pair, inputs shorted, volume at minimum.", load="1 kilohm",
                      inputs="shorted", volume="minimum")  # fmt: skip
        bench.mains_on("Switch on.")
        bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    again = (
        "dc_check_full_volume",
        "gain_without_load",
        "loaded",
        "gain",
        "agreement",
    )  # the inside has undone the hook-up
    yield from _choose(bench, amplifier, [name for name in bench.kept["done"] if name not in again])
    if leading(bench.kept["rows"], amplifier)[0] != group:
        yield from inside(bench, amplifier)


@test.step(
    "Off, and the discharge measured",
    why="empty reservoirs are measured, not assumed",
    hook_up="the mains is off",
    takes="4 min",
)
def off(bench, amplifier):
    bench.mains_off("Off at the wall.")
    yield measure.discharge(bench)


@test.step(
    "What was found",
    why="a search that saw too little must not end as if nothing were wrong",
    hook_up="nothing more is touched",
    takes="0 s",
    required=True,
)
def found(bench, amplifier):
    rows = bench.kept.get("rows", [])
    causes = diagnose(rows, amplifier)
    if causes and causes[0].cause == HEALTHY:
        yield said(0.0, Verdict.PASS, "nothing stands out")
        return
    group, channel, p = leading(rows, amplifier)
    if causes and group != HEALTHY and p >= 0.5:
        at = channel if channel in ("left", "right", "both") else "none"
        yield said(1.0, Verdict.FAIL, what_stands_out(group, channel, p), at)
        return
    missing = unmeasured(rows)
    why = f"too little was measured: no {', no '.join(missing)}" if missing else "no cause stands out from the others"
    yield said(None, Verdict.INCONCLUSIVE, why)


def said(value, verdict, note, channel="none"):
    return Reading(
        quantity="fault_found", channel=channel, value=value, unit="1", expanded_uncertainty=0.0, verdict=verdict,
        note=note, method="diagnosis from the readings of this run",
    )  # fmt: skip
