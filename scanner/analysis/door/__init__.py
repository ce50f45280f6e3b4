"""The interface for setups: what a setup declares, which setups there are, and the trial of one."""
