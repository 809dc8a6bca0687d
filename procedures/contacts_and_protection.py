"""Relay contacts in milliohms, when the relay closes, when the protection trips, and what may have blown it."""

from benchtest import Advice, Procedure, measure

test = Procedure(
    "Relay contacts and protection",
    kit=[
        "multimeter on both speaker terminals; one more with clips for the relay contacts",
        "sound card with its dividers; dummy load for both channels",
        "bench supply 0 to 5 V with 1 kilohm in series, for the sense line (if you want the trip level)",
        "the owner's loudspeakers and cables, if they came along",
    ],
)


@test.step(
    "Stored charge; the owner's cables and loudspeakers",
    why="the set is opened; and a shorted cable or a voice coil with shorted turns blows the next fuse as well",
    hook_up="plug out, lid off, meter on each rail; then on ohms, as you are told",
    outside=False,
    takes="2 s",
)
def cables(bench, amplifier):
    bench.mains_off(
        "Switched off at the wall, plug out. Lid off. Keep hands out: the reservoirs may be charged.", lid="off"
    )
    yield from measure.emptied(bench)
    came = bench.ask("Did the owner's cables and loudspeakers come along?", ("not there", "yes"), about="setting")
    if came != "yes":
        bench.tell("Then tell the owner to look at cables and loudspeakers before the set is used again.")
        return
    for channel in bench.channels:
        bench.move_meter(f"{channel}_listed_point", say=f"{channel} cable, both ends free: across its two wires")
        yield measure.ohms_at(
            bench, f"{channel}_listed_point", quantity="cable_resistance", short_below=1000.0, at="cable"
        )
        bench.move_meter("leads_shorted")
        bench.move_meter(f"{channel}_listed_point", say=f"{channel} loudspeaker, cable off: across its terminals")
        yield measure.ohms_at(
            bench, f"{channel}_listed_point", quantity="speaker_resistance", short_below=2.5, at="speaker"
        )


@test.step(
    "Switch on: DC check, thump, relay delay",
    why="2 to 8 seconds are usual; none at all is a welded contact, or no relay",
    hook_up="dummy load on, inputs shorted, volume at minimum; the sound card listens at the terminals",
    takes="50 s",
    required=True,
)
def switch_on(bench, amplifier):
    bench.hook_up(
        "Lamp out (a set that is not known to be sound has been on the lamp: incoming_check). Dummy load on both channels, "
        "inputs shorted, volume at minimum.", lamp="out", load="load", inputs="shorted", volume="minimum",
    )  # fmt: skip
    yield measure.turn_on_transient(bench)
    bench.sleep((amplifier.relay_delay_s or 8.0) + 4.0, why="the relay pulls in")
    yield measure.dc_offsets(bench, "relay + 10 s")


def across(bench, amplifier, channel, place):
    bench.mains_off("Off at the wall: the next point is inside.")
    bench.move_meter(f"{channel}_{place}")
    bench.hook_up("Inputs shorted, volume full.", inputs="shorted", volume="full")
    bench.mains_on("Switch on, hands off.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    yield measure.dc_offsets(bench, f"before the tone, {channel}")
    bench.hook_up("Sound card's output into both inputs.", inputs="sound_card")
    yield measure.gain(bench)
    yield measure.contact_resistance(bench, channel, place)


@test.step(
    "Relay contact, left: millivolts at about 1 A",
    why="an oxidised contact distorts at low level and reads some tenths of an ohm",
    hook_up="off: meter across the left relay contact; on; sound card into the inputs",
    outside=False,
    takes="45 s",
)
def left_contact(bench, amplifier):
    yield from across(bench, amplifier, "left", "relay_contact")


@test.step(
    "Relay contact, right: millivolts at about 1 A",
    why="one contact beside the other is the best judge",
    hook_up="off: meter across the right relay contact; on; sound card into the inputs",
    outside=False,
    takes="45 s",
)
def right_contact(bench, amplifier):
    yield from across(bench, amplifier, "right", "relay_contact")


@test.step(
    "Protection: trip level at the sense line",
    why="DC that the protection does not see ends in a voice coil; a welded relay defeats it",
    hook_up="0 to 5 V through 1 kilohm to the protection's sense input (sheet), tone off",
    outside=False,
    takes="2 s",
)
def protection(bench, amplifier):
    there = bench.ask(
        "Is a 0 to 5 V supply on the protection's sense line (sheet; 1 kilohm in series)?",
        ("not there", "yes"),
        about="setting",
    )
    if there != "yes":
        for quantity, unit in (("protection_trip_level", "V"), ("protection_trip_time", "s")):
            yield measure.not_measured(quantity, "both", unit, "no supply on the sense line")
        return
    yield measure.typed_value(
        bench, "protection_trip_level", "V", "Raise it slowly from 0: at how many volts does the relay drop?", u=0.1
    )
    yield measure.typed_value(
        bench, "protection_trip_time", "s", "Set 5 V, switch it on: how many seconds until the relay drops?", u=0.2
    )


@test.step(
    "Off: thump, and the discharge measured",
    why="the relay should open before the rails fall; empty reservoirs are measured, not assumed",
    hook_up="as before; then the mains is off",
    takes="20 s",
)
def off(bench, amplifier, so_far):
    yield measure.turn_off_transient(bench)
    yield measure.discharge(bench)
    poor = [
        f"{r['channel']} contact" for r in so_far if r["quantity"] == "contact_resistance" and r["verdict"] == "fail"
    ]
    owners = [r for r in so_far if r["quantity"] in ("cable_resistance", "speaker_resistance")]
    shorted = [r["note"] for r in owners if r["verdict"] == "fail"]
    unknown = [f"{r['channel']} contact not measured: {r['note']}" for r in so_far
               if r["quantity"] == "contact_resistance" and r["verdict"] == "not_measured"]  # fmt: skip
    others = [
        f"{r['quantity']} {r['channel']}: {r['verdict']}" for r in so_far if r["verdict"] in ("fail", "inconclusive")
    ]
    if poor or shorted or unknown or others:
        replaced = [f"{p}: replace the relay, cleaning does not last" for p in poor]
        yield Advice("look at", tuple(dict.fromkeys(shorted + replaced + unknown + others)))
    else:
        yield Advice("go on", ())
