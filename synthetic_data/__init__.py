"""Generated foot films: anatomy -> pose -> projection -> film, with landmarks from the projected bones."""
