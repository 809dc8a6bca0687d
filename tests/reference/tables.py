"""Reading the published tables beside this file."""

import csv
from pathlib import Path


def table(name: str) -> list[dict[str, str]]:
    """Rows of a table; lines that begin with # say where it is from."""
    with open(Path(__file__).with_name(name), encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))
