"""Bounds: a statement by origin of flow that relaxes tightly, and what is proven with it."""
