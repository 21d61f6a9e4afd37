"""Proof: an audit that shares nothing with planning."""
