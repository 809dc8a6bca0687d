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

from benchtest.instruments.portaudio import SERVER_DEVICE, AudioResource

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


_WAYS = (("sinks", "sink-inputs", "sink", "output"), ("sources", "source-outputs", "source", "input"))


def lacking(output: AudioResource, input: AudioResource) -> str:
    """Which of the two the server does not have, and what it has instead; "" where it has both, or does not say."""
    words = []
    for resource, (kind, _, one, way) in zip((output, input), _WAYS, strict=True):
        there = [str(each.get("name")) for each in listed(kind, resource.server)]
        if resource.sink and there and resource.sink not in there:
            words.append(
                f"The audio server has no {one} '{resource.sink}' ([audio] {way}_device). Expected one of: "
                f"{', '.join(f'{SERVER_DEVICE}:{name}' for name in there)}. Write the name as 'benchtest devices' lists it."
            )
    return " ".join(words)


def moved(output: AudioResource, input: AudioResource) -> str:
    """Where a stream of this process goes, if not to what is named here; "" where it does, or the server does not say.

    A server moves a stream when its device vanishes, or when somebody asks it to in the system's sound settings. Through
    PortAudio that can be neither forbidden nor heard of.
    """
    words = []
    for resource, (kind, streams, one, way) in zip((output, input), _WAYS, strict=True):
        if not resource.sink:
            continue
        ours = [each.get(one) for each in listed(streams, resource.server) if _is_ours(each)]
        if not ours:
            continue
        names = {each.get("index"): str(each.get("name")) for each in listed(kind, resource.server)}
        elsewhere = sorted({names.get(number, "nowhere") for number in ours} - {resource.sink})
        if elsewhere:
            words.append(f"the {way} is on '{', '.join(elsewhere)}'; expected '{resource.sink}'")
    return "; ".join(words)


def _is_ours(stream: dict[str, Any]) -> bool:
    properties = stream.get("properties")
    return isinstance(properties, dict) and properties.get("application.process.id") == str(os.getpid())
