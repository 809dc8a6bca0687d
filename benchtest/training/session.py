"""A case at the bench, played by typing: what a hand may do, what is measured, and what must not be done.

Acts go through the safety limits wherever those let them pass; what they would refuse on a real bench is an unsafe act
here: it is lost, and its consequence is told. Hook-ups after a stop go to the bench directly, so that a trainee can go on
with the mains off.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchtest import measurements as measure
from benchtest.errors import BenchtestError, FileError, NotAllowed, NotReachable, SafetyStop
from benchtest.instruments.protocols import Operator
from benchtest.instruments.test_points import TEST_POINTS
from benchtest.limits import judge, limit_table
from benchtest.procedure import load_procedure, run
from benchtest.reading import Reading, Verdict, as_row
from benchtest.safety import GuardedBench
from benchtest.training.words import HELP, LINES

SHORTS = ("output-pair-shorted", "transformer-shorted-turn", "mains-setting-wrong")
"""What the first switch-on without the series lamp makes worse."""
EMPTY_V = 2.0
WELDS_V = 12.0
"""Volts on a reservoir that spoil a meter on ohms, or worse; below, only the reading. Common practice, no source."""
CHANNELS = ("left", "right")


class Lost(Exception):
    """An unsafe act: the case is over. The message is what happened."""


@dataclass
class Measured:
    """One measurement of the trainee: the line typed, and which readings it gave (their numbers in ``rows``)."""

    line: str
    rows: tuple[int, ...]


@dataclass
class Session:
    """The state of a case while it is played."""

    bench: GuardedBench
    operator: Operator
    say: Callable[[str], None]
    scenario: str
    causes: Mapping[str, str]
    """Everything that a trainee may name as the cause, with its line."""
    rows: list[dict[str, Any]] = field(default_factory=list)
    measured: list[Measured] = field(default_factory=list)
    habits: list[str] = field(default_factory=list)
    """What was not dangerous this time, and is a bad habit."""
    unsafe: str = ""
    verdict: tuple[str, str, str] | None = None
    """("healthy" | "faulty" | "stop", cause, channel)."""
    hints: int = 0
    mains: bool = False
    settings: dict[str, str] = field(
        default_factory=lambda: {"lamp": "out", "load": "none", "inputs": "open", "volume": "unknown", "lid": "off"}
    )
    lamp_tried: bool = False
    lamp_bright: bool = False
    charged: bool = True
    """The reservoirs have not been measured empty since the mains was last on (or at all)."""
    stopped: bool = False
    over: bool = False

    def __post_init__(self) -> None:
        self.table = limit_table(self.bench.amplifier)

    # ---------------------------------------------------------------- one line

    def type(self, line: str) -> None:
        """Do what a line says. An unsafe act ends the case; anything not understood is explained."""
        words = line.strip().lower().split()
        if not words:
            return
        acts: dict[str, Callable[[list[str]], None]] = {
            "help": lambda _: self.say(HELP), "?": lambda _: self.say(HELP), "points": lambda _: self._points(),
            "causes": self._causes, "look": lambda _: self._look(), "measure": self._measure, "rails": lambda _: self._rails(),
            "mains": self._mains, "wait": self._wait, "noise": lambda _: self._take(line, self._noise),
            "gain": lambda _: self._play(line, lambda: measure.gain(self.bench)),
            "polarity": lambda _: self._play(line, lambda: [measure.polarity(self.bench, c) for c in CHANNELS]),
            "ripple": lambda w: self._play(
                line, lambda: measure.ripple_under_load(self.bench, "right" if w[:1] == ["right"] else "left")
            ),
            "power": self._power, "tone": self._tone, "sweep": self._sweep, "idle": self._idle, "dc": lambda _: self._dc(line),
            "drift": lambda _: self._drift(line), "discharge": lambda _: self._discharge(line), "run": self._run,
            "verdict": self._verdict, "stop": lambda _: self._decide("stop", "", ""), "quit": lambda _: self._quit(),
            "agree": lambda _: self._play(line, self._agree), "readings": lambda _: self._readings(), "watch": self._watch,
        }  # fmt: skip
        try:
            if words[0] in acts:
                self._line = line.strip()
                acts[words[0]](words[1:])
            elif words[0] in (
                "lamp",
                "volume",
                "inputs",
                "load",
                "lid",
                "monitor",
                "tone_controls",
                "headphones",
                "relay",
            ):
                self._hook_up(words[0], " ".join(words[1:]))
            else:
                self.say(f"'{words[0]}' is not understood. 'help' lists what can be typed.")
        except Lost as lost:
            self.unsafe = str(lost)
            self.over = True
        except SafetyStop as stop:
            self.stopped, self.mains = True, False
            self.say(f"STOP: {stop}\n{stop.words}\nThe mains is off. Go on with the mains off, or give your verdict.")
        except (NotAllowed, NotReachable, FileError) as refused:
            self.say(f"Refused: {refused}")
        except BenchtestError as error:
            self.say(f"That did not work: {error}")

    # ---------------------------------------------------------------- hands

    def _hook_up(self, name: str, value: str) -> None:
        value = SHORTHAND.get(value, value)
        if name == "lid" and value in ("off", "on") and self.mains:
            raise Lost(
                "You moved the lid with the mains on. It slid inside and touched a rail: a bang, and a burnt hand."
            )
        if name == "relay" and value == "held" and self.mains:
            raise Lost(
                "You held the relay with the mains on: nothing protected the outputs any more, and a joint let go."
            )
        if name in ("lamp", "load") and self.mains and value != self.settings[name]:
            what = "the lamp's plug" if name == "lamp" else "the load"
            raise Lost(
                f"You changed {what} with the mains on. "
                + (
                    "Live mains pins were in your hand."
                    if name == "lamp"
                    else "Plus slipped to chassis: the output stage is gone."
                )
            )
        self._set({name: value})
        self.settings[name] = value
        self.say(f"{name.replace('_', ' ')}: {shown(name, value)}.")

    def _set(self, settings: Mapping[str, str]) -> None:
        if self.stopped:
            self.operator.set(settings, say="the trainee's hand")
        else:
            self.bench.hook_up("the trainee's hand", **settings)

    def _mains(self, words: list[str]) -> None:
        if words[:1] == ["off"]:
            if self.stopped:
                self.operator.set({"mains": "off"}, say="off")
            else:
                self.bench.mains_off("off at the wall")
            self.mains = False
            self.say("Off at the wall. The reservoirs hold their charge for a while.")
            return
        if words[:1] != ["on"]:
            self.say("mains on, or mains off.")
            return
        if self.stopped:
            raise Lost(
                "You switched on again after a safety stop, with nothing changed. The second bang was the louder one."
            )
        lamp = self.settings["lamp"] == "in"
        if not lamp and self.lamp_bright:
            raise Lost(
                "The lamp stayed bright, and you switched on without it: fuses, rectifier and wiring went up in smoke."
            )
        if not lamp and not self.lamp_tried:
            if self.scenario in SHORTS:
                raise Lost("First power on an unknown set without the series lamp: a bang, and the fuses are black.")
            self.habits.append("first power without the series lamp")
        self.bench.mains_on("Switch on.")
        self.mains, self.charged = True, True
        if lamp:
            self.lamp_tried = True
            seen = measure.lamp(self.bench)
            self.lamp_bright = seen.verdict == "fail"
            self.say(f"On. The series lamp is {measure.lamp_words(seen)}.")
            self._keep([seen])
        else:
            self.bench.sleep(15.0, why="the relay pulls in, the rails settle")
            self.say("On. Fifteen seconds later nothing smokes.")

    def _wait(self, words: list[str]) -> None:
        found = re.fullmatch(
            r"(\d+(?:\.\d+)?)(s|min|m)?", "".join(words).replace("seconds", "s").replace("minutes", "min")
        )
        if not found or float(found[1]) > 3600:
            self.say("wait 30 s, wait 10 min.")
            return
        seconds = float(found[1]) * (60.0 if (found[2] or "s").startswith("m") else 1.0)
        if self.mains and self.lamp_bright and seconds > 30.0:
            raise Lost("The lamp was bright, and you waited. The short heated up until it smoked.")
        self.bench.sleep(seconds) if not self.stopped else None
        self.say(f"{seconds:g} s have passed.")

    def _look(self) -> None:
        now = ", ".join(f"{name} {shown(name, value)}" for name, value in self.settings.items())
        self.say(f"mains {'ON' if self.mains else 'off'}, {now}; {len(self.measured)} measurements so far.")

    # ---------------------------------------------------------------- the meter

    def _measure(self, words: list[str]) -> None:
        if len(words) < 2 or words[0] not in ("dc", "ac", "ohms", "diode"):
            self.say("measure dc POINT, measure ac POINT, measure ohms POINT. 'points' lists the points.")
            return
        point = "_".join(words[1:])
        if point not in TEST_POINTS:
            near = [name for name in TEST_POINTS if point in name][:6]
            self.say(f"no point '{point}'. " + (f"Did you mean {', '.join(near)}?" if near else "'points' lists them."))
            return
        inside = not TEST_POINTS[point].outside
        fixed = any(m == point for name, m in self.bench.hook_up_now.meters.items() if name != "bench meter")
        if inside and self.mains and not fixed and not self._sits_at(point):
            raise Lost(
                f"You moved a tip to {point.replace('_', ' ')}, inside, with the mains on. It slipped and shorted two legs: "
                "the output stage is gone. Inside points: off, move, on, hands off."
            )
        if words[0] in ("ohms", "diode"):
            self._ohms_rules(point)
        if words[0] == "dc" and point in ("left_output", "right_output") and self.mains and not self.stopped:
            self._dc(self._line, (point.split("_")[0],))
            return
        if not fixed:
            self._move(point)
        self._read(words[0], point)

    def _sits_at(self, point: str) -> bool:
        return self.bench.hook_up_now.meters.get("bench meter") == point

    def _move(self, point: str) -> None:
        if self.stopped:
            self.operator.set({"bench meter": point}, say="")
        else:
            self.bench.move_meter(point)

    def _ohms_rules(self, point: str) -> None:
        if point in ("leads_shorted", "left_load", "right_load") and not self.mains:
            return
        if self.mains:
            raise Lost(
                "Ohms with the mains on: the meter's fuse went with a bang, and the reading was nonsense anyway."
            )
        if self.charged:
            volts = [self._volts(rail) for rail in ("rail_positive", "rail_negative")]
            highest = max(abs(v) for v in volts)
            if highest > EMPTY_V:
                spoilt = (
                    "the tip welded itself, the meter is dead"
                    if highest > WELDS_V
                    else "the reading was nonsense; half a minute earlier the meter would have died"
                )
                raise Lost(f"Ohms with {highest:.0f} V still on a reservoir: {spoilt}. Measure each rail first.")
            self.habits.append("ohms before the reservoirs were measured empty")

    def _volts(self, point: str) -> float:
        return _number(self.operator.enter(f"{_meter_at(point)} {point}", unit="V DC"))

    def _read(self, kind: str, point: str) -> None:
        unit = {"dc": "V DC", "ac": "V AC", "ohms": "ohm", "diode": "ohm"}[kind]
        name = next((n for n, where in self.bench.hook_up_now.meters.items() if where == point), "bench meter")
        text = self.operator.enter(name, unit=unit)
        if kind == "dc" and point in ("rail_positive", "rail_negative") and not self.mains:
            other = "rail_negative" if point == "rail_positive" else "rail_positive"
            if abs(_number(text)) < EMPTY_V and (other in self._empty or abs(self._volts(other)) < EMPTY_V):
                self.charged = False
            self._empty.add(point)
        self.say(f"{point.replace('_', ' ')}: {text}")
        channel = point.split("_")[0] if point.startswith(CHANNELS) else "none"
        where = "before relay and fuse" if point.endswith("_amplifier_output") else point
        value = None if text == "OL" else _number(text)
        if kind == "ohms" and value is not None:
            if point == "leads_shorted":
                self.bench.lead_ohm = value
            else:
                value = max(0.0, value - (self.bench.lead_ohm or 0.0))
        self._note(Reading(
            quantity=self._quantity(kind, point), channel=channel, value=value, unit="ohm" if "ohm" in unit else "V",
            verdict=Verdict.FAIL if value is None and point.endswith("speaker_fuse") else Verdict.INFORMATION,
            method="read off the movable meter", note="open (OL)" if text == "OL" else "",
            conditions=self.bench.conditions(at=self._at_point(point), point=where, **_side(point)),
        ))  # fmt: skip

    def _quantity(self, kind: str, point: str) -> str:
        """Ohms at the speaker terminals with nothing of ours on them are those of what the owner left there."""
        bare = kind == "ohms" and point in ("left_output", "right_output") and self.settings["load"] == "none"
        return "terminal_resistance" if bare else _quantity(kind, point)

    _line: str = ""
    _empty: set[str] = field(default_factory=set)

    def _dc(self, line: str, channels: Iterable[str] = CHANNELS) -> None:
        if not self.mains:
            self.say("The mains is off: 0 V says nothing.")
            return
        if self.stopped:
            self.say("After a stop nothing is driven or checked: mains off, and look with ohms.")
            return
        on_the_lamp = self.settings["lamp"] == "in"
        found = measure.dc_on_lamp(self.bench) if on_the_lamp else measure.dc_offsets(self.bench, self._at())
        self._take(line, lambda: [r for r in found if r.channel in channels])
        self.bench.act_on_stops()

    def _at(self) -> str:
        now = self.bench.hook_up_now
        if not self.mains:
            return "mains off"
        if now.lamp == "in":
            return "on the lamp"
        if now.load == "load":
            return "loaded"
        return "full volume" if now.volume == "full" else "relay + 10 s"

    def _at_point(self, point: str) -> str:
        at = self._at()
        if point.endswith("_amplifier_output") and self.mains:
            return "before relay and fuse"
        return "idle" if point.startswith("rail_") and at not in ("mains off", "on the lamp") else at

    def _rails(self) -> None:
        at = "on the lamp" if self.settings["lamp"] == "in" else "idle"
        if not self.mains:
            found = measure.residual_charge(self.bench, "with the mains off")
            self.charged = any(r.value is None or abs(r.value) > EMPTY_V for r in found)
        else:
            found = measure.rail_voltages(self.bench, at)
        self._take("rails", lambda: found)

    def _discharge(self, line: str) -> None:
        if self.mains:
            raise Lost("You put the discharge resistor across a live rail: it glowed, and so did your fingers.")
        found = measure.discharge(self.bench)
        self.charged = any(r.value is None or abs(r.value) > EMPTY_V for r in found)
        self._take(line, lambda: found)

    # ---------------------------------------------------------------- tones

    def _noise(self) -> list[object]:
        at = {"shorted": "inputs shorted", "sound_card": "sound card connected"}.get(self.settings["inputs"])
        if at is None:
            raise NotAllowed("open inputs pick up anything: inputs shorted, or inputs sound_card")
        return measure.noise_and_hum(self.bench, at)

    def _play(self, line: str, taken: Callable[[], Iterable[object]]) -> None:
        """Take what needs a tone. With a plug or a knob in the wrong place nothing would answer: that is said instead."""
        if self.settings["inputs"] != "sound_card":
            raise NotAllowed("the sound card plays into nothing: 'inputs sound_card' first")
        if self.settings["volume"] != "full":
            now = self.settings["volume"]
            raise NotAllowed(
                f"the volume is {'in no known place' if now == 'unknown' else f'at {now}'}: no tone gets through as it should. "
                "'volume full' first, when the DC at minimum and at full volume is right"
            )
        self._take(line, taken)

    def _power(self, words: list[str]) -> None:
        channels = CHANNELS if words[:1] == ["both"] else tuple(w for w in words if w in CHANNELS)
        if not channels:
            self.say("power left, power right, power both.")
            return
        self._play(self._line, lambda: measure.output_power(self.bench, channels))

    def _tone(self, words: list[str]) -> None:
        channel = next((w for w in words if w in CHANNELS), "")
        level = " ".join(w for w in words if w not in CHANNELS)
        at = {"1 w": "1 W", "1w": "1 W", "half": "half power", "half power": "half power", "rated": "rated power",
              "rated power": "rated power"}.get(level)  # fmt: skip
        if not channel or at is None:
            self.say("tone 1 W left, tone half right, tone rated left ('power left' first: it rises by rungs).")
            return

        def one() -> Iterable[object]:
            if not self.bench.refusal(channel):
                self.bench.tone(0.3, [channel], hold_s=0.4)
            return measure.distortion(self.bench, channel, at)

        self._play(self._line, one)

    def _agree(self) -> list[object]:
        for channel in CHANNELS:
            if not self.bench.refusal(channel):
                self.bench.tone(0.3, [channel], hold_s=0.4)
        return list(measure.level_agreement(self.bench))

    def _sweep(self, words: list[str]) -> None:
        def both() -> list[object]:
            for channel in CHANNELS:
                if not self.bench.refusal(channel):
                    self.bench.tone(0.3, [channel], hold_s=0.4)
                    measure.distortion(self.bench, channel, "1 W")
            swept = {channel: measure.sweep(self.bench, channel) for channel in CHANNELS}
            found = [r for c in CHANNELS for r in measure.frequency_response(self.bench, swept[c], c)]
            return [*found, *measure.separation(self.bench, swept)]

        self._play(self._line, both)

    def _idle(self, words: list[str]) -> None:
        channel = next((w for w in words if w in CHANNELS), "")
        number = next((int(w) for w in words if w.isdigit()), 1)
        if not channel:
            self.say("idle left 1: millivolts across emitter resistor 1 of the left channel, warm.")
            return
        self._inside_then_on(f"{channel}_emitter_resistor_{number}")
        self._take(self._line, lambda: [measure.idle_current(self.bench, channel, number)])

    def _inside_then_on(self, point: str) -> None:
        if not self._sits_at(point):
            self.bench.mains_off("off: the next point is inside")
            self.bench.move_meter(point)
            self.bench.mains_on("on again, hands off")
            self.bench.sleep(60.0, why="it warms up")
            self.mains = True

    def _watch(self, words: list[str]) -> None:
        channel = next((w for w in words if w in CHANNELS), "")
        if not channel:
            self.say("watch left: does the DC at its terminals come and go? watch tone left: does a steady tone?")
        elif not self.mains:
            self.say("The mains is off: there is nothing to watch.")
        elif "tone" in words:
            self._play(self._line, lambda: [measure.tone_dropouts(self.bench, channel, "warm")])
        else:
            self._take(self._line, lambda: [measure.dc_dropouts(self.bench, channel, "warm")])

    def _drift(self, line: str) -> None:
        self._take(line, lambda: list(measure.warm_up(self.bench, (0, 60, 120, 300, 600))[0]))

    def _run(self, words: list[str]) -> None:
        if not words:
            self.say("run power_on")
            return
        held = (
            0.0 if self.mains or self.stopped else max(abs(self._volts(p)) for p in ("rail_positive", "rail_negative"))
        )
        if held > EMPTY_V:
            raise NotAllowed(
                f"{held:.0f} V still stand on a reservoir, and every procedure begins with empty ones. 'discharge' empties "
                "them, 'rails' measures what is left"
            )
        result = run(load_procedure(words[0]), self.bench, archive=None)
        self.mains = self.bench.hook_up_now.mains == "on"
        self.lamp_tried = True
        for name in ("lamp", "load", "inputs", "volume"):
            self.settings[name] = getattr(self.bench.hook_up_now, name)
        first = len(self.rows)
        self.rows += [{**row, "sequence": first + i + 1} for i, row in enumerate(result.rows)]
        self.measured.append(Measured(self._line, tuple(range(first, len(self.rows)))))
        odd = [row for row in result.rows if row["verdict"] in ("fail", "inconclusive")]
        self.say(f"{words[0]}: {result.summary['result']}, {len(result.rows)} readings.")
        for row in odd[:12]:
            self.say("  " + line_of(row))
        if result.summary["stop"]:
            self.stopped, self.mains = True, False
            self.say(f"STOPPED: {result.summary['stop']}. The mains is off.")

    # ---------------------------------------------------------------- keeping

    def _take(self, line: str, taken: Callable[[], Iterable[object]]) -> None:
        found = [item for item in taken() if isinstance(item, Reading)]
        first = len(self.rows)
        for reading in self._keep(found):
            self.say("  " + line_of(reading))
        if any(reading.verdict is not Verdict.NOT_MEASURED for reading in found):
            self.measured.append(Measured(line.strip(), tuple(range(first, len(self.rows)))))

    def _note(self, reading: Reading) -> None:
        first = len(self.rows)
        self._keep([reading])
        self.measured.append(Measured(self._line, (first,)))

    def _keep(self, readings: Iterable[Reading]) -> list[dict[str, Any]]:
        kept = []
        for reading in readings:
            row = as_row(
                judge(reading, self.table), run_id="training", sequence=len(self.rows) + 1, time_utc="",
                procedure="training", step=self._line, simulated=True,
            )  # fmt: skip
            self.rows.append(row)
            kept.append(row)
        return kept

    # ---------------------------------------------------------------- verdict

    def _verdict(self, words: list[str]) -> None:
        if not words:
            self.say(
                "verdict healthy, or verdict CAUSE left|right, such as 'verdict relay-open left'. 'causes' lists them."
            )
            return
        if words[0] in ("healthy", "good", "ok"):
            self._decide("healthy", "healthy", "")
            return
        channel = words[-1] if words[-1] in (*CHANNELS, "both") else ""
        name = "-".join(words[:-1] if channel else words)
        meant = [c for c in self.causes if set(name.split("-")) <= set(c.split("-"))]
        if name not in self.causes and len(meant) == 1:
            name = meant[0]
        if name not in self.causes:
            near = [c for c in self.causes if name in c or any(w in c for w in name.split("-") if len(w) > 3)][:6]
            self.say(f"no cause '{name}'. " + (f"Did you mean {', '.join(near)}?" if near else "'causes' lists them."))
            return
        self._decide("faulty", name, channel)

    def _decide(self, kind: str, cause: str, channel: str) -> None:
        if self.mains:
            self.habits.append("left the bench with the mains on")
        self.verdict = (kind, cause, channel)
        self.over = True

    def _quit(self) -> None:
        self.over = True

    def _points(self) -> None:
        self.say(
            "\n".join(f"  {p.name:<26} {p.words}" for p in TEST_POINTS.values() if not p.name.startswith("sound_card"))
        )

    def _causes(self, words: list[str]) -> None:
        chosen = [(c, line) for c, line in self.causes.items() if all(w in f"{c} {line}".lower() for w in words)]
        self.say("\n".join(f"  {c:<32} {line}" for c, line in chosen) or "no cause has these words")

    def _readings(self) -> None:
        self.say("\n".join("  " + line_of(row) for row in self.rows[-60:]) or "nothing was measured yet")


SHORTHAND = {
    "min": "minimum",
    "max": "full",
    "dummy": "load",
    "dummy load": "load",
    "1k": "1 kilohm",
    "1 k": "1 kilohm",
}


def shown(name: str, value: str) -> str:
    """A setting in words.

    >>> shown("load", "load"), shown("lamp", "in")
    ('the dummy load', 'in')
    """
    return {"load": "the dummy load", "sound_card": "the sound card's output"}.get(value, value) if name else value


def line_of(row: Mapping[str, Any]) -> str:
    """A row as one line: words, value, how it stands."""
    from benchtest.diagnosis.rows import seen
    from benchtest.diagnosis.wording import reading_words

    text = reading_words(seen([row])[0])
    line = text + LINES.get(str(row["verdict"]), "")
    wanted = row["verdict"] in ("fail", "inconclusive", "not_measured") and row["note"] and row["value"] is not None
    return f"{line}\n      {row['note']}" if wanted else line


def _meter_at(point: str) -> str:
    return {"rail_positive": "plus rail meter", "rail_negative": "minus rail meter"}.get(point, "bench meter")


def _quantity(kind: str, point: str) -> str:
    if kind in ("ohms", "diode"):
        if point.endswith("speaker_fuse"):
            return "fuse_resistance"
        if point.endswith("relay_contact"):
            return "contact_resistance"
        return (
            "load_resistance"
            if point.endswith("_load")
            else "lead_resistance"
            if point == "leads_shorted"
            else "resistance"
        )
    if kind == "dc":
        if point.endswith("_amplifier_output"):
            return "dc_offset"
        return "rail_voltage" if point in ("rail_positive", "rail_negative") else "voltage"
    return "ac_voltage"


def _side(point: str) -> dict[str, str]:
    side = point.removeprefix("rail_")
    return {"rail": side} if side in ("positive", "negative") else {}


def _number(text: str) -> float:
    """The value of a meter's display, V or ohm; an overload is 1000.

    >>> _number("64.1 mV"), _number("8.0 ohm"), _number("OL")
    (0.0641, 8.0, 1000.0)
    """
    found = re.match(r"\s*(-?\d+(?:\.\d+)?)\s*(m?)", text)
    if text == "OL" or found is None:
        return 1000.0
    return round(float(found[1]) * (1e-3 if found[2] else 1.0), 9)
