"""Reports as lists of blocks, with their plots, laid out as a page and on paper."""
