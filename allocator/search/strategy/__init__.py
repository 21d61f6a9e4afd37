"""The strategy as data: what is tried in which order, under which condition, for how long."""
