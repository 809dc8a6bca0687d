"""Limit plus guard band to verdict; which limit and which claim a reading is held to.

The decision rule is guarded at both ends with w = U (JCGM 106: guarded acceptance and guarded rejection;
ILAC-G8:09/2019 clause 4.2.3: within U of a limit is neither): a reading passes only inside its limits by
more than its expanded uncertainty, fails only outside by more than that, and is otherwise inconclusive.

Rules that every later change must keep:

* What is not a finite number never passes, nor does a reading whose uncertainty is not stated (but for a sign or a
  count, where the row says ``exact``).
* Without a limit there is no verdict: information, never pass. A reading may bring limits of its own; they count where no
  file says anything.
* A row holds only where every condition of its ``where`` is met; one that the reading does not state is not met.
* The verdict that a measurement gave itself (fail, inconclusive, not measured) is never made better.
* With the series lamp in, values are provisional: information, whatever they are (cold checks excepted).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from benchtest.amplifier_file import AmplifierSpec, Claim, LimitRow
from benchtest.conditions import as_number, where_holds
from benchtest.published import DEFAULTS, requirement_set
from benchtest.quantities import convert
from benchtest.reading import AT_LEAST, ClaimVerdict, Reading, Verdict

MAINS_OFF = frozenset(
    {"residual_charge", "fuse_resistance", "contact_resistance", "load_resistance", "lead_resistance"}
)  # fmt: skip
"""Taken with the mains off, so the series lamp does not touch them."""


@dataclass(frozen=True)
class Limit:
    """Between which values a reading is serviceable, and between which it is good, in the reading's unit."""

    lower: float | None
    upper: float | None
    good_lower: float | None = None
    good_upper: float | None = None
    source: str = ""


def decide(value: float | None, expanded_uncertainty: float | None, limit: Limit) -> Verdict:
    """The verdict on a value with its expanded uncertainty.

    Parameters
    ----------
    value, expanded_uncertainty : float or None
        In the limit's unit. An infinite value can fail (an open fuse), never pass.
    limit : Limit

    Returns
    -------
    Verdict
        PASS: inside the limits, and inside the good ones where there are some, by more than U. NOTED: inside the limits
        by more than U, but not so inside the good ones. FAIL: outside the limits by more than U. INCONCLUSIVE: within U
        of a limit, not a number, or without a stated uncertainty.

    References
    ----------
    .. [1] ILAC-G8:09/2019, clause 4.2.3 with w = U (read in a transcription); JCGM 106:2012 (from memory).

    Examples
    --------
    >>> at_most = Limit(None, 0.100, good_upper=0.050)
    >>> [str(decide(v, 0.002, at_most)) for v in (0.020, 0.070, 0.099, 0.110)]
    ['pass', 'noted', 'inconclusive', 'fail']
    """
    if value is None or expanded_uncertainty is None or math.isnan(value) or not 0.0 <= expanded_uncertainty < math.inf:
        return Verdict.INCONCLUSIVE
    bounds = (limit.lower, limit.upper, limit.good_lower, limit.good_upper)
    if all(each is None for each in bounds):
        return Verdict.INFORMATION
    if any(each is not None and not math.isfinite(each) for each in bounds):
        return Verdict.INCONCLUSIVE
    if _outside(value, expanded_uncertainty, limit.lower, limit.upper):
        return Verdict.FAIL
    if not math.isfinite(value) or not _inside(value, expanded_uncertainty, limit.lower, limit.upper):
        return Verdict.INCONCLUSIVE
    if _inside(value, expanded_uncertainty, limit.good_lower, limit.good_upper):
        return Verdict.PASS
    return Verdict.NOTED


def _bounded(verdict: Verdict, reading: Reading, limit: Limit) -> Verdict:
    """What is left of a verdict on a reading that says "at least": what a higher value would turn is not decided."""
    if reading.value is None or not AT_LEAST.items() <= dict(reading.conditions).items():
        return verdict
    if verdict is Verdict.FAIL:
        decided = limit.upper is not None and reading.value > limit.upper
    else:
        decided = (limit.upper, limit.good_upper) == (None, None)
    return verdict if decided or verdict is Verdict.INFORMATION else Verdict.INCONCLUSIVE


def _inside(value: float, w: float, lower: float | None, upper: float | None) -> bool:
    return (lower is None or lower < value - w) and (upper is None or value + w < upper)


def _outside(value: float, w: float, lower: float | None, upper: float | None) -> bool:
    return (lower is not None and value + w < lower) or (upper is not None and upper < value - w)


