"""What a 3-D camera measured beside an image: read, looked at on the board, weighed."""
