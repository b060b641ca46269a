"""From a film and a reading to calibrated numbers with their uncertainty."""
