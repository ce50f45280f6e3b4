"""How words, numbers, moments, tables and texts from outside are written, whatever they are about."""
