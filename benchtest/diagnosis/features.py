"""Readings -> features: the few numbers that tell faults apart, each with the readings that it came from.

A feature belongs to a channel, or to the set ("none"). A quantity that was not measured gives no feature: what is
missing is no evidence, for or against. Every feature stands in its natural unit; ``symptoms.toml`` cuts it into levels.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from benchtest.amplifier_file import AmplifierSpec
from benchtest.diagnosis.rows import Seen
from benchtest.reading import AT_LEAST

CHANNELS = ("left", "right")
OVERLOAD_V = 100.0
"""Stands for a DC reading that overloaded the meter."""
OPEN_OHM = 1e9
SILENT_V = 1e-6
FULL = ("full", None)
"""Volume at which a gain says something, stated or not stated."""

GONE_PERCENT = 0.3
STEADY_WITHOUT_A_TONE = (
    "gone",
    "dc_",
    "fuse",
    "load",
    "switch",
    "contact",
    "terminal",
    "idle",
    "feedback",
    "gain_wanders",
)
"""What still tells something of a channel whose signal comes and goes."""

RAMP_ENDS = (
    ("no response", 5.0), ("below a tenth", 4.0), ("DC watch", 4.5), ("moved by -", 2.0), ("moved by +", 3.0),
    ("no longer follows", 2.0), ("THD reached", 1.0),
)  # fmt: skip
"""Words of why a rising tone was ended -> the feature ``ramp_end``; 0: it rose to the end."""


@dataclass(frozen=True)
class Feature:
    """One number with the readings behind it. channel is "left", "right" or "none" (the set)."""

    name: str
    channel: str
    value: float
    sources: tuple[Seen, ...]


class Sheet:
    """All readings of a run, found by quantity, channel and where they were taken; the last one counts."""

    def __init__(self, readings: Iterable[Seen], amplifier: AmplifierSpec) -> None:
        self.readings = tuple(readings)
        self.amplifier = amplifier
        self._by_quantity: dict[tuple[str, str], list[Seen]] = {}
        for each in self.readings:
            self._by_quantity.setdefault((each.quantity, each.channel), []).append(each)

    def all(self, quantity: str, channel: str = "none", **where: object) -> list[Seen]:
        """Every reading of a quantity that was taken where its conditions say so (a value None: not stated)."""
        return [
            each
            for each in self._by_quantity.get((quantity, channel), ())
            if all(_same(each.conditions.get(key), wanted) for key, wanted in where.items())
        ]

    def last(self, quantity: str, channel: str = "none", **where: object) -> Seen | None:
        """The last of them that has a value."""
        found = [each for each in self.all(quantity, channel, **where) if each.value is not None]
        return found[-1] if found else None

    def near(self, quantity: str, channel: str, frequency_hz: float, **where: object) -> Seen | None:
        """The last one taken within a twelfth of an octave of a frequency."""
        found = [
            each
            for each in self.all(quantity, channel, **where)
            if each.value is not None
            and each.frequency_hz
            and abs(math.log2(each.frequency_hz / frequency_hz)) < 1.0 / 12.0
        ]
        return found[-1] if found else None


def _same(stated: object, wanted: object) -> bool:
    return stated in wanted if isinstance(wanted, tuple) else stated == wanted


Found = tuple[float, Sequence[Seen | None]] | None
PerChannel = Callable[[Sheet, str], Found]


def features(sheet: Sheet) -> dict[tuple[str, str], Feature]:
    """Every feature that the readings give, by name and channel."""
    found: dict[tuple[str, str], Feature] = {}

    def keep(name: str, channel: str, result: Found) -> None:
        if result is not None and math.isfinite(result[0]):
            sources = tuple(each for each in result[1] if each is not None)
            found[(name, channel)] = Feature(name, channel, result[0], sources)

    for channel in CHANNELS:
        for name, rule in PER_CHANNEL.items():
            keep(name, channel, rule(sheet, channel))
    for channel in CHANNELS:
        gone = [found[key].value for name in ("gone_tone", "gone_dc") if (key := (name, channel)) in found]
        if max(gone, default=0.0) > GONE_PERCENT:  # a figure with gaps in its tone is no figure of the amplifier
            for name in PER_CHANNEL:
                if not name.startswith(STEADY_WITHOUT_A_TONE):
                    found.pop((name, channel), None)
    for channel, other in (CHANNELS, CHANNELS[::-1]):
        for name, (of, ratio) in AGAINST_OTHER.items():
            here, there = found.get((of, channel)), found.get((of, other))
            if here is None or there is None:
                continue
            value = _ratio_db(here.value, there.value) if ratio else here.value - there.value
            keep(name, channel, (value, (*here.sources[:1], *there.sources[:1])))
    for name, whole in OF_THE_SET.items():
        keep(name, "none", whole(sheet))
    return found


def _ratio_db(a: float, b: float) -> float:
    return 20.0 * math.log10(max(abs(a), 1e-9) / max(abs(b), 1e-9))


# ---------------------------------------------------------------- DC at the outputs


ON_LAMP = "on the lamp"
"""Provisional: of what is read there only what stops the run counts."""


def _dc(*at: str) -> PerChannel:
    def rule(sheet: Sheet, channel: str) -> Found:
        for each in reversed(sheet.all("dc_offset", channel)):
            if each.at() not in at or not each.taken or (each.at() == ON_LAMP and each.verdict != "fail"):
                continue
            if each.value is None:
                return (OVERLOAD_V, (each,)) if each.verdict == "fail" else None
            return abs(each.value), (each,)
        return None

    return rule


def _dc_before_relay(sheet: Sheet, channel: str) -> Found:
    found = sheet.all("dc_offset", channel, point="before relay and fuse")
    for each in reversed(found):
        if each.taken:
            return abs(each.value) if each.value is not None else OVERLOAD_V, (each,)
    return None


def _drift_share(sheet: Sheet, channel: str) -> Found:
    """The drift over the offset that it started from; only where there is an offset."""
    drift, first = _magnitude("offset_drift")(sheet, channel), PER_CHANNEL["dc_first"](sheet, channel)
    if drift is None or first is None or not 0.03 < first[0] < OVERLOAD_V:
        return None
    return drift[0] / first[0], (*drift[1], *first[1])


def _dc_sign_alike(sheet: Sheet) -> Found:
    """Both outputs stand on the same side by the same amount: 1, else 0; only above 0.2 V."""
    both = [sheet.last("dc_offset", channel) for channel in CHANNELS]
    left, right = (each.value if each is not None else None for each in both)
    if left is None or right is None or min(abs(left), abs(right)) < 0.2:
        return None
    return (1.0 if left * right > 0 and abs(left - right) < 0.2 * abs(left) else 0.0), both


def _dc_moved(before: str, after: str) -> PerChannel:
    def rule(sheet: Sheet, channel: str) -> Found:
        a, b = (sheet.last("dc_offset", channel, at=at) for at in (before, after))
        if a is None or b is None or a.value is None or b.value is None:
            return None
        return abs(b.value - a.value), (b, a)

    return rule


def _magnitude(quantity: str, **where: object) -> PerChannel:
    def rule(sheet: Sheet, channel: str) -> Found:
        each = sheet.last(quantity, channel, **where)
        return None if each is None or each.value is None else (abs(each.value), (each,))

    return rule


def _idle_current(sheet: Sheet, channel: str) -> Found:
    """The middle one of all emitter resistors that were read; a single open device does not count."""
    found = sorted(
        (e for e in sheet.all("idle_current", channel) if e.value is not None), key=lambda e: abs(e.value or 0.0)
    )
    middle = found[len(found) // 2] if found else None
    return None if middle is None or middle.value is None else (abs(middle.value), (middle,))


def _plain(quantity: str, **where: object) -> PerChannel:
    def rule(sheet: Sheet, channel: str) -> Found:
        each = sheet.last(quantity, channel, **where)
        return None if each is None or each.value is None else (each.value, (each,))

    return rule


# ---------------------------------------------------------------- ohms


def _reads_open(each: Seen) -> bool:
    """No value, and that was what the meter said: open."""
    return each.value is None and (each.taken or each.note.startswith("open"))


def _ohms(quantity: str) -> PerChannel:
    def rule(sheet: Sheet, channel: str) -> Found:
        for each in reversed(sheet.all(quantity, channel)):
            if each.value is not None:
                return each.value, (each,)
            if _reads_open(each):
                return OPEN_OHM, (each,)
        return None

    return rule


def _contact_share(sheet: Sheet, channel: str) -> Found:
    """Volts across the relay contact over those before it: near 1 where the contact is open."""
    across = sheet.last("voltage", channel, point=f"{channel}_relay_contact")
    before = sheet.last("voltage", channel, point=f"{channel}_amplifier_output")
    before = before or sheet.last("dc_offset", channel, point="before relay and fuse")
    if across is None or before is None or across.value is None or not before.value or abs(before.value) < 3e-4:
        return None
    return abs(across.value / before.value), (across, before)


def _ohms_across(place: str, quantity: str = "resistance") -> PerChannel:
    """Ohms at one of a channel's test points inside; open is OPEN_OHM."""

    def rule(sheet: Sheet, channel: str) -> Found:
        for each in reversed(sheet.all(quantity, channel, point=f"{channel}_{place}")):
            if each.value is not None:
                return max(each.value, 0.0), (each,)
            if _reads_open(each):
                return OPEN_OHM, (each,)
        return None

    return rule