@dataclass(frozen=True)
class LimitTable:
    """Every row that can apply to an amplifier, in the order in which they are asked.

    ``groups`` are asked one after the other (a chosen requirement set, the amplifier file, the defaults); within one,
    the row with the most conditions holds, the first of equals.
    """

    spec: AmplifierSpec
    groups: tuple[tuple[LimitRow, ...], ...]

    def row_for(self, reading: Reading) -> LimitRow | None:
        """The row that a reading is held to; None where no row's conditions are all met."""
        for rows in self.groups:
            held = [
                row
                for row in rows
                if row.quantity == reading.quantity
                and where_holds(row.where, reading, self.spec)
                and _reference_known(row, reading, self.spec)
            ]
            if held:
                return max(held, key=lambda row: len(row.where))
        return None

    def limit_for(self, reading: Reading) -> Limit | None:
        """The limit, in the reading's unit. Raises ValueError if the row's unit cannot be stated in the reading's."""
        row = self.row_for(reading)
        return None if row is None else _limit(row, reading, self.spec)

    def claim_for(self, reading: Reading) -> Claim | None:
        """What the maker claims under the reading's conditions; of several claims, the one with the most conditions."""
        held = [
            claim
            for claim in self.spec.claims
            if claim.quantity == reading.quantity
            and claim.channel in ("", reading.channel)
            and where_holds(claim.where, reading, self.spec)
        ]
        return max(held, key=lambda claim: len(claim.where) + bool(claim.channel)) if held else None

    def unused(self, readings: Iterable[Reading]) -> tuple[LimitRow | Claim, ...]:
        """Rows of the amplifier file that no reading was held to: a limit that was not tested is no limit met."""
        rows: list[LimitRow | Claim] = [*self.spec.limits, *self.spec.claims]
        used: set[int] = set()
        for reading in readings:
            used |= {id(self.row_for(reading)), id(self.claim_for(reading))}
        return tuple(row for row in rows if id(row) not in used)


def limit_table(spec: AmplifierSpec, *, require: str | None = None) -> LimitTable:
    """The limits for an amplifier: those of a published set if one is required, the amplifier file's, the defaults.

    Raises
    ------
    FileError
        If ``require`` names no set; the message lists them.
    """
    groups = [] if require is None else [requirement_set(require).limits]
    groups += [spec.limits, requirement_set(DEFAULTS).limits]
    return LimitTable(spec, tuple(groups))


def judge(reading: Reading, table: LimitTable) -> Reading:
    """The reading with lower_limit, upper_limit, verdict, claim and claim_verdict filled in."""
    if reading.conditions.get("lamp") == "in" and reading.quantity not in MAINS_OFF:
        provisional = Verdict.INFORMATION if reading.value is not None else Verdict.NOT_MEASURED
        return replace(reading, verdict=_worse(provisional, reading.verdict))
    judged = _with_claim(reading, table)
    row = table.row_for(reading)
    if row is None and reading.value is not None and (reading.lower_limit, reading.upper_limit) != (None, None):
        own = Limit(reading.lower_limit, reading.upper_limit)  # the procedure's own, where no file says anything
        verdict = _bounded(decide(reading.value, reading.expanded_uncertainty, own), reading, own)
        return replace(judged, verdict=_worse(verdict, reading.verdict))
    if row is None:
        verdict = Verdict.NOT_MEASURED if reading.value is None else Verdict.INFORMATION
        return replace(judged, verdict=_worse(verdict, reading.verdict))
    try:
        limit = _limit(row, reading, table.spec)
    except ValueError as error:
        note = f"limit cannot be applied: {error}"
        return replace(judged, verdict=_worse(Verdict.INCONCLUSIVE, reading.verdict), note=_joined(reading.note, note))
    uncertainty = 0.0 if row.exact and reading.expanded_uncertainty is None else reading.expanded_uncertainty
    verdict = _bounded(decide(reading.value, uncertainty, limit), reading, limit)
    if reading.value is None:
        verdict = Verdict.FAIL if row.overload_fails and _overload(reading) else Verdict.NOT_MEASURED
    return replace(judged, lower_limit=limit.lower, upper_limit=limit.upper, verdict=_worse(verdict, reading.verdict))


def missed_by(reading: Reading) -> str:
    """How far a reading lies beyond its limit, or else beyond the maker's claim, for the report; "" if it does not.

    dB and degrees are told as a difference, everything else as a share of the limit, or a multiple from twice up.

    >>> missed_by(Reading(quantity="signal_to_noise", channel="left", value=69.2, unit="dB", lower_limit=70.0))
    '0.8 dB'
    >>> missed_by(Reading(quantity="output_power", channel="left", value=44.0, unit="W", lower_limit=50.0))
    '12 %'
    """
    if reading.value is None or not math.isfinite(reading.value):
        return ""
    lower, upper = reading.lower_limit, reading.upper_limit
    if reading.verdict is not Verdict.FAIL and reading.claim is not None:
        lower, upper = _claim_side(reading)
    for bound, by in ((lower, (lower or 0.0) - reading.value), (upper, reading.value - (upper or 0.0))):
        if bound is not None and by > 0.0:
            return _distance(by, bound, reading)
    return ""


# --------------------------------------------------------------------------------------------- from a row to a limit


