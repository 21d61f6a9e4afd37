"""Every key of the site file, with its kind, meaning and default: reader and schema use these."""
