"""``python -m benchtest`` is the command ``benchtest``."""

from benchtest.cli import main

main()
