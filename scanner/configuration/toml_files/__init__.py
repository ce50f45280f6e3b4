"""Reading a TOML file, with the line of each setting and mistake."""
