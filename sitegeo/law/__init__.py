"""Law and safety: setback rules as data, verdicts, and the ground that is open to hunt."""
