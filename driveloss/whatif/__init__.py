"""What each change of the machine would gain at one run."""
