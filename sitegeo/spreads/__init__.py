"""Spreads: the hide's frame, the layouts, and fitting them to the real water."""
