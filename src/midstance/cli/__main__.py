"""``python -m midstance.cli``."""

from midstance.cli import main

main()
