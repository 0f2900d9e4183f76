"""Answers as tables and sentences for a terminal."""
