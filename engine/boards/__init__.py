"""Boards: their points, finding and numbering them, and the turns after which they look alike."""
