"""The commands: one module each, from the parsed words to printed lines and an exit status."""
