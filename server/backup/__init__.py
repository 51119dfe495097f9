"""Back-ups: made, proven, kept in number, and restored; the database moved, verified and thinned."""
