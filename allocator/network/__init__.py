"""What follows from a site: capacities by bore, places split by temperature, coolers between them.

Knows the site and physics. Never knows a plan, a model or how a site was made: a network read from
a file and one of a site built in Python are the same.

A fluid is planned with temperatures where a source of it has one and something limits it. Its
pipes, coolers and machines then stand at *levels*: a place of the site file is split into one
place for each temperature (an upper bound) at which the fluid may be there, a pipe runs from a
level to the level in which it certainly ends, and a cooler is a one-way route from one level to
the next. The layered program plans on the places so made, and need not know of temperatures.
"""