def _contact_ohm(sheet: Sheet, channel: str) -> Found:
    """The relay contact: by a tone of some ampere through it, or by ohms with the relay held."""
    by_tone = sheet.last("contact_resistance", channel, at="relay contact")
    if by_tone is not None and by_tone.value is not None:
        return by_tone.value, (by_tone,)
    return _ohms_across("relay_contact", "contact_resistance")(sheet, channel)


def _feedback_share(sheet: Sheet, channel: str) -> Found:
    """DC across the feedback capacitor over that at the output: 1 where it is sound, near 0 where it leaks."""
    across = sheet.last("voltage", channel, point=f"{channel}_feedback_capacitor")
    whole = sheet.last("voltage", channel, point=f"{channel}_output") or sheet.last("dc_offset", channel)
    if across is None or whole is None or across.value is None or not whole.value or abs(whole.value) < 5e-3:
        return None
    return abs(across.value / whole.value), (across, whole)


def _dropouts(of: tuple[str, ...], *at: str) -> PerChannel:
    """Share of the time in which DC or a tone is gone, percent."""

    def rule(sheet: Sheet, channel: str) -> Found:
        found = [e for e in sheet.all("dropouts", channel, of=of) if e.value is not None and e.at().endswith(at)]
        return (found[-1].value or 0.0, found[-1:]) if found else None

    return rule


