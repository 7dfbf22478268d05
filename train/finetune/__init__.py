"""Studies of fine-tuned weights: how many own films buy how much, what new weights change."""
