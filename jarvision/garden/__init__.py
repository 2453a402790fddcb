"""What the soil means for the garden."""