def _device_ohm(sheet: Sheet) -> Found:
    """The lowest ohms from collector to emitter of the output devices, mains off: a shorted one reads next to nothing."""
    found = [
        each
        for channel in CHANNELS
        for side in ("positive", "negative")
        for each in sheet.all("resistance", channel, point=f"{channel}_output_devices_{side}")
        if each.value is not None or _reads_open(each)
    ]
    if not found:
        return None
    lowest = min(found, key=lambda each: OPEN_OHM if each.value is None else each.value)
    return (OPEN_OHM if lowest.value is None else max(lowest.value, 0.0)), (lowest,)


def _load(sheet: Sheet, channel: str) -> Found:
    """The dummy load over what the bench file states, percent off; open is OPEN_OHM."""
    found = _ohms("load_resistance")(sheet, channel)
    if found is None or found[0] >= OPEN_OHM:
        return found
    source = found[1][0]
    assert source is not None
    try:
        stated = float(source.conditions.get("stated_ohm", 8.0))
    except (TypeError, ValueError):
        return None
    return abs(100.0 * (found[0] / stated - 1.0)), (source,)


# ---------------------------------------------------------------- the tone: gain, polarity, power


def _answers(sheet: Sheet, channel: str) -> Found:
    """2: answers the tone; 1: the other channel answers instead; 0: nothing answers."""
    for each in reversed(sheet.all("gain", channel, volume=FULL)):
        if each.value is not None:
            return 2.0, (each,)
        if each.verdict == "fail" and "no response" in each.note:
            try:
                other = float(each.conditions.get("other_channel_v", 0.0))
            except (TypeError, ValueError):
                other = 0.0
            return (1.0 if other > 0.0125 or "crossed" in each.note else 0.0), (each,)
    return None


def _gain_off(sheet: Sheet, channel: str) -> Found:
    each = sheet.last("gain", channel, volume=FULL)
    expected = sheet.amplifier.gain_db
    if each is None or each.value is None or expected is None:
        return None
    return each.value - expected, (each,)


