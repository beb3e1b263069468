"""stationbook's engine: everything that can be said without a screen."""

import os

# Matrices here are small: threads of the number library cost twice the processor and save no time.
# Read when numpy is first imported, so it stands before that; who sets it knows better. Processes
# that this one starts inherit it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
