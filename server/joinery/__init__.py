"""Joinery: the leaf in its opening and what gauges can tell of it; pure."""