def _power(driven: str) -> PerChannel:
    """Output power of its rated power, dB; without a rating against 50 W."""

    def rule(sheet: Sheet, channel: str) -> Found:
        each = sheet.last("output_power", channel, driven=driven)
        if each is None or each.value is None:
            return None
        rated = sheet.amplifier.rated_power_w or 50.0
        if AT_LEAST.items() <= each.conditions.items() and each.value < rated:
            return None  # the bench could do no more: that says nothing about the amplifier
        return 10.0 * math.log10(max(each.value, 1e-6) / rated), (each,)

    return rule


def _power_shared(sheet: Sheet, channel: str) -> Found:
    """Power with both channels driven over power alone, dB."""
    one, both = (sheet.last("output_power", channel, driven=driven) for driven in ("one", "both"))
    if one is None or both is None or not one.value or not both.value or min(one.value, both.value) < 0.5:
        return None
    if any(AT_LEAST.items() <= each.conditions.items() for each in (one, both)):
        return None
    return 10.0 * math.log10(both.value / one.value), (one, both)


def _ramp_end(sheet: Sheet, channel: str) -> Found:
    each = sheet.last("output_power", channel, driven="one")
    if each is None:
        return None
    for words, code in RAMP_ENDS:
        if words in each.note:
            return code, (each,)
    return 0.0, (each,)


def _gain_wanders(sheet: Sheet, channel: str) -> Found:
    """How many measurements with a tone found the gain moved without a prompt, or no answer after one had come."""
    answered = any(each.value is not None for each in sheet.all("gain", channel))
    if not answered:
        return None
    odd = [
        each
        for quantity in ("gain", "output_power", "thd", "crosstalk", "frequency_response", "output_impedance")
        for each in sheet.all(quantity, channel)
        if "without a prompt" in each.note or "no response" in each.note
    ]
    seen_at_all = [each for each in sheet.all("output_power", channel) if each.taken]
    return (float(len(odd)), odd[:2]) if odd else (0.0, seen_at_all[:1]) if seen_at_all else None


# ---------------------------------------------------------------- distortion


def _thd(at: str) -> PerChannel:
    def rule(sheet: Sheet, channel: str) -> Found:
        found = [e for e in sheet.all("thd", channel, at=at) if e.value is not None and _at_1_khz(e)]
        return None if not found else (float(found[-1].value or 0.0), (found[-1],))

    return rule


def _thd_bass(sheet: Sheet, channel: str) -> Found:
    """THD at 35 to 65 Hz, by a tone."""
    each = next(
        (
            e
            for e in reversed(sheet.all("thd", channel))
            if e.value is not None and 35.0 <= (e.frequency_hz or 0.0) <= 65.0
        ),
        None,
    )
    return None if each is None or each.value is None else (each.value, (each,))


def _thd_high(sheet: Sheet, channel: str) -> Found:
    """THD at the highest frequency from 5 to 11 kHz at which it was taken."""
    found = [e for e in sheet.all("thd", channel) if e.value is not None and 5e3 <= (e.frequency_hz or 0.0) <= 11e3]
    each = max(found, key=lambda e: e.frequency_hz or 0.0, default=None)
    return None if each is None or each.value is None else (each.value, (each,))


def _at_1_khz(each: Seen) -> bool:
    return each.frequency_hz is None or 900.0 < each.frequency_hz < 1100.0


def _thd_slope(low: str, high: str) -> PerChannel:
    """THD at the lower level over THD at the higher one, dB."""

    def rule(sheet: Sheet, channel: str) -> Found:
        a, b = _thd(low)(sheet, channel), _thd(high)(sheet, channel)
        if a is None or b is None:
            return None
        return _ratio_db(a[0], b[0]), (*a[1], *b[1])

    return rule


def _besides_harmonics(at: str) -> PerChannel:
    """THD+N over THD, dB: what comes with the tone and is no harmonic of it."""

    def rule(sheet: Sheet, channel: str) -> Found:
        thd = _thd(at)(sheet, channel)
        found = [e for e in sheet.all("thd_n", channel, at=at) if e.value is not None and _at_1_khz(e)]
        if thd is None or not found:
            return None
        return _ratio_db(float(found[-1].value or 0.0), thd[0]), (found[-1], *thd[1])

    return rule


