"""Power from heat, below Carnot's limit."""

from __future__ import annotations

from allocator.physics.faults import PhysicsError


def carnot(hot: float, cold: float) -> float:
    """Greatest share of heat at ``hot`` K that can become work against ``cold`` K."""
    return max(0.0, 1.0 - cold / hot)


def recovered_power(
    heat: float, hot: float, cold: float, efficiency: float, threshold: float = 0.0
) -> float:
    """W of power from ``heat`` W at ``hot`` K; none below the threshold (K).

    Raises:
        PhysicsError: the efficiency is not below Carnot's between the two temperatures.
    """
    if hot <= max(threshold, cold):
        return 0.0
    most = carnot(hot, cold)
    if efficiency >= most:
        raise PhysicsError(
            f"has an efficiency of {100 * efficiency:.4g} % between {hot - 273.15:.4g} and "
            f"{cold - 273.15:.4g} degC, where no engine passes {100 * most:.4g} %",
            "give a lower efficiency",
        )
    return efficiency * heat
