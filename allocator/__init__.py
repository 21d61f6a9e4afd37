"""Plans an isolated site fed by sources that come and go, and proves the plan."""
