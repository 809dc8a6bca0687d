"""What a trainee reads: the help, and how a verdict is said."""

from __future__ import annotations

LINES = {
    "pass": "   [within its limits]", "noted": "   [worn, noted]", "fail": "   [OUTSIDE ITS LIMITS]",
    "inconclusive": "   [too close to call]", "not_measured": "   [not measured]",
}  # fmt: skip

HELP = """\
Hands   mains on|off    lamp in|out    lid on|off    wait 30 s|10 min
        volume minimum|full|-20 dB      inputs shorted|sound_card|open
        load none|1 kilohm|dummy        monitor in|out    headphones in|out
        tone_controls flat|defeat       look (what is connected now)
        relay held|free (its coil on a supply of yours, mains off)
Meter   rails    dc (both outputs)    drift (10 minutes)    discharge
        measure dc POINT    measure ac POINT    measure ohms POINT
        points (lists them)    idle left 1 (emitter resistor, warm)
        watch left (does its DC come and go?)
Tones   noise    gain    polarity    tone 1 W left    power left|right|both
        tone half|rated left    sweep    ripple (of both rails, under load)
        agree (does the meter see the same tone as the sound card?)
        watch tone left (does a steady tone come and go?)
Whole   run power_on    readings (what you have so far)
End     causes [word]    verdict healthy    verdict CAUSE left|right
        stop (this is not for me)    quit

The order that hurts nobody: reservoirs, fuses and load cold - series lamp -
rails and DC at minimum volume - DC at full volume - load - noise - 50 mV -
power. Inside points: mains off, move, on, hands off. Ohms on empty
reservoirs only."""

START = "Type 'help'."
START_BY_HAND = "Type what you do ('help' lists it; Tab completes), or press Enter on an empty line for menus."

TYPED = (
    "help", "look", "points", "readings", "causes", "menu", "rails", "dc", "drift", "discharge", "noise", "gain", "polarity",
    "sweep", "ripple", "power left", "power right", "power both", "run power_on", "verdict", "verdict healthy", "stop", "quit",
    *(f"tone {level} {channel}" for level in ("1 W", "half", "rated") for channel in ("left", "right")),
    *(f"idle {channel} {number}" for channel in ("left", "right") for number in (1, 2)),
    "mains on", "mains off", "lamp in", "lamp out", "lid off", "lid on", "volume minimum", "volume full", "volume -20 dB",
    "inputs shorted", "inputs sound_card", "inputs open", "load none", "load 1 kilohm", "load dummy", "monitor in",
    "monitor out", "headphones in", "headphones out", "agree", "relay held", "relay free",
    "watch left", "watch right", "watch tone left", "watch tone right", "wait 30 s", "wait 10 min",
    "measure dc", "measure ac", "measure ohms",
)  # fmt: skip
"""Lines that the Tab key completes."""
