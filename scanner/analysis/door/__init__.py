"""The door for setups: what a setup says of itself, which there are, and the trial of one."""
