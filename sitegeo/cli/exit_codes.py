"""What a command's exit code says; 1 (failed) and 2 (usage) belong to the errors themselves."""

from __future__ import annotations

FAILED = 1
"""Something unexpected went wrong; what a person can act on has its code in `sitegeo.errors`."""

NOT_CLEAR = 3
"""The command ran, and its answer is not "clear": for a scan, also that a part is missing."""

INTERRUPTED = 130
"""Stopped with Ctrl-C: 128 and the number of the signal, as shells count."""

ANSWERS = {"check": (NOT_CLEAR,), "scan": (NOT_CLEAR,)}
"""Codes beside 0 that are an answer and no failure, by command."""
