"""What came of a jar, in the one form in which it is stored, and its texts."""
