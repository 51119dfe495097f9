"""Who may connect: credentials of nodes, kept as salted hashes."""
