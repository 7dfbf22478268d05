"""The two networks: where the feet are, and where the landmarks of one foot are."""