def _noise_with_tone(at: str) -> PerChannel:
    """What is no harmonic under the tone, V, over the noise without a tone, dB."""

    def rule(sheet: Sheet, channel: str) -> Found:
        thd = _thd(at)(sheet, channel)
        found = [e for e in sheet.all("thd_n", channel, at=at) if e.value is not None and _at_1_khz(e)]
        quiet = sheet.last("noise", channel, at="sound card connected") or sheet.last("noise", channel)
        if thd is None or not found or quiet is None or not quiet.value or not found[-1].level:
            return None
        rest = math.sqrt(max(float(found[-1].value or 0.0) ** 2 - thd[0] ** 2, 1e-12)) / 100.0 * found[-1].level
        return _ratio_db(rest, quiet.value), (found[-1], quiet)

    return rule


# ---------------------------------------------------------------- noise and hum

_LINE = re.compile(r"(\d+(?:\.\d+)?) Hz (\d+(?:\.\d+)?) uV")


def _line(multiples: Sequence[int], at: str) -> PerChannel:
    """The strongest of some multiples of the mains, V rms, with the inputs ``at``."""

    def rule(sheet: Sheet, channel: str) -> Found:
        found = [each for each in sheet.all("hum", channel, at=at) if each.taken]
        if not found:
            return None
        each = found[-1]
        lines = [(float(f), 1e-6 * float(v)) for f, v in _LINE.findall(each.note)]
        if not lines and each.value is not None and each.frequency_hz:
            lines = [(each.frequency_hz, each.value)]
        mains = 60.0 if lines and all(_is_multiple(f, 60.0) and not _is_multiple(f, 50.0) for f, _ in lines) else 50.0
        picked = [v for f, v in lines if round(f / mains) in multiples and _is_multiple(f, mains)]
        return max(picked, default=SILENT_V), (each,)

    return rule


def _is_multiple(frequency_hz: float, mains_hz: float) -> bool:
    return abs(frequency_hz / mains_hz - round(frequency_hz / mains_hz)) < 0.03


def _hiss(sheet: Sheet, channel: str) -> Found:
    """A-weighted over the whole noise, dB: near 0 for hiss, far below for hum and rumble."""
    whole, weighted = (sheet.last(q, channel, at="inputs shorted") for q in ("noise", "noise_a_weighted"))
    if whole is None or weighted is None or not whole.value or weighted.value is None:
        return None
    return _ratio_db(weighted.value, whole.value), (weighted, whole)


def _plugged(quantity: str) -> PerChannel:
    """With the source's cable in over inputs shorted, dB."""

    def rule(sheet: Sheet, channel: str) -> Found:
        shorted = sheet.last(quantity, channel, at="inputs shorted", volume=FULL)
        plugged = sheet.last(quantity, channel, at="sound card connected", volume=FULL)
        if shorted is None or plugged is None or not shorted.value or plugged.value is None:
            return None
        return _ratio_db(plugged.value, shorted.value), (plugged, shorted)

    return rule


def _line_plugged(multiples: Sequence[int]) -> PerChannel:
    def rule(sheet: Sheet, channel: str) -> Found:
        a = _line(multiples, "inputs shorted")(sheet, channel)
        b = _line(multiples, "sound card connected")(sheet, channel)
        return None if a is None or b is None else (_ratio_db(b[0], a[0]), (*b[1], *a[1]))

    return rule


# ---------------------------------------------------------------- response, separation, impedance


def _response(frequency_hz: float) -> PerChannel:
    def rule(sheet: Sheet, channel: str) -> Found:
        each = sheet.near("frequency_response", channel, frequency_hz)
        return None if each is None or each.value is None else (each.value, (each,))

    return rule


def _sweep_lost(sheet: Sheet, channel: str) -> Found:
    """1 where a channel that answers at 1 kHz gave no usable sweep: its output was gone for a part of it. Else 0."""
    answered = any(each.value is not None for each in sheet.all("gain", channel, volume=FULL))
    swept = sheet.all("frequency_response", channel)
    if not answered or not swept:
        return None
    lost = [each for each in swept if each.value is None and each.note.startswith(("the clocks seem", "no response"))]
    taken = [each for each in swept if each.value is not None]
    return (1.0, lost[:1]) if lost and not taken else (0.0, taken[:1]) if taken else None


def _damping(sheet: Sheet, channel: str) -> Found:
    """The damping factor; where it is too high to be seen, 1000."""
    for each in reversed(sheet.all("damping_factor", channel)):
        if each.value is not None:
            return each.value, (each,)
        if each.taken and each.note.startswith("above"):
            return 1000.0, (each,)
    return None


