"""One Design in, one Result out."""
