"""Hand-over files: what a crew cuts, builds and sets, and what other tools read."""
