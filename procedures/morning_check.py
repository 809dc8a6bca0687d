"""Ninety seconds before the first amplifier: is this bench still itself? The amplifier is not connected.

The sound card's output goes straight to the far end of the dividers; the meter looks at its own leads and at the loads.
For the whole of it, and to keep the bench's floor: benchtest verify.
"""

from benchtest import Advice, Procedure, measure
from benchtest.fitness import verify
from benchtest.reading import Reading

test = Procedure(
    "Morning check of the bench",
    kit=["the bench itself, no amplifier", "two loopback leads from the sound card's output to the dividers' far ends"],
    cautions=("No amplifier is connected, no mains part is open. Loudspeakers off the sound card: the tone is loud.",),
)


@test.step(
    "Sound card, dividers, meter, loads",
    why="what is found now is the bench, and not the next amplifier",
    hook_up="loopback: output to the far ends of the input dividers; meter's leads together, then across each dummy load",
    takes="50 s",
)
def bench_itself(bench, amplifier):
    for check in verify(bench, watched_s=5.0).checks:
        words = f"{check.title}: {check.words}"
        name = check.name.replace("_thd_n", ", THD+N").replace("_", " ")
        if check.verdict == "not measured":
            yield measure.not_measured("bench_check", check.channel, "1", words, conditions={"at": check.name})
        else:
            fit = 0.0 if check.verdict == "unfit" else 1.0
            yield Reading(
                quantity="bench_check", channel=check.channel, value=fit, unit="1", expanded_uncertainty=0.0,
                lower_limit=0.5, method="see benchtest verify", conditions={"at": name}, note=words,
            )  # fmt: skip


@test.step("Fit to work?", why="one word for the day", takes="1 s")
def conclusion(bench, amplifier, so_far):
    bad = [f"{r['note']}" for r in so_far if r["verdict"] == "fail"]
    missing = [r["note"] for r in so_far if r["verdict"] == "not_measured"]
    if bad:
        yield Advice("look at the bench first", tuple(bad))
    elif missing:
        yield Advice("go on, knowing this", tuple(missing))
    else:
        yield Advice("go on", ("the bench is what it was",))
