"""From tables, logs and maps that users have to site files.

Knows the keys of site files and the cells of spreadsheets. Never plans anything, and never guesses
in silence: what it assumes it lists.
"""
