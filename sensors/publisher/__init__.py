"""Publisher: from the spool to the collector, until a statement says it is stored."""
