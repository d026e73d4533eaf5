"""Events in, notes out."""
