"""The commands about decisions and the journal."""
