"""Numbers only: shares, texture class, settling, and the soil by weight."""