def _crosstalk(frequency_hz: float) -> PerChannel:
    def rule(sheet: Sheet, channel: str) -> Found:
        each = sheet.near("crosstalk", channel, frequency_hz)
        return None if each is None or each.value is None else (each.value, (each,))

    return rule


def _crosstalk_slope(sheet: Sheet, channel: str) -> Found:
    """Separation at 10 kHz less that at 1 kHz, dB: some -20 where wiring couples."""
    low, high = (sheet.near("crosstalk", channel, f) for f in (1000.0, 10000.0))
    if low is None or high is None or low.value is None or high.value is None:
        return None
    return high.value - low.value, (high, low)


# ---------------------------------------------------------------- the set: rails, lamp, mains


def _rails(sheet: Sheet, *at: str) -> list[Seen]:
    for each in at:
        found = [r for side in ("positive", "negative") if (r := sheet.last("rail_voltage", at=each, rail=side))]
        if len(found) == 2:
            return found
    return []


def _rail_share(sheet: Sheet) -> Found:
    """The higher rail over its nominal value."""
    rails = _rails(sheet, "idle", "10 min")
    nominal = sheet.amplifier.rail_v
    if not rails or not nominal:
        return None
    if sheet.amplifier.output_stage == "capacitor_coupled":
        nominal = 2.0 * nominal if max(abs(r.value or 0.0) for r in rails) > 1.5 * nominal else nominal
    return max(abs(r.value or 0.0) for r in rails) / nominal, rails


def _rail_lost(sheet: Sheet) -> Found:
    """The lower rail over the higher one."""
    rails = _rails(sheet, "idle", "10 min")
    if not rails or sheet.amplifier.output_stage in ("capacitor_coupled", "bridged"):
        return None
    low, high = sorted(abs(r.value or 0.0) for r in rails)
    return (low / high, rails) if high > 2.0 else None


def _rails_gone(sheet: Sheet) -> Found:
    """1 where no rail stands at all with the mains on, 0 else."""
    rails = _rails(sheet, "idle", "10 min")
    return (1.0 if max(abs(r.value or 0.0) for r in rails) < 2.0 else 0.0, rails) if rails else None


def _rail_gap(at: str) -> Callable[[Sheet], Found]:
    def rule(sheet: Sheet) -> Found:
        each = sheet.last("rail_difference", at=at)
        if sheet.amplifier.output_stage in ("capacitor_coupled", "bridged") or each is None or each.value is None:
            return None
        return abs(each.value), (each,)

    return rule


def _rail_gap_lamp(sheet: Sheet) -> Found:
    """How far the rails are apart on the lamp, percent of their mean; 200 where a short has pulled both below 2 V."""
    rails = _rails(sheet, "on the lamp")
    if not rails or sheet.amplifier.output_stage in ("capacitor_coupled", "bridged"):
        return None
    low, high = sorted(abs(r.value or 0.0) for r in rails)
    return (100.0 * (high - low) / (0.5 * (high + low)) if high > 2.0 else 200.0), rails


def _rails_moved(before: Sequence[str], after: str) -> Callable[[Sheet], Found]:
    """Mean of both rails after over before, percent."""

    def rule(sheet: Sheet) -> Found:
        a, b = _rails(sheet, *before), _rails(sheet, after)
        if not a or not b:
            return None
        first, last = (sum(abs(r.value or 0.0) for r in rails) for rails in (a, b))
        return (100.0 * (last / first - 1.0), (b[0], a[0])) if first > 2.0 else None

    return rule


def _runs_away(sheet: Sheet) -> Found:
    """How far the rails fell in ten minutes of warming up, percent; only where the lamp told of a high idle current."""
    lamp = _lamp(sheet)
    moved = _rails_moved(("idle",), "10 min")(sheet)
    if lamp is None or lamp[0] < 2.0 or moved is None:
        return None
    return -moved[0], moved[1]


def _sag(driven: str, which: str) -> Callable[[Sheet], Found]:
    """Fall of the rails at full power, percent of idle: of the worse rail, or how far the two are apart."""

    def rule(sheet: Sheet) -> Found:
        idle = _rails(sheet, "10 min", "idle")
        loaded = [
            each
            for channel in CHANNELS
            for each in sheet.all("output_power", channel, driven=driven)
            if isinstance(each.conditions.get("rails_v"), list) and len(each.conditions["rails_v"]) == 2
        ]
        if not idle or not loaded or min(abs(r.value or 0.0) for r in idle) < 2.0:
            return None
        falls = [
            [
                100.0 * (1.0 - abs(float(v)) / abs(r.value or 1.0))
                for v, r in zip(e.conditions["rails_v"], idle, strict=True)
            ]
            for e in loaded
        ]
        worst = max(falls, key=max)
        source = loaded[falls.index(worst)]
        return (max(worst) if which == "worse" else abs(worst[0] - worst[1])), (source, *idle)

    return rule


