"""From surfaces to path lengths on a film: beam geometry, rasteriser, landmarks of the projected bones."""
