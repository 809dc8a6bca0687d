"""Hook-ups: wires, knobs, mains and lamp, changed in an order that hurts nobody; and which meter sits where."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from benchtest.amplifier_file import AmplifierSpec
from benchtest.bench import Instruments
from benchtest.errors import NotAllowed, NotReachable
from benchtest.events import EventStream
from benchtest.instruments.protocols import Multimeter
from benchtest.instruments.test_points import TEST_POINTS, is_inside
from benchtest.safety.interlock import LOADS, Interlock
from benchtest.safety.stops import Stops

KNOBS = frozenset(
    {"volume", "inputs", "tone_controls", "sound_card", "balance", "source", "monitor", "headphones", "series_resistor"}
)
"""Whoever touches one of these changes what comes out: the gain is measured again at 50 mV."""

LABEL_TOLERANCE = 0.9
"""A load a tenth below the label's lowest is still that load: 3.8 ohm on "4 ohm" (common practice)."""


class HookUps:
    """Has things connected by whoever moves them, and keeps the interlock true."""

    def __init__(
        self,
        instruments: Instruments,
        interlock: Interlock,
        events: EventStream,
        stops: Stops,
        amplifier: AmplifierSpec,
    ) -> None:
        self.__it = instruments
        self.__interlock = interlock
        self.__events = events
        self.__stops = stops
        self.__amplifier = amplifier
        self.__said_to_bear: set[str] = set()
        for name, meter in instruments.meters.items():
            interlock.hook_up.meters[name] = meter.connected_to

    def hook_up(self, say: str = "", **settings: str) -> None:
        """Have wires moved and knobs turned; one call is one prompt. Meters are moved with ``move_meter``.

        Raises NotAllowed where the order is wrong (a load changed with the mains on), SafetyStop once stopped.
        """
        self.__stops.if_pending()
        self.__change(dict(settings), say)

    def move_meter(self, point: str, *, say: str = "", also: Mapping[str, str] | None = None) -> None:
        """Put the movable meter's leads on a test point; no prompt where a meter sits there already."""
        if not also and self.meter_at(point) is not None:
            return
        name = self.movable_name(point)
        self.__stops.if_pending()
        if is_inside(point) and self.__interlock.hook_up.mains == "on":
            raise NotAllowed(
                f"{point} is inside the set and the mains is on. Inside points are touched with the amplifier off: "
                "switch the mains off first."
            )
        if self.__interlock.hook_up.mains == "on" and is_inside(self.__interlock.hook_up.meters[name]):
            raise NotAllowed(
                f"{name} sits on {self.__interlock.hook_up.meters[name]}, inside the set, and the mains is on. It is taken "
                "off there with the amplifier off: switch the mains off first."
            )
        where = {name: point if point != "leads_shorted" else "leads shorted"}
        self.__change({**self.__way_in(point), **where, **(also or {})}, say or f"{name}: {TEST_POINTS[point].words}")

    def touch_in_turn(self, points: Sequence[str], *, say: str) -> Iterator[str]:
        """One prompt for several points, at once: the person then touches them in turn, a key at each.

        Returns each point's name as it is touched; what must be done before the first of them may be done in between.
        Points that no meter reaches are left out; the caller finds out by ``reaches``.
        """
        movable = [p for p in points if self.meter_at(p) is None]
        if movable:
            first = self.__off_at_first()
            for point in movable:
                first |= self.__way_in(point)
            if not first and any(is_inside(point) for point in movable):
                say = self.__off_said(say)
            self.__events.emit("prompt", settings={**first, "in turn": ", ".join(movable)}, say=say)
            if first:
                self.__it.operator.set(first, say=say)
                self.__keep(first)
        return self.__touched(points)

    def __touched(self, points: Sequence[str]) -> Iterator[str]:
        for point in points:
            if self.meter_at(point) is None:
                name = self.movable_name(point)
                if is_inside(point) and self.__interlock.hook_up.mains == "on":
                    raise NotAllowed(f"{point} is inside the set and the mains is on: switch the mains off first.")
                where = point if point != "leads_shorted" else "leads shorted"
                self.__it.operator.set({name: where}, say=TEST_POINTS[point].words)
                self.__interlock.hook_up.meters[name] = point
            yield point

    def mains_on(self, say: str = "Switch the amplifier on.", **also: str) -> None:
        """Power the amplifier. The audio stream is open first; every DC check is void until made again."""
        self.__stops.if_pending()
        if self.__interlock.hook_up.relay == "held":
            raise NotAllowed(
                "the loudspeaker relay is held by a supply of your own: with the mains on nothing would protect the "
                "outputs. Take the supply off the coil first (relay free)."
            )
        stage = self.__amplifier.output_stage
        if stage == "output_transformer":
            raise NotAllowed(
                f"{self.__amplifier.name} has output transformers (kind of output stage). This procedure starts without "
                "a load, which such an amplifier does not bear: valve amplifiers are refused here."
            )
        if stage == "bridged" and self.__it.audio is not None:
            raise NotAllowed(
                f"{self.__amplifier.name} has bridged outputs (kind of output stage), and a sound card's ground is mains "
                "earth: its clip on a minus terminal would short half the amplifier. Needed: a differential "
                "connection (two dividers a channel, subtracted). It is not supported here: no drive."
            )
        if self.__it.audio is not None:
            self.__it.audio.start()
        self.__interlock.empty.clear()
        self.__mains("on", say, also)

    def mains_off(self, say: str = "Switch the amplifier off at the wall.", **also: str) -> None:
        """Take the mains away: by the switched socket where there is one, otherwise by asking."""
        self.__mains("off", say, also)

    def load_refused(self, name: str) -> str:
        """Why a dummy load of the bench file is not connected to this amplifier: none is declared, or its label does not
        allow so low a load. "" if it may be, or if there is no label: then the person is asked.
        """
        pair = self.__it.file.second_load if name == "second load" else self.__it.file.load
        if pair is None:
            return "the bench file declares no [second_load]"
        ohm, lowest = min(pair.left_ohm, pair.right_ohm), self.__lowest_load()
        if lowest is None or ohm >= lowest * LABEL_TOLERANCE:
            return ""
        return f"the label does not allow {ohm:g} ohm (amplifier file: the lowest is {lowest:g} ohm, minimum_load_ohm)"

    def __lowest_load(self) -> float | None:
        """The lowest load that the label allows; None where there is no label (no file, or a salvaged module)."""
        spec = self.__amplifier
        if spec.minimum_load_ohm is not None:
            return spec.minimum_load_ohm
        return spec.rated_load_ohm if spec.rated_power_w is not None else None

    def __allow_load(self, name: str) -> None:
        """Raises NotAllowed for a load below what the label allows; without a label the person says so, or not."""
        why = self.load_refused(name)
        pair = self.__it.file.second_load if name == "second load" else self.__it.file.load
        if not why and pair is not None and self.__lowest_load() is None and name not in self.__said_to_bear:
            ohm = min(pair.left_ohm, pair.right_ohm)
            if ohm < self.__amplifier.rated_load_ohm * LABEL_TOLERANCE:
                question = f"This dummy load is {ohm:g} ohm, and no label says what this amplifier bears. Does it?"
                if self.__it.operator.ask(question, ("no", "yes"), about="setting") != "yes":
                    why = f"nobody says that this amplifier bears {ohm:g} ohm"
                self.__said_to_bear.add(name)
        if why:
            raise NotAllowed(f"{why}: it is not connected. Nothing was driven into it.")

    def __hands_near_mains(self, settings: Mapping[str, str]) -> bool:
        """Whether lamp, load, lid or something inside the set is changed while nothing but the person holds the mains off."""
        now = self.__interlock.hook_up
        inside = [settings[name].replace(" ", "_") for name in now.meters if name in settings]
        inside += [now.meters[name] for name in now.meters if name in settings]  # where the leads come from
        near = {"lamp", "load", "lid", "rail_resistors", "relay"} & settings.keys() or any(map(is_inside, inside))
        return now.mains != "on" and bool(near)

    def __off_said(self, say: str) -> str:
        """The prompt with the mains in it, unless it says so itself or a switched socket holds the mains off."""
        if self.__it.mains_socket is not None or "at the wall" in say.lower():
            return say
        return f"Amplifier OFF AT THE WALL before you touch it. {say}"

    def __way_in(self, point: str) -> dict[str, str]:
        """What must be out of the way before a point is touched: nobody says how the set was left by the run before."""
        return {"lid": "off"} if is_inside(point) and self.__interlock.hook_up.lid != "off" else {}

    def __off_at_first(self) -> dict[str, str]:
        """The first request of a run takes the mains away."""
        if self.__interlock.hook_up.mains != "unknown":
            return {}
        if self.__it.mains_socket is not None:
            self.__it.mains_socket.off()
            self.__interlock.hook_up.mains = "off"
            return {}
        return {"mains": "off"}  # known to be off when somebody has said so

    def __keep(self, settings: Mapping[str, str]) -> None:
        now = self.__interlock.hook_up
        for key, value in settings.items():
            if key in now.meters:
                now.meters[key] = value.replace("leads shorted", "leads_shorted")
            else:
                setattr(now, key, value)

    def __mains(self, state: str, say: str, also: Mapping[str, str]) -> None:
        socket = self.__it.mains_socket
        if socket is not None:
            if state == "off":  # the power goes first, whatever else is asked for
                socket.off()
                self.__interlock.hook_up.mains = state
                self.__events.emit("mains", state=state, by="switched socket")
            if also:
                self.__change(dict(also), say)
            if state == "on":
                self.__interlock.hook_up.mains = state  # before it is: an interruption in between finds it as it may be
                socket.on()
                self.__events.emit("mains", state=state, by="switched socket")
        else:
            if state == "on":
                self.__interlock.hook_up.mains = state  # whoever is interrupted at this prompt may have switched on
            self.__events.emit("prompt", settings={"mains": state, **also}, say=say)
            self.__it.operator.set({"mains": state, **also}, say=say)
            self.__keep(also)
        self.__interlock.hook_up.mains = state
        self.__interlock.uncleared()

    def __change(self, settings: dict[str, str], say: str) -> None:
        now = self.__interlock.hook_up
        if "mains" in settings:
            raise NotAllowed("the mains is switched with mains_on and mains_off, not by a hook-up")
        settings = {**self.__off_at_first(), **settings}
        if now.mains == "on":
            if "load" in settings and not self.__it.file.load.two_pole_switch:
                raise NotAllowed(
                    "the load is changed with the amplifier off and the relay dropped, unless the bench file declares "
                    "[load] two_pole_switch = true. Switch the mains off first."
                )
            if {"lamp", "lid", "rail_resistors", "relay"} & settings.keys():
                raise NotAllowed(
                    "the lamp, the lid, the relay's coil and resistors in the rails are changed with the mains off. Switch "
                    "it off first."
                )
        if settings.get("sound_card") == "loopback" and self.__it.audio is not None:
            self.__it.audio.start()  # a card that cannot be opened says so before anybody plugs in anything
        if settings.get("load") in LOADS:
            self.__allow_load(settings["load"])
        if self.__hands_near_mains(settings):
            say = self.__off_said(say)
        self.__events.emit("prompt", settings=settings, say=say)
        self.__it.operator.set(settings, say=say)
        self.__keep(settings)
        if {"load", "lamp", "rail_resistors", "relay"} & settings.keys():
            self.__interlock.uncleared()
        elif KNOBS & settings.keys():
            self.__interlock.gains_lost()

    def reaches(self, point: str) -> bool:
        """Whether a meter sits on the point or can be moved there."""
        return self.meter_at(point) is not None or any(m.connected_to == "movable" for m in self.__it.meters.values())

    def sits_on(self, point: str) -> bool:
        """Whether a meter's leads are on the point now."""
        return self.meter_at(point) is not None

    def meter_at(self, point: str) -> Multimeter | None:
        """The meter whose leads are on a point now."""
        for name, where in self.__interlock.hook_up.meters.items():
            if where == point:
                return self.__it.meters[name]
        return None

    def read_by_program(self, point: str) -> Multimeter | None:
        """The meter on a point that needs no person to read it: while a tone can sound, no text is asked for."""
        meter = self.meter_at(point)
        return None if meter is None or self.__it.file.meter(meter.name).driver == "handheld" else meter

    def movable_name(self, point: str) -> str:
        """The movable meter's name. Raises NotReachable where there is none."""
        for name, meter in self.__it.meters.items():
            if meter.connected_to == "movable":
                return name
        raise NotReachable(
            f"no meter of bench '{self.__it.file.bench.name}' reaches {point}: none sits there and none is movable. "
            'Declare a [[dmm]] with connected_to = "movable", or one on this point.'
        )
