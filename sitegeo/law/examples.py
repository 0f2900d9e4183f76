"""The example laws that travel with sitegeo, and the strictest of them.

Examples to copy and check; none is ever a chosen law.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date

from sitegeo.core.models import read_toml
from sitegeo.errors import LawError
from sitegeo.law.features import pavement_m, right_of_way_m
from sitegeo.law.rules import (
    EXAMPLES_FOLDER,
    RULE_TARGETS,
    DistanceRule,
    Law,
    MeasuredFrom,
    TextRule,
)


def example_laws() -> tuple[Law, ...]:
    """Return the example laws that travel with sitegeo, in the order of their file names."""
    files = sorted(EXAMPLES_FOLDER.glob("*.toml"), key=lambda path: path.name)
    return tuple(read_toml(path, Law, LawError).as_example() for path in files)


def strictest_law(laws: Sequence[Law]) -> Law:
    """Return, as an example law, the strictest firearm rules of several laws.

    For each target class the rule asking the largest clearance from the target's outer edge,
    as a disc, on any day and ground, with no permission. Roads and grounds differ in width, so
    two rules measured from different lines are both kept unless one is the stricter at any width.
    Where a law gives widths the widest count. The law's texts say which rule governs each target,
    and of how many.

    Examples
    --------
    >>> law = strictest_law(example_laws())
    >>> law.example, law.chosen
    (True, False)
    """
    reasons: list[TextRule] = []
    kept: dict[tuple[int, int], DistanceRule] = {}
    for target in RULE_TARGETS:
        among = {
            (n, k): rule
            for n, law in enumerate(laws)
            for k, rule in enumerate(law.distance)
            if target in rule.target and "firearm" in rule.weapon
        }
        for at, rule in among.items():
            if any(_outdoes(other, rule, first=key < at) for key, other in among.items()):
                continue
            kept[at] = rule
            reasons.append(
                TextRule(
                    topic="strictest",
                    words=f"{target}: {rule.limit:g} {rule.unit} from the {rule.measured_from} "
                    f"({laws[at[0]].place}), the largest of {len(among)} example rules",
                    citation=rule.citation,
                )
            )
    return Law(
        title="Strictest of the example rules",
        place="no place in particular",
        read_on=min((law.read_on for law in laws), default=date.min),
        distance=_named_apart([kept[at] for at in sorted(kept)]),
        text=tuple(reasons),
        road_width_m=_widest([law.road_width_m for law in laws], pavement_m),
        right_of_way_m=_widest([law.right_of_way_m for law in laws], right_of_way_m),
    ).as_example()


# From the same limit, a line further out asks more, at any width.
_OUTWARD: dict[MeasuredFrom, int] = {
    "centreline": 0,
    "pavement edge": 1,
    "right-of-way": 2,
    "wall": 0,
    "grounds": 1,
    "property line": 2,
}


def _outdoes(one: DistanceRule, other: DistanceRule, *, first: bool) -> bool:
    """Return whether `one` asks as much as `other` at any width, and more or came `first`."""
    a, b = ((_OUTWARD[r.measured_from], r.limit_m) for r in (one, other))
    return a[0] >= b[0] and a[1] >= b[1] and (a != b or first)


def _widest(
    tables: Sequence[Mapping[str, float]], usual_m: Callable[[str], float]
) -> dict[str, float]:
    """Return, for each road class in any of the tables, the widest of them and of the usual."""
    classes = sorted({name for table in tables for name in table})
    return {c: max(usual_m(c), *(t.get(c, 0.0) for t in tables)) for c in classes}


def _named_apart(rules: Sequence[DistanceRule]) -> tuple[DistanceRule, ...]:
    """Return the rules bare of every limit to their reach, equal ids numbered."""
    ids = [rule.id for rule in rules]
    bare = {
        "applies_on": ("any",),
        "permission": "none",
        "permission_by": (),
        "permission_written": False,
        "effective_from": None,
        "effective_to": None,
    }
    named = []
    for n, rule in enumerate(rules, start=1):
        name = rule.id if ids.count(rule.id) == 1 else f"{rule.id} [{n}]"
        geometry = "disc" if rule.geometry == "sector" else rule.geometry
        named.append(rule.model_copy(update={**bare, "id": name, "geometry": geometry}))
    return tuple(named)
