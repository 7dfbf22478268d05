"""Review: a person settles what the run left open, on a page served to this machine alone."""
