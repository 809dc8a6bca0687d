"""What is read at terminals whose path is open says nothing of the amplifier: it is kept, and not judged. Pure.

Behind a blown fuse or an open relay there is no noise, no drift, no thump and no crosstalk: such figures would look better
than any healthy amplifier's. The DC check itself, which found the open path, keeps its verdict.
"""

from __future__ import annotations

from dataclasses import replace

from benchtest.reading import Reading, Verdict

AT_THE_TERMINALS = frozenset(
    {
        "noise", "noise_a_weighted", "signal_to_noise", "hum", "offset_drift", "offset_drift_rate",
        "dc_offset_loaded_difference",
        "turn_on_transient", "turn_off_transient", "mute_delay", "crosstalk", "channel_balance", "residual_output",
    }
)  # fmt: skip
"""Quantities that are read at the terminals without a tone on that channel."""
NO_SINGLE_CHANNEL = ("both", "none")
NOTE = "not judged: the path to the {channel} terminals is open, so this is not the amplifier's"


def unjudged_if_open(reading: Reading, open_paths: frozenset[str]) -> Reading:
    """The reading as information, without limits and claim, where it was taken behind an open path.

    ``open_paths``: the channels of which nothing reaches the terminals. Crosstalk is read at the terminals of the channel
    that it leaks into; what is read of no single channel is told by any of them.
    """
    if reading.quantity not in AT_THE_TERMINALS or reading.value is None or reading.verdict is Verdict.NOT_MEASURED:
        return reading
    at = str(reading.conditions.get("into") or reading.channel)
    behind = sorted(c for c in open_paths if at in (c, *NO_SINGLE_CHANNEL))
    if not behind:
        return reading
    note = "; ".join(part for part in (NOTE.format(channel=behind[0]), reading.note) if part)
    return replace(
        reading,
        verdict=Verdict.INFORMATION,
        lower_limit=None,
        upper_limit=None,
        claim=None,
        claim_verdict=None,
        note=note,
    )
