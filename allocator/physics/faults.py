"""What physics refuses: a state that cannot be, or for which nothing is known."""

from __future__ import annotations

from allocator.base.errors import AllocatorError


class PhysicsError(AllocatorError):
    """``problem``: a clause that follows the name of the thing; ``remedy``: what to do."""

    def __init__(self, problem: str, remedy: str = "") -> None:
        self.problem = problem
        self.remedy = remedy
        super().__init__(f"{problem}; {remedy}" if remedy else problem)


class UnknownPropertyError(PhysicsError):
    """A property that neither the user nor the property library gives."""
