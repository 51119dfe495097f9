"""Trend: the part of a movement that stays, told from what the season takes back; pure."""
