"""What a trend says, in sentences: does it change, is it the set or the bench, and what to do. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from benchtest.archive.trend import FEWEST, Drift, Trend, one_amplifier
from benchtest.report.numbers import MINUS, fitting_unit, value_text
from benchtest.report.wording import quantity_words, shown_conditions


def sentences(found: Sequence[Trend], *, reference: bool) -> list[str]:
    """One sentence for each series, then what follows from them together."""
    told = [f"{_name(trend)}: {_change(trend)}" for trend in found]
    drifting = [trend for trend in found if trend.drift is not None and trend.drift.significant]
    judged = [trend for trend in found if trend.drift is not None]
    single = one_amplifier(found)
    if not single:
        told.append(
            "These are several sets: what changes here may only be which sets came in. Choose one with --serial, best a "
            "reference that nobody repairs."
        )
    elif drifting and reference:
        names = ", ".join(dict.fromkeys(quantity_words(trend.quantity) for trend in drifting))
        told.append(
            f"The set is a reference, so it is the BENCH that drifts ({names}). Check the dividers, the load (measured cold "
            "and hot) and the meter, then 'benchtest calibrate'; readings since the drift began carry it."
        )
    elif drifting:
        told.append(
            "If nobody worked on this set meanwhile, it may be the bench that drifts, not the set: measure a reference "
            "amplifier, and calibrate."
        )
    elif judged and reference:
        told.append("No drift of the bench shows in this reference, within what its scatter lets one see.")
    return told


def _name(trend: Trend) -> str:
    channel = f", {trend.channel}" if trend.channel in ("left", "right") else ""
    return f"{quantity_words(trend.quantity)}{channel}" + (
        f" ({shown_conditions(trend.conditions)})" if trend.conditions else ""
    )


def _change(trend: Trend) -> str:
    count = len(trend.points)
    if trend.drift is None:
        why = "all within a day" if count >= FEWEST else f"fewer than {FEWEST}"
        return f"{count} run{'' if count == 1 else 's'}, {why}: too little to tell a drift from scatter."
    return f"{_words(trend.drift, trend.unit)} ({count} runs in {trend.drift.days:.0f} days)."


def _words(drift: Drift, unit_name: str) -> str:
    """
    >>> _words(Drift(0.001, 0.0001, 0.01, 0.001, 10.0, True, True), "V")
    'changes by +10.0 ± 1.0 mV, which is more than its stated uncertainty'
    >>> _words(Drift(0.0, 0.0001, 0.0, 0.001, 10.0, False, False), "V")
    'no drift seen; a change of 1.0 mV would have shown'
    """
    unit = fitting_unit(unit_name, [drift.change, drift.change_uncertainty])
    number, span = value_text(drift.change, drift.change_uncertainty, unit)
    span = span.replace("\N{NARROW NO-BREAK SPACE}", " ")
    if not drift.significant:
        return f"no drift seen; a change of {span.lstrip('± ') or '0'} {unit.text} would have shown".replace("  ", " ")
    sign = "" if number.startswith(MINUS) else "+"
    beyond = {
        True: ", which is more than its stated uncertainty",
        False: ", still within its stated uncertainty",
        None: "",
    }[drift.beyond_stated]
    return f"changes by {sign}{number} {span} {unit.text}{beyond}"
