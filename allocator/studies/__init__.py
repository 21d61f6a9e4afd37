"""Questions around a plan: what each source is worth."""
