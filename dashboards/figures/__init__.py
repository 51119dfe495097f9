"""Figures: arrays in, geometry or JSON out. No query, no markup: templates draw what stands here."""
