"""What messages say at a glance: the line one acts on, what speaks against it, the rules in a line, key figures."""
