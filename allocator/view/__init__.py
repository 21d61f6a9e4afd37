"""A plan in a browser: change what it rests on, plan again beside it, and look at both.

Knows the engine and the page of a plan. Never plans by itself: that is work of processes that end
with it, so that a request is answered at once.
"""
