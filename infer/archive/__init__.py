"""Archives: what a run has read is kept film by film; it can stop, go on, grow, and be spread over processes."""
