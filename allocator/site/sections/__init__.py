"""One reader a section: values as read by the tables -> records, with the checks of one record."""
