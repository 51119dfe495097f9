"""The command hangtrue: arguments in, sentences out."""
