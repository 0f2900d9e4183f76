"""Write the pinned ranking of the bundled place anew: `make pin`, where a change of it is meant."""

from __future__ import annotations

import sys
from pathlib import Path

import sitegeo
from sitegeo.places.bundled import bundled_place_file

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from helpers_pinned import PINNED, table


def main() -> None:
    """Survey the bundled place, rank it under eight winds and write the table."""
    survey = sitegeo.survey(sitegeo.read_place(bundled_place_file()))
    PINNED.write_text(table(survey), encoding="utf-8")
    print(PINNED)


if __name__ == "__main__":
    main()
