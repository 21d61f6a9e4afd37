"""Files and tables for people: knows sites and plans only."""
