"""Blinds ranked for one wind and for many."""
