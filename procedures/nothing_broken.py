"""Before the lid comes off: is anything broken at all? Monitor, links, selectors, mute, mode, filters, headphone socket.

Half of the sets that "give no sound" are set wrong. The outside tells it, with the lid on.
"""

from benchtest import Advice, Procedure, measure

test = Procedure(
    "Nothing broken?",
    kit=[
        "multimeter for the speaker terminals",
        "sound card with its dividers (without one the list of switches is all)",
        "two 1 kilohm 5 W resistors; two shorting plugs; the owner's own cables, if they came along",
    ],
)

SWITCHES = (
    ("tape monitor", "Tape monitor (all of them): out, so that the selected source is heard?"),
    ("pre/main links", "Pre-out to main-in links or the coupling switch: in place, both channels?"),
    ("speaker selector", "Speaker selector: on A, the terminals in use?"),
    ("headphone plug", "Headphone socket: empty, plugged and drawn twice?"),
    ("mute", "Mute, muting relay or -20 dB switch: off?"),
    ("mode", "Mode: stereo, and balance in its centre?"),
    ("filters", "Loudness, low and high filters, tone: off or flat?"),
    ("source", "Selector: on the input that the cable is in, turned to and fro ten times?"),
)


@test.step(
    "The list of switches",
    why="each of them has been brought in as a broken amplifier",
    hook_up="lid on; nothing connected yet",
    takes="16 s",
)
def switches(bench, amplifier):
    for name, question in SWITCHES:
        yield measure.by_eye(
            bench, name, question, ("as it should be", "was wrong, now right", "not there"),
            good=("as it should be", "not there"), about="setting",
        )  # fmt: skip


@test.step(
    "On, lid on: DC check at the terminals",
    why="no tone goes through a channel whose DC check has not passed",
    hook_up="lid on; 1 kilohm across both outputs, inputs shorted, volume at minimum",
    takes="105 s",
    required=True,
)
def dc_check(bench, amplifier):
    bench.hook_up(
        "Lid on. 1 kilohm 5 W across each speaker terminal pair, no loudspeakers. Shorting plugs in the inputs, volume at "
        "minimum.", lid="on", load="1 kilohm", inputs="shorted", volume="minimum", monitor="out",
    )  # fmt: skip
    bench.mains_on("Switch on. Listen for the relay.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    yield measure.dc_offsets(bench, "relay + 10 s")


@test.step(
    "A small tone: does it come out, on both sides, unaltered?",
    why="50 mV into 1 kilohm harms nothing, and tells a switch from a fault",
    hook_up="as before; the sound card's output in the line inputs, volume full",
    takes="14 s",
    required=True,
)
def small_tone(bench, amplifier):
    if bench.file.audio is None:
        for channel in bench.channels:
            yield measure.not_measured("gain", channel, "dB", "this bench has no sound card")
        return
    bench.hook_up(
        "Sound card's output into the line inputs. Volume slowly to full.", inputs="sound_card", volume="full"
    )
    yield measure.gain(bench)
    for channel in bench.channels:
        swept = measure.sweep(bench, channel, output_v=0.05)
        yield measure.frequency_response(bench, swept, channel, at="50 mV")


@test.step(
    "No sound: pre-out and main-in apart",
    why="main-in passes by selector, monitor and volume: sound there means that the power amplifier works",
    hook_up="only where there was no sound, and where the set has the sockets",
    takes="1 s",
)
def apart(bench, amplifier, so_far):
    silent = [
        r["channel"]
        for r in so_far
        if r["quantity"] == "gain" and r["value"] is None and not bench.refusal(r["channel"])
    ]
    if not silent:
        return
    has = bench.ask("Has the set MAIN IN sockets (or links to draw)?", ("not there", "yes"), about="setting")
    if has != "yes":
        return
    bench.hook_up(
        "Draw the links. Sound card's output into MAIN IN. The volume has no effect now: the first tone is small all the "
        "same.", inputs="sound_card",
    )  # fmt: skip
    yield measure.gain(bench, at="main in")


@test.step(
    "What to do next",
    why="the answer for the owner, or the reason to open it",
    hook_up="mains off",
    takes="1 s",
)
def conclusion(bench, amplifier, so_far):
    bench.mains_off()
    wrong = [r["note"] for r in so_far if r["quantity"] == "inspection" and r["verdict"] == "fail"]
    gains = {r["channel"]: r for r in so_far if r["quantity"] == "gain" and "main in" not in r["conditions"]}
    silent = [c for c in bench.channels if c in gains and gains[c]["value"] is None]
    through_main = [
        r for r in so_far if r["quantity"] == "gain" and "main in" in r["conditions"] and r["value"] is not None
    ]
    dc = [r for r in so_far if r["quantity"] == "dc_offset" and r["verdict"] in ("fail", "inconclusive")]
    bent = {
        r["channel"] for r in so_far
        if r["quantity"] == "frequency_response" and r["value"] is not None and abs(r["value"]) > 2.5
    }  # fmt: skip
    if dc:
        yield Advice("open it", tuple(f"{r['channel']}: {r['note'] or 'DC at the output'}" for r in dc))
    elif through_main:
        yield Advice("look at", ("main-in works: selector, monitor, links, volume or the pre-amplifier's supply",))
    elif len(silent) == 2:
        yield Advice(
            "look at",
            (*wrong, "both channels silent alike: monitor, links, mute and source once more, each turned to and fro; "
             "two channels seldom break at once"),
        )  # fmt: skip
    elif silent:
        yield Advice("open it", (*wrong, f"{silent[0]} channel silent, the other one plays: find_fault"))
    elif len(bent) == 2:
        yield Advice(
            "look at", ("bass or treble bent alike on both channels: loudness, a filter or the tone controls",)
        )
    elif not gains or all(r["verdict"] == "not_measured" for r in gains.values()):
        yield Advice(
            "look at", (*wrong, "no tone could be sent through it: the list of switches is all that was checked")
        )
    elif bent:
        yield Advice("open it", (f"{bent.pop()} channel: bass or treble bent, the other one not",))
    else:
        yield Advice(
            "nothing broken", (*wrong, "both channels pass a small tone. Next: cables, loudspeakers, the source")
        )
