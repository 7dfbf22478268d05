"""Networks and resampling on an accelerator: films of several readers share its batches."""
