"""Search by paths: good plans for sites that the plain program cannot close."""
