"""What the reading does where a film is changed on purpose: broken, damaged, turned, coarser, darker."""