def _reference(name: str, reading: Reading, spec: AmplifierSpec) -> float | None:
    """The reference that a row's figures refer to, in SI units."""
    if name == "load_ohm":
        return reading.load_ohm
    if name == "stated_ohm":
        return as_number(reading.conditions.get("stated_ohm"))
    value = getattr(spec, name)
    if value is None:
        return None
    return float(value) * {"reservoir_uf": 1e-6, "idle_current_ma": 1e-3}.get(name, 1.0)


def _reference_known(row: LimitRow, reading: Reading, spec: AmplifierSpec) -> bool:
    name = row.percent_of or row.relative_to
    return not name or _reference(name, reading, spec) is not None


_REFERENCE_UNITS = {
    "rated_power_w": "W", "rated_load_ohm": "ohm", "load_ohm": "ohm", "stated_ohm": "ohm", "rated_thd_percent": "%",
    "gain_db": "dB", "sensitivity_v": "V", "rail_v": "V", "reservoir_uf": "F", "idle_current_ma": "A",
    "relay_delay_s": "s",
}  # fmt: skip


def _limit(row: LimitRow, reading: Reading, spec: AmplifierSpec) -> Limit:
    name = row.percent_of or row.relative_to
    reference = 0.0
    if name:
        found = _reference(name, reading, spec)
        if found is None:
            raise ValueError(f"{name} is not known")
        reference = convert(found * _mains_factor(row, reading, spec), _REFERENCE_UNITS[name], reading.unit)

    def figure(value: float | None) -> float | None:
        if value is None:
            return None
        if row.percent_of:
            return reference * convert(value, row.unit, "%") / 100.0
        return reference + convert(value, row.unit, reading.unit)

    return Limit(
        figure(row.lower), figure(row.upper), figure(row.good_lower), figure(row.good_upper), source=row.source
    )


def _mains_factor(row: LimitRow, reading: Reading, spec: AmplifierSpec) -> float:
    """Measured mains over the label's, to the row's power; 1 where the mains was not measured."""
    measured = as_number(reading.conditions.get("mains_voltage"))
    if row.mains_exponent == 0 or measured is None or measured <= 0.0:
        return 1.0
    return float((measured / spec.mains_voltage) ** row.mains_exponent)


# ---------------------------------------------------------------------------------------------------- claims, verdicts


def _with_claim(reading: Reading, table: LimitTable) -> Reading:
    claim = table.claim_for(reading)
    if claim is None or reading.value is None:
        return reading
    try:
        figure = convert(claim.value, claim.unit, reading.unit)
    except ValueError:
        return replace(reading, claim_verdict=ClaimVerdict.INCONCLUSIVE)
    limit = {"max": Limit(None, figure), "min": Limit(figure, None), "deviation": Limit(-figure, figure)}[claim.kind]
    verdict = _bounded(decide(reading.value, reading.expanded_uncertainty, limit), reading, limit)
    words = {Verdict.PASS: ClaimVerdict.MET, Verdict.FAIL: ClaimVerdict.MISSED}
    return replace(reading, claim=figure, claim_verdict=words.get(verdict, ClaimVerdict.INCONCLUSIVE))


def _distance(by: float, bound: float, reading: Reading) -> str:
    if reading.unit in ("dB", "degC"):
        return f"{_short(by)} {reading.unit}"
    if bound == 0.0:
        return "" if reading.unit == "1" else f"{_short(by)} {reading.unit}"
    if by >= abs(bound) and reading.value is not None and reading.value * bound > 0.0:
        return f"{_short(reading.value / bound)} times the limit"
    return f"{_short(100.0 * by / abs(bound))} %"


def _claim_side(reading: Reading) -> tuple[float | None, float | None]:
    """On which side the claim bounds, told from where a missed reading lies: the claim's kind is not in a reading."""
    if reading.claim_verdict is not ClaimVerdict.MISSED or reading.claim is None or reading.value is None:
        return None, None
    if reading.value < 0.0 < reading.claim and reading.quantity in _DEVIATIONS:
        return -reading.claim, None
    return (reading.claim, None) if reading.value < reading.claim else (None, reading.claim)


_DEVIATIONS = ("frequency_response", "channel_balance", "dc_offset", "offset_drift", "gain")
"""Quantities whose claims are plus-minus, so that a negative value misses them downward."""

_OWN_WORD = (Verdict.FAIL, Verdict.NOT_MEASURED, Verdict.INCONCLUSIVE)


def _worse(verdict: Verdict, own: Verdict) -> Verdict:
    """The verdict to keep, where a measurement has given one of its own (an exact zero fails, whatever its limits)."""
    if own not in _OWN_WORD or verdict is Verdict.FAIL:
        return verdict
    return own


def _overload(reading: Reading) -> bool:
    return reading.conditions.get("overload") is True


def _joined(*notes: str) -> str:
    return "; ".join(note for note in notes if note)


def _short(value: float) -> str:
    """Two digits, or whole numbers from 10 up: what a person reads at a glance."""
    if value >= 10.0:
        return f"{value:.0f}"
    return f"{value:.1f}" if value >= 1.0 else f"{value:.1g}"
