"""Proof: an audit that shares nothing with planning."""

from allocator.proof.audit import audit
from allocator.proof.report import AuditReport, Breach

__all__ = ["AuditReport", "Breach", "audit"]
