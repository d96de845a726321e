"""``python -m steps.cli`` is ``stepleaf``."""

from steps.cli import main

main()
