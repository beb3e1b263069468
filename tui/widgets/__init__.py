"""Parts of the screen: each draws plain data and knows nothing of files or geometry."""
