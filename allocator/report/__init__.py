"""Text, the page, and files for a crew and for other tools.

Knows sites, plans and traces, and shows what they hold. Never plans and never solves.
"""
