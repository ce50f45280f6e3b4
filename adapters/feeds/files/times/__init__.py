"""How times are written, and the moments that they mean."""
