"""What stands on a site and what may be built there."""
