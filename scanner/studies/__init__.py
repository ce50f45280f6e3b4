"""Studies: what the rules did on recorded bars, beside what chance did on the same bars."""