def _lamp(sheet: Sheet) -> Found:
    """How bright the series lamp was: 0 dark, 1 dull, 2 half, 3 bright."""
    each = sheet.last("lamp_brightness")
    if each is not None and each.value is not None:
        return each.value, (each,)
    stopped = [r for r in sheet.readings if "lamp stays bright" in r.note]
    return (3.0, stopped[:1]) if stopped else None


def _ripple(frequency: str) -> Callable[[Sheet], Found]:
    """rail_ripple: the worse rail, V ("worse"); worse over better, dB ("apart"); multiple of the mains ("multiple")."""

    def rule(sheet: Sheet) -> Found:
        found = [r for side in ("positive", "negative") if (r := sheet.last("rail_ripple", rail=side))]
        if not found:
            return None
        worst = max(found, key=lambda r: r.value or 0.0)
        if frequency == "worse":
            return worst.value or 0.0, (worst,)
        if frequency == "apart":
            if len(found) < 2:
                return None
            low, high = sorted(r.value or 0.0 for r in found)
            return _ratio_db(high, low), found
        return (worst.frequency_hz / 50.0, (worst,)) if worst.frequency_hz else None

    return rule


def _leads_open(sheet: Sheet) -> Found:
    """1 where the meter's leads read open when held together, 0 where they read their ohms."""
    for each in reversed(sheet.all("lead_resistance")):
        if each.value is not None or "open" in each.note:
            return (1.0 if each.value is None else 0.0), (each,)
    return None


def _crossed_by_meter(sheet: Sheet) -> Found:
    """A tone into the left input: volts at the right terminals over those at the left ones, dB."""
    left, right = (sheet.last("tone_at_terminals", channel) for channel in CHANNELS)
    if left is None or right is None or left.value is None or right.value is None:
        return None
    return (_ratio_db(right.value, left.value), (left, right)) if max(left.value, right.value) > 5e-3 else None


def _failures(sheet: Sheet) -> Found:
    """How many readings failed their limit, 0 to 10."""
    judged = [r for r in sheet.readings if r.verdict in ("pass", "noted", "fail")]
    failed = [r for r in judged if r.verdict == "fail"]
    return (float(min(len(failed), 10)), failed[:2]) if len(judged) >= 10 else None


def _balance(volume: str) -> Callable[[Sheet], Found]:
    def rule(sheet: Sheet) -> Found:
        found = [r for r in sheet.all("channel_balance", "both") if r.value is not None]
        found = [r for r in found if str(r.conditions.get("volume", "full")).replace(" ", "") == volume]
        return (found[-1].value or 0.0, (found[-1],)) if found else None

    return rule


def _volume_moves_balance(sheet: Sheet, channel: str) -> Found:
    """This channel against the other at -20 dB less the same at full volume, dB; negative: this one is low."""
    low, full = _balance("-20dB")(sheet), _balance("full")(sheet)
    if low is None or full is None:
        return None
    change = low[0] - full[0]
    return (change if channel == "right" else -change), (*low[1], *full[1])


