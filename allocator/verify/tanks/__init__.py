"""The tanks of a plan and what fills and drains them, as the audit and the simulation see them."""
