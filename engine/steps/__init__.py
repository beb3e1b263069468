"""The steps of the job, the same for the command line and the screen."""