PER_CHANNEL: dict[str, PerChannel] = {
    "dc_first": _dc("relay + 10 s", "relay + 10 s, again", "", ON_LAMP),
    "dc_warm": _dc("10 min"),
    "dc_full_volume": _dc("full volume"),
    "dc_loaded": _dc("loaded"),
    "dc_before_relay": _dc_before_relay,
    "dc_drift": _magnitude("offset_drift"),
    "dc_drift_share": _drift_share,
    "dc_by_volume": _dc_moved("10 min", "full volume"),
    "dc_by_load": _magnitude("dc_offset_loaded_difference"),
    "dc_by_power": _dc_moved("loaded", "after power"),
    "fuse_ohm": _ohms("fuse_resistance"),
    "contact_share": _contact_share,
    "terminal_ohm": _ohms("terminal_resistance"),
    "switch_ohm": _ohms_across("headphone_switch"),
    "contact_ohm": _contact_ohm,
    "feedback_share": _feedback_share,
    "gone_dc": _dropouts(("DC", "ohms"), "warm"),
    "gone_dc_cold": _dropouts(("DC", "ohms"), "cold"),
    "gone_tone": _dropouts(("tone",), "warm", "cold"),
    "load_off": _load,
    "answers": _answers,
    "gain_off": _gain_off,
    "agreement": _plain("level_agreement"),
    "polarity": _plain("polarity"),
    "power_one": _power("one"),
    "power_both": _power("both"),
    "power_shared": _power_shared,
    "ramp_end": _ramp_end,
    "gain_wanders": _gain_wanders,
    "thd_10mw": _thd("10 mW"),
    "thd_1w": _thd("1 W"),
    "thd_half": _thd("half power"),
    "thd_rated": _thd("rated power"),
    "thd_slope_low": _thd_slope("10 mW", "1 W"),
    "thd_slope": _thd_slope("1 W", "half power"),
    "thd_slope_top": _thd_slope("half power", "rated power"),
    "thd_treble": _thd_high,
    "thd_bass": _thd_bass,
    "besides_1w": _besides_harmonics("1 W"),
    "besides_rated": _besides_harmonics("rated power"),
    "noise_1w": _noise_with_tone("1 W"),
    "noise_half": _noise_with_tone("half power"),
    "noise_rated": _noise_with_tone("rated power"),
    "noise": _plain("noise", at="inputs shorted"),
    "hiss": _hiss,
    "noise_plugged": _plugged("noise"),
    "hum_mains": _line((1, 3, 5), "inputs shorted"),
    "hum_twice": _line((2, 4, 6), "inputs shorted"),
    "hum_mains_plugged": _line_plugged((1, 3, 5)),
    "bass_20hz": _response(20.0),
    "bass_40hz": _response(40.0),
    "treble_16khz": _response(16000.0),
    "treble_20khz": _response(20000.0),
    "separation_1khz": _crosstalk(1000.0),
    "separation_10khz": _crosstalk(10000.0),
    "separation_slope": _crosstalk_slope,
    "sweep_lost": _sweep_lost,
    "damping": _damping,
    "idle_current": _idle_current,
    "volume_moves_balance": _volume_moves_balance,
    "thump": _magnitude("turn_off_transient"),
}  # fmt: skip
"""Features of one channel: name -> rule."""

AGAINST_OTHER: dict[str, tuple[str, bool]] = {
    "dc_against": ("dc_warm", True),
    "gain_against": ("gain_off", False),
    "agreement_against": ("agreement", False),
    "power_against": ("power_one", False),
    "thd_1w_against": ("thd_1w", True),
    "thd_half_against": ("thd_half", True),
    "thd_rated_against": ("thd_rated", True),
    "thd_treble_against": ("thd_treble", True),
    "noise_against": ("noise", True),
    "hum_mains_against": ("hum_mains", True),
    "bass_against": ("bass_40hz", False),
    "treble_against": ("treble_20khz", False),
    "damping_against": ("damping", True),
    "thump_against": ("thump", True),
}
"""This channel against the other: name -> (feature, as a ratio in dB or as a difference)."""

OF_THE_SET: dict[str, Callable[[Sheet], Found]] = {
    "rail_share": _rail_share,
    "rail_lost": _rail_lost,
    "rails_gone": _rails_gone,
    "rail_gap": _rail_gap("idle"),
    "rail_gap_lamp": _rail_gap_lamp,
    "device_ohm": _device_ohm,
    "leads_open": _leads_open,
    "crossed_by_meter": _crossed_by_meter,
    "rails_on_lamp": _rails_moved(("10 min", "idle"), "on the lamp"),
    "rails_warm": _rails_moved(("idle",), "10 min"),
    "runs_away": _runs_away,
    "rails_after_power": _rails_moved(("10 min",), "after power"),
    "sag_one": _sag("one", "worse"),
    "sag_one_apart": _sag("one", "apart"),
    "sag_both": _sag("both", "worse"),
    "sag_both_apart": _sag("both", "apart"),
    "lamp": _lamp,
    "ripple": _ripple("worse"),
    "ripple_apart": _ripple("apart"),
    "ripple_multiple": _ripple("multiple"),
    "failures": _failures,
    "dc_alike": _dc_sign_alike,
}
"""Features of the set: name -> rule."""
