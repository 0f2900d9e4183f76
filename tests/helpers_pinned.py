"""The ranking of the bundled place as a table a person can read, kept beside the tests.

Rewritten by `make pin` where a change is meant; a careless one breaks the test that reads it.
"""

from __future__ import annotations

from pathlib import Path

import sitegeo

PINNED = Path(__file__).parent / "judged" / "bundled_ranking.txt"
WINDS = (
    *("N 6 mph", "NE 9 mph", "E 12 mph", "SE 16 mph"),
    *("S 20 mph", "SW 8 mph", "W 10 mph", "NW 12 mph"),
)
LISTED = 8


def table(survey: sitegeo.Survey) -> str:
    """The best places under each wind: layout, score and every component, in hundredths."""
    lines = ["# Best places of the bundled place under eight winds; written by `make pin`."]
    for text in WINDS:
        places = sitegeo.rank(survey, sitegeo.Wind.parse(text)).places.head(LISTED)
        names = [str(c)[2:] for c in places.columns if str(c).startswith("c_")]
        lines += ["", f"{text:<10} {'layout':<12} score {' '.join(f'{n:>9}' for n in names)}"]
        for _, row in places.iterrows():
            parts = " ".join(f"{100 * row[f'c_{name}']:9.0f}" for name in names)
            lines.append(f"{row['id']:<10} {row['layout']:<12} {100 * row['score']:5.1f} {parts}")
    return "\n".join(lines) + "\n"
