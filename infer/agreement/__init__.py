"""The tool against readers, and readers among themselves."""
