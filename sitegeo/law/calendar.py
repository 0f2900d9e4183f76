"""The rules that are not distances, for one day: what holds, between which times, what bars it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time

from sitegeo.law.daylight import Daylight, ShootingHours, clock_time_on, round_inward
from sitegeo.law.rules import WEEKDAYS, Law, Moment, TextRule

OPEN_ON = ("season", "zone")
"""Topics whose dates are the days that are open."""

CLOSED_ON = "closed days"
"""The topic whose weekdays and dates are closed."""


@dataclass(frozen=True)
class DayRule:
    """A rule in words, as it stands on a day.

    `earliest` and `latest` are times of that day, rounded inward; None without a day.
    """

    topic: str
    words: str
    dates: str
    earliest: datetime | None
    latest: datetime | None
    citation: str


def rules_on(
    law: Law,
    when: datetime | None,
    *,
    light: Daylight | None = None,
    hours: ShootingHours | None = None,
) -> tuple[DayRule, ...]:
    """Return the texts of a law that hold on the day of `when`, or all of them without one.

    Seasons, zones and closed days are always among them, so that a reader sees their dates.

    Parameters
    ----------
    law
        Whose texts are read.
    when
        A moment of the day, with its zone.
    light, hours
        Sun times and shooting hours of that day, from which texts may count minutes.

    Returns
    -------
    tuple of DayRule
        In the order of the file.
    """
    on = None if when is None else when.date()
    return tuple(
        DayRule(
            topic=rule.topic,
            words=rule.words,
            dates=dates_in_words(rule),
            earliest=_moment(rule.earliest, when, light, hours, earliest=True),
            latest=_moment(rule.latest, when, light, hours, earliest=False),
            citation=rule.citation or "",
        )
        for rule in law.text
        if rule.topic in (*OPEN_ON, CLOSED_ON) or _holds(rule, on)
    )


def reasons_closed(law: Law, on: date) -> Iterator[str]:
    """Yield each reason why the law's calendar closes a day to hunting."""
    for topic in OPEN_ON:
        dated = [t for t in law.text if t.topic == topic and (t.effective_from or t.effective_to)]
        if dated and not any(_holds(rule, on) for rule in dated):
            yield f"{on} is outside every {topic} written in the law"
    for rule in law.text:
        written = rule.days or rule.effective_from or rule.effective_to
        if rule.topic == CLOSED_ON and written and _holds(rule, on):
            yield f"{on} is a closed day: {rule.words}"


def dates_in_words(rule: TextRule) -> str:
    """Return the days of a rule in words, empty for all."""
    told = [rule.dates or ""]
    if rule.effective_from:
        told.append(f"from {rule.effective_from}")
    if rule.effective_to:
        told.append(f"to {rule.effective_to}")
    told.append(", ".join(rule.days))
    return " ".join(part for part in told if part)


def _holds(rule: TextRule, on: date | None) -> bool:
    """Return whether a rule holds on a day; on no day all hold."""
    of_the_week = on is None or not rule.days or WEEKDAYS[on.weekday()] in rule.days
    return of_the_week and rule.in_force(on)


def _moment(
    written: Moment | time | None,
    when: datetime | None,
    light: Daylight | None,
    hours: ShootingHours | None,
    *,
    earliest: bool,
) -> datetime | None:
    if written is None or when is None:
        return None
    if isinstance(written, time):
        return clock_time_on(when.date(), written, when.tzinfo)
    if written.event.startswith("shooting"):
        start = written.event == "shooting start"
        known = None if hours is None else hours.opens if start else hours.closes
    else:
        known = None if light is None else light.event(written.event)
    return None if known is None else round_inward(known, written.minutes, earliest=earliest)
