"""What an audio server has to offer, by the names that a bench file takes; asked of its own tool, where there is one.

PortAudio sees such a server as one device, so its sinks and sources are asked for here: to list them, and to know which
of them a stream of this process is on, which the server may change while it plays.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from typing import Any

from benchtest.instruments.portaudio import SERVER_DEVICE

_AT_MOST_S = 3.0


def listed(kind: str, server: str = "") -> list[dict[str, Any]]:
    """The server's "sinks", "sources", "sink-inputs" or "source-outputs"; [] where it, or its tool, does not answer."""
    tool = shutil.which("pactl")
    if tool is None:
        return []
    environment = {**os.environ, "LC_ALL": "C", **({"PULSE_SERVER": server} if server else {})}
    try:
        done = subprocess.run(
            [tool, "--format=json", "list", kind], env=environment, capture_output=True, timeout=_AT_MOST_S, check=False
        )
        found = json.loads(done.stdout) if done.returncode == 0 else []
    except (OSError, subprocess.TimeoutExpired, ValueError):
        return []
    return [each for each in found if isinstance(each, dict)] if isinstance(found, list) else []


def devices() -> list[str]:
    """The desktop's audio server's outputs and inputs as a bench file names them, with what they are."""
    lines = []
    for kind, way in (("sinks", "output"), ("sources", "input")):
        for each in listed(kind):
            lines.append(f"'{SERVER_DEVICE}:{each.get('name')}' ({way}: {each.get('description', '')})")
    return lines
