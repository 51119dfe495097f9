"""The pages that a maker reads, and the same facts as data."""
