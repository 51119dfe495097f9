"""The command hangtrue-node: the loop sample, spool, publish, rest."""
