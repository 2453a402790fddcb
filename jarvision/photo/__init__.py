"""Open photos: upright pictures and the few camera facts that a reading needs."""
