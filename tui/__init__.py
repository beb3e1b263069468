"""The Textual screen and the command line."""

import os

# Pictures a second at most: of 60 the one with the verdict, right behind the one with the key that
# it answers, would wait for up to 33 ms. On a slow line fewer can be asked for.
os.environ.setdefault("TEXTUAL_FPS", "240")
