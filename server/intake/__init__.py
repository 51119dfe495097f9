"""Intake: a pack becomes committed readings, and only then is acknowledged."""
