"""Films of a digitised skeleton: bones that the generator never made, for evaluation only."""
