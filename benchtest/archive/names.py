"""Names of run folders and of the files in them, made from whatever a person called their amplifier.

A name keeps only a-z, 0-9, "_" and "-", so that no amplifier can climb out of the archive ("../../etc"), run in a
spreadsheet, or make a path too long. The full name stands in run.json.
"""

from __future__ import annotations

import re
import secrets
import unicodedata
from datetime import UTC, datetime

LONGEST = 40  # characters of a procedure's or amplifier's part; the whole folder name stays below 110


def plain_name(text: str, *, otherwise: str = "unnamed") -> str:
    """``text`` as a part of a file name.

    >>> plain_name("Crème & Söhne 60/II")
    'creme-sohne-60-ii'
    >>> plain_name("../../etc/passwd"), plain_name("=HYPERLINK(1)"), plain_name("🎵")
    ('etc-passwd', 'hyperlink-1', 'unnamed')
    """
    decomposed = unicodedata.normalize("NFKD", text[:1000])
    ascii_only = decomposed.encode("ascii", "ignore").decode().lower()
    joined = re.sub(r"[^a-z0-9_]+", "-", ascii_only).strip("-_")
    return joined[:LONGEST].strip("-_") or otherwise


def utc(moment: datetime) -> datetime:
    """``moment`` in UTC. Raises ValueError for a time without a zone, which could be any hour."""
    if moment.tzinfo is None:
        raise ValueError(f"a time without a zone: {moment.isoformat()}; expected UTC, such as datetime.now(UTC)")
    return moment.astimezone(UTC)


def folder_parts(procedure: str, amplifier: str, started: datetime, *, suffix: str | None = None) -> tuple[str, str]:
    """The two path parts of a run: its UTC date, and its time, procedure, amplifier and six random hex digits.

    >>> folder_parts("power_on", "Demo 60", datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC), suffix="0a1b2c")
    ('2031-05-06', '070809-power_on-demo-60-0a1b2c')
    """
    start = utc(started)
    tail = suffix or secrets.token_hex(3)
    return f"{start:%Y-%m-%d}", f"{start:%H%M%S}-{plain_name(procedure)}-{plain_name(amplifier)}-{tail}"


def run_id_of(date: str, name: str) -> str:
    """The run's id: date and folder name in one, so that the ids of an archive sort by time.

    >>> run_id_of("2031-05-06", "070809-power_on-demo-60-0a1b2c")
    '2031-05-06-070809-power_on-demo-60-0a1b2c'
    """
    return f"{date}-{name}"
