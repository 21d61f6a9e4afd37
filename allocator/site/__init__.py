"""What a site file says, and nothing derived: records, reading with file:line:column, schema.

Knows the file's keys, and the numbers that a study may change. Never works out what a pipe carries
or how hot gas is: that is the network's.
"""
