"""Checking, keeping in order and exporting a store."""
