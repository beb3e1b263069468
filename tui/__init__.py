"""The Textual screen and the command line."""
