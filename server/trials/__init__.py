"""Trials: comparisons of two ways of joining, declared and sealed before their readings come."""
