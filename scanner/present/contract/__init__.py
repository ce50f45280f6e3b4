"""The contract with other programs."""
