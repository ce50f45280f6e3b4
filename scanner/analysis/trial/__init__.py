"""Testing a setup before it is trusted: the tapes on which it is run, and what is checked."""
