"""Files: the strict YAML reader, the one module that writes, journal, lock and folder."""
