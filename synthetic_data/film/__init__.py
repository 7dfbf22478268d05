"""From path lengths to the picture on a film: attenuation, scatter, noise, display, marks."""
