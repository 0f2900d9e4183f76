"""``python -m sitegeo``."""

from sitegeo.cli import main

main()
