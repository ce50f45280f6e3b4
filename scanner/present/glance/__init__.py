"""What messages show first: the line to act on, what speaks against it, the rules in a line, key figures."""
