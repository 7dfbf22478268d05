"""The suite: films of single conditions, generated and measured, against targets."""
