"""The message: the pack, the statement and the clock correction, read, written and checked."""
