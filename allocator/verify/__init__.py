"""The audit: every claim of a plan worked out again, with no solver.

Knows a site, a plan and tables of properties. Never knows duty cycles as the model sees them, the
model, the solvers or the search: what they do wrong it must not repeat.
"""

from allocator.verify.auditing import audit
from allocator.verify.report import AuditReport, Breach

__all__ = ["AuditReport", "Breach", "audit"]
