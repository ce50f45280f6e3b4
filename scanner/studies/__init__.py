"""Studies: the results of the rules on recorded bars, compared with chance on the same bars."""
