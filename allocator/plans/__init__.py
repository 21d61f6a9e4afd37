"""Records of a plan, and ``plan.json``: read, checked, written.

Knows what a plan says, whoever made it. Never works anything out.
"""
