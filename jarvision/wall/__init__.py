"""Find what the unrolled wall shows: layers, floor, water line, marks on the glass."""
