"""Findings of a door by what they are about. Pure: a look's values in, findings out."""
