"""Setups: one file for each."""
