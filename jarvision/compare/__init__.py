"""Hand marks set against what the photos show."""
