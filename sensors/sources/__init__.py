"""Sources: gauges as functions that give samples."""
