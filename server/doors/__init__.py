"""Doors: as built and hung, with their gauges, nodes and marks."""
