"""Path search: good plans for sites that the plain model cannot close."""
