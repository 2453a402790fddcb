"""Find the jar and its scale: strip or ruler, walls, view, and the unrolled front of the glass."""
