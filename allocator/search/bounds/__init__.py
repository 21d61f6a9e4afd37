"""Bounds: a multicommodity formulation of flow that relaxes tightly, and what is proven with it."""
