"""Reading a TOML file, and on which line of it something stands or is wrong."""
