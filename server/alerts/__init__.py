"""Alerts: what findings amount to, said once, and how it ended."""
