"""Inspection: one look at one door, from daily readings to findings."""
