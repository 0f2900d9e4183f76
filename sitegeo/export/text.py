"""A plan in plain words: for a terminal, a text message, and the card.

Works on the object of plan.json alone, so a saved plan can be told again.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from sitegeo.angles import compass_point
from sitegeo.units import FOOT_M, length_text, speed_text

LINE_WIDTH = 78
"""Widest line."""

_WORST = ("inside", "close", "not checked", "clear")
_KINDS = ("dark", "white", "geese", "small")


def plan_text(record: Mapping[str, Any]) -> str:
    """Return a plan as plain ASCII text, no line wider than 78 columns, in set-up order.

    Parameters
    ----------
    record
        The object of plan.json.
    """
    spread = record["spread"]
    lines = [
        f"{record['title']}, blind {record['id']}",
        _morning(record),
        f"HIDE {record['usng']} = {record['lat']:.5f},{record['lon']:.5f}, "
        f"facing {round(record['facing_deg']) % 360:03d} true",
    ]
    if record.get("rejected_by"):
        lines.append(f"This blind was ruled out: {record['rejected_by']}.")
    lines.append(spread["reason"])
    if not spread["refused"]:
        lines += ["", *_steps(spread)]
    lines += [f"{way['name']} {_toward(way)}: {way['note']}" for way in record["route"]]
    told = [
        (f"{sun_heading(record['light'])}", list(sun_lines(record["light"]))),
        ("Times", list(times_sentences(record.get("times")))),
        ("Setbacks", list(setback_sentences(record))),
        ("Rules of the day", list(rule_sentences(record))),
        ("If the wind shifts", list(shift_sentences(record["shift"]))),
        ("Cautions", [sentence(words) for words in record["cautions"]]),
    ]
    for heading, sentences in told:
        if sentences:
            lines += ["", heading.upper(), *(f"- {words}" for words in sentences)]
    return "\n".join(part for line in lines for part in _wrapped(line)) + "\n"


def _morning(record: Mapping[str, Any]) -> str:
    wind, when = record["wind"], record["when"]
    said = "calm"
    if wind["from_deg"] is not None and wind["speed_mps"] > 0:
        said = f"wind {compass_point(wind['from_deg'])} {speed_text(wind['speed_mps'])}"
        said += f" (from {round(wind['from_deg']) % 360:03d} true)"
    date = "No date" if when is None else datetime.fromisoformat(when).strftime("%Y-%m-%d %H:%M")
    north = record["declination_deg"]
    turn = (
        "" if north is None else f"; declination {abs(north):.1f} {'west' if north < 0 else 'east'}"
    )
    return f"{date}, {said}{turn}"


def _steps(spread: Mapping[str, Any]) -> Iterator[str]:
    yield f"POCKET, leave open: {_toward(spread['pocket'])}"
    for number, group in enumerate(spread["groups"], 1):
        kinds = ", ".join(f"{group[k]} {k}" for k in _KINDS if group.get(k))
        line_m = group["line_m"]
        line = "" if line_m is None else f", line {round(2 * line_m / FOOT_M) / 2:g} ft"
        yield f"{number}. {group['name']} {group['count']} ({kinds}): {_toward(group)}{line}"
    for moving in spread["motion"]:
        yield f"Motion: {_toward(moving)}"
    if spread["jerk_line"]:
        yield f"Jerk line, its middle: {_toward(spread['jerk_line'])}"
    if spread["approach"]:
        come = spread["approach"]
        yield f"From {round(come['from_true_deg']) % 360:03d} true: {come['words']}."
    out = sum(g["count"] for g in spread["groups"]) + len(spread["motion"])
    yield f"{out} out: count {out} back in."


def _toward(spot: Mapping[str, Any]) -> str:
    magnetic = spot.get("bearing_magnetic_deg")
    true = f"{round(spot['bearing_true_deg']) % 360:03d} true"
    lead = true if magnetic is None else f"{round(magnetic) % 360:03d} magnetic ({true})"
    return f"{lead}, {spot['range_yd']:.0f} yd from the hide"


def _wrapped(line: str) -> list[str]:
    folded = unicodedata.normalize("NFKD", line.replace("\u2013", "-").replace("°", " deg"))
    plain = " ".join(folded.encode("ascii", "ignore").decode().split())
    kept = "".join(c for c in plain if c.isprintable())
    indent = "  " if line[:2] == "- " else ""
    return textwrap.wrap(kept, LINE_WIDTH, subsequent_indent=indent) or [""]


def setback_sentences(record: Mapping[str, Any]) -> Iterator[str]:
    """Give the hide's verdicts with the nearest feature, then what the groups' come to."""
    others = [check for check in record["checks"] if check["id"] != record["id"]]
    clear: list[str] = []
    for words, check in zip(record["verdicts"], record["checks"], strict=True):
        if check["id"] != record["id"]:
            continue
        if check["verdict"] == "clear" and check["limit_m"] is None:
            clear.append(words)
            continue
        nearest = ""
        if check["feature"] and check["distance_m"] is not None:
            at = (
                ""
                if check["bearing_deg"] is None
                else f" at {round(check['bearing_deg']) % 360:03d}° true"
            )
            nearest = f" Nearest: {check['feature']}, {length_text(check['distance_m'])}{at}."
        yield f"Hide {words}.{nearest}"
    if clear:
        yield f"Hide {'; '.join(clear)}."
    if others:
        yield f"Groups: {'; '.join(_group_verdicts(others))}."


def _group_verdicts(checks: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Give targets of one verdict for the same groups at once, the worst verdict first."""
    every = {check["id"] for check in checks}
    named: dict[tuple[str, str], set[str]] = {}
    for check in checks:
        named.setdefault((check["verdict"], check["target"]), set()).add(check["id"])
    alike: dict[tuple[str, frozenset[str]], list[str]] = {}
    for (verdict, target), ids in named.items():
        alike.setdefault((verdict, frozenset(ids)), []).append(target)
    for (verdict, who), targets in sorted(alike.items(), key=lambda item: _WORST.index(item[0][0])):
        told = f"{', '.join(targets)} {verdict}"
        whole = verdict == "clear" and who == every
        yield told if whole else f"{told} ({', '.join(sorted(who)).lower()})"


