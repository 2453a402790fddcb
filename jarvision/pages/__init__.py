"""Pages and pictures: overlays, triangle, plots, reports."""
