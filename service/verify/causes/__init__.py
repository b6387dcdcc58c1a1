"""One file per cause."""