def rule_sentences(record: Mapping[str, Any]) -> Iterator[str]:
    """Give the rules of a chosen law that are not distances, with their dates and times."""
    for rule in record.get("rules", ()):
        told = f"{rule['topic']}: {rule['words']}".rstrip(".")
        if rule["dates"]:
            told += f" ({rule['dates']})"
        times = [
            f"{lead} {_clock(rule[key])}"
            for key, lead in (("earliest", "not before"), ("latest", "not after"))
            if rule[key]
        ]
        if times:
            told += f"; {' and '.join(times)} this day"
        yield sentence(told)


def shift_sentences(shift: Sequence[Any]) -> Iterator[str]:
    """Give a line for each likely shift of the wind, then what to mind in all of them, once."""
    minded: dict[str, None] = {}
    for entry in shift:
        if isinstance(entry, str):
            yield sentence(entry)
            continue
        moves = [str(m["words"]).rstrip(".") for m in entry.get("moves", ())]
        minded |= dict.fromkeys(entry.get("cautions", ()))
        told = [str(entry.get("verdict") or "").rstrip("."), *moves]
        words = "; ".join(w for w in told if w)
        if words:
            from_deg = entry["from_deg"]
            lead = f"From {compass_point(from_deg)} ({round(from_deg) % 360:03d}° true)"
            yield sentence(f"{lead}: {words}")
    yield from map(sentence, minded)


def times_sentences(times: Mapping[str, Any] | None) -> Iterator[str]:
    """Give what a boat is needed for, then the morning's times as a sentence."""
    if times is not None:
        if times["boat"]:
            yield f"A boat is needed for {', '.join(times['boat'])}."
        steps = ", ".join(f"{step['what']} at {_clock(step['at'])}" for step in times["steps"])
        yield sentence(f"{steps}: back from {times['from']}; {times['note']}")


def sun_heading(light: Mapping[str, Any] | None) -> str:
    """Return what the sun's times are: never shooting hours unless a law was chosen."""
    hours = light is not None and (light["shooting_start"] or light["shooting_end"])
    return "Sun, and hours to verify" if hours else "Sun, not shooting hours"


def sun_lines(light: Mapping[str, Any] | None) -> Iterator[str]:
    """Give the sun's times, and shooting hours where a chosen law gives them, a line each."""
    if light is None:
        yield "no date, so no sun time"
        return
    for name in ("civil_dawn", "sunrise", "sunset"):
        said = "does not happen" if light[name] is None else _clock(light[name])
        yield f"{name.replace('_', ' ')} {said}"
    if light["shooting_start"] or light["shooting_end"]:
        opens, closes = (_clock(light[f"shooting_{n}"]) for n in ("start", "end"))
        yield f"shooting {opens} to {closes} by {light['rule']}"
    else:
        yield f"Shooting hours {light['rule']}"


def _clock(moment: str | None) -> str:
    return "not known" if moment is None else datetime.fromisoformat(moment).strftime("%H:%M")


def sentence(words: str) -> str:
    """Return words as a sentence."""
    words = words.strip()
    end = "" if words.endswith((".", "!", "?")) else "."
    return words[:1].upper() + words[1:] + end
