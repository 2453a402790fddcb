"""What every room stands on: errors, doubts, values with their uncertainty, units, names, files."""
